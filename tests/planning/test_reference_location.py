"""p-median and facility location against the published optima of the OR-Library."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from location_files import read_pmed, restated_facilities, restated_p_medians
from numpy.typing import NDArray
from site_choice import choose_sites

from meshplan.errors import InputError

FILES = Path(__file__).resolve().parents[3] / "shared" / "reference" / "optimisation" / "pmed"
MEDIANS = restated_p_medians()
FACILITIES = restated_facilities()
SLOW = {"pmed6", "pmed16", "pmed21", "pmed26"}
BESIDE = {"pmed13": 4374.0, "pmed16": 8162.0, "pmed21": 9138.0, "pmed26": 9917.0}
"""Optima published by the OR-Library for graphs too large to restate; their files are read beside the checkout."""


def marked(names: list[str]) -> list[object]:
    return [pytest.param(name, marks=[pytest.mark.slow] if name in SLOW else []) for name in names]


def check_choice(price: NDArray[np.float64], published: float, *, count: int | None = None, fixed: NDArray[np.float64]) -> None:
    choice = choose_sites(price, count=count, fixed_cost=fixed)
    assert choice.value == pytest.approx(published, abs=2e-3)
    assert choice.proven
    assert count is None or len(choice.opened) == count
    again = fixed[list(choice.opened)].sum() + price[np.arange(len(price)), list(choice.serves)].sum()
    assert again == pytest.approx(choice.value)
    assert choice.bound <= choice.value + 1e-9


@pytest.mark.parametrize("name", marked(list(MEDIANS)))
def test_published_p_median_optimum_is_proven(name: str) -> None:
    distance, count, published = MEDIANS[name]
    check_choice(distance, published, count=count, fixed=np.zeros(distance.shape[1]))


@pytest.mark.parametrize("name", marked(list(BESIDE)))
def test_published_p_median_optimum_of_a_large_graph_is_proven(name: str) -> None:
    path = FILES / f"{name}.txt"
    if not path.is_file():
        pytest.skip(
            "the large graphs (../shared/reference/optimisation) are not on this machine; five smaller ones are in every clone"
        )
    distance, count = read_pmed(path)
    check_choice(distance, BESIDE[name], count=count, fixed=np.zeros(distance.shape[1]))


@pytest.mark.parametrize("name", list(FACILITIES))
def test_published_facility_optimum_is_proven(name: str) -> None:
    price, fixed, published = FACILITIES[name]
    check_choice(price, published, fixed=fixed)


@pytest.mark.parametrize("seed", range(20))
def test_location_agrees_with_trying_every_set(seed: int) -> None:
    rng = np.random.default_rng(seed)
    price = rng.integers(0, 30, (8, 7)).astype(float)
    fixed = rng.integers(0, 25, 7).astype(float)
    count = None if seed % 2 else int(rng.integers(1, 5))
    sets = [np.flatnonzero([bits >> i & 1 for i in range(7)]) for bits in range(1, 128)]
    best = min(fixed[list(s)].sum() + price[:, s].min(axis=1).sum() for s in sets if count is None or len(s) == count)
    choice = choose_sites(price, count=count, fixed_cost=fixed)
    assert choice.value == best
    assert choice.proven


def test_prices_must_be_finite() -> None:
    with pytest.raises(InputError, match="not finite"):
        choose_sites(np.array([[1.0, np.inf]]), count=1)


def test_more_sites_than_there_are_is_an_error() -> None:
    with pytest.raises(InputError, match="3 of 2 sites cannot be opened"):
        choose_sites(np.ones((4, 2)), count=3)
