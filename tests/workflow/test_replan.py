"""A changed property planned from the plan before: the same, to the byte and to the last bit of every link, as planned anew."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, fields
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_property import Rows, bank, lay_small_property, lon_lat, write_raster, write_sites

import meshplan
from meshplan.errors import MeshplanError
from meshplan.links import known_links
from meshplan.links.link_table import LinkTable, compute_links
from meshplan.loss.path_loss import PathLosses
from meshplan.records.codec import json_text, plan_to_json
from meshplan.workflow import plan as workflow_plan
from meshplan.workflow.plan import Planned, plan_property
from meshplan.workflow.replan import relink, replan_property

SITES: Rows = [
    {"name": "Bed", "role": "sensor", "x": 90, "y": 320, "antenna_agl_m": 1.0, "purpose": "trend"},
    {"name": "Trough", "role": "sensor", "x": 330, "y": 300, "antenna_agl_m": 1.0, "purpose": "alarm"},
    {"name": "Byre", "role": "sensor", "x": 402, "y": 402, "antenna_agl_m": 1.5, "purpose": "trend"},
    {"name": "House", "role": "gateway", "x": 60, "y": 300, "antenna_agl_m": 4.0, "power": "mains"},
    {"name": "North post", "role": "relay", "x": 200, "y": 360, "antenna_agl_m": 4.0, "power": "panel", "cost": 150},
    {"name": "South post", "role": "relay", "x": 200, "y": 270, "antenna_agl_m": 3.0, "power": "panel", "cost": 80},
]
"""Byre stands inside a building of the cover."""

SHAPES: dict[str, tuple[str, float, tuple[float, float, float, float]]] = {
    "long hedge": ("hedge", 3.0, (260.0, 260.0, 264.0, 330.0)),
    "barn": ("building", 5.0, (390.0, 390.0, 420.0, 415.0)),
    "spinney": ("wood_deciduous", 9.0, (120.0, 330.0, 160.0, 380.0)),
}
"""Kind, height and box of each piece of cover, metres from the south-west corner."""

RADIOS = ("fsk-868-50k", "css-868-sf7", "fsk-433")


@dataclass
class Holding:
    """What a user may change of the holding."""

    sites: Rows
    shapes: dict[str, tuple[str, float, tuple[float, float, float, float]]]
    radio: str = RADIOS[0]
    link_chance: float = 0.8
    hop_limit: int = 4
    raised_m: float = 0.0
    done: list[str] = field(default_factory=list)

    @classmethod
    def usual(cls) -> Holding:
        return cls([dict(row) for row in SITES], dict(SHAPES))

    def write(self, folder: Path) -> Path:
        asked = f"[requirement]\nlink_chance = {self.link_chance}\nhop_limit = {self.hop_limit}\n"
        lay_small_property(folder, sites=self.sites, settings=f'cover = "cover.geojson"\n{asked}')
        toml = (folder / "property.toml").read_text(encoding="utf-8")
        toml = toml.replace('radio = "fsk-868-50k"', f'radio = "{self.radio}"').replace(
            'elevation = "ground.tif"', 'elevation = [{ file = "ground.tif", error_m = 0.2 }]'
        )
        (folder / "property.toml").write_text(toml.replace('seasons = "bare"', 'seasons = ["bare", "leaf"]'), encoding="utf-8")
        heights = bank()
        heights[20:40, 40:60] += self.raised_m
        write_raster(folder / "ground.tif", heights)
        write_sites(folder / "sites.csv", self.sites)
        features = []
        for name, (kind, height_m, (west, south, east, north)) in self.shapes.items():
            ring = ((west, south), (east, south), (east, north), (west, north), (west, south))
            shape = {"type": "Polygon", "coordinates": [[lon_lat(*corner) for corner in ring]]}
            features.append(
                {"type": "Feature", "properties": {"name": name, "kind": kind, "height_m": height_m}, "geometry": shape}
            )
        (folder / "cover.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
        return folder


Edit = Callable[[Holding], None]


def move(which: int, x: float, y: float) -> Edit:
    return lambda holding: holding.sites[which % len(holding.sites)].update(x=x, y=y)


def raise_mast(which: int, height_m: float) -> Edit:
    return lambda holding: holding.sites[which % len(holding.sites)].update(antenna_agl_m=height_m)


def add_sensor(number: int, x: float, y: float) -> Edit:
    row = {"name": f"New {number}", "role": "sensor", "x": x, "y": y, "antenna_agl_m": 1.2, "purpose": "trend"}
    return lambda holding: None if any(s["name"] == row["name"] for s in holding.sites) else holding.sites.insert(0, row)


def drop_sensor(which: int) -> Edit:
    def edit(holding: Holding) -> None:
        sensors = [row for row in holding.sites if row["role"] == "sensor"]
        if len(sensors) > 1:
            holding.sites.remove(sensors[which % len(sensors)])

    return edit


def ask(link_chance: float, hop_limit: int) -> Edit:
    return lambda holding: vars(holding).update(link_chance=link_chance, hop_limit=hop_limit)


def take_radio(which: int) -> Edit:
    return lambda holding: vars(holding).update(radio=RADIOS[which % len(RADIOS)])


def shift_cover(which: int, dx: float, taller: float) -> Edit:
    def edit(holding: Holding) -> None:
        name = sorted(holding.shapes)[which % len(holding.shapes)]
        kind, height_m, (west, south, east, north) = holding.shapes[name]
        holding.shapes[name] = (kind, height_m + taller, (west + dx, south, east + dx, north))

    return edit


def plant(number: int, kind: str, x: float, y: float) -> Edit:
    return lambda holding: holding.shapes.update({f"a{number}": (kind, 4.0, (x, y, x + 12.0, y + 30.0))})


def dig(metres: float) -> Edit:
    return lambda holding: vars(holding).update(raised_m=metres)


WHICH = st.integers(0, 9)
PLACE = st.floats(40.0, 560.0).map(lambda value: round(value, 1))
EDITS: st.SearchStrategy[Edit] = st.one_of(
    st.builds(move, WHICH, PLACE, PLACE),
    st.builds(raise_mast, WHICH, st.sampled_from([1.0, 2.5, 4.0, 6.0])),
    st.builds(add_sensor, st.integers(1, 3), PLACE, PLACE),
    st.builds(drop_sensor, WHICH),
    st.builds(ask, st.sampled_from([0.7, 0.8, 0.95]), st.sampled_from([1, 2, 4])),
    st.builds(take_radio, WHICH),
    st.builds(shift_cover, WHICH, st.sampled_from([0.0, 10.0, -15.0]), st.sampled_from([0.0, 2.0])),
    st.builds(plant, st.integers(1, 3), st.sampled_from(["hedge", "wood_evergreen", "building", "maize"]), PLACE, PLACE),
    st.builds(dig, st.sampled_from([0.0, 3.0])),
)


def outcome(run: Callable[[], Planned]) -> Planned | str:
    try:
        return run()
    except MeshplanError as error:
        return str(error)


def assert_same_links(one: LinkTable, other: LinkTable) -> None:
    """Every figure of every link, to the last bit; kinds of cover that no link meets may be missing."""
    for item in fields(LinkTable):
        if item.name in ("stations", "seasons", "losses", "indoor_legs", "learned_db", "tail_freedom"):
            continue
        assert np.array_equal(getattr(one, item.name), getattr(other, item.name), equal_nan=True), item.name
    assert one.indoor_legs == other.indoor_legs
    for item in fields(PathLosses):
        first, second = getattr(one.losses, item.name), getattr(other.losses, item.name)
        if item.name == "cover_depth_m":
            nothing = np.zeros(one.losses.vegetation_db.shape)
            for kind in {*first, *second}:
                assert np.array_equal(first.get(kind, nothing), second.get(kind, nothing)), kind
        elif item.name == "terrain_parts":
            for name, value in vars(first).items():
                assert np.array_equal(value, getattr(second, name), equal_nan=True), name
        else:
            assert np.array_equal(first, second, equal_nan=True), item.name


def assert_replanned_as_planned(edits: list[Edit]) -> None:
    with TemporaryDirectory() as scratch:
        holding = Holding.usual()
        folder = holding.write(Path(scratch))
        last = plan_property(folder)
        for edit in edits:
            edit(holding)
            holding.write(folder)
            again, anew = outcome(lambda last=last: replan_property(last)), outcome(lambda: plan_property(folder))  # type: ignore[misc]
            if isinstance(again, str) or isinstance(anew, str):
                assert again == anew
                continue
            assert_same_links(again.links, anew.links)
            assert json_text(plan_to_json(again.plan)) == json_text(plan_to_json(anew.plan))
            last = again


@settings(max_examples=6, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(edits=st.lists(EDITS, min_size=2, max_size=3))
def test_a_plan_after_changes_is_the_plan_made_anew(edits: list[Edit]) -> None:
    assert_replanned_as_planned(edits)


@pytest.mark.slow
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(edits=st.lists(EDITS, min_size=1, max_size=5))
def test_a_plan_after_many_changes_is_the_plan_made_anew(edits: list[Edit]) -> None:
    assert_replanned_as_planned(edits)


@pytest.fixture
def computed(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many paths were computed after a change, each time."""
    counts: list[int] = []
    real = compute_links

    def counted(stations: Any, pairs: Any, *rest: Any, **more: Any) -> LinkTable:
        counts.append(len(pairs))
        return real(stations, pairs, *rest, **more)

    for module in (known_links, workflow_plan):
        monkeypatch.setattr(module, "compute_links", counted)
    return counts


