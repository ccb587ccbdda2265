"""Where no gateway is named the planner looks for places on buildings and land, and tells what they need."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from small_property import Rows, lay_small_property, lon_lat, usual_sites

from meshplan.cli import main
from meshplan.workflow import plan_property

Capture = pytest.CaptureFixture[str]


def no_gateway(posts: bool = True) -> Rows:
    return [row for row in usual_sites() if row["role"] != "gateway" and (posts or row["role"] == "sensor")]


def with_a_barn(folder: Path, sites: Rows, settings: str = "") -> Path:
    """Lay the holding with a barn of 12 by 20 m, 5 m high, where the house was."""
    ring = [lon_lat(x, y) for x, y in ((40, 290), (60, 290), (60, 302), (40, 302), (40, 290))]
    barn = {
        "type": "Feature",
        "properties": {"name": "Barn", "kind": "building", "height_m": 5.0},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    folder.mkdir(parents=True)
    (folder / "barn.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [barn]}), "utf-8")
    return lay_small_property(folder, sites=sites, settings=f'cover = "barn.geojson"\n{settings}')


def plan_of(folder: Path, *words: str) -> tuple[int, dict[str, Any]]:
    code = main(["plan", str(folder / "property"), "--out", str(folder / "out"), "-q", *words])
    return code, json.loads((folder / "out" / "plan.json").read_text("utf-8"))["plan"]


def test_a_gable_is_taken_where_no_gateway_is_named(tmp_path: Path, capsys: Capture) -> None:
    with_a_barn(tmp_path / "property", no_gateway())
    code, plan = plan_of(tmp_path)
    assert code == 0
    chosen = [device for device in plan["devices"] if device["in_plan"] and device["role"] == "gateway"]
    assert len(chosen) == 1
    offered = [device["name"] for device in plan["devices"] if device["role"] == "gateway"]
    assert any("gable of Barn" in name for name in offered)
    assert any("gable" not in name for name in offered)
    assert chosen[0]["note"].startswith("found by the planner, which knows of no power and no network: it needs")
    told = next(line for line in plan["assumptions"] if line.startswith("No gateway is named: "))
    assert "Mains and a way out (cost.backhaul = own_network): Found gateway 1, gable of Barn; " in told
    assert "A post, a panel and mobile reception: Found gateway" in told
    assert told in capsys.readouterr().out
    assert main(["check", str(tmp_path / "property"), "--plan", "--out", str(tmp_path / "out")]) == 0


def test_on_bare_land_a_gateway_pays_for_its_panel_and_its_mobile_data(tmp_path: Path) -> None:
    """Hand-worked: gateway 120, panel 40, modem 60, and a mast of 12 a metre above 2 m; 60 a year."""
    lay_small_property(tmp_path / "property", sites=no_gateway())
    code, plan = plan_of(tmp_path)
    assert code == 0
    (gateway,) = [device for device in plan["devices"] if device["in_plan"] and device["role"] == "gateway"]
    assert gateway["power"] == "panel"
    assert gateway["backhaul"] == "mobile_data"
    assert gateway["cost"] == pytest.approx(220.0 + 12.0 * (gateway["antenna_agl_m"] - 2.0))
    assert plan["running_cost_per_year"] == 60.0


def test_they_keep_apart_are_as_many_as_asked_and_stay_the_same(tmp_path: Path) -> None:
    folder = with_a_barn(tmp_path / "property", no_gateway())
    sites = [plan_property(folder, overrides={"generate_gateways": 3}).prepared.found.sites for _ in range(2)]
    assert sites[0] == sites[1]
    found = [site for site in sites[0] if site.role == "gateway"]
    assert len(found) == 3
    named = plan_property(lay_small_property(tmp_path / "named")).prepared.found.sites
    assert [site.name for site in named if site.role == "gateway"] == ["House"]


def test_a_gateway_and_a_relay_found_at_one_gable_are_one_place(tmp_path: Path) -> None:
    folder = with_a_barn(tmp_path / "property", no_gateway(posts=False), "requirement.same_place_m = 2\n")
    planned = plan_property(folder, overrides={"generate_relays": 12})
    places: dict[str, set[str]] = {}
    for site in planned.prepared.found.sites:
        if site.role != "sensor":
            places.setdefault(site.place_name, set()).add(site.name)
    opened = [site.place_name for site in planned.prepared.found.sites if site.name in planned.result.plan.opened]
    assert len(opened) == len(set(opened))


def test_none_is_looked_for_where_that_is_said(tmp_path: Path, capsys: Capture) -> None:
    lay_small_property(tmp_path / "property", sites=no_gateway(), settings="generate_gateways = 0\n")
    assert main(["plan", str(tmp_path / "property"), "--out", str(tmp_path / "out"), "-q"]) == 2
    assert "there is no place for a gateway" in capsys.readouterr().err
