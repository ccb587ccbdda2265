"""Sentences that compare say what differs: no amount that differs is written as nothing, no number beside its like."""

from __future__ import annotations

import pytest

from meshplan.assembly.alternatives import amount_words, change_words, price_sentence
from meshplan.assembly.proof import proof_sentence
from meshplan.planning.problem import PlacementPlan, PlacementResult, PlacementRoute, ServedSensor, SolveLimits


@pytest.mark.parametrize(
    ("change", "words"),
    [(0.0, "for the same cost"), (-0.0, "for the same cost"), (0.3, "+0.30 EUR"), (-0.3, "-0.30 EUR"), (45.0, "+45 EUR")],
)
def test_a_change_of_cost_is_never_written_as_plus_nothing(change: float, words: str) -> None:
    assert change_words(change, "EUR") == words


def test_a_small_amount_keeps_its_hundredths() -> None:
    assert amount_words(0.4, "EUR") == "0.40 EUR"
    assert amount_words(224.4, "EUR") == "224 EUR"


def test_no_sensor_is_no_zero() -> None:
    assert price_sentence("any one relay", 224.0, 0, "EUR", for_all=True).endswith(": 224 EUR, no sensor can have it.")
    assert price_sentence("any one relay", 224.0, 1, "EUR", for_all=True).endswith(": 224 EUR, 1 sensor can have it.")


def test_what_is_not_proven_is_never_zero_percent() -> None:
    plan = PlacementPlan(("G",), (ServedSensor("S", PlacementRoute(("G",), 1.0)),), (), 10_000.0, 0.0)
    result = PlacementResult(plan, 9_999.0, 9_999.0, 1e-4, False, "", "iteration limit", None, (), SolveLimits(), ())
    assert "more than 0.1% cheaper: at least 9999.00 must be spent" in proof_sentence(result)
