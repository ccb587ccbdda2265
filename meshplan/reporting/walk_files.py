"""The next walk as files: next_places.json for the sheets, next_places.gpx for the phone."""

from __future__ import annotations

from pathlib import Path

from meshplan.inputs.walk_file import WALK_FILE, WALK_FORMAT, WALK_VERSION
from meshplan.records.codec import json_text, record_to_values
from meshplan.records.measurement import SurveyWalk, WalkStop
from meshplan.reporting.files import write_text_atomically
from meshplan.reporting.plan_files import LON_LAT_DECIMALS
from meshplan.reporting.words import listing, metres, text

GPX_FILE = "next_places.gpx"


def write_walk(walk: SurveyWalk, folder: Path) -> tuple[Path, ...]:
    """Write the walk for the sheets and for the phone into a folder; return the two paths."""
    document = {"format": WALK_FORMAT, "format_version": WALK_VERSION, "walk": record_to_values(walk)}
    return (
        write_text_atomically(folder / WALK_FILE, json_text(document)),
        write_text_atomically(folder / GPX_FILE, walk_gpx(walk)),
    )


def walk_gpx(walk: SurveyWalk) -> str:
    """Return GPX 1.1: a waypoint for each stop in walking order, and the round itself as a track."""
    points = "".join(_waypoint(number, stop) for number, stop in enumerate(walk.stops, start=1))
    way = "".join(f'<trkpt lat="{_degrees(lat)}" lon="{_degrees(lon)}"/>' for lon, lat in walk.way)
    track = f"<trk><name>{text(f'Round of {metres(walk.length_m)}')}</name><trkseg>{way}</trkseg></trk>\n" if walk.stops else ""
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="meshplan" xmlns="http://www.topografix.com/GPX/1/1">\n'
        f"<metadata><name>{text(f'{walk.property_name}: where to measure next')}</name></metadata>\n{points}{track}</gpx>\n"
    )


def _waypoint(number: int, stop: WalkStop) -> str:
    read = listing([reading.there for reading in stop.readings])
    words = f"Read {read}. {stop.sentence}" if read else stop.sentence
    return (
        f'<wpt lat="{_degrees(stop.lat_deg)}" lon="{_degrees(stop.lon_deg)}"><name>{text(f"{number} {stop.name}")}</name>'
        f"<desc>{text(words)}</desc><type>measure</type></wpt>\n"
    )


def _degrees(value: float) -> str:
    return f"{value + 0.0:.{LON_LAT_DECIMALS}f}"
