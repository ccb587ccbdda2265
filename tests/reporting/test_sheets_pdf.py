"""The PDF packet: one page a site, the same bytes each time, and a plain message where its package is missing."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest
from plan_fixture import HOSTILE_NAMES, make_plan

from meshplan.errors import MissingPackageError
from meshplan.inputs.cautions import read_caution_rules
from meshplan.operation.cautions import cautions_for, plan_cautions
from meshplan.operation.parts import parts_list
from meshplan.records import Plan
from meshplan.reporting.profile_chart import profile_svg
from meshplan.reporting.sheets import write_sheets
from meshplan.reporting.sheets.entries import site_sheets
from meshplan.reporting.sheets.overview import overview_svg
from meshplan.reporting.sheets.pdf import _subpaths, packet_pdf, sheets_pdf
from meshplan.reporting.sheets.pdf_type import load_type
from meshplan.settings import CostSettings


def dressed(plan: Plan) -> Plan:
    """Return the plan with the cautions and parts that a real one has."""
    rules = read_caution_rules()
    devices = tuple(replace(device, cautions=cautions_for(device, rules)) for device in plan.devices)
    return replace(plan, devices=devices, cautions=plan_cautions(rules), parts=parts_list(devices, CostSettings()))


def pages(data: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", data))


@pytest.fixture
def reportlab() -> None:
    """Skip where the optional package is not installed."""
    pytest.importorskip("reportlab")


@pytest.mark.usefixtures("reportlab")
@pytest.mark.parametrize("names", [None, HOSTILE_NAMES])
def test_each_site_adds_one_page(names: dict[str, str] | None) -> None:
    plan = dressed(make_plan(names=names))
    cover = pages(sheets_pdf(replace(plan, devices=(), links=(), routes=(), unserved=())))
    assert pages(sheets_pdf(replace(plan, links=(), routes=(), parts=()))) == 1 + len(site_sheets(plan))
    assert pages(sheets_pdf(plan)) in (cover + len(site_sheets(plan)), cover + 1 + len(site_sheets(plan)))


@pytest.mark.usefixtures("reportlab")
def test_same_plan_same_bytes() -> None:
    assert sheets_pdf(make_plan()) == sheets_pdf(make_plan())


@pytest.mark.usefixtures("reportlab")
def test_it_is_written_with_the_packet(tmp_path: Path) -> None:
    assert {path.name for path in write_sheets(make_plan(), tmp_path, pdf=True)} == {"readings.csv", "sheets.html", "sheets.pdf"}
    assert (tmp_path / "sheets.pdf").read_bytes().startswith(b"%PDF-")


def test_without_the_package_the_install_command_is_given_and_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in [name for name in sys.modules if name.split(".")[0] == "reportlab"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "reportlab", None)
    monkeypatch.setitem(sys.modules, "reportlab.pdfgen.canvas", None)
    with pytest.raises(MissingPackageError, match=r"python -m pip install 'meshplan\[pdf\]'"):
        write_sheets(make_plan(), tmp_path, pdf=True)
    assert list(tmp_path.iterdir()) == []


def test_every_path_of_our_drawings_is_understood(plan: Plan) -> None:
    drawings = [overview_svg(plan), *(profile_svg(link, plan) for link in plan.links)]
    paths = [element.attrib["d"] for svg in drawings for element in ElementTree.fromstring(svg).iter() if "d" in element.attrib]
    assert len(paths) > 50
    for path in paths:
        assert set(re.findall("[A-Za-z]", path)) <= set("MLHVhvlz")
        assert all(points for points, _ in _subpaths(path))


def test_relative_and_absolute_steps_give_the_same_points() -> None:
    assert _subpaths("M1 2h3v4H0V0L5 6l1 1z") == [([(1, 2), (4, 2), (4, 6), (0, 6), (0, 0), (5, 6), (6, 7)], True)]


MANY_SCRIPTS = {
    "Polish": "Łąka nad Wisłą: żółć, źdźbło",
    "Cyrillic": "Нижний луг, баня",
    "Greek": "Κάτω λιβάδι, πηγάδι",
    "Czech": "Příliš žluťoučký kůň",
    "Vietnamese": "Vườn cây ăn quả dưới đồi",
    "signs": "3 m → gate; 2 ≤ 4; ½ Ω µ",
}


@pytest.mark.usefixtures("reportlab")
@pytest.mark.parametrize("words", MANY_SCRIPTS.values(), ids=list(MANY_SCRIPTS))
def test_names_in_many_scripts_are_printed_as_they_are(words: str) -> None:
    """The fonts' own tables of letters (OpenType cmap) hold every letter of the name, in both weights."""
    pytest.importorskip("matplotlib")
    type_ = load_type()
    assert type_.clean(words) == words
    tables = {name: known for order in type_.letters.values() for name, known in order}
    for bold in (False, True):
        runs = type_.runs(words, bold=bold)
        assert "".join(run for _, run in runs) == words
        assert all(ord(letter) in tables[font] for font, run in runs for letter in run)
    plan = make_plan()
    renamed = replace(plan, property_name=words, devices=(replace(plan.devices[0], note=words), *plan.devices[1:]))
    assert packet_pdf(renamed)[1] == ()


@pytest.mark.usefixtures("reportlab")
def test_letters_that_no_font_has_are_boxed_one_by_one_and_named() -> None:
    plan = replace(make_plan(), property_name="Łąka 牧場 ok")
    warnings = packet_pdf(plan)[1]
    assert warnings == (
        "sheets.pdf: 2 letters that no font at hand has stand as a box (□): 牧 場. sheets.html shows all: print that instead.",
    )
    assert load_type().clean("Łąka 牧場 ok") == "Łąka □□ ok"


@pytest.mark.usefixtures("reportlab")
def test_words_from_right_to_left_are_said_to_be_set_wrongly() -> None:
    (warning,) = packet_pdf(replace(make_plan(), property_name="Gan גן"))[1]
    assert "right to left (גן" in warning
    assert "Print sheets.html instead" in warning


@pytest.mark.usefixtures("reportlab")
def test_the_warning_reaches_whoever_writes_the_packet(tmp_path: Path) -> None:
    told: list[str] = []
    write_sheets(replace(make_plan(), property_name="牧場"), tmp_path, pdf=True, on_warning=told.append)
    assert len(told) == 1
