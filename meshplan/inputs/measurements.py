"""Readings of the walk: the sheets' table, any table with two ends, or a radio log joined with a track by time."""

from __future__ import annotations

import datetime
import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import Geod

from meshplan.errors import InputError, MeshplanError, nearest_name, raise_faults
from meshplan.inputs.columns import is_empty, read_values
from meshplan.inputs.gpx_log import Track, clock_shift_hint, place_at, read_track
from meshplan.inputs.measurement_columns import NOT_HEARD, READING_COLUMNS
from meshplan.inputs.measurement_table import ReadingTable, read_table
from meshplan.inputs.user_files import content_of, present_file
from meshplan.records import Site
from meshplan.records.measurement import End, Reading, ReadingsFile

SNAP_M = 12.0
"""A place so near to a site is that site; a phone is no better (assumed)."""
NAMED_FAR_M = 150.0
"""A named site cannot be measured from farther away than this."""
FAR_FROM_ALL_M = 100_000.0
MOST_FAULTS = 40
SPOT_DIGITS = 4
"""Spots on a track are rounded to 1/10000 degree, about 11 m: a phone knows no better."""
STRETCH_DIGITS = 3
"""Spots within 1/1000 degree, about 100 m, count as one location: neighbours on a track must not vouch for each other."""
_EARTH = Geod(ellps="WGS84")


@dataclass(frozen=True, eq=False)
class _Known:
    """What names a row may use."""

    sites: Mapping[str, Site]
    seasons: tuple[str, ...]
    radios: tuple[str, ...]
    nearest: dict[tuple[float, float], Site | None] = field(default_factory=dict)
    """Nearest site of the positions met so far: a log has thousands of rows and few places."""

    def nearest_site(self, lon_deg: float, lat_deg: float) -> Site | None:
        """Return the site nearest to a position, None without sites."""
        at = (lon_deg, lat_deg)
        if at not in self.nearest:
            self.nearest[at] = min(self.sites.values(), key=lambda s: _gap_m(lon_deg, lat_deg, s), default=None)
        return self.nearest[at]


def signal_power_dbm(rssi_dbm: float, snr_db: float) -> float:
    """Return the power of the signal alone from a strength that includes noise.

    Notes
    -----
    Source
        derived: strength is signal plus noise, SNR their ratio, so signal = strength + SNR − 10·log10(1 + 10^(SNR/10))
    """
    return rssi_dbm + snr_db - 10 * math.log10(1 + 10 ** (snr_db / 10))


