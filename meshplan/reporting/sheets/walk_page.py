"""Where to measure next: the round on foot, what each place decides, and lines for its readings, as HTML."""

from __future__ import annotations

import math

from meshplan.propagation.seasons import season_words
from meshplan.records import Plan
from meshplan.records.measurement import ReadingToTake, SurveyWalk, WalkStop
from meshplan.reporting.sheets.entries import TEST_PACKETS
from meshplan.reporting.sheets.overview import overview_svg
from meshplan.reporting.sheets.site_page import geo_code
from meshplan.reporting.words import bearing, count, listing, metres, number, percent, shortened, text


def walk_pages(walk: SurveyWalk, plan: Plan) -> str:
    """Return the round: its map, then each stop with its readings."""
    head = (
        f'<header><p class="kicker">{text(walk.property_name)}: survey walk</p><h2>Where to measure next</h2>'
        f"<p>{text(walk_summary(walk))}</p></header>"
    )
    notes = "".join(f"<li>{text(note)}</li>" for note in walk.notes)
    reported = f"<ul>{notes}</ul>" if notes else ""
    if not walk.stops:
        return f'<section class="walk">{head}{reported}</section>'
    drawing = overview_svg(plan, height=330, numbers=stop_numbers(walk, plan), way=walk.way)
    stops = "".join(_stop(place, stop) for place, stop in enumerate(walk.stops, start=1))
    return (
        f'<section class="walk">{head}<figure class="map">{drawing}<figcaption>Broken line: the round, starting at '
        f"{text(walk.start)}. Numbers are those of the stops below.</figcaption></figure>{reported}"
        f'<p class="rule">{text(HOW_TO_READ)}</p>{stops}'
        f'<p class="soft">Back to {text(walk.start)}: {metres(walk.back_m)}. Enter the readings in readings.csv, then run meshplan '
        f"calibrate.</p></section>"
    )


HOW_TO_READ = (
    f"At each stop hold the antenna upright at the height given, well away from your body, and send {TEST_PACKETS} packets each "
    "way. Read at three spots a step apart and write down the middle one. Nothing heard is a reading too: write “not heard”."
)


def walk_summary(walk: SurveyWalk) -> str:
    """Return the walk in a few sentences."""
    if not walk.stops:
        return f"{walk.knows} No place is worth a walk now."
    return (
        f"{count(len(walk.stops), 'place')}, a round of {metres(walk.length_m)} from {walk.start}. Together they are expected to "
        f"save {percent(walk.share)} of the wrong decisions still open. {walk.knows}"
    )


def stop_numbers(walk: SurveyWalk, plan: Plan) -> dict[str, int]:
    """Return the number of each stop by the name of its device in the plan; a place that is no device has none."""
    by_site = {stop.name: place for place, stop in enumerate(walk.stops, start=1)}
    return {device.name: by_site[site] for device in plan.devices if (site := device.site or device.name) in by_site}


def way_words(stop: WalkStop) -> str:
    """Return how to get there from the stop before."""
    if math.isnan(stop.bearing_deg):
        return "where you start"
    return f"{metres(stop.way_m)} on foot, setting out towards {bearing(stop.bearing_deg)}"


def decides_words(stop: WalkStop) -> str:
    """Return what hangs on the readings of a stop."""
    return f"Settles {percent(stop.share)} of what is open, most of all {listing(stop.decides)}."


def expected_words(reading: ReadingToTake) -> tuple[str, ...]:
    """Return what to expect, one phrase for each group of seasons that are alike; both ends where they differ."""
    groups: dict[str, list[str]] = {}
    for level in reading.expected:
        here, there = number(level.here_dbm), number(level.there_dbm)
        both = here if here == there else f"{here} here, {there} there"
        groups.setdefault(f"{both} ± {number(level.spread_db)}", []).append(season_words(level.season))
    if len(groups) == 1:
        return tuple(groups)
    return tuple(f"{listing(seasons)}: {words}" for words, seasons in groups.items())


def _stop(place: int, stop: WalkStop) -> str:
    rows = "".join(_row(reading) for reading in stop.readings)
    return (
        f'<article class="stop" id="stop-{place}"><div class="where">{geo_code(stop, 19)}'
        f'<p>{stop.lat_deg:.6f}, {stop.lon_deg:.6f}</p></div><div class="what">'
        f"<h3>{place}. {text(shortened(stop.name, 50))}</h3><p>{text(way_words(stop))}. {text(decides_words(stop))}</p>"
        '<table class="signal"><thead><tr><th>Read</th><th>Look</th><th>Expect, dBm</th><th>here</th><th>there</th>'
        f"<th>of {TEST_PACKETS}</th></tr></thead><tbody>{rows}</tbody></table></div></article>"
    )


def _row(reading: ReadingToTake) -> str:
    mark = " (decides)" if reading.decides else ""
    expected = "<br>".join(text(words) for words in expected_words(reading))
    heights = f"antennas {metres(reading.here_antenna_agl_m)} here, {metres(reading.there_antenna_agl_m)} there"
    return (
        f'<tr data-link="{text(reading.link)}"><td class="name"><b>{text(shortened(reading.there, 34))}</b>{mark}<br>'
        f'<span class="soft">{heights}</span></td>'
        f'<td><b>{bearing(reading.bearing_deg)}</b><br><span class="soft">{metres(reading.distance_m)}</span></td>'
        f"<td>{expected}</td>" + "<td class='fill'></td>" * 3 + "</tr>"
    )
