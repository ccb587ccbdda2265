"""One class in the glasshouse, another in the field, joined where a relay carries two radios."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from small_property import Rows, changed, lay_small_property, usual_sites

from meshplan.cli import main
from meshplan.errors import InputError, MeshplanError
from meshplan.links.mixture import radio_names
from meshplan.records import Plan, Role, Site
from meshplan.workflow import plan_property
from meshplan.workflow.compare import compare_radios

SHORT, FAR = "ble-coded-125k", "fsk-868-50k"


def glasshouse(**more: Any) -> Rows:
    """Return the holding with a sensor of a short-range class beside South post, which carries both classes."""
    sites = changed(usual_sites(), {"South post": {"radio": f"{SHORT}+{FAR}"}})
    vine = {"name": "Vine", "role": "sensor", "x": 212, "y": 272, "antenna_agl_m": 2.0, "radio": SHORT}
    return [*sites, vine | more]


def plan_of(folder: Path, sites: Rows) -> Plan:
    return plan_property(lay_small_property(folder, sites=sites)).plan


def test_a_two_radio_relay_carries_readings_from_one_class_into_the_other(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, glasshouse())
    routes = {route.sensor: route for route in plan.routes}
    assert routes["Vine"].devices == ("Vine", "South post", "House")
    assert routes["Trough"].devices == ("Trough", "South post", "House")
    assert [round(plan.link(key).frequency_mhz) for key in routes["Vine"].links] == [2440, 870]
    assert [round(plan.link(key).frequency_mhz) for key in routes["Trough"].links] == [870, 870]
    relay = [device for device in plan.devices if device.name == "South post"]
    assert [device.radio for device in relay] == [f"{FAR}+{SHORT}"]
    assert [plan.radio.key, *(radio.key for radio in plan.more_radios)] == [FAR, SHORT]


def test_the_law_judges_each_radio_of_a_device(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, glasshouse())
    rule = {name: line.rule for line in plan.legal for name in line.subject.split(", ")}
    assert "EN 300 220-2" in rule[f"South post ({FAR})"]
    assert "2400-2483.5 MHz" in rule[f"South post ({SHORT})"]
    assert "2400-2483.5 MHz" in rule["Vine"]
    assert plan.lawful


def test_classes_do_not_speak_to_each_other_without_a_two_radio_place(tmp_path: Path) -> None:
    sites = changed(glasshouse(), {"South post": {"radio": ""}})
    plan = plan_of(tmp_path, sites)
    assert [miss.sensor for miss in plan.unserved] == ["Vine"]
    assert not any("Vine" in (link.a, link.b) for link in plan.links)


def test_a_second_radio_costs_its_price_where_the_site_has_none_of_its_own(tmp_path: Path) -> None:
    own = plan_of(tmp_path / "own", glasshouse())
    free = plan_of(tmp_path / "free", changed(glasshouse(), {"South post": {"cost": ""}, "North post": {"use": "forbidden"}}))
    single = changed(usual_sites(), {"South post": {"cost": ""}, "North post": {"use": "forbidden"}})
    alone = plan_of(tmp_path / "alone", single)
    assert own.device("South post").cost == pytest.approx(80.0)
    # the price of the second class in the catalogue is 4.5 for one module (from memory, marked so there)
    assert 0.0 < free.device("South post").cost - alone.device("South post").cost < 10.0


def test_the_same_radio_named_at_every_place_is_no_mixture(tmp_path: Path) -> None:
    named = changed(usual_sites(), {row["name"]: {"radio": FAR} for row in usual_sites()})
    one, other = plan_of(tmp_path / "a", usual_sites()), plan_of(tmp_path / "b", named)
    assert other.more_radios == ()
    assert one.routes == other.routes


def test_a_sensor_with_two_radios_and_an_unknown_class_are_faults_told_together(tmp_path: Path) -> None:
    sites = changed(usual_sites(), {"Bed": {"radio": f"{SHORT}+{FAR}"}, "South post": {"radio": "fsk-686-50k"}})
    lay_small_property(tmp_path, sites=sites)
    with pytest.raises(MeshplanError) as caught:
        plan_property(tmp_path)
    words = str(caught.value)
    assert "the sensor Bed names 2 radios\n  Name one class; only relays and gateways carry two." in words
    assert "column 'radio': radio class 'fsk-686-50k' is not known. Did you mean 'fsk-868" in words


def test_a_profile_between_classes_says_that_they_share_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(lay_small_property(tmp_path / "site", sites=glasshouse()))
    out = ["--out", str(tmp_path / "out")]
    assert main(["profile", folder, "Vine", "South post", *out]) == 0
    assert "2 440.0 MHz" in capsys.readouterr().out.replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert main(["profile", folder, "Vine", "House", *out]) == 2
    assert "Vine and House carry no radio class in common" in capsys.readouterr().err


def test_the_comparison_has_the_mixture_as_a_row(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path, sites=glasshouse())
    rows = compare_radios(folder, classes=("ble-coded-125k", "fsk-868")).rows
    mixture = [row for row in rows if row.class_key == "mixture"]
    assert [(row.radio, row.served, row.lawful) for row in mixture] == [(f"{FAR}+{SHORT}", 3, True)]
    assert mixture[0].title.count(" with ") == 1
    assert not any(row.class_key == "mixture" for row in compare_radios(folder, classes=("ble-coded-125k",)).rows)


def test_names_of_a_place_are_read_in_order() -> None:
    site = Site("A", Role.RELAY, 0.0, 0.0, 0.0, 0.0, 2.0, radio=" ble-1m + CSS-868 + ble-1m")
    assert radio_names(site, "css-868") == ("ble-1m", "css-868")
    assert radio_names(Site("B", Role.RELAY, 0.0, 0.0, 0.0, 0.0, 2.0), "css-868") == ("css-868",)


def test_an_unlawful_part_refuses_the_whole(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path, sites=changed(glasshouse(), {"Vine": {"radio": "fsk-868-amplified-5w"}}))
    with pytest.raises(InputError, match="amplifier"):
        plan_property(folder)


def test_coverage_is_asked_for_by_class(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each class reaches from its own transmitters; the printed words name it; one that no sensor carries is refused."""
    folder, out = lay_small_property(tmp_path / "mine", sites=glasshouse()), str(tmp_path / "out")
    assert main(["plan", str(folder), "--out", out, "-q"]) == 0
    capsys.readouterr()
    found = {}
    for radio in (FAR, SHORT):
        assert main(["coverage", str(folder), "--out", out, "-q", "--json", "--radio", radio]) == 0
        found[radio] = json.loads(capsys.readouterr().out)
        assert found[radio]["radio"] == radio
    assert sorted(found[FAR]["transmitters"]) == ["House", "South post"]
    assert found[SHORT]["transmitters"] == ["South post"]
    assert main(["coverage", str(folder), "--out", out, "-q", "--radio", "fsk-868-50"]) == 2
    assert f"the plan has no radio class 'fsk-868-50'. Did you mean '{FAR}'?" in capsys.readouterr().err
    assert main(["coverage", str(folder), "--out", out, "-q", "--radio", SHORT, "--from", "House"]) == 2
