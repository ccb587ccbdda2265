"""Which ends are judged by themselves: gateways among places, none of a mesh of equals."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
from invented_readings import property_links

from meshplan.calibration.model import choose_terms


def hubs(links: tuple[object, ...]) -> set[str]:
    return {term.name.removeprefix("end ") for term in choose_terms(links) if term.group == "end" and not term.scaled}  # type: ignore[arg-type]


def test_gateways_are_hubs_and_places_that_many_gateways_hear_are_not() -> None:
    links = property_links(np.random.default_rng(1), gateways=8, sensors=30)
    assert hubs(links) == {f"G{k}" for k in range(8)}


def test_in_a_mesh_of_equals_all_ends_are_judged_together() -> None:
    link = property_links(np.random.default_rng(1), sensors=2)[0]
    mesh = tuple(replace(link, a=f"N{a}", b=f"N{b}", distance_m=100.0 + a + b) for a, b in combinations(range(9), 2))
    assert hubs(mesh) == set()
