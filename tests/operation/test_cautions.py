"""Each device gets the safety texts that its height, place, power and purpose call for, and not the others."""

from __future__ import annotations

from dataclasses import replace

import pytest

from meshplan.inputs.cautions import read_caution_rules
from meshplan.operation.cautions import CONDITIONS, PLAN_WIDE, cautions_for, plan_cautions
from meshplan.records import CautionRule, Device, EnergyRecord, Power, Purpose, Role
from meshplan.sources import Standing

RULES = read_caution_rules()
NAN = float("nan")

PLAIN = Device(
    name="meadow soil",
    role=Role.SENSOR,
    lon_deg=0.0,
    lat_deg=0.0,
    x_m=0.0,
    y_m=0.0,
    ground_amsl_m=100.0,
    antenna_agl_m=0.5,
    in_plan=True,
    served=True,
    purpose=Purpose.TREND,
    importance=1.0,
    power=Power.BATTERY,
    antenna="quarter-wave-wire",
    cable="",
    cable_m=0.0,
    azimuth_deg=None,
    indoors=None,
    cost=25.0,
    radio="css-868-sf7",
    height_assumed=False,
    interval_s=900.0,
    payload_bytes=12,
)


def keys(**changes: object) -> set[str]:
    """Return the keys of the texts for a device like `PLAIN` but for the changes."""
    texts = cautions_for(replace(PLAIN, **changes), RULES)  # type: ignore[arg-type]
    return {rule.key for rule in RULES if rule.text in texts}


def test_a_low_battery_sensor_in_a_field_gets_only_what_concerns_it() -> None:
    assert keys() == {"digging", "livestock", "cells"}


def test_height_calls_for_power_lines_ladder_and_lightning() -> None:
    assert {"power-lines", "ladder", "lightning"} <= keys(antenna_agl_m=4.0)
    assert not {"power-lines", "ladder", "lightning"} & keys(antenna_agl_m=2.5)
    assert "guys" in keys(antenna_agl_m=8.0)
    assert "guys" not in keys(antenna_agl_m=4.0)


def test_a_relay_on_a_roof_needs_no_hole_in_the_ground() -> None:
    on_roof = keys(name="barn gable", role=Role.RELAY, antenna_agl_m=6.0, power=Power.PANEL)
    assert "roof" in on_roof
    assert "digging" not in on_roof
    assert "digging" in keys(name="saddle post", role=Role.RELAY, antenna_agl_m=4.0, power=Power.PANEL)


def test_an_indoor_device_needs_no_lightning_earth() -> None:
    assert "lightning" not in keys(antenna_agl_m=6.0, indoors="brick")


@pytest.mark.parametrize("name", ["well head", "Dairy tank", "slurry pit", "old wells", "grain bin 2", "spring box flow"])
def test_places_where_people_suffocate_or_drown_are_known(name: str) -> None:
    assert "confined" in keys(name=name)


@pytest.mark.parametrize("name", ["farewell corner", "wellington lane", "pitch", "Tinker's field", "beech"])
def test_words_that_only_contain_a_place_word_do_not_count(name: str) -> None:
    assert not {"confined", "water", "metal", "bees"} & keys(name=name)


@pytest.mark.parametrize(("name", "key"), [("stream level", "water"), ("Hives", "bees"), ("electric fence", "electric-fence")])
def test_place_words_call_their_text(name: str, key: str) -> None:
    assert key in keys(name=name)
    assert key in keys(name="S7", note=f"beside the {name}")


def test_purpose_calls_for_fail_safe_or_a_second_path() -> None:
    assert "control" in keys(purpose=Purpose.CONTROL)
    assert "alarm" in keys(purpose=Purpose.ALARM)
    assert not {"control", "alarm"} & keys(purpose=Purpose.TREND)


def test_a_panel_warns_of_charging_in_frost_unless_the_battery_is_lead() -> None:
    def with_battery(battery: str) -> set[str]:
        return keys(power=Power.PANEL, energy=EnergyRecord("panel", battery, NAN, 3.0, 15.0, "", ""))

    assert "lithium" in with_battery("lithium iron phosphate")
    assert "lithium" in keys(power=Power.PANEL)
    assert "lithium" not in with_battery("sealed lead-acid")
    assert "lead-acid" in with_battery("sealed lead-acid")


def test_metal_is_seen_in_the_wall_and_in_the_name() -> None:
    assert "metal" in keys(indoors="steel_cladding")
    assert "metal" in keys(name="tin shed")
    assert "metal" not in keys(indoors="brick")


def test_mains_and_beams_have_their_texts() -> None:
    assert "mains" in keys(power=Power.MAINS)
    assert "directional" in keys(azimuth_deg=40.0)


def test_every_rule_can_be_reached_and_names_a_known_condition() -> None:
    assert {rule.when for rule in RULES} == set(CONDITIONS) | {PLAN_WIDE}
    assert len({rule.key for rule in RULES}) == len(RULES)
    assert all(rule.source and rule.text.endswith(".") and len(rule.text) < 420 for rule in RULES)


def test_plan_texts_are_not_repeated_on_each_device() -> None:
    texts = plan_cautions(RULES)
    assert len(texts) == 5
    assert not set(texts) & set(cautions_for(PLAIN, RULES))


def test_order_is_that_of_the_rules() -> None:
    rules = (
        CautionRule("b", "cells", "B.", "s", Standing.PRACTICE),
        CautionRule("a", "digging", "A.", "s", Standing.PRACTICE),
    )
    assert cautions_for(PLAIN, rules) == ("B.", "A.")
