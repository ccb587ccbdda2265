"""The demo properties from folder to files: what is chosen, that it adds up, that it repeats, that its files agree."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from meshplan.links.link_table import compute_links
from meshplan.planning.verify import verify_plan
from meshplan.records import VERDICTS, Link, Plan, Role
from meshplan.workflow import profile_between

Planner = Callable[[str], Any]
VALLEY, GARDEN, GARDEN_COARSE, ORCHARD = "mirrowick_bottom", "ossaby_terrace", "ossaby_terrace_30m", "pellimoor_orchard"
DEMOS = [GARDEN, GARDEN_COARSE, VALLEY, pytest.param(ORCHARD, marks=pytest.mark.slow)]
ADDS_UP_DB = 0.05
SAMPLED = 0.04
"""The chance of a route is counted over the elevation draws themselves (at least 16), that of a link comes from their spread."""


@pytest.mark.parametrize("name", DEMOS)
def test_every_sensor_is_served_or_told_why_not(planned_demo: Planner, name: str) -> None:
    plan: Plan = planned_demo(name).plan
    sensors = {device.name for device in plan.devices if device.role is Role.SENSOR}
    routed = {route.sensor for route in plan.routes}
    missing = {miss.sensor for miss in plan.unserved}
    assert routed | missing == sensors
    assert not routed & missing
    assert {device.name for device in plan.devices if device.role is Role.SENSOR and device.served} == routed


@pytest.mark.parametrize("name", DEMOS)
def test_a_second_look_finds_nothing_wrong_with_the_choice(planned_demo: Planner, name: str) -> None:
    planned = planned_demo(name).planned
    assert verify_plan(planned.problem, planned.result.plan) == ()
    assert planned.plan.proof.optimal
    assert planned.plan.proof.lower_bound == pytest.approx(planned.plan.proof.cost)


@pytest.mark.parametrize("name", DEMOS)
def test_routes_run_over_links_of_the_plan_within_the_hop_limit(planned_demo: Planner, name: str) -> None:
    demo = planned_demo(name)
    plan: Plan = demo.plan
    hop_limit = demo.planned.prepared.found.settings.requirement.hop_limit
    for route in plan.routes:
        assert route.devices[0] == route.sensor
        assert plan.device(route.devices[-1]).role is Role.GATEWAY
        assert all(plan.device(name).role is Role.RELAY for name in route.devices[1:-1])
        assert all(plan.device(name).in_plan for name in route.devices)
        assert 1 <= len(route.links) <= hop_limit
        for key, a, b in zip(route.links, route.devices, route.devices[1:], strict=False):
            link = plan.link(key)
            assert {link.a, link.b} == {a, b}
            assert link.chosen
            assert link.chance >= plan.required_chance
        chances = [plan.link(key).chance for key in route.links]
        # Links share the errors of the land, so no product: whatever they share, these bounds hold (Fréchet).
        assert route.chance <= min(chances) + SAMPLED
        assert route.chance >= 1.0 - sum(1.0 - chance for chance in chances) - SAMPLED


def test_the_valley_farm_gets_over_its_ridge_by_one_relay_upon_it(planned_demo: Planner) -> None:
    demo = planned_demo(VALLEY)
    plan: Plan = demo.plan
    relays = [device for device in plan.devices if device.in_plan and device.role is Role.RELAY]
    gateways = [device for device in plan.devices if device.in_plan and device.role is Role.GATEWAY]
    assert [device.site for device in relays] == ["Ridge post"]
    assert [device.site for device in gateways] == ["House roof"]
    assert not plan.unserved
    far_side = {"B11 north paddock trough", "B12 north paddock soil", "B16 far barn door", "B17 far trough"}
    over_the_ridge = {route.sensor for route in plan.routes if relays[0].name in route.devices}
    assert far_side <= over_the_ridge
    assert far_side <= set(plan.loses_service[relays[0].name])
    # too unlikely for the plan to show beside its own links
    direct = [profile_between(demo.folder, name, gateways[0].name)[0] for name in sorted(far_side)]
    assert all(link.clearance.kind == "blocked" and link.clearance.obstacle == "ridge" for link in direct)


def test_coarse_data_turn_a_yes_into_not_sure(planned_demo: Planner) -> None:
    fine = {link.verdict for link in planned_demo(GARDEN).plan.chosen_links}
    coarse = [link.verdict for link in planned_demo(GARDEN_COARSE).plan.chosen_links]
    assert "not sure" not in fine
    assert "not sure" in coarse


@pytest.mark.parametrize("name", DEMOS)
def test_a_friend_can_add_up_every_budget(planned_demo: Planner, name: str) -> None:
    """Both directions, each season: gains less losses give the power received; that less the limit gives the margin."""
    plan: Plan = planned_demo(name).plan
    assert plan.links
    for link in plan.links:
        assert {result.season for result in link.seasons} == {season.name for season in plan.seasons}
        for result in link.seasons:
            lost_db = sum(item.value_db for item in result.losses)
            assert lost_db == pytest.approx(result.path_loss_db, abs=ADDS_UP_DB)
            assert all(item.is_loss for item in result.losses)
            for gains, received_dbm, least_dbm, margin_db in (
                (link.gains_a_to_b, result.received_at_b_dbm, link.sensitivity_b_dbm, result.margin_at_b_db),
                (link.gains_b_to_a, result.received_at_a_dbm, link.sensitivity_a_dbm, result.margin_at_a_db),
            ):
                summed_dbm = sum(item.signed_db for item in gains) - lost_db
                assert summed_dbm == pytest.approx(received_dbm, abs=ADDS_UP_DB), link.key
                assert received_dbm - least_dbm == pytest.approx(margin_db, abs=ADDS_UP_DB), link.key
            assert all(item.source for item in (*link.gains_a_to_b, *link.gains_b_to_a, *result.losses))


@pytest.mark.parametrize("name", DEMOS)
def test_the_headline_of_a_link_is_its_worst_season(planned_demo: Planner, name: str) -> None:
    plan: Plan = planned_demo(name).plan
    for link in plan.links:
        worst = link.season(link.worst_season)
        assert link.chance == pytest.approx(min(result.chance for result in link.seasons), abs=1e-6)
        assert worst.chance == pytest.approx(link.chance, abs=1e-6)
        assert link.margin_db == pytest.approx(min(worst.margin_at_a_db, worst.margin_at_b_db), abs=1e-3)
        assert link.verdict in VERDICTS
        assert 0.0 <= link.chance <= 1.0


def test_swapping_the_ends_of_a_link_changes_no_loss(planned_demo: Planner) -> None:
    prepared = planned_demo(VALLEY).planned.prepared
    random = np.random.default_rng(5)
    count = len(prepared.stations)
    pairs = random.integers(0, count, (300, 2))
    where = np.array([(station.site.x_m, station.site.y_m) for station in prepared.stations])
    pairs = pairs[np.hypot(*(where[pairs[:, 0]] - where[pairs[:, 1]]).T) > 1.0][:200]
    assert len(pairs) == 200
    arguments = prepared.landscape, prepared.seasons, prepared.path
    there = compute_links(prepared.stations, pairs, *arguments)
    back = compute_links(prepared.stations, pairs[:, ::-1], *arguments)
    np.testing.assert_allclose(there.losses.total_db, back.losses.total_db, atol=1e-6)
    np.testing.assert_allclose(there.margin_at_b_db, back.margin_at_a_db, atol=1e-6)
    np.testing.assert_allclose(there.margin_at_a_db, back.margin_at_b_db, atol=1e-6)
    np.testing.assert_allclose(there.chance, back.chance, atol=1e-6)
    assert float(there.losses.total_db.max() - there.losses.total_db.min()) > 40.0


@pytest.mark.parametrize("name", [pytest.param(GARDEN, marks=()), pytest.param(VALLEY, marks=pytest.mark.slow)])
def test_the_same_input_gives_the_same_bytes(planned_demo: Planner, name: str, tmp_path: Path) -> None:
    """Planned again in another process, from another folder, with another hash seed, into another place."""
    demo = planned_demo(name)
    words = ["plan", str(demo.folder), "--out", str(tmp_path / "again"), "-q"]
    code = f"from meshplan.cli import main; main({words!r}) in (0, 1) or exit('failed')"
    environment = os.environ | {"PYTHONHASHSEED": "4711", "TZ": "Pacific/Auckland"}
    subprocess.run([sys.executable, "-c", code], check=True, cwd=tmp_path, env=environment, stdout=subprocess.DEVNULL)
    first = {path.relative_to(demo.out): path.read_bytes() for path in sorted(demo.out.rglob("*")) if path.is_file()}
    again = tmp_path / "again"
    second = {path.relative_to(again): path.read_bytes() for path in sorted(again.rglob("*")) if path.is_file()}
    assert set(first) == set(second)
    assert {path.name for path in first} >= {"map.html", "plan.json", "plan.geojson", "links.csv", "report.html", "plan.gpkg"}
    assert [str(path) for path in first if first[path] != second[path]] == []


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("name", [GARDEN, VALLEY])
def test_links_csv_geojson_and_json_say_the_same(planned_demo: Planner, name: str) -> None:
    demo = planned_demo(name)
    plan = json.loads((demo.out / "plan.json").read_text(encoding="utf-8"))["plan"]
    features = json.loads((demo.out / "plan.geojson").read_text(encoding="utf-8"))["features"]
    rows = {row["link"]: row for row in table(demo.out / "links.csv")}
    lines = {f["properties"]["link"]: f["properties"] for f in features if f["properties"].get("layer") == "link"}
    links = {link["key"]: link for link in plan["links"]}
    assert set(rows) == set(lines) == set(links)
    assert set(links) == {link.key for link in demo.plan.links}
    for key, link in links.items():
        row, line = rows[key], lines[key]
        for field in ("verdict", "worst_season", "sentence", "a", "b"):
            assert link[field] == row[field] == line[field]
        for field in ("chance", "margin_db", "distance_m", "bearing_deg", "antenna_a_agl_m", "antenna_b_agl_m"):
            assert link[field] == float(row[field]) == line[field]
        assert (row["in_plan"] == "yes") == line["in_plan"] == link["chosen"]
        for result in link["seasons"]:
            for field in ("path_loss_db", "received_at_a_dbm", "received_at_b_dbm", "margin_at_a_db", "margin_at_b_db"):
                assert result[field] == float(row[f"{result['season']}_{field}"])


@pytest.mark.parametrize("name", [GARDEN, VALLEY])
def test_places_in_geojson_are_those_of_the_property(planned_demo: Planner, name: str) -> None:
    """RFC 7946: longitude first, within the bounding box; a link joins the places of its two devices."""
    demo = planned_demo(name)
    collection = json.loads((demo.out / "plan.geojson").read_text(encoding="utf-8"))
    west, south, east, north = collection["bbox"]
    points = {
        f["properties"]["device"]: f["geometry"]["coordinates"]
        for f in collection["features"]
        if f["properties"]["layer"] == "device"
    }
    assert set(points) == {device.name for device in demo.plan.devices}
    sites = {site.name: site for site in demo.planned.prepared.found.sites}
    for device in demo.plan.devices:
        lon_deg, lat_deg = points[device.name]
        assert west <= lon_deg <= east
        assert south <= lat_deg <= north
        site = sites[device.site or device.name]
        assert (lon_deg, lat_deg) == pytest.approx((site.lon_deg, site.lat_deg), abs=1e-7)
    for feature in collection["features"]:
        if feature["properties"]["layer"] == "link":
            ends = [points.get(feature["properties"]["a"]), points.get(feature["properties"]["b"])]
            for point, end in zip(feature["geometry"]["coordinates"], ends, strict=True):
                assert end is None or point == end


def test_the_profile_of_two_sites_is_the_link_of_the_plan(planned_demo: Planner) -> None:
    demo = planned_demo(GARDEN)
    planned: Link = next(link for link in demo.plan.chosen_links if link.a.startswith("A08"))
    link, _, assumptions = profile_between(demo.folder, planned.a, planned.b)
    assert link.key == planned.key
    assert [round(result.path_loss_db, 3) for result in link.seasons] == [round(r.path_loss_db, 3) for r in planned.seasons]
    assert link.chance == pytest.approx(planned.chance, abs=1e-6)
    assert link.profile is not None
    assert assumptions


def test_the_profile_of_two_coordinates_crosses_the_same_land(planned_demo: Planner) -> None:
    demo = planned_demo(GARDEN)
    sites = {site.name: site for site in demo.planned.prepared.found.sites}
    a, b = sites["A08 lower gate"], sites["Lower wall post"]
    places = [f"{site.lat_deg},{site.lon_deg}" for site in (a, b)]
    heights = {"antenna_a_agl_m": a.antenna_agl_m, "antenna_b_agl_m": b.antenna_agl_m}
    by_name, _, _ = profile_between(demo.folder, a.name, b.name, **heights)
    by_place, _, assumed = profile_between(demo.folder, *places, **heights)
    assert by_place.distance_m == pytest.approx(by_name.distance_m, abs=0.01)
    for one, other in zip(by_name.seasons, by_place.seasons, strict=True):
        assert one.path_loss_db == pytest.approx(other.path_loss_db, abs=0.05)
    standing, _, assumed = profile_between(demo.folder, *places)
    assert standing.antenna_a_agl_m == standing.antenna_b_agl_m == 1.5
    assert sum("is taken to stand 1.5 m above the ground" in line for line in assumed) == 2


def test_the_battery_kiosk_of_the_valley_farm_is_told_that_it_does_not_fit_commands(planned_demo: Planner) -> None:
    """It reports every 15 minutes and "acts on command": a command waits that long, unless it listens otherwise."""
    plan: Plan = planned_demo(VALLEY).plan
    (command,) = plan.commands
    assert command.device == "B18 pump kiosk"
    assert not command.fit
    assert 900.0 < command.wait_s < 960.0
    assert "B18 pump kiosk is NOT fit to act on command" in command.sentence
    ways = {option.change: option for option in command.options if option.fit}
    assert {'listening = "sampled"', 'power = "panel", listening = "always"'} <= set(ways)
    assert all(option.wait_s <= 30.0 for option in ways.values())
    assert ways['listening = "sampled"'].life_years < plan.device(command.device).energy.life_years  # type: ignore[union-attr]
