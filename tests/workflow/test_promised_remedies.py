"""A remedy promises what planning again with it gives: the link's margin and chance, and whether the sensor is then served."""

from __future__ import annotations

import csv
import re
import shutil
import tempfile
from pathlib import Path
from typing import Any

import geopandas
import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st
from shapely.geometry import box
from small_property import CRS, SOUTH_M, WEST_M, bank, changed, lay_small_property, usual_sites

from meshplan.records import Remedy, Unserved
from meshplan.workflow import Planned, plan_property

SUPPRESSED = [HealthCheck.too_slow, HealthCheck.data_too_large]


def link_of(planned: Planned, sensor_or_device: str, other: str) -> tuple[float, float]:
    """Return worst margin and worst chance of the link of two devices in the table that was planned with."""
    table = planned.links
    for row, (i, j) in enumerate(table.pairs):
        if {table.stations[i].key, table.stations[j].key} == {sensor_or_device, other}:
            return float(table.margin_db[:, row].min()), float(table.worst_chance[row])
    raise AssertionError(f"no link {sensor_or_device} ~ {other}")


def write_change(folder: Path, place: str, columns: dict[str, str]) -> None:
    """Write a remedy's columns into the rows of a place."""
    path = folder / "sites.csv"
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert any(row["name"] == place for row in rows), place
    names = [*rows[0], *(name for name in columns if name not in rows[0])]
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, names, restval="")
        writer.writeheader()
        writer.writerows(row | (columns if row["name"] == place else {}) for row in rows)


def place_of(planned: Planned, device: str) -> str:
    """Return the name of the row behind a device."""
    station = next(station for station in planned.links.stations if station.key == device)
    return (station.site.same_as or station.site.name).removesuffix(" (relay)").removesuffix(" (gateway)")


def device_after(again: Planned, planned: Planned, device: str, columns: dict[str, str]) -> str:
    """Return the key of a changed device: a new height beside `mast_heights_agl_m` is one candidate more of its place."""
    if "antenna_agl_m" not in columns:
        return device
    place, height_m = place_of(planned, device), float(columns["antenna_agl_m"])
    role = next(station.site.role for station in planned.links.stations if station.key == device)
    there = [station for station in again.links.stations if station.site.role == role and place_of(again, station.key) == place]
    (key,) = (station.key for station in there if station.antenna_agl_m == height_m)
    return key


def ends_of(planned: Planned, miss: Unserved, remedy: Remedy) -> tuple[str, str]:
    """Return the two ends of the link that a gap is about: its sensor and the nearest device, or the missing link of its words."""
    found = re.search(r"the link from (.+) to (.+) comes nearest", miss.reason)
    ends = (found.group(1), found.group(2)) if found else (miss.sensor, miss.nearest)
    assert remedy.device in ends
    return ends


def keeps_its_promise(folder: Path, planned: Planned, miss: Unserved, remedy: Remedy, **how: Any) -> None:
    """Assert that planning again with a remedy gives what it promised."""
    before = (folder / "sites.csv").read_bytes()
    a, b = ends_of(planned, miss, remedy)
    margin_db, _ = link_of(planned, a, b)
    try:
        write_change(folder, place_of(planned, remedy.device), remedy.columns)
        again = plan_property(folder, **how)
    finally:
        (folder / "sites.csv").write_bytes(before)
    lacking = {one.sensor for one in (*again.plan.unserved, *again.plan.single_routes)}
    if remedy.route:  # it is served over another way than the link that the gap is about
        (way,) = (route for route in again.plan.routes if route.sensor == miss.sensor)
        assert remedy.suffices
        assert miss.sensor not in lacking
        assert way.devices == remedy.route
        assert way.chance == pytest.approx(remedy.chance_after, abs=0.01), remedy.change
        return
    now_db, chance = link_of(
        again, *(device_after(again, planned, end, remedy.columns) if end == remedy.device else end for end in (a, b))
    )
    assert now_db - margin_db == pytest.approx(remedy.gain_db, abs=0.1), remedy.change
    assert chance == pytest.approx(remedy.chance_after, abs=0.005), remedy.change
    assert (miss.sensor not in lacking) == remedy.suffices, (remedy.change, miss.reason)


def radio_remedies(planned: Planned) -> list[tuple[Unserved, Remedy]]:
    """Return what would mend each sensor that has no route, or one only, by changing a device."""
    misses = (*planned.plan.unserved, *planned.plan.single_routes)
    return [(miss, remedy) for miss in misses for remedy in miss.remedies if remedy.columns and "power" not in remedy.columns]


NUMBER = st.floats(0.0, 1.0)


