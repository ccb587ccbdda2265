"""What would mend a thin or failing link: a higher antenna, a better one, less cable, a place outdoors.

A remedy is a changed row of the sites file. Its forecast is the link of the station that a plan makes of that row, over the same
elevation draws, so that planning again with it gives what was promised.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import hypot
from typing import Final

import numpy as np
import shapely

from meshplan.links.build_stations import Rebuild, at_height
from meshplan.links.link_table import LinkTable, compute_links
from meshplan.loss.path_loss import PathSettings
from meshplan.loss.uncertainty import ErrorFields
from meshplan.records import RAISED_AGL_M, TALL_AGL_M, Remedy, Site
from meshplan.records.antenna import AntennaClass, CableClass
from meshplan.records.station import Station
from meshplan.terrain.candidates import FOUND_ON_THE_LAND
from meshplan.terrain.geodesy import place_in_degrees, place_on_grid
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import cover_at, ground_at

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


@dataclass(frozen=True, eq=False)
class Change:
    """A changed row of the sites file, and what the link then is."""

    words: str
    end: int
    """0 for the first station of the link, 1 for the second."""
    effort: int
    """Smaller is easier to do."""
    site: Site
    columns: Mapping[str, str]
    """What to write in the row; an empty word clears the column."""
    raised_to_m: float | None = None
    above_roof: bool = False


@dataclass(frozen=True, eq=False)
class Changed:
    """A change with the station that a plan makes of it."""

    change: Change
    station: Station
    gain_db: float
    """In the worst season."""
    chance: float
    """Of the link in its worst season, as planning again with the change gives it."""


Correct = Callable[[LinkTable], LinkTable]
"""What readings taught, laid on a link table."""

Suffices = Callable[[Changed], bool]
"""Whether a change that makes a link good enough makes everything good that hangs on it."""

Told = Callable[[Changed, Remedy], Remedy]


@dataclass(frozen=True, eq=False)
class Workshop:
    """What remedies may use, and what makes a station of a changed row as a plan does.

    Parameters
    ----------
    rebuild : callable
        Returns the station of a changed site; None where no rule allows it.
    antennas, cables : mapping
        Classes to try.
    error_fields : ErrorFields, optional
        Those of the plan's link table; none where it takes the elevation as exact.
    correct : callable, optional
        What readings taught, where the link table is corrected by it.
    """

    rebuild: Rebuild
    antennas: Mapping[str, AntennaClass]
    cables: Mapping[str, CableClass] = field(default_factory=dict)
    error_fields: ErrorFields | None = None
    correct: Correct | None = None

    def links(
        self, stations: Sequence[Station], pairs: Sequence[tuple[int, int]], table: LinkTable, land: Landscape, path: PathSettings
    ) -> LinkTable:
        """Return links as a plan computes them, in the seasons of a table."""
        found = compute_links(stations, np.array(pairs, dtype=np.intp), land, table.seasons, path, error_fields=self.error_fields)
        return found if self.correct is None else self.correct(found)


def find_remedies(
    table: LinkTable,
    row: int,
    landscape: Landscape,
    settings: PathSettings,
    workshop: Workshop,
    *,
    required_chance: float,
    suffices: Suffices | None = None,
    told: Told | None = None,
) -> tuple[Remedy, ...]:
    """Return changes that would help a link in its worst season: those that suffice first, the easiest of them leading.

    Parameters
    ----------
    table : LinkTable
    row : int
        The link.
    landscape, settings
        As the table was computed with.
    workshop : Workshop
    required_chance : float
        Chance at which a link suffices.
    suffices : callable, optional
        Whether a change mends everything that hangs on it, by this link or another of the device; without it the link decides.
    told : callable, optional
        Adds to a remedy that is returned what else is to be said of it.
    """
    found = [each for each in _forecast(table, row, landscape, settings, workshop) if each.gain_db >= LEAST_GAIN_DB]
    found.sort(key=lambda each: (each.change.effort, -each.gain_db))
    easiest: dict[tuple[str, str], Changed] = {}
    strongest: dict[tuple[str, str], Changed] = {}
    for each in found:
        if each.chance >= required_chance and _kind(each) not in easiest and (suffices is None or suffices(each)):
            easiest[_kind(each)] = each
    for each in sorted(found, key=lambda each: -each.gain_db):
        if _kind(each) not in easiest:
            strongest.setdefault(_kind(each), each)
    for kind, each in strongest.items():
        if suffices is not None and each.chance < required_chance and suffices(each):
            easiest[kind] = each
    enough = sorted(easiest.values(), key=lambda each: (each.change.effort, -each.gain_db))
    helps = [each for kind, each in strongest.items() if kind not in easiest]
    shown = [(each, _remedy(each, suffices=_kind(each) in easiest)) for each in [*enough, *helps][:MOST_REMEDIES]]
    full = [remedy if told is None else told(each, remedy) for each, remedy in shown]
    return tuple(sorted(full, key=lambda remedy: not remedy.suffices))


def _forecast(table: LinkTable, row: int, landscape: Landscape, settings: PathSettings, workshop: Workshop) -> list[Changed]:
    """Return all changes that may be made at either end, with what the link then is."""
    ends = tuple(table.stations[i] for i in table.pairs[row])
    made: list[tuple[Change, Station]] = []
    for change in _changes(ends, landscape, settings.frequency_mhz, workshop):
        station = workshop.rebuild(ends[change.end], change.site)
        if station is not None:
            made.append((change, station))
    stations, pairs = list(ends), [(0, 1)]
    for change, station in made:
        pairs.append((len(stations), 1) if change.end == 0 else (0, len(stations)))
        stations.append(station)
    links = workshop.links(stations, pairs, table, landscape, settings)
    margins, chances = links.margin_db.min(axis=0), links.worst_chance
    return [
        Changed(replace(change, words=change.words + _power_words(station, ends[change.end])), station, float(gain), float(chance))
        for (change, station), gain, chance in zip(made, margins[1:] - margins[0], chances[1:], strict=True)
    ]


def _changes(ends: tuple[Station, ...], landscape: Landscape, frequency_mhz: float, workshop: Workshop) -> Iterator[Change]:
    for end, other in ((0, 1), (1, 0)):
        station = ends[end]
        yield from _heights(station, end, landscape)
        yield from _antennas(station, end, ends[other], workshop.antennas, frequency_mhz)
        yield from _feeds(station, end, workshop.cables)
        yield from _outdoors(station, end, landscape)


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
        for rise_m in HEIGHT_STEPS_M:
            stations += [at_height(a, a.antenna_agl_m + rise_m, landscape)[0], b]
            stations += [a, at_height(b, b.antenna_agl_m + rise_m, landscape)[0]]
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


def _heights(station: Station, end: int, landscape: Landscape) -> Iterator[Change]:
    for rise_m in HEIGHT_STEPS_M:
        height_m = round(station.antenna_agl_m + rise_m, 2)
        taller, _ = at_height(station, height_m, landscape)
        above_roof = bool(station.inside) and not taller.inside
        words = f"Raise the antenna of {station.key} by {rise_m:g} m, to {height_m:g} m"
        if above_roof:
            words += f", above the roof of {landscape.covers[station.inside - 1].name}"
        yield Change(
            words,
            end,
            10 + int(10 * rise_m),
            replace(station.site, antenna_agl_m=height_m),
            {"antenna_agl_m": f"{height_m:g}"},
            raised_to_m=height_m,
            above_roof=above_roof,
        )


def _antennas(
    station: Station, end: int, other: Station, antennas: Mapping[str, AntennaClass], frequency_mhz: float
) -> Iterator[Change]:
    for name, antenna in antennas.items():
        if not antenna.serves(frequency_mhz) or antenna.gain_dbi <= station.antenna.gain_dbi + LEAST_GAIN_DB:
            continue
        aim = f", pointed at {other.key}" if antenna.is_directional else ""
        yield Change(
            f"Give {station.key} another antenna: {antenna.title}{aim}",
            end,
            9 if antenna.is_directional else 8,
            replace(station.site, antenna=name, azimuth_deg=None),
            {"antenna": name, "azimuth_deg": ""},
        )


def _feeds(station: Station, end: int, cables: Mapping[str, CableClass]) -> Iterator[Change]:
    if not station.feed_loss_db:
        return
    each = f", {station.feed_loss_db / station.cable_m:.1f} dB for each metre" if station.cable_m else ""
    words = f"Put the radio of {station.key} at its antenna and save {station.cable_m:g} m of cable{each}"
    yield Change(words, end, 5, replace(station.site, cable_m=0.0), {"cable_m": "0"})
    for name, cable in cables.items():
        if name != station.cable_key:
            words = f"Use {cable.title} for the {station.cable_m:g} m of cable at {station.key}"
            yield Change(words, end, 7, replace(station.site, cable=name), {"cable": name})


def _outdoors(station: Station, end: int, landscape: Landscape) -> Iterator[Change]:
    """Yield the way out of a wall: the word that names it is dropped; out of a building on the map the antenna moves."""
    site = station.site
    if not station.entry_loss_db:
        return
    words = f"Bring the antenna of {station.key} outside the wall"
    number = int(cover_at(landscape, site.x_m, site.y_m))
    building = landscape.covers[number - 1] if number else None
    if building is None or not building.is_building or station.antenna_agl_m >= building.height_m:
        yield Change(words, end, 6, replace(site, indoors=None), {"indoors": ""})
        return
    place = _beside(site, building.geometry, landscape)
    if place is not None:
        x_m, y_m, lon_deg, lat_deg = place
        way = compass_words(x_m - site.x_m, y_m - site.y_m)
        yield Change(
            f"{words}, {hypot(x_m - site.x_m, y_m - site.y_m):.0f} m to the {way}",
            end,
            6,
            replace(site, indoors=None, x_m=x_m, y_m=y_m, lon_deg=lon_deg, lat_deg=lat_deg),
            {"indoors": "", "lat_deg": f"{lat_deg:.7f}", "lon_deg": f"{lon_deg:.7f}"},
        )


OUTSIDE_M: Final = (1.0, 2.0, 4.0, 8.0)
"""How far from the nearest wall of a building an antenna is tried; the map shows buildings in cells."""


def _beside(site: Site, outline: shapely.Geometry, landscape: Landscape) -> tuple[float, float, float, float] | None:
    """Return the nearest place outside a building, on the grid and in degrees as a file holds them; None where none is open."""
    here = shapely.Point(site.x_m, site.y_m)
    wall = shapely.shortest_line(here, outline.boundary).coords[-1]
    run_m = hypot(wall[0] - site.x_m, wall[1] - site.y_m) or 1.0
    for more_m in OUTSIDE_M:
        x_m, y_m = (float(at + (to - at) * (run_m + more_m) / run_m) for at, to in zip((site.x_m, site.y_m), wall, strict=True))
        number = int(cover_at(landscape, x_m, y_m))
        if (number and landscape.covers[number - 1].is_building) or not np.isfinite(ground_at(landscape, x_m, y_m)):
            continue
        lon_deg, lat_deg = (round(value, 7) for value in place_in_degrees(landscape.grid, x_m, y_m))
        return *place_on_grid(landscape.grid, lon_deg, lat_deg), lon_deg, lat_deg
    return None


def compass_words(east_m: float, north_m: float) -> str:
    """Return one of eight directions."""
    names = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
    return names[round(float(np.degrees(np.arctan2(east_m, north_m))) / 45.0) % 8]


def _power_words(changed: Station, station: Station) -> str:
    if changed.tx_power_dbm >= station.tx_power_dbm - 0.05:
        return ""
    power = f"{changed.tx_power_dbm:.1f}".replace("-", "−")
    return f"; its radio then sends {power} dBm, so that no more is radiated than allowed"


def _kind(each: Changed) -> tuple[str, str]:
    """Return device and kind of a change: height, antenna, cable, place."""
    return each.station.key, each.change.words.split()[0]


def _remedy(each: Changed, *, suffices: bool) -> Remedy:
    return Remedy(
        each.change.words,
        each.station.key,
        round(each.gain_db, 1),
        each.chance,
        suffices,
        raised_to_m=each.change.raised_to_m,
        above_roof=each.change.above_roof,
        columns={} if each.station.site.where == FOUND_ON_THE_LAND else dict(each.change.columns),
    )
