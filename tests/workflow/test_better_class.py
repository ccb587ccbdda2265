"""A plan that leaves sensors out or needs relays names the lawful class that would not, and that class keeps the promise."""

from __future__ import annotations

import re
import shlex
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from small_property import Rows, bank, changed, lay_small_property, usual_sites

from meshplan.cli import main
from meshplan.cli.options import overrides_from
from meshplan.records import Plan, Role
from meshplan.records.station import Station
from meshplan.workflow import better_radio as module
from meshplan.workflow import plan_property
from meshplan.workflow.plan import Planned

WORDS = re.compile(
    r"Another class (?:costs (?P<dearer>\d+) EUR more all told, and )?"
    r"serves (?:(?P<more>\d+) more sensors?|as many sensors) with (?P<count>.+?),?"
    r" (?:for |\()(?P<cost>\d+) EUR of gateways and relays(?: instead of (?P<paid>\d+)|, as now)"
    r"(?:, and (?P<modules>\d+) EUR (?:more|less) for the radio modules of every device\)"
    r"| \(all told (?:(?P<cheaper>\d+) EUR less|the same) with the radio modules of every device\)): .*\. "
    r"Look at it with: meshplan plan (?P<folder>\S+) --radio (?P<radio>\S+)(?P<options>.*)$"
)


def relays(plan: Plan) -> int:
    return sum(device.in_plan and device.role is Role.RELAY for device in plan.devices)


def plan_of(folder: Path, sites: Rows | None = None, *, bank_m: float = 25.0, **settings: Any) -> Plan:
    lay_small_property(folder, sites=sites, heights=bank(bank_m))
    return plan_property(folder, overrides=settings).plan


def keeps_the_promise(folder: Path, plan: Plan, **settings: Any) -> Plan:
    """Plan with the class that is named, as the line says, and compare with what it promises."""
    told = WORDS.match(plan.better_radio)
    assert told, plan.better_radio
    assert told["folder"] == folder.name
    words = shlex.split(told["options"])
    assert words[::2] == ["--set"] * len(settings)
    assert overrides_from(tuple(words[1::2])) == settings
    found, before = plan_property(folder, radio=told["radio"], overrides=settings), plan_property(folder, overrides=settings)
    other = found.plan
    assert len(other.routes) == len(plan.routes) + int(told["more"] or 0)
    theirs, ours = (
        [device.name for device in each.devices if device.in_plan and device.role is Role.RELAY] for each in (other, plan)
    )
    assert told["count"] == module.relay_words(theirs, ours)
    assert (round(other.proof.cost), round(plan.proof.cost)) == (int(told["cost"]), int(told["paid"] or told["cost"]))
    assert other.lawful
    modules = [sum(one.radio.radio.price.value for one in _fitted(planned)) for planned in (found, before)]
    price = other.proof.cost - plan.proof.cost + modules[0] - modules[1]
    assert round(price) == int(told["dearer"] or 0) - int(told["cheaper"] or 0)
    assert bool(told["dearer"]) is (round(price) > 0)
    assert bool(told["modules"]) is bool(told["dearer"])
    return other


def _fitted(planned: Planned) -> list[Station]:
    built = {device.name for device in planned.plan.devices if device.in_plan or device.role is Role.SENSOR}
    return [station for station in planned.prepared.stations if station.key in built]


@pytest.mark.parametrize(
    ("given", "calibrated", "time_s", "words"),
    [
        ({}, False, None, ""),
        ({"requirement.hop_limit": 1}, False, 5.0, " --set requirement.hop_limit=1 --seconds 5"),
        ({"requirement": {"second_route": "any one relay", "budget": 250.5}, "generate_relays": True}, True, None, None),
        ({"seasons": ["bare", "full"], "name": 'it\'s "here"'}, False, None, None),
    ],
)
def test_the_options_of_the_plan_are_repeated_so_that_they_can_be_pasted(
    given: dict[str, Any], calibrated: bool, time_s: float | None, words: str | None
) -> None:
    told = module.repeated_options(given, calibrated=calibrated, time_s=time_s)
    assert words is None or told == words
    found = shlex.split(told)
    assert ("--calibrated" in found) is calibrated
    read = overrides_from(tuple(after for word, after in pairwise(found) if word == "--set"))
    flat = {
        (f"{key}.{inner}" if inner else key): entry
        for key, value in given.items()
        for inner, entry in (value.items() if isinstance(value, dict) else [("", value)])
    }
    assert read == flat


