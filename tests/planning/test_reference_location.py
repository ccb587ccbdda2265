"""p-median and facility location against the published optima of the OR-Library."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from location_files import read_pmed, read_uflp

from meshplan.errors import InputError
from meshplan.planning.facility import choose_sites

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "reference" / "optimisation"
SLOW = {"pmed6", "pmed16", "pmed21", "pmed26"}
CASES: list[dict[str, str]] = []
if (FOLDER / "published_optima.csv").is_file():
    with (FOLDER / "published_optima.csv").open(encoding="utf-8", newline="") as stream:
        CASES = [row for row in csv.DictReader(stream) if row["set"] in ("pmed", "uflp")]


def test_the_location_sets_are_read() -> None:
    if not FOLDER.is_dir():
        pytest.skip("the optimisation reference set (../shared/reference/optimisation) is not on this machine")
    assert len(CASES) >= 12


@pytest.mark.parametrize(
    "case",
    [pytest.param(c, id=c["instance"], marks=[pytest.mark.slow] if c["instance"] in SLOW else []) for c in CASES],
)
def test_published_location_optimum_is_proven(case: dict[str, str]) -> None:
    published = float(case["published_optimum"])
    if case["set"] == "pmed":
        distance, count = read_pmed(FOLDER / case["file"])
        choice = choose_sites(distance, count=count)
        assert len(choice.opened) == count
        price, fixed = distance, np.zeros(distance.shape[1])
    else:
        price, fixed = read_uflp(FOLDER / case["file"])
        choice = choose_sites(price, fixed_cost=fixed)
    assert choice.value == pytest.approx(published, abs=2e-3)
    assert choice.proven
    again = fixed[list(choice.opened)].sum() + price[np.arange(len(price)), list(choice.serves)].sum()
    assert again == pytest.approx(choice.value)
    assert choice.bound <= choice.value + 1e-9


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