def read_readings(
    paths: Sequence[Path],
    sites: Sequence[Site],
    *,
    folder: Path | None = None,
    seasons: Iterable[str] = (),
    radios: Iterable[str] = (),
    columns: Mapping[str, str] | None = None,
    track: Path | None = None,
    clock_shift_s: float = 0.0,
    heard_by: str | None = None,
) -> ReadingsFile:
    """Read measurement files; all faults are gathered before anything is refused.

    Parameters
    ----------
    paths : sequence of Path
        Tables (CSV with comma, semicolon or tab).
    sites : sequence of Site
        Sites whose names the files may use.
    folder : Path, optional
        Messages show files relative to it.
    seasons, radios : iterable of str
        Names that the files may use; with none, any word passes.
    columns : mapping, optional
        Heading in the file → our column name, for files with other headings.
    track : Path, optional
        GPX track of the walk: rows without a position for one end get the walker's position at their time.
    clock_shift_s : float
        Added to the times of the tables before they are joined with the track.
    heard_by : str, optional
        Name of the site that heard what rows without a receiver report: a phone's log says only where the sender was.
    """
    faults: list[MeshplanError] = []
    notes: list[str] = []
    readings: list[Reading] = []
    digest = hashlib.sha256()
    shown_names = []
    walk: Track | None = None
    if track is not None:
        try:
            walk = read_track(track, _shown(track, folder))
            digest.update(track.read_bytes())
        except MeshplanError as fault:
            faults.append(fault)
    known = _Known({site.name.casefold(): site for site in sites}, tuple(seasons), tuple(radios))
    if heard_by is not None and heard_by.strip().casefold() not in known.sites:
        hint = nearest_name(heard_by, [site.name for site in sites])
        raise InputError(f"there is no site '{heard_by}'.{hint}", where="--to", fix="Name the site that heard the phone.")
    for path in paths:
        shown = _shown(path, folder)
        missing = present_file(path, shown, "measurements")
        if missing is not None:
            faults.append(missing)
            continue
        try:
            content = content_of(path, shown)
        except MeshplanError as fault:
            faults.append(fault)
            continue
        digest.update(content)
        shown_names.append(shown)
        table = read_table(content, shown, columns or {}, faults, heard_by=heard_by)
        parsed = [(where, read_values(raw, READING_COLUMNS, where, faults), raw) for where, raw in table.rows]
        if walk is not None:
            _place_walker(parsed, walk, clock_shift_s, faults, table)
        for where, values, raw in parsed:
            reading = _reading(where, values, raw, known, table, faults)
            if reading is not None:
                readings.append(reading)
        notes += _table_notes(table)
    raise_faults(_condensed(faults))
    if not readings:
        raise InputError(
            "there is no reading in it", where=", ".join(shown_names), fix="Fill in power_dbm, snr_db, or sent and received."
        )
    notes += _general_notes(readings)
    files = (*shown_names, *((_shown(track, folder),) if track is not None else ()))
    return ReadingsFile(tuple(readings), tuple(notes), files, digest.hexdigest())


def join_track(gpx: Path, log: Path, sites: Sequence[Site], *, clock_shift_s: float = 0.0) -> ReadingsFile:
    """Read a radio log whose moving end has no position, and take it from a GPX track by time."""
    return read_readings([log], sites, track=gpx, clock_shift_s=clock_shift_s)


def _shown(path: Path, folder: Path | None) -> str:
    """Return how messages name a file."""
    if folder is not None and path.is_relative_to(folder):
        return path.relative_to(folder).as_posix()
    return path.name


def _place_walker(
    parsed: Sequence[tuple[str, dict[str, Any], Mapping[str, Any]]],
    walk: Track,
    shift_s: float,
    faults: list[MeshplanError],
    table: ReadingTable,
) -> None:
    """Give rows without a position the walker's position at their time."""
    lacking = [
        (where, values)
        for where, values, _ in parsed
        if ("a" not in values and "a_lon_deg" not in values) or ("b" not in values and "b_lon_deg" not in values)
    ]
    timed = [(where, values) for where, values in lacking if "date_time" in values]
    for where, values in lacking:
        if "date_time" not in values:
            faults.append(
                InputError("has neither position nor time", where=where, fix="Give the time, to find the place on the track.")
            )
    if not timed:
        return
    times = np.array([values["date_time"].timestamp() for _, values in timed]) + shift_s
    lon, lat = place_at(walk, times)
    missing = [where for (where, _), x in zip(timed, lon, strict=True) if not math.isfinite(x)]
    if missing and len(missing) > len(timed) / 2:
        hint = clock_shift_hint(walk, times)
        faults.append(
            InputError(
                f"{len(missing)} of {len(timed)} rows lie outside the track ({walk.span} universal time)",
                where=table.shown,
                fix=hint or "Look whether log and track belong to the same walk.",
            )
        )
        return
    if missing:
        table.notes.append(f"{table.shown}: {len(missing)} rows lie in gaps of the track and are not used ({missing[0]} …).")
    for (_, values), x, y in zip(timed, lon, lat, strict=True):
        end = "a" if "a" not in values and "a_lon_deg" not in values else "b"
        if not math.isfinite(x):
            values["off_track"] = True
            continue
        values[f"{end}_lon_deg"], values[f"{end}_lat_deg"] = round(float(x), SPOT_DIGITS), round(float(y), SPOT_DIGITS)
        values.setdefault("location", f"near {y:.{STRETCH_DIGITS}f} {x:.{STRETCH_DIGITS}f}")
        values[end] = f"spot {values[f'{end}_lat_deg']:.{SPOT_DIGITS}f} {values[f'{end}_lon_deg']:.{SPOT_DIGITS}f}"