def test_a_relay_that_another_class_would_not_need(tmp_path: Path) -> None:
    plan = plan_of(tmp_path)
    assert relays(plan) == 1
    assert relays(keeps_the_promise(tmp_path, plan)) == 0


def test_a_class_that_saves_a_relay_and_costs_more_all_told_says_the_price_first(tmp_path: Path) -> None:
    """A post of 80 is saved; modules of 60 in place of 3.50 for three devices that stay cost more than that."""
    lay_small_property(tmp_path)
    (tmp_path / "radios.toml").write_text('[classes.css-868]\nlike = "css-868"\nprice = 60\n', encoding="utf-8")
    plan = plan_property(tmp_path, overrides={"country": "europe"}).plan
    assert plan.better_radio.startswith("Another class costs ")
    assert relays(keeps_the_promise(tmp_path, plan, country="europe")) == 0


def test_a_sensor_that_another_class_would_serve(tmp_path: Path) -> None:
    one_hop = {"requirement.hop_limit": 1}
    plan = plan_of(tmp_path, **one_hop)
    assert [miss.sensor for miss in plan.unserved] == ["Trough"]
    assert not keeps_the_promise(tmp_path, plan, **one_hop).unserved


def test_a_gateway_that_only_second_routes_end_at_is_no_relay(tmp_path: Path) -> None:
    barn = {"name": "Barn", "role": "gateway", "x": 60, "y": 340, "antenna_agl_m": 4.0, "power": "mains"}
    both = {"requirement.second_route": "any one relay or gateway"}
    plan = plan_of(tmp_path, [*usual_sites(), barn], **both)
    assert sum(device.in_plan and device.role is Role.GATEWAY for device in plan.devices) == 2
    other = keeps_the_promise(tmp_path, plan, **both)
    assert not other.single_routes


