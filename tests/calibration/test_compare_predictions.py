"""Which verdicts changed and why, in words."""

from __future__ import annotations

from meshplan.calibration.compare import compare_predictions
from meshplan.records import Clearance, Link, SeasonResult, Spread
from meshplan.records.measurement import LinkCorrection


def link(key: str, verdict: str, margin_db: float, chance: float, spread_db: float) -> Link:
    season = SeasonResult("leaf", (), 110.0, -100.0, -100.0, margin_db, margin_db, Spread(spread_db, 0, 0, 0, 0), chance)
    clearance = Clearance("clear", 1.0, 2.0, 100.0, "", "")
    return Link(
        key, "S03", "House", 400.0, 90.0, 868.0, 1.5, 6.0, (), (), -120.0, -120.0, 6.0, (season,), "leaf", "", clearance,
        chance, margin_db, 10.0, verdict, "", (),
    )  # fmt: skip


BEFORE = [link("a", "failing", 3.0, 0.3, 8.0), link("b", "good", 15.0, 0.9, 8.0), link("c", "thin", 9.0, 0.6, 8.0)]
AFTER = [link("a", "good", 9.0, 0.92, 5.0), link("b", "good", 16.0, 0.95, 5.0), link("c", "failing", 2.0, 0.2, 5.0)]
WHY = LinkCorrection(
    "a", 6.0, Spread(5, 0, 0, 0, 0), 0.0, False, False, ("No reading went through hedge.",),
    (("the kind 'orchard'", 4.5), ("the antenna at House", 1.5)),
)  # fmt: skip


def test_only_changed_verdicts_are_listed_the_largest_first() -> None:
    assert [(change.key, change.before, change.after, change.better) for change in compare_predictions(BEFORE, AFTER)] == [
        ("a", "failing", "good", True),
        ("c", "thin", "failing", False),
    ]


def test_the_sentence_says_why() -> None:
    (change, _) = compare_predictions(BEFORE, AFTER, {"a": WHY})
    assert change.sentence == (
        "S03 to House: 'failing' is now 'good'. Margin +3 to +9 dB, spread 8.0 to 5.0 dB, chance 30 to 92 %. "
        "Why: the kind 'orchard' +4.5 dB, the antenna at House +1.5 dB. Kept wide: No reading went through hedge."
    )


def test_a_link_that_is_only_in_one_plan_is_passed_over() -> None:
    assert compare_predictions(BEFORE[:1], AFTER[1:]) == ()


def test_from_not_sure_to_a_verdict_counts_by_chance() -> None:
    (change,) = compare_predictions([link("a", "not sure", 5.0, 0.7, 9.0)], [link("a", "good", 9.0, 0.95, 4.0)])
    assert change.better