@pytest.mark.parametrize(
    ("edit", "touched"),
    [
        (move(0, 95.0, 325.0), {"Bed"}),
        (raise_mast(5, 3.5), {"South post"}),
        (ask(0.95, 2), set()),
        (take_radio(0), set()),
        (plant(1, "wood_evergreen", 540.0, 20.0), set()),
    ],
    ids=["moved sensor", "taller relay", "other requirement", "nothing", "wood far from every path"],
)
def test_only_paths_that_changed_are_computed(tmp_path: Path, computed: list[int], edit: Edit, touched: set[str]) -> None:
    holding = Holding.usual()
    before = plan_property(holding.write(tmp_path))
    computed.clear()
    edit(holding)
    holding.write(tmp_path)
    now = relink(before)
    of_ends = [{now.links.stations[i].site.name, now.links.stations[j].site.name} for i, j in now.links.pairs]
    assert sum(computed) == sum(bool(ends & touched) for ends in of_ends)
    assert len(of_ends) > 8


def test_cover_beside_a_path_counts_as_a_change_of_it(tmp_path: Path, computed: list[int]) -> None:
    # the new hedge lengthens the old one at its southern end, where no path crosses it: ways around the old one may grow longer
    holding = Holding.usual()
    before = plan_property(holding.write(tmp_path))
    computed.clear()
    plant(1, "hedge", 256.0, 231.0)(holding)
    holding.write(tmp_path)
    now = relink(before)
    assert sum(computed) > 0
    assert_same_links(now.links, plan_property(tmp_path).links)


