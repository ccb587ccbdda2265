"""One site on one page of paper, as HTML."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import segno

from meshplan.propagation.seasons import season_words
from meshplan.records import Device, Plan, Power
from meshplan.records.measurement import WalkStop
from meshplan.reporting.paper import role_mark
from meshplan.reporting.profile_chart import profile_svg
from meshplan.reporting.sheets.entries import (
    NO_DIRECTION_BELOW_M,
    SAME_PLACE,
    TEST_PACKETS,
    SheetLink,
    SiteSheet,
    look_words,
    orientation_words,
)
from meshplan.reporting.words import ROLE_WORDS, bearing, count, listing, metres, number, percent, plain_name, shortened, text

PAGE_MM: Final = 274.5
NOTE_LETTERS: Final = 120

MANY_CAUTIONS: Final = 9
"""More cautions are set in three narrow columns."""

TABLE_HEAD_MM: Final = 33.0
MOST_TABLE_LINKS: Final = 8
LEAST_TABLE_LINKS: Final = 2
BRIEF_HEAD_MM: Final = 12.0
BRIEF_COLUMNS: Final = 3
BRIEF_LINE_MM: Final = 3.7

CHARTS_MM: Final = 48.0
"""Least room for the profiles with title and captions; the page lets them shrink and grow to what is really left."""

_POWER_WORDS: Final = {
    Power.MAINS: "mains",
    Power.PANEL: "solar panel with battery",
    Power.BATTERY: "battery",
}

_FILL: Final = '<td class="fill"></td>'

_CHECKS: Final = (
    "radio answers on the bench, number noted below",
    "antenna clear of metal, box shut and upright",
    "plugs tight and taped, drip loop in the cable",
    "glands shut, desiccant in, vent plug down",
    "label on the box, photo of box and of the view",
)


@dataclass(frozen=True)
class Layout:
    """How a sheet uses its page: links in the table, links in one line each, links left to readings.csv, profiles."""

    table: tuple[SheetLink, ...]
    brief: tuple[SheetLink, ...]
    left_out: int
    charts_mm: float
    """Room for the profiles; 0 leaves them out."""


def site_page(sheet: SiteSheet, plan: Plan, total: int) -> str:
    """Return the page of one site."""
    layout = fit_to_page(sheet)
    return (
        f'<section class="sheet" id="sheet-{sheet.number}" data-device="{text(sheet.device.name)}">'
        f"{_head(sheet, plan, total)}{_facts(sheet, plan)}{_signal(sheet, layout)}{_charts(sheet, plan, layout)}"
        f"{_hands(sheet)}{_signature()}</section>"
    )


def fit_to_page(sheet: SiteSheet) -> Layout:
    """Return what fits on one page: the weakest links in the table first, then the others in a line each, then profiles."""
    room = PAGE_MM - _fixed_mm(sheet) - TABLE_HEAD_MM
    most = MOST_TABLE_LINKS if len(sheet.links) <= MOST_TABLE_LINKS else MOST_TABLE_LINKS // 2
    table: list[SheetLink] = []
    letters = 26 if _same_both_ways(sheet.links) else 15
    for place, entry in enumerate(sheet.links[:most], start=1):
        tall = _row_mm(entry, letters)
        after = BRIEF_HEAD_MM if place < len(sheet.links) else 0.0
        if len(table) >= LEAST_TABLE_LINKS and tall + after > room:
            break
        room -= tall
        table.append(entry)
    rest = sheet.links[len(table) :]
    brief: tuple[SheetLink, ...] = ()
    if rest:
        brief = rest[: BRIEF_COLUMNS * max(0, int((room - BRIEF_HEAD_MM) / BRIEF_LINE_MM))]
        room -= BRIEF_HEAD_MM + BRIEF_LINE_MM * math.ceil(len(brief) / BRIEF_COLUMNS)
    charts_mm = room if sheet.charts and room >= CHARTS_MM else 0.0
    return Layout(tuple(table), brief, len(rest) - len(brief), charts_mm)


def geo_uri(device: Device | WalkStop) -> str:
    """Return the place as a `geo:` address (RFC 5870), which phones hand to their map."""
    return f"geo:{device.lat_deg:.6f},{device.lon_deg:.6f}"


def geo_code(device: Device | WalkStop, size_mm: float) -> str:
    """Return the `geo:` address as a QR code, drawn as one SVG."""
    code = segno.make(geo_uri(device), error="m", micro=False)
    drawing: str = code.svg_inline(border=2, omitsize=True, svgclass=None, lineclass=None, title=None)
    return drawing.replace("<svg ", f'<svg width="{size_mm:g}mm" height="{size_mm:g}mm" role="img" aria-label="QR code" ', 1)


def _head(sheet: SiteSheet, plan: Plan, total: int) -> str:
    device = sheet.device
    kind = f"{ROLE_WORDS[device.role]}, for {device.purpose.value}" if device.role == "sensor" else ROLE_WORDS[device.role]
    duties = "".join(f"<p>{text(sentence)}</p>" for sentence in sheet.duties)
    return (
        f'<header class="top"><div><p class="kicker">{text(plan.property_name)}: sheet {sheet.number} of {total}</p>'
        f"<h2>{role_mark(device.role, 20)} {text(shortened(device.name, 60))}</h2>"
        f'<p class="kind">{kind}</p>{duties}</div>'
        f'<div class="place">{geo_code(device, 25)}<p class="nowrap">{device.lat_deg:.6f}, {device.lon_deg:.6f}</p></div></header>'
    )


def _facts(sheet: SiteSheet, plan: Plan) -> str:
    device = sheet.device
    facts = [
        ("Height", f"<b>{metres(device.antenna_agl_m)} above ground</b>{_assumed(device)}"),
        ("Antenna", text(f"{plain_name(device.antenna)}; {orientation_words(sheet)}")),
        ("Cable", _cable(device)),
        ("Ground", f"{metres(device.ground_amsl_m)} above sea level"),
        ("Power", _power(device)),
        ("Sends", f"{device.payload_bytes} bytes every {_interval(device.interval_s)}" if device.role == "sensor" else ""),
        ("Radio", f"{text(plan.radio.title)}, {number(plan.radio.frequency_mhz, 1)} MHz"),
        ("Stands in", text(plain_name(device.indoors)) if device.indoors else ""),
        ("Note", text(shortened(device.note, NOTE_LETTERS))),
    ]
    rows = "".join(f"<div><dt>{name}</dt><dd>{value}</dd></div>" for name, value in facts if value)
    return f'<dl class="facts">{rows}</dl>'


def _assumed(device: Device) -> str:
    return " (assumed: measure it)" if device.height_assumed else ""


def _cable(device: Device) -> str:
    if not device.cable_m > 0:
        return "none: antenna on the radio"
    return f"{number(device.cable_m, 1)} m of {text(plain_name(device.cable))}"


def _power(device: Device) -> str:
    words = _POWER_WORDS[device.power]
    energy = device.energy
    if energy is None:
        return words
    if device.power is Power.PANEL and math.isfinite(energy.panel_w):
        shade = f"; {text(energy.supply_words)}" if energy.supply_words else ""
        storage = f", {number(energy.storage_wh)} Wh" if math.isfinite(energy.storage_wh) else ""
        return f"panel of {number(energy.panel_w, 1)} W, {text(energy.cell)}{storage}{shade}"
    if energy.no_cells_suit:
        return text(energy.supply_words)
    if device.power is Power.BATTERY and math.isfinite(energy.life_years):
        count = energy.cells_in_series * energy.cells_in_parallel
        row = f"{count} {energy.cell if count == 1 else energy.cells}" if count else energy.cells
        through = f", through a {text(energy.regulator)}" if energy.regulator else ""
        return f"{text(row)}{through}, about {number(energy.life_years, 1)} years"
    return words


def _interval(seconds: float) -> str:
    return f"{number(seconds / 60)} min" if seconds >= 60 else f"{number(seconds)} s"


def _signal(sheet: SiteSheet, layout: Layout) -> str:
    """Return where to look, what to expect, and the empty columns for the readings."""
    if not sheet.links:
        return (
            '<h3>Where to aim and what to expect</h3><p class="none">No link of this plan ends here, and no candidate link '
            "was worth keeping. Nothing can be expected; if you test, write what you hear on the lines below.</p>"
            f'<table class="signal blank">{"<tr><td>&nbsp;</td></tr>" * 4}</table>'
        )
    title = "Where to aim and what to expect" if sheet.part_of_plan else "Trial links, not part of the plan: test before you hope"
    both = _same_both_ways(layout.table)
    ways = ("At both ends, dBm",) if both else ("Heard here, dBm", "Heard there, dBm")
    heads = "".join(f'<th colspan="2">{way}</th>' for way in ways)
    rows = "".join(_link_rows(entry, both=both) for entry in layout.table)
    first = sheet.links[0].seasons[0]
    return (
        f'<h3>{title}</h3><table class="signal"><thead><tr><th rowspan="2">To</th><th rowspan="2">Look; chance</th>'
        f'<th rowspan="2">Season</th>{heads}<th colspan="3">Your readings, dBm</th></tr>'
        f"<tr>{'<th>expect</th><th>stop below</th>' * len(ways)}<th>here</th><th>there</th><th>of {TEST_PACKETS}</th></tr>"
        f"</thead><tbody>{rows}</tbody></table>"
        f'<p class="rule"><b>Send {TEST_PACKETS} packets each way. Pass: {sheet.pass_mark}.</b> First row: expect '
        f"{_level(first.here_dbm)} ± {number(first.spread_db)} dBm; below {_level(first.here_stop_dbm)} stop and look: plugs, "
        f"antenna, metal, height. One sound site in six lies lower; if all is right, go on.</p>{_brief(layout)}"
    )


def _brief(layout: Layout) -> str:
    """Return the easier links in one line each, and how many had no room at all."""
    if not (layout.brief or layout.left_out):
        return ""
    items = "".join(
        f'<li data-link="{text(entry.link.key)}"><b>{text(shortened(entry.peer.name, 17))}</b> {look_words(entry)}: '
        f"{_level(entry.seasons[0].here_dbm)} ± {number(entry.seasons[0].spread_db)}</li>"
        for entry in layout.brief
    )
    left_out = count(layout.left_out, "more link is", "more links are")
    more = f'<p class="soft">{left_out} in readings.csv.</p>' if layout.left_out else ""
    return f"<h3>Easier links: look, distance, dBm expected here in the worst season</h3><ul class='brief'>{items}</ul>{more}"


def _row_mm(entry: SheetLink, letters: int) -> float:
    """Return about how tall a link is in the table whose first column holds that many letters a line."""
    lines = math.ceil(len(shortened(entry.peer.name, 34)) / letters) + math.ceil(len(_peer_words(entry)) / (letters + 4))
    return max(1.6 + 3.95 * lines, 5.0 * len(entry.seasons))


def _peer_words(entry: SheetLink) -> str:
    sheet = f", sheet {entry.peer_sheet}" if entry.peer_sheet is not None else ""
    return f"{ROLE_WORDS[entry.peer.role]}{sheet}; {metres(entry.peer_antenna_agl_m)} up"


def _same_both_ways(links: tuple[SheetLink, ...]) -> bool:
    """Tell whether both ends expect the same whole dBm, so that one pair of columns serves both."""
    return all(_level(season.here_dbm) == _level(season.there_dbm) for entry in links for season in entry.seasons)


def _link_rows(entry: SheetLink, *, both: bool) -> str:
    link = entry.link
    rows = len(entry.seasons)
    head = (
        f'<td rowspan="{rows}" class="name"><b>{text(shortened(entry.peer.name, 34))}</b><br>'
        f'<span class="soft">{_peer_words(entry)}</span></td>'
        f'<td rowspan="{rows}" class="nowrap"><b>{_look(entry)}</b><br>'
        f'<span class="soft">{metres(link.distance_m)}; {percent(link.chance)}, {link.verdict}</span></td>'
    )
    cells = []
    for i, season in enumerate(entry.seasons):
        levels = [(season.here_dbm, season.here_stop_dbm), (season.there_dbm, season.there_stop_dbm)][: 1 if both else 2]
        numbers = "".join(
            f'<td class="num">{_level(expect)} ± {number(season.spread_db)}</td><td class="num">{_level(stop)}</td>'
            for expect, stop in levels
        )
        cells.append(
            f'<tr data-link="{text(link.key)}" data-season="{text(season.season)}">{head if i == 0 else ""}'
            f"<td>{text(season_words(season.season))}</td>{numbers}{_FILL * 3}</tr>"
        )
    return "".join(cells)


def _look(entry: SheetLink) -> str:
    return SAME_PLACE if entry.link.distance_m < NO_DIRECTION_BELOW_M else bearing(entry.bearing_deg)


def _level(dbm: float) -> str:
    return number(dbm)


def _charts(sheet: SiteSheet, plan: Plan, layout: Layout) -> str:
    """Return the two weakest profiles side by side, or none where the page has no room for them."""
    if not layout.charts_mm:
        sheets = [str(entry.peer_sheet) for entry in sheet.links[:2] if entry.peer_sheet is not None]
        where = listing(list(dict.fromkeys(sheets)))
        return (
            f'<p class="soft">The weakest paths are drawn on {"sheet" if len(sheets) == 1 else "sheets"} {where}.</p>'
            if where
            else ""
        )
    one = len(sheet.charts) == 1
    title = "The weakest path, from the side" if one else "The two weakest paths, from the side"
    size = {"width": 720, "height": 225 if layout.charts_mm > CHARTS_MM + 22.0 else 165} if one else {"width": 356, "height": 165}
    drawings = "".join(
        f"<figure>{profile_svg(link, plan, **size, legend=False)}"
        f"<figcaption>{text(shortened(link.clearance.sentence, 130 if one else 70))}</figcaption></figure>"
        for link in sheet.charts
    )
    key = "Tinted: the space the radio wave needs. Ground and plants should stay below the dashed line."
    return f'<h3>{title}</h3><div class="charts">{drawings}</div><p class="chart-key soft">{key}</p>'


def _fixed_mm(sheet: SiteSheet) -> float:
    """Return about how tall all parts without links are; generous, since the page must never overflow."""
    device = sheet.device
    name = 7.0 * (len(shortened(device.name, 60)) > 30)
    head = 20.0 + name + 4.4 * sum(1 + len(sentence) // 70 for sentence in sheet.duties)
    note_lines = 1 + len(shortened(device.note, NOTE_LETTERS)) // 44 if device.note else 0
    antenna_lines = len(f"{plain_name(device.antenna)}; {orientation_words(sheet)}") // 44
    facts = 5.2 * (4 if device.role == "sensor" else 3) + 4.2 + 4.2 * (note_lines + max(antenna_lines - 1, 0))
    many = len(device.cautions) > MANY_CAUTIONS
    letters, line_mm, columns = (43, 3.2, 3) if many else (63, 3.45, 2)
    lines = sum(1 + len(words) // letters for words in device.cautions)
    cautions = (7.0 + (line_mm * lines + 0.7 * len(device.cautions)) / columns + line_mm) if device.cautions else 0.0
    lists = 7.0 + 4.0 * max(len(_CHECKS), sum(1 + len(part) // 54 for part in sheet.parts))
    return max(head, 32.0) + 0.94 * (facts + cautions + lists) + 17.0


def _hands(sheet: SiteSheet) -> str:
    """Return parts to carry, things to tick, and the cautions of this very site."""
    parts = "".join(f"<li>{text(part)}</li>" for part in sheet.parts) or "<li>see the parts list of the plan</li>"
    checks = "".join(f"<li>{words}</li>" for words in _CHECKS)
    cautions = "".join(f"<li>{text(words)}</li>" for words in sheet.device.cautions)
    kind = "cautions many" if len(sheet.device.cautions) > MANY_CAUTIONS else "cautions"
    warnings = f'<div class="{kind}"><h3>Take care here</h3><ul>{cautions}</ul></div>' if cautions else ""
    return (
        f'<div class="hands"><div><h3>To carry</h3><ul class="boxes">{parts}</ul></div>'
        f'<div><h3>Before you leave</h3><ul class="boxes">{checks}</ul></div></div>{warnings}'
    )


def _signature() -> str:
    return (
        '<footer class="sign"><p><span>Radio number</span><span>Height as built, m</span><span>Date and weather</span>'
        '<span>Name</span></p><p class="soft">Copy the readings into readings.csv, one row a direction; nothing heard: write '
        "“not heard”.</p></footer>"
    )
