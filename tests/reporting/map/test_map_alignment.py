"""Holes punched into a raster show on the screen where the map says they are."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from map_browser import OpenMap
from map_fixture import make_plan
from PIL import Image
from pyproj import Transformer
from scipy import ndimage

from meshplan.assembly.page_records import MapLandscape
from meshplan.grid import Grid
from meshplan.reporting.map import write_map

pytestmark = [pytest.mark.browser, pytest.mark.slow]

GRIDS = {
    "1 km": Grid("EPSG:32632", 300_000, 5_301_000, 0.5, 2000, 2000),
    "50 km": Grid("EPSG:32632", 250_000, 5_350_000, 25.0, 2000, 2000),
}


@pytest.mark.parametrize("width", GRIDS)
def test_marks_lie_within_a_pixel(open_map: OpenMap, tmp_path: Path, width: str) -> None:
    grid = GRIDS[width]
    columns, rows = (index.ravel() for index in np.meshgrid(np.linspace(150, 1850, 5), np.linspace(150, 1850, 5)))
    columns, rows = columns.round().astype(int), rows.round().astype(int)
    ground = np.full(grid.shape, 100.0, dtype=np.float32)
    for column, row in zip(columns, rows, strict=True):
        ground[row - 12 : row + 13, column - 12 : column + 13] = np.nan
    lon, lat = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True).transform(*grid.x_y(columns, rows))
    plan = make_plan()
    corners = [replace(plan.devices[0], name=f"corner {i}", lon_deg=lon[i], lat_deg=lat[i]) for i in (0, 24)]
    bare = replace(plan, devices=tuple(corners), links=(), routes=(), unserved=(), shapes=(), loses_service={})
    land = MapLandscape(grid, ground)
    page = open_map(write_map(bare, land, tmp_path / "marks.html"), (1400, 1100)).page
    page.evaluate(
        """() => { const { map, layers } = meshPage; for (const name of Object.keys(layers)) map.removeLayer(layers[name]);
          layers.relief.addTo(map); map.getContainer().style.background = '#ff00ff'; document.getElementById('legend').open = false;
          for (const id of ['lens', 'north']) document.getElementById(id).remove(); map.invalidateSize(); }"""
    )
    page.evaluate("(b) => meshPage.map.fitBounds(b, { animate: false })", [[lat.min(), lon.min()], [lat.max(), lon.max()]])
    page.evaluate("() => Promise.all([...document.querySelectorAll('img.relief')].map((image) => image.decode()))")
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    container = page.locator(".folium-map")
    picture = np.asarray(Image.open(io.BytesIO(container.screenshot())).convert("RGB")).astype(int)
    red = (np.abs(picture - (255, 0, 255)).sum(axis=2) < 240).astype(int)
    found = blob_centres(red)
    wanted = page.evaluate(
        """(places) => places.map(([lat, lng]) => { const { map } = meshPage;
          const p = map.project([lat, lng]).subtract(map.getPixelOrigin()).add(map.layerPointToContainerPoint([0, 0]));
          return [p.x, p.y]; })""",
        np.column_stack([lat, lon]).tolist(),
    )
    border = 1.0
    # Leaflet's own container points are rounded to whole pixels; these are not.
    off = [np.hypot(*(found - np.array(place) - border).T).min() for place in wanted]
    assert len(found) >= 25
    assert max(off) <= 1.0, f"worst {max(off):.2f} px, mean {np.mean(off):.2f} px"


def blob_centres(red: Any) -> Any:
    """Return the centres (x, y) of all marks on a picture, in pixels from its corner."""
    labels, count = ndimage.label(red)
    sizes = ndimage.sum_labels(red, labels, range(1, count + 1))
    centres = ndimage.center_of_mass(red, labels, [i + 1 for i in range(count) if sizes[i] > 20])
    return np.array([(x + 0.5, y + 0.5) for y, x in centres])
