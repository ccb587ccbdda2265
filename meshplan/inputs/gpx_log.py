"""The track of a walk, and where the walker was when a packet was heard."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from meshplan.errors import InputError
from meshplan.inputs.columns import UnfitValueError
from meshplan.inputs.measurement_columns import read_time
from meshplan.inputs.user_files import content_of, present_file

MOST_GAP_S = 60.0
"""Longest gap of the track that is bridged by a straight line (assumed)."""
MOST_BYTES = 200_000_000


@dataclass(frozen=True, eq=False)
class Track:
    """Points of a walk in order of time; `time_s` counts from 1970, universal time."""

    shown: str
    time_s: NDArray[np.float64]
    lon_deg: NDArray[np.float64]
    lat_deg: NDArray[np.float64]

    @property
    def span(self) -> str:
        """Begin and end in words."""
        begin, end = (datetime.datetime.fromtimestamp(float(t), tz=datetime.UTC) for t in (self.time_s[0], self.time_s[-1]))
        return f"{begin:%Y-%m-%d %H:%M:%S} to {end:%Y-%m-%d %H:%M:%S}"


def read_track(path: Path, shown: str = "") -> Track:
    """Return the track points of a GPX file that carry a time.

    Notes
    -----
    Source
        GPX 1.0 and 1.1: trkpt elements with lat, lon and a time child (named, read from memory of the open schema)
    """
    shown = shown or path.name
    fault = present_file(path, shown, "track")
    if fault is not None:
        raise fault
    if path.stat().st_size > MOST_BYTES:
        raise InputError("the track is larger than 200 MB", where=shown, fix="Cut it to the hours of the walk.")
    content = content_of(path, shown)
    if re.search(rb"<!\s*(DOCTYPE|ENTITY)", content[:4096], re.IGNORECASE):
        raise InputError("the file declares a document type", where=shown, fix="Export the track again; GPX needs none.")
    try:
        root = ElementTree.fromstring(content)  # entities cannot be declared: refused above
    except ElementTree.ParseError as error:
        raise InputError(f"is not GPX ({error})", where=shown, fix="Export the track again as GPX.") from error
    found: list[tuple[float, float, float]] = []
    points = 0
    for element in root.iter():
        if element.tag.rsplit("}", 1)[-1] not in ("trkpt", "rtept", "wpt"):
            continue
        points += 1
        stamp = next((child.text for child in element if child.tag.rsplit("}", 1)[-1] == "time"), None)
        if stamp:
            found.append(_point(stamp, element.attrib, f"{shown}, point {points}"))
    if not found:
        problem = "none of its points carries a time" if points else "holds no points"
        raise InputError(problem, where=shown, fix="Record the walk with times and export the track, not the route.")
    found.sort()
    times, lons, lats = np.array(found).T
    first = np.concatenate([[True], np.diff(times) > 0])
    return Track(shown, times[first], lons[first], lats[first])


def _point(stamp: str, attributes: dict[str, str], where: str) -> tuple[float, float, float]:
    """Return time, longitude and latitude of a point."""
    try:
        lon_deg, lat_deg = float(attributes["lon"]), float(attributes["lat"])
        time_s = read_time(stamp).timestamp()
    except UnfitValueError as error:
        raise InputError(f"its time: {error.problem}", where=where, fix="Export the track again.") from error
    except (KeyError, ValueError, OverflowError) as error:
        raise InputError("a point has no proper time, lon or lat", where=where, fix="Export the track again.") from error
    if not (abs(lon_deg) <= 180 and abs(lat_deg) <= 90):
        raise InputError(f"{lon_deg}, {lat_deg} is no position", where=where, fix="Export the track again.")
    return time_s, lon_deg, lat_deg


def place_at(track: Track, time_s: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return longitude and latitude at times, shape (n,); NaN before, after, and in gaps of more than a minute."""
    after = np.searchsorted(track.time_s, time_s)
    before = np.clip(after - 1, 0, len(track.time_s) - 1)
    after = np.clip(after, 0, len(track.time_s) - 1)
    gap = track.time_s[after] - track.time_s[before]
    slack = 5.0
    inside = (time_s >= track.time_s[0] - slack) & (time_s <= track.time_s[-1] + slack)
    nearest = np.minimum(np.abs(time_s - track.time_s[before]), np.abs(time_s - track.time_s[after]))
    good = inside & ((gap <= MOST_GAP_S) | (nearest <= slack))
    lon = np.interp(time_s, track.time_s, track.lon_deg)
    lat = np.interp(time_s, track.time_s, track.lat_deg)
    return np.where(good, lon, np.nan), np.where(good, lat, np.nan)


def clock_shift_hint(track: Track, time_s: NDArray[np.float64]) -> str:
    """Return a sentence if the log would fit the track with its clock moved by whole or half hours."""
    for quarter in sorted(range(-56, 57), key=abs):
        shift_s = quarter * 900.0
        if quarter and np.isfinite(place_at(track, time_s + shift_s)[0]).mean() > 0.8:
            hours = shift_s / 3600
            return (
                f"With the log's clock moved by {hours:+g} h they fit: write the log in universal time, "
                f"or give clock shift {hours:+g} h."
            )
    return ""
