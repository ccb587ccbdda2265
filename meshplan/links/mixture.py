"""Several radio classes on one property: one link table of all of them, joined at places that carry two radios.

Links stand only between stations of one class. A place with two radios has a station in each class under one key, so that
it is one device to the placement and a way from one class into the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshplan.links.link_table import LinkTable
from meshplan.loss.path_loss import PathLosses
from meshplan.records import Site
from meshplan.records.station import Station

BETWEEN_RADIOS = "+"
"""Stands between the classes of a place with two radios."""


def radio_names(site: Site, default: str) -> tuple[str, ...]:
    """Return the classes that a place carries, in the order written; the default of the property if it names none."""
    if not site.radio:
        return (default,)
    names = (part.strip() for part in site.radio.split(BETWEEN_RADIOS))
    return tuple(dict.fromkeys(default if name.casefold() == default.casefold() else name for name in names if name))


def link_radios(table: LinkTable) -> dict[tuple[str, str], str]:
    """Return the class of each link by the keys of its two ends, in both orders."""
    found: dict[tuple[str, str], str] = {}
    for i, j in table.pairs:
        a, b = table.stations[i], table.stations[j]
        found[a.key, b.key] = found[b.key, a.key] = a.radio.name
    return found


def join_tables(parts: Sequence[tuple[Sequence[Station], LinkTable | None]]) -> LinkTable:
    """Return one table of all links of several classes.

    Parameters
    ----------
    parts : sequence
        For each class its stations and their table; None for a class without any pair. All tables have the same seasons and
        the same elevation draws.

    Notes
    -----
    Two places that share two classes keep the likelier of their two links, so that a pair of keys names one row.
    """
    best = _likelier_rows([table for _, table in parts if table is not None])
    pieces: list[LinkTable] = []
    offset = 0
    for stations, table in parts:
        if table is not None:
            piece = _rows_of(table, best[id(table)])
            pieces.append(replace(piece, pairs=piece.pairs + offset))
        offset += len(stations)
    if not pieces:
        raise AssertionError("no links to join")
    together = tuple(station for stations, _ in parts for station in stations)
    starts = np.cumsum([0, *(len(piece.pairs) for piece in pieces)])
    legs = {row + int(start): leg for piece, start in zip(pieces, starts, strict=False) for row, leg in piece.indoor_legs.items()}
    plain: dict[str, Any] = {
        item.name: np.concatenate([getattr(piece, item.name) for piece in pieces], axis=_axis(item.name))
        for item in fields(LinkTable)
        if item.name not in ("stations", "seasons", "losses", "indoor_legs", "learned_db", "tail_freedom")
    }
    losses = join_losses([piece.losses for piece in pieces])
    return LinkTable(stations=together, seasons=pieces[0].seasons, losses=losses, indoor_legs=legs, **plain)


def _axis(name: str) -> int:
    """Return the axis along which a field counts links."""
    return 0 if name in ("pairs", "elevation_shift_db") else -1


def _likelier_rows(tables: Sequence[LinkTable]) -> dict[int, NDArray[np.intp]]:
    """Return, for each table, the rows to keep: one for each pair of keys."""
    best: dict[frozenset[str], tuple[float, int, int]] = {}
    for number, table in enumerate(tables):
        chances = table.worst_chance
        for row, (i, j) in enumerate(table.pairs):
            ends = frozenset((table.stations[i].key, table.stations[j].key))
            offer = (float(chances[row]), -number, row)
            if ends not in best or offer[:2] > best[ends][:2]:
                best[ends] = offer
    kept: dict[int, list[int]] = {number: [] for number in range(len(tables))}
    for _, number, row in best.values():
        kept[-number].append(row)
    return {id(table): np.array(sorted(kept[number]), dtype=np.intp) for number, table in enumerate(tables)}


def _rows_of(table: LinkTable, rows: NDArray[np.intp]) -> LinkTable:
    """Return the table with some of its rows only."""
    place = {int(row): position for position, row in enumerate(rows)}
    plain: dict[str, Any] = {
        item.name: np.take(getattr(table, item.name), rows, axis=_axis(item.name))
        for item in fields(LinkTable)
        if item.name not in ("stations", "seasons", "losses", "indoor_legs", "learned_db", "tail_freedom")
    }
    return replace(
        table,
        losses=losses_of_rows(table.losses, rows),
        indoor_legs={place[row]: leg for row, leg in table.indoor_legs.items() if row in place},
        **plain,
    )


def losses_of_rows(losses: PathLosses, rows: NDArray[np.intp]) -> PathLosses:
    """Return the losses of some of the paths."""
    few: dict[str, Any] = {
        item.name: getattr(losses, item.name)[..., rows]
        for item in fields(PathLosses)
        if item.name not in ("terrain_parts", "cover_depth_m")
    }
    parts = losses.terrain_parts
    terrain: dict[str, Any] = {item.name: getattr(parts, item.name)[..., rows] for item in fields(parts)}
    depth = {kind: metres[..., rows] for kind, metres in losses.cover_depth_m.items()}
    return replace(losses, terrain_parts=replace(parts, **terrain), cover_depth_m=depth, **few)


def join_losses(losses: Sequence[PathLosses]) -> PathLosses:
    """Return the losses of several sets of paths, one behind the other."""
    plain: dict[str, Any] = {
        item.name: np.concatenate([getattr(part, item.name) for part in losses], axis=-1)
        for item in fields(PathLosses)
        if item.name not in ("terrain_parts", "cover_depth_m")
    }
    first = losses[0].terrain_parts
    terrain: dict[str, Any] = {
        item.name: np.concatenate([getattr(part.terrain_parts, item.name) for part in losses], axis=-1) for item in fields(first)
    }
    depth = {}
    for kind in sorted({kind for part in losses for kind in part.cover_depth_m}):
        empty = (np.zeros(part.vegetation_db.shape) for part in losses)
        columns = [part.cover_depth_m.get(kind, zeros) for part, zeros in zip(losses, empty, strict=True)]
        depth[kind] = np.concatenate(columns, axis=-1)
    return PathLosses(terrain_parts=replace(first, **terrain), cover_depth_m=depth, **plain)
