"""devices.json as `plan` writes it: its schema, its figures, the law at the radio's port, numbers that stay."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from json_schema_subset import faults_of
from small_property import Rows, lay_small_property, usual_sites, write_sites

from meshplan.assembly.traffic import station_emission
from meshplan.errors import MeshplanError
from meshplan.operation.airtime import chirp_time_on_air_ms, serial_time_on_air_ms, time_on_air_ms
from meshplan.operation.law import legal_check
from meshplan.records import Role
from meshplan.workflow.plan import Planned, plan_property, write_plan

SITES: Rows = [
    *usual_sites(),
    {"name": "Far bed", "role": "sensor", "x": 420, "y": 310, "antenna_agl_m": 1.0, "purpose": "trend", "fast_interval_s": 60},
]


def document(folder: Path) -> dict[str, Any]:
    loaded = json.loads((folder / "exports" / "devices.json").read_text(encoding="utf-8"))
    assert isinstance(loaded, dict)
    return loaded


@pytest.fixture(scope="module")
def holding(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Planned, Path]:
    folder = lay_small_property(
        tmp_path_factory.mktemp("holding"), sites=SITES, settings='requirement.second_route = "any one relay"\n'
    )
    planned = plan_property(folder)
    out = tmp_path_factory.mktemp("out")
    write_plan(planned, out)
    return folder, planned, out


def test_the_file_keeps_to_its_schema_and_the_schema_notices_faults(holding: tuple[Path, Planned, Path]) -> None:
    _, _, out = holding
    schema = json.loads((out / "exports" / "devices.schema.json").read_text(encoding="utf-8"))
    whole = document(out)
    assert faults_of(whole, schema) == []
    device = whole["devices"][0]
    for broken in (
        whole | {"format_version": 2},
        whole | {"devices": [device | {"number": "one"}]},
        whole | {"devices": [device | {"role": "router"}]},
        whole | {"devices": [{key: value for key, value in device.items() if key != "parent"}]},
        whole | {"devices": [device | {"colour": "red"}]},
    ):
        assert faults_of(broken, schema)


def test_every_figure_is_that_of_the_plan(holding: tuple[Path, Planned, Path]) -> None:
    _, planned, out = holding
    found = {device["name"]: device for device in document(out)["devices"]}
    number = {device["number"]: name for name, device in found.items()}
    plan = planned.plan
    assert {device.site for device in plan.devices if device.in_plan} == set(found)
    for route in plan.routes:
        settings = found[route.sensor]
        assert settings["parent"]["name"] == plan.device(route.devices[1]).site
        assert settings["hops"] == len(route.links)
        if route.second_devices and route.second_devices[1] != route.devices[1]:
            assert settings["second_parent"]["name"] == plan.device(route.second_devices[1]).site
        (radio,) = settings["radios"]
        assert radio["longest_frame_ms"] == pytest.approx(route.hops[0].airtime_ms, rel=1e-8)
        assert radio["frequency_mhz"] == plan.link(route.links[0]).frequency_mhz
        for here, there in zip(route.devices[1:], [*route.devices[2:], None], strict=True):
            onward = next(
                each
                for each in found[plan.device(here).site]["forwarding"]
                if number[each["sensor"]] == route.sensor and not each["second_route"]
            )
            assert (onward["to"] and number[onward["to"]]) == (plan.device(there).site if there else None)
    for link in plan.chosen_links:
        a, b = (found[plan.device(name).site] for name in (link.a, link.b))
        at_a = next(each for each in a["expected"] if each["neighbour"] == b["number"])
        at_b = next(each for each in b["expected"] if each["neighbour"] == a["number"])
        for season, one, other in zip(link.seasons, at_a["seasons"], at_b["seasons"], strict=True):
            assert one["heard_here_dbm"] == other["heard_there_dbm"] == pytest.approx(season.received_at_a_dbm, abs=1e-3)
            assert one["heard_there_dbm"] == other["heard_here_dbm"] == pytest.approx(season.received_at_b_dbm, abs=1e-3)
        assert at_a["alarm_below_here_dbm"] == pytest.approx(link.sensitivity_a_dbm + link.fade_margin_db, abs=1e-3)
    assert found["Far bed"]["fast_interval_s"] == 60.0
    assert found["Bed"]["fast_interval_s"] is None
    assert any("fast mode" in words for words in found["Far bed"]["not_chosen"])
    assert found["House"]["payload_bytes"] is None


def test_second_routes_were_planned(holding: tuple[Path, Planned, Path]) -> None:
    assert any(route.second_devices for route in holding[1].plan.routes), "else nothing above speaks of second parents"


@pytest.mark.parametrize(
    "settings", ["", 'antenna.sensor = "yagi_3"\nantenna.relay = "yagi_3"\n', "radio_settings.power_dbm = 13.37\n"]
)
def test_the_power_at_the_port_keeps_the_law_and_one_decibel_more_would_not(tmp_path: Path, settings: str) -> None:
    sites = [row | {"power": "mains"} for row in usual_sites()]
    planned = plan_property(lay_small_property(tmp_path / "land", sites=sites, settings=settings))
    write_plan(planned, tmp_path / "out")
    powers = {device["plan_name"]: device["radios"][0] for device in document(tmp_path / "out")["devices"]}
    region = planned.prepared.base.catalogue.region
    seen = 0
    for station in planned.links.stations:
        if station.key not in powers:
            continue
        radio = powers[station.key]
        assert radio["tx_power_whole_dbm"] <= radio["tx_power_dbm"] <= station.tx_power_dbm
        assert radio["tx_power_dbm"] > station.tx_power_dbm - 0.0101
        at_port = replace(station, tx_power_dbm=radio["tx_power_dbm"])
        verdict = legal_check(region, station_emission(at_port, None), look_elsewhere=False)
        assert verdict.lawful
        capped = "power_dbm" not in settings and station.tx_power_dbm < station.radio.tx_power_dbm
        if capped:
            louder = replace(station, tx_power_dbm=radio["tx_power_dbm"] + 1.0)
            assert not legal_check(region, station_emission(louder, None), look_elsewhere=False).lawful
        seen += 1
    assert seen >= 4


def test_numbers_stay_when_others_come_and_go_and_the_same_input_gives_the_same_bytes(tmp_path: Path) -> None:
    folder, out = lay_small_property(tmp_path / "land", sites=SITES), tmp_path / "out"

    def numbers() -> dict[str, int]:
        write_plan(plan_property(folder), out)
        return {device["name"]: device["number"] for device in document(out)["devices"]}

    first = numbers()
    files = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    assert numbers() == first
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == files
    write_sites(folder / "sites.csv", [{**SITES[0], "name": "New bed", "y": 310}, *SITES[1:]])
    later = numbers()
    assert later["New bed"] == max(first.values()) + 1, "the number of the bed that went is not given away again"
    assert {name: number for name, number in first.items() if name != "Bed"}.items() <= later.items()
    write_sites(folder / "sites.csv", SITES)
    assert numbers() == first
    (folder / "device_numbers.csv").write_text("number,name\n500,House\n", encoding="utf-8")
    assert numbers() == first | {"House": 500}
    assert sorted(path.name for path in folder.iterdir()) == ["device_numbers.csv", "ground.tif", "property.toml", "sites.csv"]


def test_a_damaged_file_of_numbers_is_told_before_anything_is_planned(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "land")
    (folder / "device_numbers.csv").write_text("number,name\n1,Bed\n1,Trough\n", encoding="utf-8")
    with pytest.raises(MeshplanError, match=r"device_numbers\.csv, row 3, number: '1' stands in row 2 too"):
        plan_property(folder)


def test_a_sensor_that_forwards_is_one_device_with_readings_and_forwarding(tmp_path: Path) -> None:
    sites: Rows = [
        {
            "name": "Bed",
            "role": "sensor",
            "x": 200,
            "y": 300,
            "antenna_agl_m": 3.0,
            "purpose": "trend",
            "power": "mains",
            "forwards": "yes",
        },
        {"name": "Trough", "role": "sensor", "x": 330, "y": 300, "antenna_agl_m": 1.0, "purpose": "trend"},
        {"name": "House", "role": "gateway", "x": 60, "y": 300, "antenna_agl_m": 4.0, "power": "mains"},
    ]
    planned = plan_property(lay_small_property(tmp_path / "land", sites=sites))
    assert any(device.same_as and device.in_plan for device in planned.plan.devices), "else nothing is tested here"
    write_plan(planned, tmp_path / "out")
    found = {device["name"]: device for device in document(tmp_path / "out")["devices"]}
    assert set(found) == {"Bed", "Trough", "House"}
    assert found["Bed"]["role"] == Role.SENSOR.value
    assert found["Bed"]["forwards"]
    assert found["Bed"]["payload_bytes"] == 12
    assert found["Bed"]["parent"]["name"] == "House"
    assert found["Trough"]["parent"]["name"] == "Bed"
    assert found["Bed"]["radios"][0]["longest_frame_ms"] == pytest.approx(time_on_air_ms(planned.prepared.radio, 12), rel=1e-8)
    assert found["Bed"]["listening"]["how"] == "always"


def test_headers_are_written_on_request_for_every_device_with_a_route(holding: tuple[Path, Planned, Path], tmp_path: Path) -> None:
    _, planned, out = holding
    assert not (out / "exports" / "headers").exists()
    write_plan(planned, tmp_path, headers=True)
    found = {path.name for path in (tmp_path / "exports" / "headers").iterdir()}
    assert found == {f"{each['number']:03d}_{each['identifier']}.h" for each in document(tmp_path)["devices"] if each["served"]}


@pytest.mark.slow
@pytest.mark.parametrize("radio", ["css-868-sf7", "css-868-sf12", "fsk-868-4k8", "css-2g4", "oqpsk-2g4-802154"])
def test_what_is_programmed_takes_as_long_on_the_air_as_the_plan_counts(tmp_path: Path, radio: str) -> None:
    """The formulas are those that `tests/published/time_on_air.csv` judges; every one of their inputs stands in the file."""
    sites = [row for row in usual_sites() if row["role"] != "relay"]
    land = np.full((120, 120), 100.0, dtype=np.float32)
    planned = plan_property(lay_small_property(tmp_path / "land", sites=sites, heights=land), radio=radio)
    write_plan(planned, tmp_path / "out")
    served = [device for device in document(tmp_path / "out")["devices"] if device["payload_bytes"] and device["served"]]
    assert served
    for device in served:
        (setup,) = device["radios"]
        size = device["payload_bytes"] + setup["header_bytes"]
        if setup["spreading_factor"]:
            time_ms = chirp_time_on_air_ms(
                size,
                setup["spreading_factor"],
                setup["bandwidth_khz"],
                coding_rate_index=int(setup["coding_rate"].removeprefix("4/")) - 4,
                preamble_symbols=setup["preamble_symbols"],
                low_rate=setup["low_rate_aid"],
            )
        else:
            time_ms = serial_time_on_air_ms(size, setup["bit_rate_bps"], overhead_bytes=setup["frame_overhead_bytes"])
        assert setup["longest_frame_ms"] == pytest.approx(float(time_ms), rel=1e-8)
