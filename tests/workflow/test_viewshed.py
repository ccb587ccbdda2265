"""Is the straight line blocked? Our answer against GDAL's viewshed on real land, for 200 pairs of sites.

GDAL's viewshed (Wang, Robinson and White's reference planes, 1996/2000) walks outwards from the observer and interpolates the sight
line between neighbouring cells; ours samples one profile. They may differ only where the line grazes: a disagreement is
explained if moving one end of the line sideways by half a cell turns our own answer over.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import rasterio
from numpy.typing import NDArray
from rasterio.transform import from_origin
from real_land import write_sample_elevation

from meshplan.explain.describe import describe_links
from meshplan.links.link_table import compute_links
from meshplan.propagation.fresnel import path_clearance
from meshplan.propagation.refraction import effective_earth_radius_km
from meshplan.records.station import Station
from meshplan.terrain.bilinear import bilinear
from meshplan.workflow import Prepared, prepare_property

OBSERVERS, TARGETS = 20, 10
OBSERVER_AGL_M, TARGET_AGL_M = 12.0, 6.0
FARTHEST_CELLS = 90
"""1.8 km: on this land the two kinds are then both common."""
FREQUENCY_MHZ = 868.0


def viewshed_program() -> str:
    found = shutil.which("gdal_viewshed")
    if found is None:
        why = "gdal_viewshed (Debian package gdal-bin) is not on this machine"
        if os.environ.get("CI") == "true":
            pytest.fail(f"{why}; CI must have it")
        pytest.skip(why)
    return found


@dataclass(frozen=True, eq=False)
class RealLand:
    """Stations on cell centres of the working grid over real land, and that grid as a file for GDAL."""

    prepared: Prepared
    stations: tuple[Station, ...]
    cells: NDArray[np.intp]
    raster: Path

    @property
    def pairs(self) -> NDArray[np.intp]:
        """Each observer with its targets; shape (200, 2)."""
        return np.array([(o, OBSERVERS + o * TARGETS + t) for o in range(OBSERVERS) for t in range(TARGETS)])


@pytest.fixture(scope="module")
def land(tmp_path_factory: pytest.TempPathFactory) -> RealLand:
    folder = tmp_path_factory.mktemp("viewshed")
    write_sample_elevation(folder / "sample.tif")
    (folder / "sites.csv").write_text(
        "name,role,lon_deg,lat_deg,antenna_agl_m,power,interval_s\n"
        f"House,gateway,-84.32,36.56,{OBSERVER_AGL_M},mains,\nFar spring,sensor,-84.24,36.63,{TARGET_AGL_M},battery,900\n"
    )
    (folder / "property.toml").write_text(
        'name = "Invented hills"\ncountry = "united-states"\nradio = "fsk-915-4k8"\nseasons = "bare"\n'
        'sites = "sites.csv"\nelevation = "sample.tif"\nland_cover.mapped = "all"\n[terrain]\ncell_m = 20\n'
    )
    prepared = prepare_property(folder)
    grid = prepared.landscape.grid
    raster = folder / "grid.tif"
    with rasterio.open(
        raster,
        "w",
        driver="GTiff",
        width=grid.columns,
        height=grid.rows,
        count=1,
        dtype="float32",
        crs=grid.crs,
        transform=from_origin(grid.west_m, grid.north_m, grid.cell_m, grid.cell_m),
    ) as target:
        target.write(prepared.landscape.ground_amsl_m, 1)
    random = np.random.default_rng(2026)
    observers = random.integers(0, grid.shape, (OBSERVERS, 2))
    offsets = random.integers(6, FARTHEST_CELLS, (OBSERVERS, TARGETS, 2)) * random.choice([-1, 1], (OBSERVERS, TARGETS, 2))
    targets = np.clip(observers[:, None, :] + offsets, 0, np.array(grid.shape) - 1).reshape(-1, 2)
    cells = np.concatenate([observers, targets])
    models = {station.site.role.value: station for station in prepared.stations}
    stations = []
    for number, (row, column) in enumerate(cells):
        x_m, y_m = (float(value) for value in grid.x_y(column, row))
        model = models["gateway" if number < OBSERVERS else "sensor"]
        site = replace(model.site, name=f"Place {number}", x_m=x_m, y_m=y_m)
        ground = float(prepared.landscape.ground_amsl_m[row, column])
        stations.append(replace(model, key=site.name, site=site, ground_amsl_m=ground))
    return RealLand(prepared, tuple(stations), cells, raster)


def gdal_sees(program: str, land: RealLand, curvature: float, out: Path) -> NDArray[np.bool_]:
    """Return for each pair whether GDAL's viewshed of the observer holds the target; shape (200,)."""
    seen = []
    for observer in range(OBSERVERS):
        site = land.stations[observer].site
        command = [program, "-q", "-ox", f"{site.x_m:.3f}", "-oy", f"{site.y_m:.3f}", "-oz", str(OBSERVER_AGL_M)]
        command += ["-tz", str(TARGET_AGL_M), "-md", "0", "-cc", str(curvature), "-vv", "255", "-iv", "0"]
        subprocess.run([*command, str(land.raster), str(out)], check=True, capture_output=True)
        with rasterio.open(out) as result:
            mask = result.read(1)
        mine = land.cells[OBSERVERS + observer * TARGETS : OBSERVERS + (observer + 1) * TARGETS]
        seen.extend(mask[row, column] == 255 for row, column in mine)
    return np.array(seen, dtype=bool)


