"""Lines of property.toml that name fetched files beside those that it names already."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Final

from meshplan.inputs.land_extent import LandExtent
from meshplan.records.land import Gives, LandFile
from meshplan.settings import CoverRasterSettings, RasterSettings

ELLIPSOIDAL: Final = 4979
"""Heights above the ellipsoid (EPSG:4979): no projected file of ours carries them."""


def lines_for(extent: LandExtent, files: Iterable[LandFile]) -> tuple[str, ...]:
    """Return the lines to write; a key whose files are all named already has none."""
    entries = list(files)
    lines = []
    rasters = list(extent.files.elevation)
    named = {raster.file for raster in rasters}
    new = [entry for entry in entries if entry.gives == Gives.ELEVATION and entry.file not in named]
    if new:
        parts = [_raster(raster) for raster in rasters] + [_fetched_raster(entry) for entry in new]
        lines.append(f"elevation = [{', '.join(parts)}]")
    shapes = [entry.file for entry in entries if entry.gives == Gives.FEATURES and entry.file not in extent.files.cover]
    if shapes:
        lines.append(f"cover = [{', '.join(_text(name) for name in (*extent.files.cover, *shapes))}]")
    known = {raster.file for raster in extent.settings.land_cover.classes}
    classes = [entry for entry in entries if entry.gives == Gives.LAND_COVER and entry.file not in known]
    if classes:
        parts = [_raster(raster) for raster in extent.settings.land_cover.classes] + [_fetched_classes(entry) for entry in classes]
        key, place = ("classes", "  # below [land_cover]") if extent.has_cover_table else ("land_cover.classes", "")
        lines.append(f"{key} = [{', '.join(parts)}]{place}")
    return tuple(lines)


def _raster(raster: RasterSettings | CoverRasterSettings) -> str:
    stated = {key: getattr(raster, key) for key in type(raster).model_fields if key in raster.model_fields_set}
    if set(stated) == {"file"}:
        return _text(raster.file)
    return _table({key: value for key, value in stated.items() if value is not None})


def _fetched_raster(entry: LandFile) -> str:
    datum = f"EPSG:{entry.height_epsg}" if entry.height_epsg and (not entry.fetched or entry.height_epsg == ELLIPSOIDAL) else ""
    facts = {"file": entry.file, "holds": entry.holds, "unit": entry.unit, "datum": datum, "product": entry.product}
    written = {key: value for key, value in facts.items() if value and (key, value) not in {("holds", "ground"), ("unit", "m")}}
    return _text(entry.file) if set(written) == {"file"} else _table(written)


def _fetched_classes(entry: LandFile) -> str:
    return _table({"file": entry.file, "legend": entry.legend}) if entry.legend else _text(entry.file)


def _table(values: Mapping[str, object]) -> str:
    return f"{{ {', '.join(f'{key} = {_text(value)}' for key, value in values.items())} }}"


def _text(value: object) -> str:
    """Return a value as TOML writes it; JSON's escapes of texts and its numbers are TOML's too."""
    return json.dumps(value, ensure_ascii=False)
