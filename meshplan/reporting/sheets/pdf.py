"""The packet as a PDF file, for those who cannot print from a browser. Needs the optional package reportlab.

Same content as the HTML sheets in a plainer setting; the profiles and the map are the same drawings.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final
from xml.etree import ElementTree

import segno

from meshplan.errors import MissingPackageError
from meshplan.propagation.seasons import season_words
from meshplan.records import Plan
from meshplan.records.measurement import SurveyWalk, WalkStop
from meshplan.reporting.plan_files import line_cost
from meshplan.reporting.profile_chart import profile_svg
from meshplan.reporting.sheets.entries import (
    TEST_PACKETS,
    SiteSheet,
    first_cautions,
    look_words,
    network_notes,
    order_of_work,
    orientation_words,
    site_sheets,
)
from meshplan.reporting.sheets.overview import land_words, overview_svg
from meshplan.reporting.sheets.pdf_type import Type, load_type
from meshplan.reporting.sheets.site_page import fit_to_page, geo_uri
from meshplan.reporting.sheets.walk_page import (
    HOW_TO_READ,
    decides_words,
    expected_words,
    stop_numbers,
    walk_summary,
    way_words,
)
from meshplan.reporting.words import listing, metres, money, number, percent, plain_name, shortened

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

MM: Final = 72 / 25.4
WIDE, TALL, EDGE = 210 * MM, 297 * MM, 14 * MM
CHARTS_ABOVE: Final = 165 * MM
"""The profiles are drawn if the page is free from here down."""
STOP_CODE: Final = 18 * MM
CELL_SIZE: Final = 7.5

_PATH_STEP = re.compile(r"([MLHVhvlz])([^MLHVhvlz]*)")
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def sheets_pdf(plan: Plan, walk: SurveyWalk | None = None) -> bytes:
    """Return the packet as a PDF: a cover, the lists, the next walk if there is one, one page a site. Same plan, same bytes."""
    return packet_pdf(plan, walk)[0]


def packet_pdf(plan: Plan, walk: SurveyWalk | None = None) -> tuple[bytes, tuple[str, ...]]:
    """Return the packet as a PDF, and in sentences what of its text could not be shown as it is."""
    try:
        from reportlab.pdfgen.canvas import Canvas  # noqa: PLC0415 - optional
    except ImportError as error:
        raise MissingPackageError(
            "a PDF needs the package reportlab, which is not installed",
            fix="Run: python -m pip install 'meshplan[pdf]'   (or print sheets.html from a browser)",
        ) from error
    type_ = load_type()
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=(WIDE, TALL), invariant=1)
    canvas.setTitle(f"{plan.property_name}: sheets")
    sheets = site_sheets(plan)
    _Cover(canvas, type_).draw(plan, sheets)
    if walk is not None:
        _Walk(canvas, type_).draw(plan, walk)
    for sheet in sheets:
        _Site(canvas, type_).draw(plan, sheet, len(sheets))
    canvas.save()
    return stream.getvalue(), type_.warnings()


class _Page:
    """A page that is filled from the top; `self.y` is where the next line goes."""

    def __init__(self, canvas: Canvas, type_: Type) -> None:
        self.canvas = canvas
        self.type = type_
        self.y = TALL - EDGE

    def text(self, words: str, x: float = EDGE, *, size: float = 8.5, bold: bool = False, width: float = WIDE - 2 * EDGE) -> None:
        """Write a paragraph and move below it."""
        for line in self.type.lines(words, bold=bold, size=size, width=width):
            self.y -= 1.28 * size
            self.type.draw(self.canvas, x, self.y, line, bold=bold, size=size)

    def title(self, words: str) -> None:
        """Write a heading with a rule."""
        self.y -= 5
        self.text(words, size=10, bold=True)
        self.canvas.line(EDGE, self.y - 2.5, WIDE - EDGE, self.y - 2.5)
        self.y -= 4

    def table(self, rows: Sequence[tuple[str, ...]], widths_mm: tuple[float, ...], *, row_mm: float = 5.4, boxes: int = 0) -> None:
        """Write rows of one line each, cut to their cells; the last `boxes` columns are framed to be filled in by hand."""
        for i, row in enumerate(rows):
            if self.y - row_mm * MM < EDGE:
                self.canvas.showPage()
                self.y = TALL - EDGE
            self.y -= row_mm * MM
            x = EDGE
            for k, (cell, wide_mm) in enumerate(zip(row, widths_mm, strict=True)):
                shown = self._cut(cell, wide_mm * MM - 3, bold=i == 0)
                self.type.draw(self.canvas, x + 1.5, self.y + 4, shown, bold=i == 0, size=CELL_SIZE)
                if i and k >= len(row) - boxes:
                    self.canvas.rect(x, self.y, wide_mm * MM, row_mm * MM)
                x += wide_mm * MM
            self.canvas.setLineWidth(0.3)
            self.canvas.line(EDGE, self.y, x, self.y)

    def _cut(self, words: str, width: float, *, bold: bool) -> str:
        shown = self.type.clean(words)
        while shown and self.type.width(shown, bold=bold, size=CELL_SIZE) > width:
            shown = shown[:-2].rstrip("…") + "…" if len(shown) > 2 else ""
        return shown

    def drawing(self, svg: str, width: float, x: float = EDGE) -> float:
        """Place one of our own SVG drawings with its top at `self.y`; return its height."""
        root = ElementTree.fromstring(svg)
        scale = width / float(root.attrib["width"])
        tall = scale * float(root.attrib["height"])
        self.canvas.saveState()
        self.canvas.translate(x, self.y)
        self.canvas.scale(scale, -scale)
        _draw(self.canvas, self.type, root, {})
        self.canvas.restoreState()
        return tall

    def code(self, uri: str, size: float, top: float) -> None:
        """Draw the QR code of a place at the right edge."""
        matrix = [list(row) for row in segno.make(uri, error="m", micro=False).matrix]
        cell = size / len(matrix)
        for r, row in enumerate(matrix):
            for c, dark in enumerate(row):
                if dark:
                    self.canvas.rect(WIDE - EDGE - size + c * cell, top - (r + 1) * cell, cell, cell, stroke=0, fill=1)


class _Cover(_Page):
    def draw(self, plan: Plan, sheets: tuple[SiteSheet, ...]) -> None:
        """Draw map, order of work and parts."""
        self.text("Survey and installation sheets", size=9)
        self.text(plan.property_name, size=22, bold=True)
        self.y -= 4
        self.text(f"Radio: {plan.radio.title}, {number(plan.radio.frequency_mhz, 1)} MHz. Rules checked: {plan.country}.")
        self.y -= 6
        self.y -= self.drawing(overview_svg(plan, numbers={sheet.device.name: sheet.number for sheet in sheets}), WIDE - 2 * EDGE)
        for words in land_words(plan):
            self.text(words, size=8)
        self.title("Take care")
        for words in first_cautions(plan):
            self.text(f"• {words}", size=8)
        self.title("Order of work: hardest links first")
        rows = [("", "Link", "Distance", "Chance", "Verdict", "Sheets", "Done")]
        rows += [
            (
                *(str(place), f"{step.link.a} to {step.link.b}", metres(step.link.distance_m), percent(step.link.chance)),
                *(step.link.verdict, listing([str(sheet) for sheet in step.sheets]), ""),
            )
            for place, step in enumerate(order_of_work(plan, sheets), start=1)
        ]
        self.table(rows, (7, 75, 22, 22, 20, 20, 14), boxes=1)
        self.y -= 6
        for words in network_notes(plan):
            self.text(f"• {words}", size=8)
        self.title("Parts")
        parts = [("Part", "Buy", "", "Cost", "For")]
        for line in plan.parts:
            buy = line.quantity + line.spares
            cost = line_cost(buy, line.unit_cost)
            paid = "" if cost is None else money(round(cost, 2), plan.currency)
            parts.append((line.part, number(buy), line.unit, paid, listing(list(line.devices), 4)))
        self.table(parts, (82, 12, 13, 24, 50))
        self.canvas.showPage()


class _Walk(_Page):
    def draw(self, plan: Plan, walk: SurveyWalk) -> None:
        """Draw the round and its stops."""
        self.text(f"{walk.property_name}: survey walk", size=8)
        self.text("Where to measure next", size=16, bold=True)
        for words in (walk_summary(walk), *walk.notes):
            self.text(words)
        self.y -= 4
        if walk.stops:
            self.y -= self.drawing(overview_svg(plan, height=330, numbers=stop_numbers(walk, plan), way=walk.way), WIDE - 2 * EDGE)
            self.text(HOW_TO_READ, size=8)
        for place, stop in enumerate(walk.stops, start=1):
            self._stop(place, stop)
        self.canvas.showPage()

    def _stop(self, place: int, stop: WalkStop) -> None:
        tall = 26 * MM + 10.6 * MM * (1 + len(stop.readings)) / 2
        if self.y - tall < EDGE:
            self.canvas.showPage()
            self.y = TALL - EDGE
        self.title(f"{place}. {stop.name}")
        self.code(geo_uri(stop), STOP_CODE, self.y)
        lowest = self.y - STOP_CODE - 3
        room = WIDE - 2 * EDGE - STOP_CODE - 4 * MM
        self.text(f"{stop.lat_deg:.6f}, {stop.lon_deg:.6f}; {way_words(stop)}. {decides_words(stop)}", width=room)
        self.y = min(self.y, lowest)
        rows: list[tuple[str, ...]] = [("Read", "Look", "Antennas, m", "Expect, dBm", "here", "there", f"of {TEST_PACKETS}")]
        rows += [
            (
                *(reading.there, f"{number(reading.bearing_deg)}°, {metres(reading.distance_m)}"),
                f"{number(reading.here_antenna_agl_m, 1)} / {number(reading.there_antenna_agl_m, 1)}",
                *("; ".join(expected_words(reading)), "", "", ""),
            )
            for reading in stop.readings
        ]
        self.table(rows, (34, 28, 20, 62, 13, 13, 12), boxes=3)


class _Site(_Page):
    def draw(self, plan: Plan, sheet: SiteSheet, total: int) -> None:
        """Draw one site on one page."""
        device, layout = sheet.device, fit_to_page(sheet)
        self.code(geo_uri(device), 28 * MM, TALL - EDGE)
        room = WIDE - 2 * EDGE - 34 * MM
        self.text(f"{plan.property_name}: sheet {sheet.number} of {total}", size=8, width=room)
        self.text(shortened(device.name, 60), size=16, bold=True, width=room)
        self.text(device.role.value, width=room, bold=True)
        for sentence in sheet.duties:
            self.text(sentence, width=room)
        self.y = min(self.y, TALL - EDGE - 32 * MM)
        assumed = " (assumed: measure it)" if device.height_assumed else ""
        cable = f"{number(device.cable_m, 1)} m of {plain_name(device.cable)}" if device.cable_m > 0 else "none"
        self.text(
            f"Place {device.lat_deg:.6f}, {device.lon_deg:.6f}; ground {metres(device.ground_amsl_m)} above sea level. "
            f"Antenna {metres(device.antenna_agl_m)} above ground{assumed}: "
            f"{plain_name(device.antenna)}, {orientation_words(sheet)}. Cable: {cable}. "
            f"Power: {device.power.value}. {device.note}"
        )
        self.title("Where to aim and what to expect" if sheet.part_of_plan else "Trial links, not part of the plan")
        if not sheet.links:
            self.text("No link of this plan ends here; nothing can be expected.")
        rows: list[tuple[str, ...]] = [
            ("To", "Look", "Season", "Here, dBm", "stop at", "There, dBm", "stop at", "here", "there", f"of {TEST_PACKETS}")
        ]
        for entry in (*layout.table, *layout.brief):
            for season in entry.seasons:
                spread = number(season.spread_db)
                rows.append(
                    (
                        *(entry.peer.name, look_words(entry), season_words(season.season)),
                        *(f"{number(season.here_dbm)} ± {spread}", number(season.here_stop_dbm)),
                        *(f"{number(season.there_dbm)} ± {spread}", number(season.there_stop_dbm), "", "", ""),
                    )
                )
        if sheet.links:
            self.table(rows, (33, 28, 14, 20, 16, 20, 16, 12, 12, 11), boxes=3, row_mm=5.0)
            self.text(f"Send {TEST_PACKETS} packets each way. Pass: {sheet.pass_mark}.", bold=True)
        if layout.left_out:
            self.text(f"{layout.left_out} more links are in readings.csv.")
        self.y -= 4
        if sheet.charts and self.y > CHARTS_ABOVE:
            one = len(sheet.charts) == 1
            wide = WIDE - 2 * EDGE if one else (WIDE - 2 * EDGE - 4 * MM) / 2
            drawings = [
                profile_svg(link, plan, width=720 if one else 356, height=225 if one else 180, legend=False)
                for link in sheet.charts
            ]
            self.y -= max(self.drawing(svg, wide, EDGE + k * (wide + 4 * MM)) for k, svg in enumerate(drawings))
        self.title("To carry")
        self.text("; ".join(sheet.parts) or "see the parts list")
        if device.cautions:
            self.title("Take care here")
            for words in device.cautions:
                self.text(f"• {words}", size=7.4)
        for k, words in enumerate(("Radio number", "Height as built, m", "Date and weather", "Name")):
            x = EDGE + k * 46 * MM
            self.canvas.line(x, EDGE + 4 * MM, x + 42 * MM, EDGE + 4 * MM)
            self.type.draw(self.canvas, x, EDGE, words, bold=False, size=CELL_SIZE)
        self.canvas.showPage()


def _draw(canvas: Canvas, type_: Type, element: ElementTree.Element, inherited: dict[str, str]) -> None:
    """Draw an element of our own drawings: rect, path, polygon, polyline, circle, text, g. Others are left out."""
    style = {**inherited, **element.attrib}
    kind = element.tag.rsplit("}", 1)[-1]
    canvas.saveState()
    if "transform" in element.attrib:
        turn, x, y = (float(value) for value in _NUMBER.findall(element.attrib["transform"]))
        canvas.translate(x, y)
        canvas.rotate(turn)
        canvas.translate(-x, -y)
    fill, stroke = _paint(canvas, style)
    if kind == "rect":
        x, y, wide, tall = (float(style[name]) for name in ("x", "y", "width", "height"))
        canvas.rect(x, y, wide, tall, stroke=stroke, fill=fill)
    elif kind == "circle":
        canvas.circle(float(style["cx"]), float(style["cy"]), float(style["r"]), stroke=stroke, fill=fill)
    elif kind in ("polygon", "polyline"):
        points = [tuple(float(n) for n in pair.split(",")) for pair in style["points"].split()]
        _stroke_points(canvas, [(points, kind == "polygon")], stroke, fill)
    elif kind == "path":
        _stroke_points(canvas, _subpaths(style["d"]), stroke, fill)
    elif kind == "text":
        _write(canvas, type_, element.text or "", style)
    if kind in ("svg", "g"):
        kept = {key: value for key, value in style.items() if key not in ("x", "y", "width", "height", "transform")}
        for child in element:
            _draw(canvas, type_, child, kept)
    canvas.restoreState()


def _paint(canvas: Canvas, style: dict[str, str]) -> tuple[int, int]:
    """Set colours, width and dashes; return whether to fill and whether to stroke."""
    from reportlab.lib.colors import HexColor  # noqa: PLC0415

    fill, stroke = style.get("fill", "#000000"), style.get("stroke", "none")
    if fill != "none":
        canvas.setFillColor(HexColor(fill))
        canvas.setFillAlpha(float(style.get("fill-opacity", 1)))
    if stroke != "none":
        canvas.setStrokeColor(HexColor(stroke))
        canvas.setLineWidth(float(style.get("stroke-width", 1)))
        if "stroke-dasharray" in style:
            canvas.setDash([float(value) for value in style["stroke-dasharray"].split()])
    return int(fill != "none"), int(stroke != "none")


def _subpaths(data: str) -> list[tuple[list[tuple[float, ...]], bool]]:
    """Return the pieces of a path of straight lines: its points and whether it is closed."""
    pieces: list[tuple[list[tuple[float, ...]], bool]] = []
    x = y = 0.0
    for step, rest in _PATH_STEP.findall(data):
        values = [float(value) for value in _NUMBER.findall(rest)]
        if step == "z":
            pieces[-1] = (pieces[-1][0], True)
            continue
        if step in "Hh":
            x = values[0] if step == "H" else x + values[0]
        elif step in "Vv":
            y = values[0] if step == "V" else y + values[0]
        else:
            x, y = (values[0], values[1]) if step in "ML" else (x + values[0], y + values[1])
        if step == "M":
            pieces.append(([], False))
        pieces[-1][0].append((x, y))
    return pieces


def _stroke_points(canvas: Canvas, pieces: list[tuple[list[tuple[float, ...]], bool]], stroke: int, fill: int) -> None:
    path = canvas.beginPath()
    for points, closed in pieces:
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        if closed:
            path.close()
    canvas.drawPath(path, stroke=stroke, fill=fill, fillMode=0)


def _write(canvas: Canvas, type_: Type, words: str, style: dict[str, str]) -> None:
    bold, size = style.get("font-weight") == "bold", float(style.get("font-size", 11)) * 0.9
    shown = type_.clean(words)
    shift = {"end": 1.0, "middle": 0.5}.get(style.get("text-anchor", "start"), 0.0)
    canvas.translate(float(style["x"]) - shift * type_.width(shown, bold=bold, size=size), float(style["y"]))
    canvas.scale(1, -1)
    type_.draw(canvas, 0, 0, shown, bold=bold, size=size)
