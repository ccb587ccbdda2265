"""What would mend a thin or failing link: a higher antenna, a better one, less cable, a place outdoors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from meshplan.inputs.antennas import AntennaClass
from meshplan.links.engine import LinkTable, compute_links
from meshplan.links.path_loss import PathSettings
from meshplan.links.stations import Station
from meshplan.links.uncertainty import chance_of
from meshplan.propagation.seasons import Season
from meshplan.records import Remedy
from meshplan.terrain.landscape import Landscape

HEIGHT_STEPS_M: Final = (0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0)
"""How much higher an antenna is tried."""

SATURATED_BELOW_DB_PER_M: Final = 0.5
"""A further metre that gives less is not worth climbing for (own choice)."""

LEAST_GAIN_DB: Final = 0.5
MOST_REMEDIES: Final = 6


@dataclass(frozen=True)
class HeightGain:
    """What more height gives at one end: gains in dB at `raised_m`, and where it stops paying."""

    device: str
    raised_m: tuple[float, ...]
    gain_db: tuple[float, ...]
    saturates_at_m: float
    """Height above today's beyond which a metre gives less than half a decibel."""

    @property
    def best_db(self) -> float:
        """The most that height gives here."""
        return max(self.gain_db)


@dataclass(frozen=True)
class _Change:
    words: str
    device: str
    effort: int
    """Smaller is easier to do."""
    a: Station
    b: Station


def find_remedies(
    table: LinkTable,
    row: int,
    landscape: Landscape,
    settings: PathSettings,
    antennas: Mapping[str, AntennaClass],
    *,
    required_chance: float,
) -> tuple[Remedy, ...]:
    """Return changes that would help a link in its worst season: those that suffice first, the easiest of them leading.

    Parameters
    ----------
    table : LinkTable
    row : int
        The link.
    landscape, settings
        As the table was computed with.
    antennas : mapping
        Classes to try.
    required_chance : float
        Chance at which a change suffices.
    """
    a, b = (table.stations[i] for i in table.pairs[row])
    worst = int(table.worst_season[row])
    changes = [*_heights(a, b), *_antennas(a, b, antennas, settings.frequency_mhz), *_feeds(a, b), *_outdoors(a, b)]
    gains = _gains_db(changes, a, b, landscape, table.seasons[worst], settings)
    margin_db, spread_db = float(table.margin_db[worst, row]), float(table.spread_db[worst, row])
    chances = chance_of(margin_db + gains, np.asarray(table.fade_margin_db[row]), np.asarray(spread_db))
    found = [
        (change.effort, Remedy(change.words, change.device, round(float(gain), 1), float(chance), bool(chance >= required_chance)))
        for change, gain, chance in zip(changes, gains, chances, strict=True)
        if gain >= LEAST_GAIN_DB
    ]
    found.sort(key=lambda item: (not item[1].suffices, item[0] if item[1].suffices else -item[1].gain_db, -item[1].gain_db))
    return _without_repeats([remedy for _, remedy in found])


def height_gain(table: LinkTable, row: int, landscape: Landscape, settings: PathSettings, *, end: str) -> HeightGain:
    """Return what raising one end of a link gives in its worst season.

    Parameters
    ----------
    end : str
        "a" or "b".
    """
    a, b = (table.stations[i] for i in table.pairs[row])
    station = a if end == "a" else b
    changes = [change for change in _heights(a, b) if change.device == station.key]
    season = table.seasons[int(table.worst_season[row])]
    gains = _gains_db(changes, a, b, landscape, season, settings)
    steps = np.array([0.0, *HEIGHT_STEPS_M])
    slope = np.diff(np.array([0.0, *gains])) / np.diff(steps)
    paying = np.flatnonzero(slope >= SATURATED_BELOW_DB_PER_M)
    saturates = float(steps[paying[-1] + 1]) if len(paying) else 0.0
    return HeightGain(station.key, HEIGHT_STEPS_M, tuple(round(float(gain), 1) for gain in gains), saturates)


def _heights(a: Station, b: Station) -> list[_Change]:
    changes = []
    for rise_m in HEIGHT_STEPS_M:
        for station in (a, b):
            taller = replace(station, antenna_agl_m=station.antenna_agl_m + rise_m)
            words = f"Raise the antenna of {station.key} by {rise_m:g} m, to {taller.antenna_agl_m:g} m"
            ends = (taller, b) if station is a else (a, taller)
            changes.append(_Change(words, station.key, 10 + int(10 * rise_m), *ends))
    return changes


def _antennas(a: Station, b: Station, antennas: Mapping[str, AntennaClass], frequency_mhz: float) -> list[_Change]:
    changes = []
    for antenna in antennas.values():
        low, high = antenna.frequency_mhz
        if not low <= frequency_mhz <= high:
            continue
        for station in (a, b):
            if antenna.gain_dbi <= station.antenna.gain_dbi + LEAST_GAIN_DB or antenna.pattern == "sector":
                continue
            words = f"Give {station.key} another antenna: {antenna.title}"
            better = replace(station, antenna=antenna)
            changes.append(_Change(words, station.key, 8, *((better, b) if station is a else (a, better))))
    return changes


def _feeds(a: Station, b: Station) -> list[_Change]:
    changes = []
    for station in (a, b):
        if station.feed_loss_db:
            bare = replace(station, feed_loss_db=0.0, cable_m=0.0)
            words = f"Put the radio of {station.key} at its antenna and save {station.cable_m:g} m of cable"
            changes.append(_Change(words, station.key, 5, *((bare, b) if station is a else (a, bare))))
    return changes


def _outdoors(a: Station, b: Station) -> list[_Change]:
    changes = []
    for station in (a, b):
        if station.entry_loss_db:
            outside = replace(station, entry_loss_db=0.0, entry_spread_db=0.0)
            words = f"Bring the antenna of {station.key} outside the wall"
            changes.append(_Change(words, station.key, 6, *((outside, b) if station is a else (a, outside))))
    return changes


def _gains_db(
    changes: list[_Change], a: Station, b: Station, landscape: Landscape, season: Season, settings: PathSettings
) -> np.ndarray:
    """Return how many dB of margin each change gives; the unchanged link is computed beside them in one batch."""
    ends = [station for change in changes for station in (change.a, change.b)]
    stations = (a, b, *ends)
    pairs = np.arange(len(stations)).reshape(-1, 2)
    table = compute_links(stations, pairs, landscape, (season,), settings)
    margins = table.margin_db[0]
    return np.asarray(margins[1:] - margins[0])


def _without_repeats(remedies: list[Remedy]) -> tuple[Remedy, ...]:
    """Keep the easiest sufficient step of each kind and device, or the strongest if none suffices."""
    seen: set[tuple[str, str]] = set()
    kept = []
    for remedy in remedies:
        kind = (remedy.device, remedy.change.split()[0])
        if kind in seen:
            continue
        seen.add(kind)
        kept.append(remedy)
    return tuple(kept[:MOST_REMEDIES])
