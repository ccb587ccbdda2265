"""What would mend a thin or failing link: a higher antenna, a better one, less cable, a place outdoors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from meshplan.links.build_stations import CONNECTOR_PAIRS, PowerFor, at_height
from meshplan.links.link_table import LinkTable, compute_links, with_elevation_errors_of
from meshplan.loss.path_loss import PathSettings
from meshplan.loss.uncertainty import ErrorFields, chance_of
from meshplan.propagation.cables import cable_loss_db
from meshplan.records import RAISED_AGL_M, TALL_AGL_M, Remedy
from meshplan.records.antenna import AntennaClass, CableClass
from meshplan.records.station import Station
from meshplan.terrain.landscape import Landscape

HEIGHT_STEPS_M: Final = (0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0)
"""How much higher an antenna is tried."""

SATURATED_BELOW_DB_PER_M: Final = 0.5
"""A further metre that gives less is not worth climbing for (own choice)."""

LEAST_GAIN_DB: Final = 0.5
MOST_REMEDIES: Final = 6


@dataclass(frozen=True)
class GainOfRaising:
    """What more height gives at one end: gains in dB at `raised_m`, and where it stops paying."""

    device: str
    raised_m: tuple[float, ...]
    gain_db: tuple[float, ...]
    antenna_agl_m: float
    """Today's height."""
    saturates_at_m: float
    """Height above today's beyond which a metre gives less than half a decibel."""

    @property
    def best_db(self) -> float:
        """The most that height gives here."""
        return max(self.gain_db)

    @property
    def sentence(self) -> str:
        """The figures for people."""
        best_m = self.raised_m[int(np.argmax(self.gain_db))]
        if self.best_db < LEAST_GAIN_DB:
            return f"Raising the antenna of {self.device} gives nothing, not even {self.raised_m[-1]:g} m more."
        if not self.saturates_at_m:
            return (
                f"Raising the antenna of {self.device} hardly pays: {self.best_db:.1f} dB at {best_m:g} m more, less than "
                f"{SATURATED_BELOW_DB_PER_M:g} dB for each metre."
            )
        at = dict(zip(self.raised_m, self.gain_db, strict=True))
        per_metre_db = at[self.saturates_at_m] / self.saturates_at_m
        first = f"{at[1.0]:.1f} dB for the first metre, {at[self.saturates_at_m]:.0f} dB for {self.saturates_at_m:g} m"
        more = (
            "and still pays there"
            if self.saturates_at_m == self.raised_m[-1]
            else f"beyond that less than {SATURATED_BELOW_DB_PER_M:g} dB for each metre"
        )
        return f"Raising the antenna of {self.device} gives {first} ({per_metre_db:.1f} dB per metre), {more}.{self._care}"

    @property
    def _care(self) -> str:
        """What to mind at the height that pays; the texts of the cautions say it in full."""
        height_m = self.antenna_agl_m + self.saturates_at_m
        if height_m <= RAISED_AGL_M:
            return ""
        guys = ", guys and planning permission" if height_m > TALL_AGL_M else ""
        return f" At {height_m:g} m mind power lines, ladder and lightning{guys}."


@dataclass(frozen=True)
class _Change:
    words: str
    device: str
    effort: int
    """Smaller is easier to do."""
    a: Station
    b: Station
    raised_to_m: float | None = None
    above_roof: bool = False


