"""The demo whose land comes from open data alone: made again byte for byte, and telling what it is made for."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import shapely

from meshplan.operation.wires import NOT_SAFE
from meshplan.records import Origin
from meshplan.reporting.report import write_report
from meshplan.reporting.sheets.cover_page import cover_page
from meshplan.reporting.sheets.entries import site_sheets
from meshplan.reporting.sheets.overview import land_words
from meshplan.workflow.plan import Planned, plan_property
from meshplan.workflow.plan_check import check_plan
from meshplan.workflow.prepare import read_base

SAMPLES = Path(__file__).resolve().parents[2] / "sample_sites"
FOLD = SAMPLES / "quellimere_fold"


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_open_land", SAMPLES / "make_open_land.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def fold() -> Planned:
    return plan_property(FOLD)


def test_its_files_are_those_that_the_maker_writes(maker: ModuleType, tmp_path: Path) -> None:
    maker.main(tmp_path)
    made = sorted(path.name for path in (tmp_path / FOLD.name).iterdir())
    assert made == sorted(path.name for path in FOLD.iterdir() if path.is_file())
    for name in made:
        assert (tmp_path / FOLD.name / name).read_bytes() == (FOLD / name).read_bytes(), name


def test_no_cover_is_drawn_by_hand_and_heights_are_those_that_the_surface_saw(maker: ModuleType) -> None:
    """Heights of `THINGS` in the maker: house 8.2 m, barn 6.8 m, hedge 2.6 m; crowns uneven by 12 %."""
    base = read_base(FOLD)
    covers = {cover.name: cover for cover in base.landscape.covers}
    assert not any(cover.origin in (Origin.DRAWN, Origin.DRAWN_USUAL) for cover in covers.values())
    truth = {name: height_m for name, *_, height_m in maker.THINGS}
    house, barn = (next(c for c in covers.values() if c.name == f"building {number}") for number in (1010, 1011))
    for cover, name in ((house, "house"), (barn, "barn")):
        assert cover.origin is Origin.SURFACE
        assert cover.height_m == pytest.approx(truth[name], abs=0.05)
    wood = next(c for c in covers.values() if c.kind == "wood_deciduous" and c.origin is Origin.MAPPED_USUAL)
    assert wood.height_m == 15.0, "more than half of it lies beyond the surface"
    copse = next(c for c in covers.values() if c.origin is Origin.SEEN_ABOVE)
    assert copse.geometry.area == pytest.approx(80 * 90, rel=0.2)
    column, row = base.landscape.grid.column_row(505_000.0 + 150.0, 5_317_000.0 + 545.0)
    assert base.landscape.canopy_m is not None
    seen_m = float(base.landscape.canopy_m[round(float(row)), round(float(column))])
    assert seen_m == pytest.approx(truth["copse that nobody mapped"], rel=0.13)


def with_use(folder: Path, **use: str) -> Path:
    """Return the demo anew with a column `use`; names with "_" for blanks."""
    for path in FOLD.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    said = {name.replace("_", " "): value for name, value in use.items()} | {"name": "use"}
    lines = (folder / "sites.csv").read_text(encoding="utf-8").splitlines()
    (folder / "sites.csv").write_text("".join(f"{line},{said.get(line.split(',')[0], '')}\n" for line in lines), encoding="utf-8")
    return folder


def test_the_best_mast_stands_beside_the_power_line_and_a_dearer_one_is_taken(fold: Planned) -> None:
    plan = fold.plan
    assert not plan.unserved
    assert not any(near.could_fall for near in plan.wires_nearby if near.device in plan_places(fold))
    assert plan.wires_note.startswith("Left out of the choice, because what is put up there could fall on a power line")
    assert "Knoll post (minor power line 1014, 20 kV, 15 m)" in plan.wires_note
    assert "20 kV" in plan.device("Knoll post").cautions[0]


def plan_places(planned: Planned) -> set[str]:
    return {device.name for device in planned.plan.devices if device.in_plan}


def test_who_insists_takes_it_for_less_and_is_warned_first(fold: Planned, tmp_path: Path) -> None:
    plan = plan_property(with_use(tmp_path, Knoll_post="forced")).plan
    assert not plan.unserved
    assert plan.wires_note.startswith("WHAT IS PUT UP HERE COULD FALL ON A POWER LINE: Knoll post (minor power line")
    assert plan.proof.cost < fold.plan.proof.cost


def test_it_is_offered_with_the_caution_where_no_other_place_serves_as_many(tmp_path: Path) -> None:
    planned = plan_property(with_use(tmp_path, Knoll_shoulder="forbidden", East_fence="forbidden"))
    assert "Knoll post" in plan_places(planned)
    assert planned.plan.wires_note.startswith("WHAT IS PUT UP HERE COULD FALL ON A POWER LINE: Knoll post")
    assert "Left out" not in planned.plan.wires_note


def test_a_plan_that_leaves_a_place_out_holds_when_it_is_checked(fold: Planned) -> None:
    assert check_plan(FOLD, fold.plan).good


def test_paper_shows_wires_and_unmapped_land_in_its_key_and_names_the_makers_of_the_map(fold: Planned, tmp_path: Path) -> None:
    sheets = cover_page(fold.plan, site_sheets(fold.plan))
    report = write_report(fold.plan, tmp_path / "report.html").read_text(encoding="utf-8")
    for page in (sheets, report):
        assert "overhead wire, not all are mapped" in page
        assert "buried cable or pipe" in page
        assert "not mapped: no file says what stands here" in page
    assert "The land is drawn from: © OpenStreetMap contributors, openstreetmap.org/copyright" in sheets
    assert sheets.count(NOT_SAFE) == 1
    assert "The land is drawn from: © OpenStreetMap contributors" in " ".join(land_words(fold.plan))


def test_land_that_nothing_maps_is_told_with_what_it_costs(fold: Planned) -> None:
    plan = fold.plan
    assert plan.not_mapped.startswith("NOT MAPPED")
    shares = {one.source: one.share_of_land for one in plan.cover_sources}
    told = int(plan.not_mapped.split("on ")[1].split("%")[0]) / 100
    assert shares["mapped by nothing, taken as rural"] == pytest.approx(told, abs=0.03), "cover beyond it is mapped"
    assert shares[Origin.SURFACE.value] > 0.1
    assert 0.005 < shares[Origin.SEEN_ABOVE.value] < 0.05
    assert sum(shares.values()) == pytest.approx(1.0, abs=1e-3)
    parts = [shape for shape in plan.shapes if shape.kind == "not_mapped"]
    rings = [np.array(ring) for shape in parts for ring in shape.rings]
    shown = sum(shapely.Polygon(ring).area for ring in rings) * 111_320**2 * np.cos(np.radians(48.009))
    assert shown / (950.0 * 700.0) == pytest.approx(told, abs=0.01)
    assert all(ring[:, 0].min() > -20.9252 for ring in rings), "the surface reaches to x = 620 m"
    far = {station.site.name: station.clutter for station in fold.prepared.stations}
    assert far["Q07 far gate"] is not None
    assert far["Q01 yard weather"] is None