def line_turns_over(land: RealLand, pair: NDArray[np.intp], earth_radius_km: float) -> bool:
    """Say whether half a cell sideways at either end makes the line both blocked and free."""
    grid = land.prepared.landscape.grid
    ground = land.prepared.landscape.ground_amsl_m
    a, b = (land.stations[number] for number in pair)
    start = np.array([a.site.x_m, a.site.y_m])
    end = np.array([b.site.x_m, b.site.y_m])
    length = float(np.hypot(*(end - start)))
    sideways = np.array([-(end - start)[1], (end - start)[0]]) / length * 0.5 * grid.cell_m
    share = np.linspace(0.0, 1.0, int(length / grid.cell_m * 4) + 5)
    free = set()
    for at_start in (-1.0, 0.0, 1.0):
        for at_end in (-1.0, 0.0, 1.0):
            first, last = start + at_start * sideways, end + at_end * sideways
            x_m, y_m = (first[axis] * (1 - share) + last[axis] * share for axis in (0, 1))
            heights = bilinear(ground, *grid.column_row(x_m, y_m))
            known = np.where(np.isnan(heights), -np.inf, heights)
            clear = path_clearance(
                share * length,
                known,
                a.ground_amsl_m + a.antenna_agl_m,
                b.ground_amsl_m + b.antenna_agl_m,
                FREQUENCY_MHZ,
                earth_radius_km=earth_radius_km,
            )
            free.add(bool(clear.fraction > 0.0))
    return len(free) == 2


@pytest.mark.parametrize(
    ("k_factor", "curvature"),
    [pytest.param(4.0 / 3.0, 0.75, id="curved, k 4/3"), pytest.param(1e9, 0.0, id="flat")],
)
def test_blocked_lines_are_those_of_gdals_viewshed(land: RealLand, tmp_path: Path, k_factor: float, curvature: float) -> None:
    """GDAL lowers far ground by coefficient × d² / Earth diameter, so its coefficient is 1/k."""
    sees = gdal_sees(viewshed_program(), land, curvature, tmp_path / "seen.tif")
    radius_km = float(effective_earth_radius_km(k_factor))
    settings = replace(land.prepared.path, earth_radius_km=radius_km)
    table = compute_links(land.stations, land.pairs, land.prepared.landscape, land.prepared.seasons, settings)
    free = table.losses.clearance_m > 0.0
    assert 40 <= sees.sum() <= 160, "the pairs must hold both kinds"
    differ = np.flatnonzero(free != sees)
    unexplained = [
        (*land.pairs[row], float(table.losses.clearance_m[row]))
        for row in differ
        if not line_turns_over(land, land.pairs[row], radius_km)
    ]
    assert unexplained == []
    assert len(differ) <= 0.05 * len(free)


def test_the_horizon_over_flat_land_lies_where_gdal_has_it(tmp_path: Path) -> None:
    """A plain of 30 km: from 10 m to 2 m the line meets the ground at √(2 k R h₁) + √(2 k R h₂), 18.9 km with k 4/3."""
    cell_m, cells = 100.0, 300
    plain = np.full((3, cells), 50.0, dtype=np.float32)
    raster, out = tmp_path / "plain.tif", tmp_path / "seen.tif"
    place = {"crs": "EPSG:32632", "transform": from_origin(500_000.0, 5_000_000.0, cell_m, cell_m)}
    with rasterio.open(raster, "w", driver="GTiff", width=cells, height=3, count=1, dtype="float32", **place) as target:
        target.write(plain, 1)
    command = [viewshed_program(), "-q", "-ox", "500050", "-oy", "4999850", "-oz", "10", "-tz", "2", "-md", "0", "-cc", "0.75"]
    subprocess.run([*command, str(raster), str(out)], check=True, capture_output=True)
    with rasterio.open(out) as result:
        seen = result.read(1)[1] == 255
    radius_km = float(effective_earth_radius_km(4.0 / 3.0))
    ours = np.array(
        [
            float(
                path_clearance(
                    np.arange(0, end + 1) * cell_m, np.full(end + 1, 50.0), 60.0, 52.0, FREQUENCY_MHZ, earth_radius_km=radius_km
                ).clearance_m
            )
            > 0.0
            for end in range(2, cells)
        ]
    )
    horizon_m = np.sqrt(2e3 * radius_km * 10.0) + np.sqrt(2e3 * radius_km * 2.0)
    gdals_m = cell_m * float(np.flatnonzero(seen).max())
    our_m = cell_m * (2 + float(np.flatnonzero(ours).max()))
    assert our_m == pytest.approx(horizon_m, abs=1.5 * cell_m)
    assert gdals_m == pytest.approx(our_m, abs=2.0 * cell_m)


def test_the_words_follow_the_line(land: RealLand) -> None:
    """Where the line is blocked the sentence says by how many metres, and nothing blocked is called clear."""
    prepared = land.prepared
    table = compute_links(land.stations, land.pairs, prepared.landscape, prepared.seasons, prepared.path)
    links = describe_links(table, list(range(0, 200, 4)), prepared.context)
    kinds = {link.clearance.kind for link in links}
    assert kinds == {"clear", "in the zone", "blocked"}
    for link in links:
        if link.clearance.clearance_m < 0.0:
            assert link.clearance.kind == "blocked"
            assert "above the straight line" in link.clearance.sentence
        else:
            assert link.clearance.kind != "blocked"
            assert "below the straight line" in link.clearance.sentence
