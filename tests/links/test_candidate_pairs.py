"""Pairs are filtered before they are built: the same ones as by looking at every two, and too many are told by name."""

from __future__ import annotations

from itertools import count
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meshplan.errors import TooLargeError
from meshplan.links import pairs as module
from meshplan.links.pairs import candidate_pairs
from meshplan.records import Role

ROWS = count()
"""Each row of the table is a device of its own."""

RANK = {Role.SENSOR: 0, Role.RELAY: 1, Role.GATEWAY: 2}


def station(role: Role, x_m: float, y_m: float, place: str) -> Any:
    """Return as much of a station as the choice of pairs looks at; free space carries it about 4.8 km at 868 MHz."""
    site = SimpleNamespace(role=role, x_m=x_m, y_m=y_m, place_name=place, name=f"row {next(ROWS)}", same_as="")
    return SimpleNamespace(
        site=site, eirp_dbm=0.0, receive_gain_db=0.0, sensitivity_dbm=-95.0, radio=SimpleNamespace(frequency_mhz=868.0)
    )


def by_looking_at_every_two(stations: list[Any], reach_m: float) -> list[tuple[int, int]]:
    found = []
    for i, one in enumerate(stations):
        for j, other in enumerate(stations):
            a, b = RANK[one.site.role], RANK[other.site.role]
            ordered = a < b or (a == b == 1 and i < j)
            apart = one.site.place_name != other.site.place_name or a == 0
            near = np.hypot(one.site.x_m - other.site.x_m, one.site.y_m - other.site.y_m) <= reach_m
            if ordered and apart and near:
                found.append((i, j))
    return found


@given(
    st.lists(
        st.tuples(st.sampled_from(list(Role)), st.integers(0, 9000), st.integers(0, 9000), st.sampled_from("abcdef")),
        max_size=12,
    ),
    st.booleans(),
)
def test_the_pairs_are_those_of_looking_at_every_two(rows: list[tuple[Role, int, int, str]], prune: bool) -> None:
    stations = [station(role, x, y, place) for role, x, y, place in rows]
    reach_m = float(module.best_range_m(np.asarray(105.0), 868.0)) if prune else np.inf
    assert 4_000 < module.best_range_m(np.asarray(105.0), 868.0) < 6_000
    assert [tuple(pair) for pair in candidate_pairs(stations, prune=prune).tolist()] == by_looking_at_every_two(stations, reach_m)


def test_parts_of_the_work_give_the_same_pairs(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(1)
    roles = list(Role)
    stations = [station(roles[i % 3], *rng.uniform(0, 8000, 2), f"p{i % 20}") for i in range(60)]
    whole = candidate_pairs(stations)
    monkeypatch.setattr(module, "_PAIRS_AT_ONCE", 50)
    assert np.array_equal(candidate_pairs(stations), whole)


def test_too_many_links_are_told_and_never_made() -> None:
    """20 000 places once built two hundred million pairs, and the system ended the process."""
    rng = np.random.default_rng(2)
    places = rng.uniform(0, 5000, (20_000, 2))
    stations = [station(Role.SENSOR if i % 2 else Role.RELAY, x, y, f"p{i}") for i, (x, y) in enumerate(places)]
    with pytest.raises(TooLargeError, match=r"20000 sensors and relays would have about \d+ million links"):
        candidate_pairs(stations)


@pytest.mark.parametrize("apart_m", [10_000.0, 20_000.0])
def test_two_relays_have_one_link_not_two(apart_m: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """A link of two relays counted once each way, so that half as many as are allowed were refused."""
    rng = np.random.default_rng(3)
    roles = [Role.SENSOR] * 15 + [Role.RELAY] * 30 + [Role.GATEWAY] * 2
    stations = [station(role, *rng.uniform(0, apart_m, 2), f"p{i}") for i, role in enumerate(roles)]
    count = len(candidate_pairs(stations))
    assert 100 < count < 15 * 32 + 30 * 29 // 2 + 60, "some are too far apart"
    monkeypatch.setattr(module, "MOST_PAIRS", count)
    assert len(candidate_pairs(stations)) == count
    monkeypatch.setattr(module, "MOST_PAIRS", count - 1)
    with pytest.raises(TooLargeError):
        candidate_pairs(stations)
