"""What goes on the air is the reading with its headers: they choose the setting, and the plan shows them hop by hop."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from small_property import changed, lay_small_property, usual_sites

from meshplan.operation.airtime import acknowledgement_ms, longest_packet_ms, time_on_air_ms
from meshplan.records import Plan
from meshplan.reporting.plan_text import plan_text
from meshplan.workflow import plan_property
from meshplan.workflow.prepare import Prepared, prepare_property

HOPPING = {"country": "united-states", "radio_settings.accepts": ["hopping"]}


def prepared_for(folder: Path, payload_bytes: int, radio: str = "css-915", **settings: Any) -> Prepared:
    sites = changed(usual_sites(), {name: {"payload_bytes": payload_bytes} for name in ("Bed", "Trough")})
    lay_small_property(folder, sites=sites)
    return prepare_property(folder, radio=radio, overrides=HOPPING | settings)


# 0.4 s on a channel (47 CFR 15.247). By hand, airtime formula at 125 kHz: SF9 carries 66 bytes in 390 ms, with 5 bytes of header
# 61 of payload, with 13 bytes 53; where they do not fit, the hopping row is closed and a fixed channel allows -1.2 dBm EIRP
@pytest.mark.parametrize(
    ("payload_bytes", "protocol", "setting"),
    [(61, "own", "SF9"), (62, "own", "SF8"), (66, "own", "SF8"), (53, "wide-area", "SF9"), (54, "wide-area", "SF8")],
)
def test_headers_choose_the_spreading_factor(tmp_path: Path, payload_bytes: int, protocol: str, setting: str) -> None:
    prepared = prepared_for(tmp_path, payload_bytes, **{"radio_settings.protocol": protocol})
    assert prepared.radio.setting == setting
    assert longest_packet_ms(prepared.radio, payload_bytes) <= 400.0
    assert prepared.radio.tx_power_dbm > 10.0
    said = [line for line in prepared.assumptions if line.startswith("Setting SF8 taken instead of SF9")]
    assert len(said) == (setting == "SF8")
    assert all("with their headers" in line for line in said)


def test_a_setting_that_was_asked_for_stays(tmp_path: Path) -> None:
    prepared = prepared_for(tmp_path, 66, "css-915-sf9")
    assert prepared.radio.setting == "SF9"
    assert prepared.radio.tx_power_dbm < 0.0
    by_factor = prepared_for(tmp_path, 66, **{"radio_settings.spreading_factor": 9})
    assert by_factor.radio.setting == "SF9"


def planned_with(folder: Path, radio: str, **settings: Any) -> tuple[Plan, Prepared]:
    lay_small_property(folder)
    planned = plan_property(folder, radio=radio, overrides=settings)
    return planned.plan, planned.prepared


@pytest.mark.parametrize(("protocol", "header_bytes"), [("own", 5), ("wide-area", 13)])
def test_every_hop_of_a_plan_shows_what_a_reading_takes(tmp_path: Path, protocol: str, header_bytes: int) -> None:
    plan, prepared = planned_with(tmp_path, "css-868-sf7", **{"radio_settings.protocol": protocol})
    mode = prepared.radio
    assert mode.header_bytes == header_bytes
    assert {route.sensor for route in plan.routes} == {"Bed", "Trough"}
    for route in plan.routes:
        assert [(hop.sender, hop.receiver) for hop in route.hops] == list(zip(route.devices, route.devices[1:], strict=False))
        for hop in route.hops:
            parts = hop.preamble_ms + hop.header_ms + hop.payload_ms + hop.check_ms
            assert parts == pytest.approx(hop.airtime_ms)
            assert hop.airtime_ms == pytest.approx(time_on_air_ms(mode, 12))
            assert hop.acknowledgement_ms == pytest.approx(acknowledgement_ms(mode))
            # by bits after the preamble: 20 of the radio's own header and 8 for each byte of the network's, 8 for each of payload
            assert hop.header_ms / hop.payload_ms == pytest.approx((20 + 8 * header_bytes) / 96)
            assert 1.0 <= hop.mean_tries <= hop.fast_mean_tries <= 3.0
            assert 0.0 < hop.delivered_chance <= 1.0
        arrives = math.prod(hop.delivered_chance for hop in route.hops)
        assert route.delivered_chance == pytest.approx(arrives)
    most = max((hop for route in plan.routes for hop in route.hops), key=lambda hop: hop.fast_mean_tries)
    assert f"{most.airtime_ms:.1f} ms (preamble {most.preamble_ms:.1f}, header {most.header_ms:.1f}" in plan_text(plan, [])


def test_a_plan_at_the_published_airtime(tmp_path: Path) -> None:
    # source: radio facts 2, section 2: 12 bytes with 5 of header at SF7 are 51.5 ms, an answer 31.0 ms; 13 of header 61.7 ms
    plan, _ = planned_with(tmp_path / "own", "css-868-sf7")
    duty = plan.device("Bed").duty
    assert duty is not None
    assert (duty.airtime_ms_per_packet, duty.acknowledgement_ms) == pytest.approx((51.5, 31.0), abs=0.06)
    wide, _ = planned_with(tmp_path / "wide", "css-868-sf7", **{"radio_settings.protocol": "wide-area"})
    wider = wide.device("Bed").duty
    assert wider is not None
    assert wider.airtime_ms_per_packet == pytest.approx(61.7, abs=0.06)