def find_remedies(
    table: LinkTable,
    row: int,
    landscape: Landscape,
    settings: PathSettings,
    antennas: Mapping[str, AntennaClass],
    *,
    required_chance: float,
    cables: Mapping[str, CableClass] | None = None,
    power_for: PowerFor | None = None,
    error_fields: ErrorFields | None = None,
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
    cables : mapping, optional
        Kinds of cable to try.
    power_for : callable, optional
        Power that law and radio allow with another antenna or cable. Without it the radiated power is held at today's: a better
        antenna then helps only what it hears.
    error_fields : ErrorFields, optional
        The table's, to draw the ground under every change anew; without them the elevation error found for the link is kept.
    """
    a, b = (table.stations[i] for i in table.pairs[row])
    changes = [*_heights(a, b, landscape), *_antennas(a, b, antennas, settings.frequency_mhz, power_for), *_feeds(a, b, power_for)]
    changes += [*_cables(a, b, cables or {}, settings.frequency_mhz, power_for), *_outdoors(a, b)]
    stations = [a, b, *(station for change in changes for station in (change.a, change.b))]
    pairs = np.arange(len(stations)).reshape(-1, 2)
    changed = compute_links(stations, pairs, landscape, table.seasons, settings, error_fields=error_fields)
    if error_fields is None:
        changed = with_elevation_errors_of(changed, table, row)
    # What readings have taught about this link holds for its variations as well; without readings the shift is zero.
    learned_db, surer, freedom = np.zeros(len(table.seasons)), np.ones(len(table.seasons)), np.full(len(table.seasons), np.inf)
    if table.learned_db is not None:
        learned_db = table.margin_db[:, row] - changed.margin_db[:, 0]
        surer = table.spread_db[:, row] / changed.spread_db[:, 0]
        freedom = np.array([table.freedom(season, row) for season in range(len(table.seasons))])
    margins = changed.margin_db + learned_db[:, None]
    spreads = changed.spread_db * surer[:, None]
    chances = np.nan_to_num(chance_of(margins, changed.fade_margin_db, spreads, freedom[:, None])).min(axis=0)
    gains = margins.min(axis=0)[1:] - margins.min(axis=0)[0]
    found = []
    for change, gain, chance in zip(changes, gains, chances[1:], strict=True):
        if gain >= LEAST_GAIN_DB:
            suffices = bool(chance >= required_chance)
            remedy = Remedy(
                change.words,
                change.device,
                round(float(gain), 1),
                float(chance),
                suffices,
                raised_to_m=change.raised_to_m,
                above_roof=change.above_roof,
            )
            found.append((change.effort, remedy))
    found.sort(key=lambda item: (not item[1].suffices, item[0] if item[1].suffices else -item[1].gain_db, -item[1].gain_db))
    return _without_repeats([remedy for _, remedy in found])


def gain_of_raising(table: LinkTable, row: int, landscape: Landscape, settings: PathSettings, *, end: str) -> GainOfRaising:
    """Return what raising one end of a link gives in its worst season.

    Parameters
    ----------
    end : str
        "a" or "b".
    """
    return gains_of_raising(table, [row], landscape, settings)[0]["ab".index(end)]


def gains_of_raising(
    table: LinkTable, rows: Sequence[int], landscape: Landscape, settings: PathSettings
) -> list[tuple[GainOfRaising, GainOfRaising]]:
    """Return what raising either end of some links gives in the worst season, all in one batch."""
    stations: list[Station] = []
    for row in rows:
        a, b = (table.stations[i] for i in table.pairs[row])
        stations += [a, b]
        for change in _heights(a, b, landscape):
            stations += [change.a, change.b]
    pairs = np.arange(len(stations)).reshape(-1, 2)
    margins = compute_links(stations, pairs, landscape, table.seasons, settings).margin_db.min(axis=0)
    found = []
    per_row = 1 + 2 * len(HEIGHT_STEPS_M)
    for number, row in enumerate(rows):
        own = margins[number * per_row : (number + 1) * per_row]
        a, b = (table.stations[i] for i in table.pairs[row])
        gains = own[1:] - own[0]
        found.append((_gain_of_raising(a, gains[0::2]), _gain_of_raising(b, gains[1::2])))
    return found


def _gain_of_raising(station: Station, gains: np.ndarray) -> GainOfRaising:
    slope = np.diff(np.array([0.0, *gains])) / np.diff(np.array([0.0, *HEIGHT_STEPS_M]))
    paying = np.flatnonzero(slope >= SATURATED_BELOW_DB_PER_M)
    saturates = HEIGHT_STEPS_M[paying[-1]] if len(paying) else 0.0
    rounded = tuple(round(float(gain), 1) for gain in gains)
    return GainOfRaising(station.key, HEIGHT_STEPS_M, rounded, station.antenna_agl_m, saturates)


def _heights(a: Station, b: Station, landscape: Landscape) -> list[_Change]:
    changes = []
    for rise_m in HEIGHT_STEPS_M:
        for station in (a, b):
            taller, _ = at_height(station, station.antenna_agl_m + rise_m, landscape)
            above_roof = bool(station.inside) and not taller.inside
            words = f"Raise the antenna of {station.key} by {rise_m:g} m, to {taller.antenna_agl_m:g} m"
            if above_roof:
                words += f", above the roof of {landscape.covers[station.inside - 1].name}"
            ends = (taller, b) if station is a else (a, taller)
            effort = 10 + int(10 * rise_m)
            changes.append(_Change(words, station.key, effort, *ends, raised_to_m=taller.antenna_agl_m, above_roof=above_roof))
    return changes


def _antennas(
    a: Station, b: Station, antennas: Mapping[str, AntennaClass], frequency_mhz: float, power_for: PowerFor | None
) -> list[_Change]:
    changes = []
    for antenna in antennas.values():
        if not antenna.serves(frequency_mhz):
            continue
        for station, other in ((a, b), (b, a)):
            if antenna.gain_dbi <= station.antenna.gain_dbi + LEAST_GAIN_DB:
                continue
            site = replace(station.site, azimuth_deg=None) if antenna.is_directional else station.site
            better = _lawful(replace(station, antenna=antenna, site=site), station, power_for)
            aim = f", pointed at {other.key}" if antenna.is_directional else ""
            words = f"Give {station.key} another antenna: {antenna.title}{aim}{_power_words(better, station)}"
            effort = 9 if antenna.is_directional else 8
            changes.append(_Change(words, station.key, effort, *((better, b) if station is a else (a, better))))
    return changes


def _feeds(a: Station, b: Station, power_for: PowerFor | None) -> list[_Change]:
    changes = []
    for station in (a, b):
        if station.feed_loss_db:
            bare = _lawful(replace(station, feed_loss_db=0.0, cable_m=0.0), station, power_for)
            each = f", {station.feed_loss_db / station.cable_m:.1f} dB for each metre" if station.cable_m else ""
            words = f"Put the radio of {station.key} at its antenna and save {station.cable_m:g} m of cable{each}"
            words += _power_words(bare, station)
            changes.append(_Change(words, station.key, 5, *((bare, b) if station is a else (a, bare))))
    return changes


def _cables(
    a: Station, b: Station, cables: Mapping[str, CableClass], frequency_mhz: float, power_for: PowerFor | None
) -> list[_Change]:
    changes = []
    for cable in cables.values():
        for station in (a, b):
            if not station.feed_loss_db or cable.name == station.cable_key:
                continue
            feed_db = float(cable_loss_db(station.cable_m, frequency_mhz, cable.points, connector_pairs=CONNECTOR_PAIRS))
            better = _lawful(replace(station, feed_loss_db=feed_db, cable_key=cable.name), station, power_for)
            words = f"Use {cable.title} for the {station.cable_m:g} m of cable at {station.key}{_power_words(better, station)}"
            changes.append(_Change(words, station.key, 7, *((better, b) if station is a else (a, better))))
    return changes


def _outdoors(a: Station, b: Station) -> list[_Change]:
    changes = []
    for station in (a, b):
        if station.entry_loss_db:
            outside = replace(station, entry_loss_db=0.0, entry_spread_db=0.0, lid_loss_db=0.0)
            words = f"Bring the antenna of {station.key} outside the wall"
            changes.append(_Change(words, station.key, 6, *((outside, b) if station is a else (a, outside))))
    return changes


def _lawful(changed: Station, station: Station, power_for: PowerFor | None) -> Station:
    """Return a changed station at the power it may use: what the law allows, or so that no more is radiated than today."""
    if power_for is not None:
        power_dbm = power_for(changed.site, changed.antenna, changed.feed_loss_db, changed.radio)
        return replace(changed, tx_power_dbm=power_dbm)
    more_db = changed.antenna.peak_gain_dbi[1] - changed.feed_loss_db - station.antenna.peak_gain_dbi[1] + station.feed_loss_db
    return replace(changed, tx_power_dbm=station.tx_power_dbm - max(more_db, 0.0))


def _power_words(changed: Station, station: Station) -> str:
    if changed.tx_power_dbm >= station.tx_power_dbm - 0.05:
        return ""
    power = f"{changed.tx_power_dbm:.1f}".replace("-", "−")
    return f"; its radio then sends {power} dBm, so that no more is radiated than allowed"


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
