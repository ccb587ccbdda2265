"""Airtime, channels, commands and the better class on every paper: report, sheets, PDF text, tables, terminal."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import pytest
from plan_fixture import make_plan

from meshplan.records import Plan
from meshplan.reporting.plan_files import csv_tables
from meshplan.reporting.plan_text import plan_summary, plan_text
from meshplan.reporting.report import report_html
from meshplan.reporting.sheets.entries import network_notes, site_sheets
from meshplan.reporting.sheets.packet import sheets_html

OVERFULL = "868.300 MHz: 4 senders are on the air 61 % of the time. This is too much."


def shown(page: str) -> str:
    """Return a page's words without its tags."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def overfull(plan: Plan) -> Plan:
    channel = replace(plan.channels[0], fast_load=0.61, stable=False, sentence=OVERFULL)
    return replace(plan, channels=(channel,))


@pytest.mark.parametrize("paper", [lambda plan: plan_text(plan, []), report_html, sheets_html])
def test_every_paper_tells_of_commands_and_of_a_better_class(paper) -> None:  # type: ignore[no-untyped-def]
    plan = make_plan()
    words = shown(paper(plan))
    command = plan.commands[0]
    assert not command.fit
    assert command.sentence in words
    assert any(option.sentence in words for option in command.options if option.fit)
    assert plan.better_radio.rstrip(".") in words
    plain = shown(paper(replace(plan, commands=(), better_radio="")))
    assert "on command" not in plain.casefold().replace("acts on command", "")
    assert "Another class serves" not in plain


@pytest.mark.parametrize("paper", [lambda plan: plan_text(plan, []), report_html, sheets_html])
def test_every_paper_tells_of_a_channel_that_is_too_full(paper) -> None:  # type: ignore[no-untyped-def]
    assert OVERFULL in shown(paper(overfull(make_plan())))


def test_the_report_tells_quiet_channels_and_the_hops_that_repeat_most() -> None:
    plan = make_plan()
    words = shown(report_html(plan))
    assert plan.channels[0].sentence in words
    table = words[words.index("One reading on the air") :]
    first = next(route for route in plan.routes if route.hops)
    last, earlier = first.hops[1], first.hops[0]
    assert last.fast_mean_tries > earlier.fast_mean_tries
    for hop, row in ((last, 0), (earlier, 1)):
        found = re.findall(
            r"(\S[^%]*?) to (\S.*?) ([\d.]+) ms ([\d.]+) ms ([\d.]+) ms ([\d.]+) ms ([\d.]+) ms ([\d.]+) over 99 %", table
        )
        parts = (hop.preamble_ms, hop.header_ms, hop.payload_ms, hop.check_ms, hop.acknowledgement_ms, hop.fast_mean_tries)
        assert tuple(float(value) for value in found[row][2:]) == pytest.approx(parts, abs=0.06)


def test_the_floor_of_a_route_stands_beside_its_chance() -> None:
    plan = make_plan()
    asked = replace(plan, routes=tuple(replace(route, required_chance=0.87) for route in plan.routes))
    assert shown(report_html(asked)).count("87 %") == len(plan.routes) + shown(report_html(plan)).count("87 %")


def test_a_sheet_says_what_a_reading_takes_and_how_a_command_waits() -> None:
    plan = make_plan()
    duties = {sheet.device.name: sheet.duties for sheet in site_sheets(plan)}
    route = next(route for route in plan.routes if route.hops)
    hop = route.hops[0]
    words = f"A reading is {hop.airtime_ms:.1f} ms on the air ({hop.header_ms:.1f} of them header), sent {hop.fast_mean_tries:.2f}"
    assert any(sentence.startswith(words) for sentence in duties[route.sensor])
    command = plan.commands[0]
    best = next(option for option in command.options if option.fit)
    assert f"{command.sentence} Better: {best.sentence}".casefold() in [one.casefold() for one in duties[command.device]]
    fits = replace(plan, commands=(replace(command, fit=True, options=()),))
    assert command.sentence not in network_notes(fits)


def test_tables_and_summary_hold_it() -> None:
    plan = make_plan()
    tables = csv_tables(plan)
    header, rows = tables["airtime"]
    assert len(rows) == sum(len(route.hops) for route in plan.routes) > 0
    first = dict(zip(header, rows[0], strict=True))
    parts = sum(float(str(first[name])) for name in ("preamble_ms", "header_ms", "payload_ms", "check_ms"))
    assert parts == pytest.approx(float(str(first["airtime_ms"])))
    header, rows = tables["commands"]
    assert [row[header.index("way")] for row in rows] == ["as planned", *(option.change for option in plan.commands[0].options)]
    assert len(tables["channels"][1]) == 1
    summary = plan_summary(plan, [])
    assert summary["better_radio"] == plan.better_radio
    assert summary["commands"][0]["wait_s"] == plan.commands[0].wait_s
    assert summary["channels"][0]["stable"] is True