@pytest.mark.parametrize(("worth", "told"), [(30, False), (300, True)])
def test_an_optional_sensor_that_is_not_worth_it_praises_no_class(
    worth: int, told: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In another class the trough is served by the post for 80 more; here the hop limit shuts it out."""
    sites = changed(usual_sites(), {"Trough": {"optional": "yes", "worth": worth}})
    lay_small_property(tmp_path, sites=sites, heights=bank(120.0))

    def everybody(problem: Any, *, limits: Any) -> Any:
        asked = tuple(replace(sensor, required=True) for sensor in problem.sensors)
        found = real(replace(problem, sensors=asked, hop_limit=3), limits=limits)
        assert len(found.plan.served) == 2
        return found

    real = module.solve_placement
    monkeypatch.setattr(module, "solve_placement", everybody)
    plan = plan_property(tmp_path, overrides={"requirement.hop_limit": 1}).plan
    assert [miss.sensor for miss in plan.unserved] == ["Trough"]
    assert bool(plan.better_radio) is told


def test_the_terminal_says_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lay_small_property(tmp_path / "holding")
    assert main(["plan", str(tmp_path / "holding"), "-q", "--out", str(tmp_path / "out")]) == 0
    line = next(line for line in capsys.readouterr().out.splitlines() if "Another class" in line)
    told = WORDS.match(line.strip())
    assert told
    assert Path(told["folder"]) == tmp_path / "holding"  # as it was typed: the command can be copied
    for paper in ("map.html", "report.html", "plan.json"):
        assert "Another class " in (tmp_path / "out" / paper).read_text(encoding="utf-8")


def test_nothing_is_said_where_nothing_is_lacking(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, [row for row in usual_sites() if row["name"] != "Trough"])
    assert relays(plan) == 0
    assert plan.better_radio == ""


def test_nothing_is_said_where_no_lawful_class_does_better(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, bank_m=120.0)
    assert relays(plan) == 1
    assert plan.better_radio == ""


@pytest.mark.parametrize(("interval_s", "told"), [(8, False), (900, True)])
def test_a_class_that_would_be_refused_as_the_property_is_set_is_not_named(interval_s: int, told: bool, tmp_path: Path) -> None:
    """EN 300 220-2 annex B allows 1 % of the hour at 868.3 MHz, which the property states: 80 ms every 8 s, too little for the
    slow classes that need no relay here. With 10 % elsewhere in the band they would be lawful.
    """
    sites = changed(usual_sites(), {name: {"interval_s": interval_s} for name in ("Bed", "Trough")})
    lay_small_property(tmp_path, sites=sites, settings="radio_settings.frequency_mhz = 868.3\n", heights=bank(16.0))
    plan = plan_property(tmp_path).plan
    assert relays(plan) == 1
    assert bool(plan.better_radio) is told
    if told:
        assert relays(keeps_the_promise(tmp_path, plan)) == 0


def test_a_class_that_would_have_to_be_planned_anew_for_lack_of_airtime_is_not_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "overfull", lambda *_: 1.5)
    assert plan_of(tmp_path).better_radio == ""


def test_stated_wishes_hold_for_another_class_too(tmp_path: Path) -> None:
    """The line is a command: what the property states of power and frequency is stated for that plan too. No class that
    is tried spares the post with 6 dBm, as more power would.
    """
    lay_small_property(tmp_path, settings="radio_settings.power_dbm = 6.0\nradio_settings.frequency_mhz = 868.3\n")
    plan = plan_property(tmp_path).plan
    assert relays(plan) == 1
    assert plan.better_radio == ""


def test_few_classes_are_planned_with_little_effort(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[int | None] = []

    def counted(problem: Any, *, limits: Any) -> Any:
        tried.append(limits.iterations)
        return real(problem, limits=limits)

    real = module.solve_placement
    monkeypatch.setattr(module, "solve_placement", counted)
    assert plan_of(tmp_path, bank_m=120.0).better_radio == ""
    assert 1 <= len(tried) <= module.MOST_TRIED
    assert set(tried) == {module.TRIAL_ITERATIONS}


def test_a_large_property_is_not_planned_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_PLACES", 4)
    monkeypatch.setattr(module, "solve_placement", lambda *_, **__: pytest.fail("another class was planned"))
    assert plan_of(tmp_path).better_radio == ""


def test_places_with_classes_of_their_own_are_left_alone(tmp_path: Path) -> None:
    sites = changed(usual_sites(), {"Bed": {"radio": "gfsk-2g4-250k-board"}, "House": {"radio": "fsk-868-50k+gfsk-2g4-250k-board"}})
    plan = plan_of(tmp_path, sites)
    assert plan.more_radios
    assert plan.better_radio == ""


def test_the_line_is_the_same_every_time(tmp_path: Path) -> None:
    first, second = plan_of(tmp_path / "holding"), plan_property(tmp_path / "holding").plan
    assert first.better_radio
    assert replace(first, inputs=()) == replace(second, inputs=())


@pytest.mark.parametrize(
    ("theirs", "ours", "words"),
    [
        (("A",), ("B", "C"), "1 relay instead of 2"),
        (("A", "B"), ("C",), "2 relays instead of 1"),
        ((), ("A", "B"), "no relay instead of 2"),
        (("A",), (), "1 relay instead of none"),
        ((), (), "no relay, as now"),
        (("A",), ("A",), "the same relay"),
        (("A", "B"), ("B", "A"), "the same 2 relays"),
        (("A",), ("B",), "one relay as now (A instead of B)"),
        (("A", "C"), ("B", "C"), "as many relays (2, A instead of B)"),
        (tuple("ABCD"), tuple("EFGH"), "as many relays (4, 4 of them elsewhere)"),
    ],
)
def test_relays_are_compared_by_what_differs(theirs: tuple[str, ...], ours: tuple[str, ...], words: str) -> None:
    assert module.relay_words(theirs, ours) == words


def test_another_class_with_as_many_relays_says_which(tmp_path: Path) -> None:
    """The far trough behind its wall is out of reach of this class over the post that must be used; a slower class reaches it."""
    far = {"x": 560, "antenna_agl_m": 0.3, "indoors": "concrete_200mm"}
    rows = changed(usual_sites(), {"Trough": far, "South post": {"use": "forced"}})
    rows.append({"name": "Near trough", "role": "sensor", "x": 260, "y": 300, "antenna_agl_m": 1.0, "purpose": "trend"})
    plan = plan_of(tmp_path / "far", rows, bank_m=25.0)
    assert relays(plan) == 1
    assert plan.better_radio
    other = keeps_the_promise(tmp_path / "far", plan)
    assert relays(other) == 1
    assert " with the same relay" in plan.better_radio