def _reading(
    where: str, values: dict[str, Any], raw: Mapping[str, Any], known: _Known, table: ReadingTable, faults: list[MeshplanError]
) -> Reading | None:
    """Return the reading of one row, None if the row was not filled in or is at fault."""
    measured = [
        n for n in ("power_dbm", "rssi_dbm", "snr_db", "sent", "received", "heard", "received_percent") if not is_empty(raw.get(n))
    ]
    if not measured:
        table.unfilled += 1
        return None
    before = len(faults)
    if values.get("off_track") or any(name not in values for name in measured):
        return None
    power, heard = _heard_power(where, values, faults)
    a, b = _end("a", where, values, known, faults), _end("b", where, values, known, faults)
    if a is not None and b is not None and a.name == b.name:
        faults.append(InputError(f"both ends are '{a.name}'", where=where, fix="Name two different places."))
    season = _word("season", values.get("season", ""), known.seasons, where, faults)
    radio = _word("radio", values.get("radio", ""), known.radios, where, faults)
    time: datetime.datetime | None = values.get("date_time")
    if len(faults) > before or a is None or b is None:
        return None
    return Reading(
        a, b, heard, power, values.get("snr_db") if heard else None, values.get("sent"), values.get("received"), time,
        values.get("month", time.month if time else None), season, radio, values.get("frequency_mhz"),
        values.get("tx_power_dbm"), values.get("location", ""), where,
    )  # fmt: skip


def _heard_power(where: str, values: Mapping[str, Any], faults: list[MeshplanError]) -> tuple[float | None, bool]:
    """Return the power of the signal and whether anything was heard; contradictions are faults."""
    sent, received, snr = values.get("sent"), values.get("received"), values.get("snr_db")
    stated = values.get("power_dbm", values.get("rssi_dbm"))
    heard = not (received == 0 or values.get("heard") is False or stated == NOT_HEARD)
    if received is not None and sent is None:
        faults.append(InputError("packets received but not how many were sent", where=where, fix="Fill in 'sent'."))
    elif sent == 0:
        faults.append(InputError("no packet was sent", where=where, fix="Leave the row empty, or write how many were sent."))
    elif sent is not None and received is not None and received > sent:
        fix = "Look whether the two columns are swapped."
        faults.append(InputError(f"{received} packets received of {sent} sent", where=where, fix=fix))
    if not heard and (isinstance(stated, float) or snr is not None or (received or 0) > 0):
        faults.append(
            InputError("says that nothing was heard, and gives a figure of it", where=where, fix="Remove one of the two.")
        )
    if sent is not None and received is None and heard and stated is None and snr is None:
        faults.append(
            InputError("packets sent but not how many were received", where=where, fix="Fill in 'received'; write 0 for none.")
        )
    if not heard or stated is None or stated == NOT_HEARD:
        return None, heard
    if "power_dbm" not in values and snr is not None:
        return signal_power_dbm(stated, snr), heard
    return stated, heard


def _end(side: str, where: str, values: Mapping[str, Any], known: _Known, faults: list[MeshplanError]) -> End | None:
    """Return one end: a site by name, a site by position, or a free place."""
    lon, lat = values.get(f"{side}_lon_deg"), values.get(f"{side}_lat_deg")
    column = f"{where}, column '{side}'"
    if lon is None or lat is None:
        return _named_end(side, column, values, known, faults)
    name, height = values.get(side), values.get(f"{side}_antenna_agl_m")
    site = known.sites.get(name.casefold()) if name else None
    nearest = site or known.nearest_site(lon, lat)
    away_m = _gap_m(lon, lat, nearest) if nearest is not None else math.inf
    if nearest is not None and away_m <= SNAP_M:
        return End(nearest.name, nearest.lon_deg, nearest.lat_deg, True, height)
    if site is not None and away_m > NAMED_FAR_M:
        problem = f"stands {away_m:.0f} m from the site '{site.name}'"
        faults.append(InputError(problem, where=column, fix="Correct the name or the position."))
        return None
    if nearest is not None and away_m > FAR_FROM_ALL_M:
        swapped = abs(lon) <= 90 and _gap_m(lat, lon, nearest) < FAR_FROM_ALL_M
        fix = "Longitude and latitude are swapped." if swapped else "Look whether this file belongs to this property."
        faults.append(InputError(f"lies {away_m / 1000:.0f} km from all sites", where=column, fix=fix))
        return None
    if site is not None:
        return End(f"{site.name} ({away_m:.0f} m off)", lon, lat, False, height)
    return End(name or f"{lat:.5f} {lon:.5f}", lon, lat, False, height)


