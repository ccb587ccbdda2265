"""What can be chosen: radios, antennas, cables, regions, boards, cells, regulators."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from meshplan.errors import InputError, nearest_name
from meshplan.inputs.antennas import read_antennas, read_cables
from meshplan.inputs.backhauls import read_backhauls
from meshplan.inputs.radios import read_batteries, read_boards, read_radio_classes, read_regions, read_regulators
from meshplan.operation.law import find_region
from meshplan.operation.open_ground import range_curve_of_class
from meshplan.records import RangeCurve
from meshplan.records.radio import RadioClass, Region


def read_catalogue(what: str, folder: Path | None, keys: Sequence[str] = ()) -> dict[str, Any]:
    """Return radio classes, antennas, cables, regions, boards, cells or regulators by key; only some of them if keys are named."""
    readers: dict[str, Callable[[Path | None], dict[str, Any]]] = {
        "radios": read_radio_classes,
        "antennas": read_antennas,
        "cables": read_cables,
        "backhauls": read_backhauls,
        "regions": read_regions,
        "boards": read_boards,
        "cells": read_batteries,
        "regulators": read_regulators,
    }
    catalogue = dict(readers[what](folder))
    missing = [key for key in keys if key not in catalogue]
    if missing:
        raise InputError(
            f"'{missing[0]}' is not known.{nearest_name(missing[0], catalogue)}",
            where=f"meshplan radios, {what}",
            fix=f"Name one of: {', '.join(catalogue)}.",
        )
    return {key: catalogue[key] for key in keys} if keys else catalogue


def region_called(name: str, folder: Path | None) -> Region:
    """Return the country or region of a name, or say which there are."""
    return find_region(read_regions(folder), name)


def range_curves(catalogue: Mapping[str, RadioClass]) -> tuple[RangeCurve, ...]:
    """Return bit rate against range of some radio classes at their own default power and frequency."""
    return tuple(range_curve_of_class(radio) for radio in catalogue.values())
