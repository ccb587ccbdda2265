"""Kinds of elevation raster: how far each is wrong, how that grows with slope, and over which length it stays alike."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from meshplan.errors import InputError, nearest_name
from meshplan.inputs.catalogue import read_tables
from meshplan.inputs.figure_tables import Table
from meshplan.records.radio import Figure

_JUDGED: Final = ("lidar", "national_5m", "national_10m", "global_30m", "global_90m")
"""Kinds that stand for rasters whose product is not said, finest first."""


@dataclass(frozen=True)
class ElevationProduct:
    """One kind of raster. `error_m` is for open land on a gentle slope."""

    key: str
    title: str
    cells_up_to_m: float
    error_m: Figure
    slope_growth: Figure
    length_m: Figure
    noise_m: Figure
    holds: str = "ground"
    """"surface" where trees and roofs are in its heights."""
    datum: str = ""
    """Vertical reference of its heights, where the product has but one."""


def read_elevation_products() -> Mapping[str, ElevationProduct]:
    """Return all kinds by key."""
    return read_tables(None, "elevation_products.toml", "", "products", _product)


def _product(key: str, table: Table) -> ElevationProduct:
    table.allow("title", "cells_up_to_m", "error_m", "slope_growth", "length_m", "noise_m", "datum", "holds")
    return ElevationProduct(
        key=key,
        title=table.text("title"),
        cells_up_to_m=table.number("cells_up_to_m", 0.1, 1e6),
        error_m=table.figure("error_m", 0, 100),
        slope_growth=table.figure("slope_growth", 0, 20),
        length_m=table.figure("length_m", 1, 10_000),
        noise_m=table.figure("noise_m", 0, 10),
        holds=table.text("holds", "ground"),
        datum=table.text("datum", ""),
    )


def elevation_product(cell_m: float, named: str | None = None, where: str = "property.toml, key 'elevation'") -> ElevationProduct:
    """Return the kind that is named, else the one that rasters of this cell usually are."""
    products = read_elevation_products()
    if named is not None:
        if named not in products:
            raise InputError(
                f"the elevation product '{named}' is not known.{nearest_name(named, list(products))}",
                where=where,
                fix=f"Write product = one of: {', '.join(products)}; or leave it out and state error_m.",
            )
        return products[named]
    kinds = [products[key] for key in _JUDGED]
    return next((kind for kind in kinds if cell_m <= kind.cells_up_to_m), kinds[-1])