@st.composite
def holdings(draw: st.DrawFn) -> dict[str, Any]:
    """Return a random holding: the usual one with places, heights, antennas, cables and walls of its own."""
    rows = usual_sites()
    for row in rows:
        row["x"], row["y"] = 40.0 + 520.0 * draw(NUMBER), 40.0 + 520.0 * draw(NUMBER)
        row["antenna_agl_m"] = draw(st.sampled_from([0.3, 0.6, 1.0, 2.5, 4.0]))
        row["antenna"] = draw(st.sampled_from(["", "", "collinear_5dbi", "yagi_3"]))
        row["cable_m"] = draw(st.sampled_from(["", 0, 5, 15]))
        row["indoors"] = draw(st.sampled_from(["", "", "brick_single", "steel_lid"]))
        row["purpose"] = draw(st.sampled_from(["trend", "alarm"])) if row["role"] == "sensor" else ""
    if draw(st.booleans()):
        rows[3]["mast_heights_agl_m"] = "4;6"
    if draw(st.booleans()):
        rows[1]["power"] = "mains"
    return {
        "rows": rows,
        "height_m": draw(st.sampled_from([0.0, 6.0, 12.0, 25.0])),
        "error_m": draw(st.sampled_from([0.0, 0.3, 1.5])),
        "radio": draw(st.sampled_from(["fsk-868-50k", "fsk-868-1k2", "css-868"])),
        "seasons": draw(st.sampled_from(['"bare"', '["bare", "leaf"]', '["leaf", "snow"]'])),
        "second": draw(st.sampled_from(["none", "any one relay", "any one relay or gateway"])),
        "route_chance": draw(st.sampled_from([0.0, 0.8, 0.95])),
        "hops": draw(st.integers(1, 3)),
        "shed": draw(st.booleans()),
    }


def lay(folder: Path, holding: dict[str, Any]) -> Path:
    """Write a holding into a folder."""
    seconds, floor = holding["second"], holding["route_chance"]
    lines = [
        f'requirement.second_route = "{seconds}"',
        f"requirement.hop_limit = {holding['hops']}",
        f"requirement.route_chance = {floor}",
        "generate_relays = 0",
    ]
    if holding["shed"]:
        first = holding["rows"][0]
        x, y = WEST_M + first["x"], SOUTH_M + first["y"]
        shed = box(x - 8.0, y - 5.0, x + 7.0, y + 6.0)
        rows = {"name": ["Shed"], "kind": ["building"], "height_m": [4.0], "wall": ["brick_single"]}
        geopandas.GeoDataFrame(rows, geometry=[shed], crs=CRS).to_file(folder.parent / "shed.geojson", driver="GeoJSON")
        lines.append('cover = "shed.geojson"')
    lay_small_property(folder, sites=holding["rows"], heights=bank(holding["height_m"]), settings="\n".join(lines) + "\n")
    if holding["shed"]:
        (folder.parent / "shed.geojson").rename(folder / "shed.geojson")
    path = folder / "property.toml"
    text = path.read_text(encoding="utf-8")
    text = text.replace('"ground.tif"', f'[{{ file = "ground.tif", error_m = {holding["error_m"]} }}]')
    text = text.replace('"fsk-868-50k"', f'"{holding["radio"]}"').replace('seasons = "bare"', f"seasons = {holding['seasons']}")
    path.write_text(text, encoding="utf-8")
    return folder


def check_holding(holding: dict[str, Any], data: st.DataObject, most: int) -> None:
    """Plan a holding, then again with some of the remedies that it offers."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = lay(Path(scratch) / "property", holding)
        planned = plan_property(folder)
        offered = radio_remedies(planned)
        event(f"{min(len(offered), 3)} remedies or more")
        if offered:
            for number in data.draw(st.lists(st.integers(0, len(offered) - 1), max_size=most, unique=True)):
                keeps_its_promise(folder, planned, *offered[number])


@settings(max_examples=6, deadline=None, suppress_health_check=SUPPRESSED, derandomize=True)
@given(holding=holdings(), data=st.data())
def test_planning_again_with_a_remedy_gives_what_it_promised(holding: dict[str, Any], data: st.DataObject) -> None:
    check_holding(holding, data, 2)


@pytest.mark.slow
@settings(max_examples=60, deadline=None, suppress_health_check=SUPPRESSED)
@given(holding=holdings(), data=st.data())
def test_every_remedy_of_many_holdings_keeps_its_promise(holding: dict[str, Any], data: st.DataObject) -> None:
    check_holding(holding, data, 4)


FAR: Any = {
    "rows": changed([row for row in usual_sites() if row["role"] != "relay"], {"House": {"antenna_agl_m": 1.0}}),
    "height_m": 8.0,
    "error_m": 1.5,
    "radio": "fsk-868-500k",
    "seasons": '"bare"',
    "second": "none",
    "route_chance": 0.8,
    "hops": 1,
    "shed": False,
}
"""A trough behind a low bank on poor elevation data, where the elevation error hangs on the height of the antenna."""


def test_the_elevation_error_of_the_changed_antenna_counts(tmp_path: Path) -> None:
    """Kept as it was below, the error of the higher antenna was too large and its chance too low."""
    folder = lay(tmp_path / "property", FAR)
    planned = plan_property(folder)
    offered = radio_remedies(planned)
    assert offered
    for miss, remedy in offered:
        keeps_its_promise(folder, planned, miss, remedy)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("demo", "how"),
    [
        ("pellimoor_orchard", {"radio": "fsk-868-1k2", "overrides": {"requirement.second_route": "any one relay or gateway"}}),
        ("mirrowick_bottom", {"radio": "fsk-868-500k"}),
        ("ossaby_terrace", {"radio": "fsk-868-500k", "overrides": {"requirement.route_chance": 0.98}}),
    ],
)
def test_remedies_of_the_demo_properties_keep_their_promise(tmp_path: Path, demo: str, how: dict[str, Any]) -> None:
    folder = tmp_path / "property"
    shutil.copytree(Path(__file__).resolve().parents[2] / "sample_sites" / demo, folder)
    planned = plan_property(folder, **how)
    offered = radio_remedies(planned)
    assert offered
    for miss, remedy in offered[:: max(len(offered) // 3, 1)]:
        keeps_its_promise(folder, planned, miss, remedy, **how)
