"""Antenna and cable classes: the packaged tables, and what `antennas.toml` or `cables.toml` in a property folder adds."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, TypeVar

from meshplan.errors import InputError, nearest_name
from meshplan.inputs.catalogue import COMMON_COLUMNS, read_rows
from meshplan.inputs.columns import Column, UnfitValueError, number, number_list, one_of, text
from meshplan.records.antenna import NODE_LOSS_MHZ, AntennaClass, CableClass, CablePart, NodeLoss

Entry = TypeVar("Entry")


def _range(low: float, high: float, count: int, *, unit: str) -> Callable[[object], tuple[float, ...]]:
    """Return a parser of numbers that rise."""
    parse_numbers = number_list(low, high, unit=unit, count=count)

    def parse(value: object) -> tuple[float, ...]:
        numbers: tuple[float, ...] = parse_numbers(value)
        if any(later < earlier for earlier, later in pairwise(numbers)):
            raise UnfitValueError("the numbers do not rise", "Write the lowest first.")
        return numbers

    return parse


def _rows(count: int | None, width: int, low: float, high: float) -> Callable[[object], tuple[tuple[float, ...], ...]]:
    """Return a parser of rows of numbers."""
    parse_row = number_list(low, high, count=width)

    def parse(value: object) -> tuple[tuple[float, ...], ...]:
        if not isinstance(value, list) or not value or (count is not None and len(value) != count):
            raise UnfitValueError(f"'{value}' is no list of {count or 'some'} rows", "Write [[…], […]].")
        return tuple(parse_row(row) for row in value)

    return parse


def _points(value: object) -> tuple[tuple[float, ...], ...]:
    points = tuple(sorted(_rows(None, 2, 0.0, 100_000.0)(value)))
    frequencies = [frequency for frequency, _ in points]
    if any(loss <= 0 or frequency <= 0 for frequency, loss in points) or len(set(frequencies)) < len(points):
        raise UnfitValueError("frequencies and losses must be above 0, each frequency once", "Write [[450, 0.3], [850, 0.5]].")
    return points


SERIES: Final = ("SMA", "N")
"""Series of connectors (IEC 61169-15 and -16)."""


def _connector(value: object) -> str:
    parse = {f"{series} {gender}".casefold(): f"{series} {gender}" for series in SERIES for gender in ("male", "female")}
    found = parse.get(" ".join(str(value).split()).casefold())
    if found is None:
        raise UnfitValueError(f"'{value}' is no connector", f"Write one of: {', '.join(parse.values())}.")
    return found


def _series(value: object) -> tuple[str, ...]:
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not names or any(name not in SERIES for name in names):
        raise UnfitValueError(f"'{value}' names no series of plugs", f"Write a list of: {', '.join(SERIES)}.")
    return tuple(names)


ANTENNA_COLUMNS: Final = (
    *COMMON_COLUMNS,
    Column("planning_gain_dbi", "Gain to plan with: low, likely, high.", _range(-60, 40, 3, unit="dBi"), required=True),
    Column("peak_gain_dbi", "Gain in the clear, lowest and highest.", _range(-60, 40, 2, unit="dBi")),
    Column("pattern", "How it radiates.", one_of(("round", "sector", "ball"))),
    Column("horizontal_beamwidth_deg", "Half-power width in azimuth.", number(1, 360, unit="degrees")),
    Column("spread_db", "Standard deviation for orientation, nulls and box.", number(0, 20, unit="dB")),
    Column("frequency_mhz", "Lowest and highest frequency.", _range(1, 100_000, 2, unit="MHz")),
    Column("note", "What to tell the user.", text(500)),
    Column("connector", "Its connector: series and gender, 50 ohm.", _connector),
)
CABLE_COLUMNS: Final = (
    *COMMON_COLUMNS,
    Column("points", "Pairs of MHz and dB per metre.", _points, required=True),
    Column("range_note", "How far such cables differ.", text(200)),
    Column("connectors", "Series of plugs that fit it.", _series),
)
_NODE_LOSS_COLUMNS: Final = (
    *COMMON_COLUMNS,
    Column("loss_db", "Low, likely, high at 433, 868 and 2450 MHz.", _rows(len(NODE_LOSS_MHZ), 3, 0, 100), required=True),
)
_PART_COLUMNS: Final = (*COMMON_COLUMNS, Column("loss_db", "Loss of one.", number(0, 100, unit="dB"), required=True))


def read_antennas(property_folder: Path | None = None) -> dict[str, AntennaClass]:
    """Return all antenna classes by name; `antennas.toml` in the property folder may add or replace some."""
    return read_rows("antennas.toml", "antenna", ANTENNA_COLUMNS, _antenna, property_folder)


def read_node_losses(property_folder: Path | None = None) -> dict[str, NodeLoss]:
    """Return losses of boxes, posts, soil, snow by name."""
    return read_rows("antennas.toml", "node_loss", _NODE_LOSS_COLUMNS, lambda values: NodeLoss(**values), property_folder)


def read_cables(property_folder: Path | None = None) -> dict[str, CableClass]:
    """Return all cable classes by name; `cables.toml` in the property folder may add or replace some."""
    return read_rows("cables.toml", "cable", CABLE_COLUMNS, lambda values: CableClass(**values), property_folder)


def read_cable_parts(property_folder: Path | None = None) -> dict[str, CablePart]:
    """Return connectors and arresters by name."""
    return read_rows("cables.toml", "part", _PART_COLUMNS, lambda values: CablePart(**values), property_folder)


def find_class(kind: str, name: str, known: dict[str, Entry], where: str) -> Entry:
    """Return the class a site or a setting names; `kind` is "antenna" or "cable" in messages."""
    if name in known:
        return known[name]
    raise InputError(
        f"'{name}' is no {kind} class.{nearest_name(name, known)}", where=where, fix=f"Write one of: {', '.join(known)}."
    )


def _antenna(values: dict[str, Any]) -> AntennaClass:
    gains = values["planning_gain_dbi"]
    values.setdefault("peak_gain_dbi", (gains[0], gains[2]))
    values.setdefault("pattern", "round")
    values.setdefault("spread_db", 2.0)
    values.setdefault("frequency_mhz", (1.0, 100_000.0))
    return AntennaClass(**values)
