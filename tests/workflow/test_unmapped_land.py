"""Land that nobody mapped: judged, told, charged alike in plan, profile, comparison and coverage, and said aloud."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_property import SOUTH_M, WEST_M, bank, lay_small_property, lon_lat, usual_sites

from meshplan.errors import MeshplanError
from meshplan.links.link_table import compute_links
from meshplan.loss.end_clutter import assumed_clutter
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.propagation.clutter import LAND_CLASSES
from meshplan.records import Role
from meshplan.reporting.check_text import CheckReport
from meshplan.reporting.plan_text import plan_text
from meshplan.settings import LandCoverSettings
from meshplan.terrain.mapped_land import EVERYTHING_MAPPED, FULLY_UNMAPPED_M, MappedLand, judge_mapped_land
from meshplan.workflow import check_property, compare_radios, plan_property, write_plan
from meshplan.workflow.coverage import compute_coverage
from meshplan.workflow.plan import Planned
from meshplan.workflow.prepare import prepare_property
from meshplan.workflow.profile import profile_between

SEASONS = {"seasons": ["bare", "leaf"]}


def silent_property(folder: Path, **more: Any) -> Path:
    """Lay the small property with nothing said of what stands on its land."""
    lay_small_property(folder, **more)
    toml = (folder / "property.toml").read_text(encoding="utf-8")
    (folder / "property.toml").write_text(toml.replace('land_cover.mapped = "all"\n', ""), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return silent_property(tmp_path_factory.mktemp("silent"))


@pytest.fixture(scope="module")
def planned(folder: Path) -> Planned:
    return plan_property(folder, overrides=SEASONS)


def hedge(folder: Path, west: float, south: float, east: float, north: float) -> None:
    """Draw one hedge as the only cover file."""
    ring = [lon_lat(*corner) for corner in ((west, south), (east, south), (east, north), (west, north), (west, south))]
    feature = {
        "type": "Feature",
        "properties": {"kind": "hedge_deciduous", "height_m": 2, "name": "hedge"},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    (folder / "cover.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}), encoding="utf-8")


# ---- what is mapped ----


def test_without_cover_files_nothing_is_mapped(folder: Path) -> None:
    mapped = prepare_property(folder).landscape.mapped
    assert mapped.boxes == ()
    assert mapped.unmapped == "rural"
    assert all(around is not None and around.kind == "rural" for around in clutter(folder))


def clutter(folder: Path, **overrides: Any) -> list[Any]:
    return [station.clutter for station in prepare_property(folder, overrides=overrides).stations]


def test_the_user_may_say_that_all_is_mapped_or_what_stands_there(folder: Path) -> None:
    assert clutter(folder, **{"land_cover.mapped": "all"}) == [None] * 5
    assert {around.kind for around in clutter(folder, **{"land_cover.unmapped": "urban"})} == {"urban"}
    open_land = clutter(folder, **{"land_cover.unmapped": "open"})
    assert all(around.tops_m == () and around.model_spread_db == 7.0 for around in open_land)


def test_an_unknown_class_is_one_clear_error(folder: Path) -> None:
    with pytest.raises(MeshplanError) as caught:
        prepare_property(folder, overrides={"land_cover.unmapped": "village"})
    assert "land_cover.unmapped" in str(caught.value)
    assert "rural" in str(caught.value)


def test_a_cover_file_that_reaches_the_land_maps_it_and_a_small_one_maps_its_own_reach(tmp_path: Path) -> None:
    silent_property(tmp_path, settings='cover = "cover.geojson"\n')
    hedge(tmp_path, 20, 200, 420, 420)
    assert prepare_property(tmp_path).landscape.mapped.everything
    hedge(tmp_path, 320, 290, 340, 310)
    prepared = prepare_property(tmp_path)
    assert prepared.landscape.mapped.boxes
    by_name = {station.site.name: station.clutter for station in prepared.stations}
    assert by_name["Trough"] is None, "it stands within the reach of the file"
    assert by_name["House"] is not None


def test_the_tops_grow_with_the_way_out_of_the_mapped_box_and_never_jump() -> None:
    mapped = MappedLand(((0.0, 0.0, 100.0, 100.0),), "rural")
    x = np.linspace(50.0, 300.0, 2001)
    share = mapped.unmapped_share(x, np.full_like(x, 50.0))
    assert share[0] == 0.0
    assert share[-1] == 1.0
    assert np.diff(share).max() <= (x[1] - x[0]) / FULLY_UNMAPPED_M + 1e-12
    assert (np.diff(share) >= 0.0).all()
    assert EVERYTHING_MAPPED.unmapped_share(x, x).max() == 0.0
    assert judge_mapped_land(LandCoverSettings(mapped="nothing"), ((0.0, 0.0, 1.0, 1.0),), [(0.0, 0.0)]).boxes == ()


def test_a_site_says_better_than_the_class(tmp_path: Path) -> None:

    rows = [row | {"clutter": {"Bed": "open", "House": "urban"}.get(row["name"], ""), "clearing_m": ""} for row in usual_sites()]
    rows[1]["clearing_m"] = 80
    silent_property(tmp_path, sites=rows)
    by_name = {station.site.name: station.clutter for station in prepare_property(tmp_path).stations}
    assert by_name["Bed"].named
    assert by_name["Bed"].tops_m == ()
    assert by_name["House"].tops_m == (15.0,)
    assert by_name["Trough"].street_width_m == 80.0
    assert by_name["South post"].street_width_m == 27.0


# ---- the same everywhere ----


def test_plan_profile_and_comparison_give_one_figure(folder: Path, planned: Planned) -> None:
    link = next(one for one in planned.plan.links if {one.a, one.b} == {"Bed", "House"})
    other, _, notes = profile_between(folder, link.a, link.b, overrides=SEASONS)
    assert other.margin_db == pytest.approx(link.margin_db, abs=1e-9)
    assert other.chance == pytest.approx(link.chance, abs=1e-9)
    assert any(note.startswith("NOT MAPPED") for note in notes)
    spread = link.season(link.worst_season).spread
    assert spread.clutter_db > 1.0
    assert spread.model_db == LAND_CLASSES["rural"].model_spread_db
    compared = compare_radios(folder, classes=["fsk-868-50k"], overrides=SEASONS)
    assert any(line.startswith("NOT MAPPED") for line in compared.assumptions)
    assert compared.rows[0].served == len(planned.plan.routes)


def test_leaves_count_and_the_worst_season_is_the_green_one(planned: Planned) -> None:
    link = next(one for one in planned.plan.links if {one.a, one.b} == {"Bed", "House"})
    cost = {one.season: next(i.value_db for i in one.losses if "not mapped" in i.name) for one in link.seasons}
    assert cost["leaf"] - cost["bare"] == pytest.approx((cost["leaf"]) / 6.0, abs=2.0)
    assert link.worst_season == "leaf"


@pytest.mark.slow
@pytest.mark.parametrize(("box", "exact"), [(None, True), (None, False), ((20.0, 200.0, 160.0, 400.0), True)])
def test_coverage_gives_what_links_give(tmp_path: Path, box: tuple[float, ...] | None, exact: bool) -> None:
    """On level ground and from 50 m on, so that half a cell aside is little; with a mapped corner too, where nothing is charged.

    There the mean over elevation draws, which depends on the height much and on the cell a little, is left out: laid between
    `raised_field.SHARES` it is within 0.5 dB at half of the cells and up to 5 dB off where tops rise past the antenna.
    """
    silent_property(tmp_path, heights=bank(0.0))
    toml = (tmp_path / "property.toml").read_text(encoding="utf-8")
    if exact:
        stated = re.sub(r'(elevation = )("[^"]+")', r"\1[{ file = \2, error_m = 0.0 }]", toml)
        assert stated != toml
        (tmp_path / "property.toml").write_text(stated, encoding="utf-8")
    planned = plan_property(tmp_path, overrides=SEASONS)
    prepared = planned.prepared
    if box is not None:
        corner = (WEST_M + box[0], SOUTH_M + box[1], WEST_M + box[2], SOUTH_M + box[3])
        land = replace(prepared.landscape, mapped=MappedLand((corner,), "rural"))
        stations = tuple(
            replace(one, clutter=assumed_clutter("rural", float(land.mapped.unmapped_share(one.site.x_m, one.site.y_m))))
            for one in prepared.stations
        )
        prepared = replace(prepared, base=replace(prepared.base, landscape=land), stations=stations)
    _, singles = compute_coverage(prepared, planned.plan, transmitters=["South post"], receiver_agl_m=1.0, season="leaf")
    grid, mapped = prepared.landscape.grid, prepared.landscape.mapped
    transmitter = next(one for one in prepared.stations if one.key == "South post")
    like = next(one for one in prepared.stations if one.site.role is Role.SENSOR)
    random = np.random.default_rng(5)
    rows, columns = random.integers(3, grid.rows - 3, 150), random.integers(3, grid.columns - 3, 150)
    stations = [transmitter]
    for row, column in zip(rows, columns, strict=True):
        x, y = (float(v) for v in grid.x_y(column, row))
        around = assumed_clutter(mapped.unmapped, float(mapped.unmapped_share(x, y)))
        site = replace(like.site, name=f"{row} {column}", x_m=x, y_m=y)
        stations.append(replace(like, key=site.name, site=site, antenna_agl_m=1.0, inside=0, clutter=around))
    pairs = np.stack([np.arange(1, len(stations)), np.zeros(len(rows), dtype=int)], axis=1)
    season = next(one for one in prepared.seasons if one.name == "leaf")
    errors = draw_error_fields(prepared.landscape)
    table = compute_links(stations, pairs, prepared.landscape, (season,), prepared.path, error_fields=errors)
    difference = singles[0].loss_db[rows, columns] - table.losses.total_db[0] - table.hidden_relief_db
    assert (table.losses.clutter_db[0] > 10.0).mean() > (0.8 if box is None else 0.2)
    difference = np.abs(difference[table.distance_m >= 50.0])
    assert np.median(difference) < 0.15
    assert difference.max() < 0.5


def test_raising_a_mast_out_of_the_tops_pays(folder: Path) -> None:
    low, _, _ = profile_between(folder, "Trough", "South post", antenna_b_agl_m=3.0)
    high, _, _ = profile_between(folder, "Trough", "South post", antenna_b_agl_m=13.0)
    assert high.margin_db > low.margin_db + 8.0
    prepared = prepare_property(folder)
    mapped, _, _ = profile_between(folder, "Trough", "South post", antenna_b_agl_m=13.0, overrides={"land_cover.mapped": "all"})
    assert prepared.stations[0].clutter is not None
    assert mapped.margin_db > high.margin_db, "the low end still stands among its tops"


# ---- said aloud ----


def test_check_says_it_in_one_line_with_the_cost_and_the_keys(folder: Path) -> None:
    report: CheckReport = check_property(folder)
    line = report.not_mapped
    assert report.text().count("NOT MAPPED") == 1
    assert "dB" in line
    assert "~" in line
    for key in ("land_cover.mapped", "land_cover.unmapped", "clutter", "clearing_m", "rural", "no cover file"):
        assert key in line
    assert report.as_dict()["not_mapped"] == line
    assert check_property(folder, overrides={"land_cover.mapped": "all"}).not_mapped == ""


def test_plan_map_and_report_say_it(planned: Planned, tmp_path: Path) -> None:
    plan = planned.plan
    assert plan.not_mapped.startswith("NOT MAPPED")
    assert "±" in plan.not_mapped
    assert plan_text(plan, []).count("NOT MAPPED") == 1
    write_plan(planned, tmp_path)
    for name in ("map.html", "report.html", "plan.json"):
        assert (tmp_path / name).read_text(encoding="utf-8").count("NOT MAPPED") == 1, name


def test_the_demo_properties_map_everything_but_the_one_from_open_data() -> None:
    samples = Path(__file__).resolve().parents[2] / "sample_sites"
    for folder in sorted(samples.glob("*/property.toml")):
        if folder.parent.name == "quellimere_fold":
            continue
        prepared = prepare_property(folder.parent)
        assert prepared.landscape.mapped.everything
        assert all(station.clutter is None for station in prepared.stations)
        assert not any(line.startswith("NOT MAPPED") for line in prepared.assumptions)
