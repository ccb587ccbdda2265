"""A pilot on paper and as words: which links to try, what to expect, when to stop."""

from __future__ import annotations

from pathlib import Path

from meshplan.records.pilot import Pilot, PilotLink
from meshplan.reporting.files import csv_text, write_text_atomically
from meshplan.reporting.paper import paper_page
from meshplan.reporting.sheets.readings import COLUMNS
from meshplan.reporting.words import bearing, metres, number, percent, text


def write_pilot(pilot: Pilot, folder: Path) -> tuple[Path, ...]:
    """Write pilot.html and the table for its readings."""
    return (
        write_text_atomically(folder / "pilot.html", pilot_page(pilot)),
        write_text_atomically(folder / "pilot_readings.csv", "\ufeff" + csv_text(COLUMNS, _rows(pilot))),
    )


def pilot_text(pilot: Pilot) -> str:
    """Return a pilot as plain text for the command line."""
    if not pilot.links:
        return "There is no link to try.\n"
    lines = [f"Try {len(pilot.links)} links before you buy:"]
    for place, link in enumerate(pilot.links, start=1):
        lines.append(f"  {place}. {link.a} to {link.b} ({metres(link.distance_m)}). {link.why}")
        lines += [
            f"     {level.radio}, {level.season}: expect {number(level.expected_dbm)} ± {number(level.spread_db)} dBm; good from "
            f"{number(level.good_from_dbm)}, failing below {number(level.fails_below_dbm)}."
            for level in link.levels
        ]
    lines += ["When to stop", *(f"  - {sentence}" for sentence in pilot.stop_rule), *pilot.notes]
    return "\n".join(lines) + "\n"


def pilot_page(pilot: Pilot) -> str:
    """Return the page."""
    stops = "".join(_link(place, link) for place, link in enumerate(pilot.links, start=1))
    rule = "".join(f"<li>{text(sentence)}</li>" for sentence in pilot.stop_rule)
    notes = "".join(f"<p>{text(note)}</p>" for note in pilot.notes)
    share = (
        f" Together they are expected to save {percent(pilot.share)} of the wrong decisions still open." if pilot.share > 0 else ""
    )
    body = (
        f'<main><header><p class="kicker">Pilot, before anything is bought</p><h1 class="name">{text(pilot.property_name)}</h1>'
        f'<p class="lead">{len(pilot.links)} links to try.{share}</p></header>'
        f"<h2>When to stop</h2><ul>{rule}</ul>{notes}<h2>The links</h2>{stops}</main>"
    )
    return paper_page(f"Pilot: {pilot.property_name}", body, "report.css")


def _link(place: int, link: PilotLink) -> str:
    rows = "".join(
        f'<tr><th scope="row">{text(level.radio)}</th><td>{text(level.season)}</td>'
        f'<td class="num">{number(level.expected_dbm)} ± {number(level.spread_db)}</td>'
        f'<td class="num">{number(level.good_from_dbm)}</td><td class="num">{number(level.fails_below_dbm)}</td><td></td></tr>'
        for level in link.levels
    )
    return (
        f'<section><h3 class="name">{place}. {text(link.a)} to {text(link.b)}</h3><p>{text(link.why)}</p>'
        f"<p>{metres(link.distance_m)}, looking {bearing(link.bearing_deg)} from {text(link.a)}; antennas "
        f"{metres(link.a_antenna_agl_m)} "
        f"and {metres(link.b_antenna_agl_m)} above ground.</p>"
        '<div class="wide"><table><thead><tr><th scope="col">Radio class</th><th scope="col">Season</th>'
        '<th scope="col" class="num">Expect, dBm</th><th scope="col" class="num">Good from</th>'
        f'<th scope="col" class="num">Fails below</th><th scope="col">Measured</th></tr></thead><tbody>{rows}</tbody></table></div>'
        "</section>"
    )


def _rows(pilot: Pilot) -> list[tuple[object, ...]]:
    """Return the empty table, both ways, for each class."""
    rows: list[tuple[object, ...]] = []
    for link in pilot.links:
        for radio in dict.fromkeys(level.radio for level in link.levels):
            ends = (link.a, link.a_antenna_agl_m), (link.b, link.b_antenna_agl_m)
            for (one, up_m), (other, other_up_m) in (ends, ends[::-1]):
                rows.append((link.link, one, other, up_m, other_up_m, None, radio, *(None,) * 6))
    return rows