def test_other_ground_and_another_band_compute_every_path(tmp_path: Path, computed: list[int]) -> None:
    holding = Holding.usual()
    before = plan_property(holding.write(tmp_path))
    computed.clear()
    dig(3.0)(holding)
    holding.write(tmp_path)
    assert len(relink(before).links.pairs) == sum(computed)
    computed.clear()
    dig(0.0)(holding)
    holding.write(tmp_path)
    now = relink(before, radio="fsk-433")
    assert len(now.links.pairs) == sum(computed)


def test_the_api_replans_what_it_planned(tmp_path: Path) -> None:
    holding = Holding.usual()
    folder = holding.write(tmp_path)
    before = meshplan.plan(folder)
    again = meshplan.replan(before, overrides={"requirement.link_chance": 0.9})
    anew = meshplan.plan(folder, overrides={"requirement.link_chance": 0.9})
    assert json_text(plan_to_json(again.record)) == json_text(plan_to_json(anew.record))
    back = meshplan.replan(again, overrides={})
    assert json_text(plan_to_json(back.record)) == json_text(plan_to_json(before.record))


def test_a_plan_read_from_a_file_cannot_be_replanned(tmp_path: Path) -> None:
    plan = meshplan.plan(Holding.usual().write(tmp_path))
    with pytest.raises(MeshplanError, match="read from a file"):
        meshplan.replan(meshplan.PropertyPlan(plan.record))
