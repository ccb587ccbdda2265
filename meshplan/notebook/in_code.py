"""A property made in code: sites from a GeoDataFrame, ground from an array, without files of one's own."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from meshplan.errors import InputError
from meshplan.records.short_form import Facts, ShortForm

if TYPE_CHECKING:
    import geopandas


class PropertyInCode(ShortForm):
    """A property whose files lie in a folder of its own, which goes when this object goes; `save` keeps it.

    It is read by the same readers as any folder, so the same faults are told in the same words.
    """

    def __init__(self, name: str, sites: int, scratch: TemporaryDirectory[str]) -> None:
        self.name = name
        self._sites = sites
        self._scratch = scratch

    @property
    def folder(self) -> Path:
        """Where the files lie now."""
        return Path(self._scratch.name)

    def short_facts(self) -> Facts:
        """Return name and number of sites."""
        return (("name", self.name), ("sites", self._sites))

    def save(self, folder: Path | str) -> Path:
        """Copy the files into a new folder, an ordinary property from then on, and return it."""
        target = Path(folder)
        if target.exists():
            raise InputError("the folder is there already", where=str(target), fix="Name a new folder.")
        shutil.copytree(self.folder, target)
        return target


def property_from(
    sites: geopandas.GeoDataFrame,
    ground_amsl_m: ArrayLike,
    *,
    west_m: float,
    north_m: float,
    cell_m: float,
    crs: Any,
    name: str,
    cover: geopandas.GeoDataFrame | None = None,
    boundary: geopandas.GeoDataFrame | None = None,
    error_m: float | None = None,
    **settings: Any,
) -> PropertyInCode:
    """Return a property made of data in memory, for `meshplan.plan` and all other calls.

    Parameters
    ----------
    sites : GeoDataFrame
        Points in any projection. Columns as in a table of sites: name, role, antenna_agl_m, purpose …
        (`meshplan check --keys` lists them).
    ground_amsl_m : array_like, shape (rows, columns)
        Height of the bare ground above sea level, row 0 in the north; NaN where it is not known.
    west_m, north_m, cell_m : float
        Outer corner of the north-western cell, and the side of a cell, in the projection `crs`.
    crs
        Projection of the array, in metres: anything pyproj reads, such as "EPSG:32633".
    name : str
        Name of the property.
    cover, boundary : GeoDataFrame, optional
        Woods, hedges, crops, buildings (columns kind, height_m …); outline of the land.
    error_m : float, optional
        Standard deviation of the heights, where it is known.
    **settings
        Keys of property.toml, such as country="europe", radio="css-868-sf7", requirement={"hop_limit": 2}.

    Examples
    --------
    >>> import geopandas, numpy as np
    >>> from shapely.geometry import Point
    >>> sites = geopandas.GeoDataFrame(
    ...     {"name": ["Tank", "House"], "role": ["sensor", "gateway"], "antenna_agl_m": [1.0, 5.0]},
    ...     geometry=[Point(500_100, 5_300_100), Point(500_400, 5_300_200)],
    ...     crs="EPSG:32633",
    ... )
    >>> flat = np.full((100, 120), 240.0)
    >>> place = property_from(
    ...     sites, flat, west_m=499_950, north_m=5_300_400, cell_m=5.0, crs="EPSG:32633", name="Flat field",
    ...     error_m=0.2, country="europe", radio="css-868-sf7", land_cover={"mapped": "all"},
    ... )
    >>> place
    PropertyInCode(name='Flat field', sites=2)
    """
    import rasterio
    from rasterio.transform import from_origin

    ground = np.asarray(ground_amsl_m, dtype=np.float32)
    if ground.ndim != 2 or not ground.size:
        raise InputError(
            f"the ground has shape {ground.shape}", where="ground_amsl_m", fix="Give an array of rows and columns, north first."
        )
    for key in ("sites", "elevation", "cover", "boundary", "name"):
        if key in settings:
            raise InputError(f"'{key}' is given twice", where="settings", fix="Give it as an argument of its own only.")
    layers = {
        key: _wgs84(key, frame) for key, frame in (("sites", sites), ("cover", cover), ("boundary", boundary)) if frame is not None
    }
    scratch = TemporaryDirectory(prefix="meshplan-")
    folder = Path(scratch.name)
    with rasterio.open(
        folder / "ground.tif",
        "w",
        driver="GTiff",
        height=ground.shape[0],
        width=ground.shape[1],
        count=1,
        dtype="float32",
        crs=rasterio.crs.CRS.from_user_input(crs),
        transform=from_origin(west_m, north_m, cell_m, cell_m),
        nodata=float("nan"),
    ) as raster:
        raster.write(ground, 1)
    for key, text in layers.items():
        (folder / f"{key}.geojson").write_text(text, encoding="utf-8")
    elevation: dict[str, Any] = {"file": "ground.tif"} | ({} if error_m is None else {"error_m": error_m})
    keys = {"name": name, **{key: f"{key}.geojson" for key in layers}, "elevation": [elevation], **settings}
    (folder / "property.toml").write_text(toml_text(keys), encoding="utf-8")
    return PropertyInCode(name, len(sites), scratch)


def _wgs84(key: str, frame: geopandas.GeoDataFrame) -> str:
    """Return a layer as GeoJSON; empty cells are left out."""
    if getattr(frame, "crs", None) is None:
        raise InputError(
            f"{key} is no GeoDataFrame with a projection", where=key, fix="Give geopandas.GeoDataFrame(…, geometry=…, crs=…)."
        )
    return str(frame.to_crs("EPSG:4326").to_json(na="drop", drop_id=True))


def toml_text(keys: Mapping[str, Any]) -> str:
    """Return settings as TOML.

    >>> print(toml_text({"name": "A \\"b\\"", "requirement": {"hop_limit": 2}, "elevation": [{"file": "g.tif"}]}), end="")
    name = "A \\"b\\""
    requirement = {"hop_limit" = 2}
    elevation = [{"file" = "g.tif"}]
    """
    return "".join(f"{key} = {_toml_value(value)}\n" for key, value in keys.items())


def _toml_value(value: object) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{json.dumps(str(key))} = {_toml_value(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml_value(item) for item in value) + "]"
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, bool | int | float | str):
        return json.dumps(value, ensure_ascii=False)
    raise InputError(
        f"a {type(value).__name__} is no setting", where="settings", fix="Give text, numbers, lists or tables of them."
    )
