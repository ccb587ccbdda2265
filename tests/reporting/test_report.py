"""The report says what the plan says: each figure is looked up again in plan.json, and no figure stands there on its own."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from browser_fixture import offline_page
from plan_fixture import HOSTILE_NAMES, make_plan

from meshplan.inputs.cautions import read_caution_rules
from meshplan.operation.cautions import plan_cautions
from meshplan.operation.parts import parts_list
from meshplan.records import Plan
from meshplan.reporting.plan_files import write_plan_json
from meshplan.reporting.report import WORDS, report_html, write_report
from meshplan.settings import CostSettings


def whole(plan: Plan) -> Plan:
    """Return the plan with real parts and cautions."""
    return replace(plan, parts=parts_list(plan.devices, CostSettings()), cautions=plan_cautions(read_caution_rules()))


class Page(HTMLParser):
    """Collects traced fields (path, raw value, shown text), the text outside of them, and all tags."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.fields: list[tuple[str, str | None, str]] = []
        self.loose: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._open: list[tuple[str, bool]] = []
        self._skip = 0
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.tags.append((tag, values))
        if tag in ("style", "svg", "title"):
            self._skip += 1
        if "data-field" in values:
            self.fields.append((values["data-field"] or "", values.get("value"), ""))
        if tag not in ("meta", "path", "rect", "circle", "br"):
            self._open.append((tag, "data-field" in values))

    def handle_endtag(self, tag: str) -> None:
        if tag in ("style", "svg", "title"):
            self._skip -= 1
        if self._open and self._open[-1][0] == tag:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        if self._skip:
            return
        if any(traced for _, traced in self._open):
            path, raw, shown = self.fields[-1]
            self.fields[-1] = (path, raw, shown + data)
        else:
            self.loose.append(data)


def look_up(document: Any, path: str) -> Any:
    """Return what a data-field names; written apart from the code under test."""
    call = re.fullmatch(r"(count|sum)\((.*?)((?:; .*)?)\)", path, re.DOTALL)
    if call is None:
        found = document
        for name, index, key in re.findall(r'([^.\[\]"]+)(?=[.\[]|$)|\[(\d+)\]|\[("(?:[^"\\]|\\.)*")\]', path):
            found = found[int(index)] if index else found[json.loads(key)] if key else found[name]
        return found
    what, base, rest = call.groups()
    records, terms = look_up(document, base), [term for term in rest.split("; ") if term]
    if what == "count":
        wanted = [term.split("=") for term in terms]
        return len([one for one in records if all(json.dumps(one[key]).strip('"') == value for key, value in wanted)])
    total = 0.0
    for one in records:
        for term in terms:
            a, b = (one[name] for name in term.split("*"))
            total += a * b if a is not None and b is not None else 0.0
    return round(total, 2)


@pytest.fixture(scope="module", params=["plain", "hostile"])
def case(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Page, Any]:
    """Return the report, parsed, and plan.json as written."""
    plan = whole(make_plan() if request.param == "plain" else make_plan(" <b>", names=HOSTILE_NAMES))
    folder = tmp_path_factory.mktemp("report")
    page = write_report(plan, folder / "report.html").read_text(encoding="utf-8")
    document = json.loads(write_plan_json(plan, folder / "plan.json").read_text(encoding="utf-8"))
    return Page(page), document


def test_every_field_resolves_to_the_value_shown(case: tuple[Page, Any]) -> None:
    page, document = case
    assert len(page.fields) > 100
    for path, raw, shown in page.fields:
        value = look_up(document, path)
        if raw is not None:
            assert float(raw) == value, path
        elif isinstance(value, str):
            assert shown.casefold().startswith(value[:12].casefold().replace("-", " ")) or shown.casefold().startswith(
                value[:12].casefold()
            ), path
        else:
            assert value is None, path
            assert shown == "not known"


def test_a_shown_figure_is_its_value_rounded(case: tuple[Page, Any]) -> None:
    page, _ = case
    checked = 0
    for path, raw, shown in page.fields:
        digits = re.search(r"−?\d[\d\u202f]*(?:\.\d+)?", shown)
        if raw is None or digits is None or shown.startswith(("over", "under")):
            continue
        value = float(digits[0].replace("\u202f", "").replace("−", "-"))
        scale = 0.01 if "%" in shown else 1000.0 if " km" in shown else 1.0
        assert value * scale == pytest.approx(float(raw), rel=0.05, abs=0.51 * scale), path
        checked += 1
    assert checked > 40


def test_no_figure_stands_outside_a_field(case: tuple[Page, Any]) -> None:
    page, document = case
    names = [str(key) for key in document["plan"]["loses_service"]]
    for words in page.loose:
        if words not in names:
            assert not re.search(r"\d", words), words


def test_unserved_sensors_come_first_and_loud(case: tuple[Page, Any]) -> None:
    page, _ = case
    fields = [path for path, _, _ in page.fields]
    assert fields.index("plan.unserved[0].sensor") < fields.index("plan.routes[0].sensor")
    assert any(values.get("class") == "loud" for _, values in page.tags)


def test_every_explained_word_is_explained_and_used(case: tuple[Page, Any]) -> None:
    page, _ = case
    used = {str(values["href"]) for tag, values in page.tags if tag == "a"}
    known = {f"#word-{key}" for key, _, _ in WORDS}
    assert used == known
    assert {f"#{values['id']}" for tag, values in page.tags if tag == "dt"} == known


def test_nothing_is_fetched_and_names_are_text(case: tuple[Page, Any]) -> None:
    page, _ = case
    assert not {"script", "img", "link", "iframe", "object"} & {tag for tag, _ in page.tags}
    assert next(values for tag, values in page.tags if tag == "meta")["http-equiv"] == "Content-Security-Policy"
    assert ("html", {"lang": "en"}) in page.tags


def test_doubtful_rules_are_marked() -> None:
    page = report_html(make_plan())
    law = page[page.index("<h3>The law</h3>") :]
    power, duty = law.split("<li>")[1:3]
    assert "Check</a> this rule" not in power
    assert "Check</a> this rule" in duty


def test_a_plan_that_serves_all_says_so() -> None:
    plan = make_plan()
    served = replace(plan, devices=tuple(replace(device, served=True) for device in plan.devices), unserved=())
    text = report_html(served)
    assert "sensors are served.</p>" in text or "sensors are served. " in text
    assert "No sensor is left out." in text
    assert "not</strong>" not in text


def test_a_bare_plan_still_makes_a_page() -> None:
    plan = make_plan()
    bare = replace(
        plan,
        **dict.fromkeys(("devices", "links", "routes", "unserved", "gateway_options", "legal", "parts", "shapes"), ()),
        loses_service={},
        assumptions=(),
        unknowns=(),
        cautions=(),
        redundancy_prices=(),
    )
    text = report_html(bare)
    assert "No radio rule was checked" in text
    assert "The plan has no links." in text


def test_same_plan_same_bytes(tmp_path: Path) -> None:
    assert (
        write_report(make_plan(), tmp_path / "a.html").read_bytes() == write_report(make_plan(), tmp_path / "b.html").read_bytes()
    )


@pytest.mark.browser
def test_the_report_opens_offline_and_fits_a_phone(tmp_path: Path) -> None:
    path = write_report(whole(make_plan(names=HOSTILE_NAMES)), tmp_path / "report.html")
    with offline_page(path, width=390, height=780) as (page, trouble):
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        assert page.evaluate("window.hurt") is None
        page.click("a.word >> nth=0")
        assert page.evaluate("location.hash").startswith("#word-")
        assert trouble == []