def _named_end(side: str, column: str, values: Mapping[str, Any], known: _Known, faults: list[MeshplanError]) -> End | None:
    """Return a site by its name."""
    name = values.get(side)
    if name is None:
        faults.append(InputError("is empty", where=column, fix="Name the site, or give longitude and latitude."))
        return None
    site = known.sites.get(name.casefold())
    if site is None:
        hint = nearest_name(name, [s.name for s in known.sites.values()])
        faults.append(
            InputError(f"there is no site '{name}'.{hint}", where=column, fix="Correct the name, or give its coordinates.")
        )
        return None
    return End(site.name, site.lon_deg, site.lat_deg, True, values.get(f"{side}_antenna_agl_m"))


def _gap_m(lon: float, lat: float, site: Site) -> float:
    """Return the distance to a site."""
    return float(_EARTH.inv(lon, lat, site.lon_deg, site.lat_deg)[2])


def _word(column: str, word: str, known: Sequence[str], where: str, faults: list[MeshplanError]) -> str:
    """Return a season or radio under its known name."""
    if not word or not known:
        return word
    match = {name.casefold(): name for name in known}.get(word.casefold())
    if match is None:
        fix = f"Write one of: {', '.join(known)}."
        faults.append(
            InputError(f"'{word}' is not known.{nearest_name(word, known)}", where=f"{where}, column '{column}'", fix=fix)
        )
        return ""
    return match


def _table_notes(table: ReadingTable) -> list[str]:
    """Return what was noticed in one file."""
    if table.unfilled:
        were = "row was not filled in and is" if table.unfilled == 1 else "rows were not filled in and are"
        table.notes.append(f"{table.shown}: {table.unfilled} {were} not used.")
    return table.notes


def _general_notes(readings: Sequence[Reading]) -> list[str]:
    """Return what is missing in many rows."""
    notes = []
    undated = sum(r.month is None and not r.season for r in readings)
    if undated:
        who = "reading says neither time nor season: it is" if undated == 1 else "readings say neither time nor season: they are"
        notes.append(f"{undated} {who} compared with the first season of the plan.")
    counted = [r for r in readings if r.sent is not None]
    if not counted and all(r.heard for r in readings):
        notes.append("Only packets that were heard are in the readings: weak links look stronger than they are.")
    return notes


def _condensed(faults: Sequence[MeshplanError]) -> list[MeshplanError]:
    """Return at most forty faults, and say how many more there are; a whole column without signs is one fault."""
    unsigned = [fault for fault in faults if "has lost its minus sign" in fault.problem]
    kept = list(faults)
    if len(unsigned) > 5:
        rest = [fault for fault in faults if fault not in unsigned]
        first = unsigned[0]
        problem = f"{first.problem}, and so have {len(unsigned) - 1} more rows"
        kept = [InputError(problem, where=first.where, fix="Put a minus before the whole column."), *rest]
    if len(kept) <= MOST_FAULTS:
        return kept
    more = len(kept) - MOST_FAULTS
    return [
        *kept[:MOST_FAULTS],
        InputError(f"{more} more faults of this kind", where=kept[MOST_FAULTS].where, fix="Mend these first and check again."),
    ]
