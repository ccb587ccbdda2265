"""Chance and margin with a learned tail: Student-t of unit deviation against scipy.stats, and the one against the other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm
from scipy.stats import t as student

from meshplan.loss.uncertainty import chance_of
from meshplan.propagation.variability import MOST_FREEDOM, chance_below, reliability_margin_db

Z = np.linspace(-6.0, 6.0, 25)


@pytest.mark.parametrize("freedom", [4.0, 6.5, 10.0, 30.0, 900.0])
def test_it_is_students_t_with_a_standard_deviation_of_one(freedom: float) -> None:
    assert chance_below(Z, freedom) == pytest.approx(student(freedom, scale=np.sqrt((freedom - 2) / freedom)).cdf(Z), abs=1e-12)


def test_without_readings_and_with_many_degrees_of_freedom_it_is_normal() -> None:
    assert chance_below(Z) == pytest.approx(norm.cdf(Z), abs=1e-15)
    assert chance_below(Z, [[np.inf], [10.0]])[0] == pytest.approx(norm.cdf(Z), abs=1e-15)
    assert chance_below(Z, MOST_FREEDOM) == pytest.approx(norm.cdf(Z), abs=2e-4)


@given(st.floats(0.02, 0.98), st.floats(1.0, 15.0), st.one_of(st.just(np.inf), st.floats(3.0, 5000.0)))
def test_the_required_margin_is_where_the_chance_is_the_required_one(chance: float, spread: float, freedom: float) -> None:
    margin = reliability_margin_db(chance, spread, freedom)
    assert chance_of(margin + 4.0, np.asarray(4.0), np.asarray(spread), freedom) == pytest.approx(chance, abs=1e-6)


def test_a_reserve_of_three_spreads_is_worth_less_with_heavy_tails_and_one_of_one_is_worth_more() -> None:
    assert chance_below(3.0, 6.0) < chance_below(3.0)
    assert chance_below(1.0, 6.0) > chance_below(1.0)
