"""Antenna and cable classes: packaged figures within physics, users' own classes, messages."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from meshplan.errors import FaultList, InputError, MeshplanError
from meshplan.inputs.antennas import find_class, read_antennas, read_cable_parts, read_cables, read_node_losses
from meshplan.propagation.cables import cable_loss_db
from meshplan.records.antenna import NODE_LOSS_MHZ
from meshplan.settings import AntennaSettings
from meshplan.sources import Standing


def test_every_antenna_plans_with_no_more_than_its_peak() -> None:
    antennas = read_antennas()
    assert len(antennas) >= 10
    for antenna in antennas.values():
        low, likely, high = antenna.planning_gain_dbi
        assert low <= likely <= high <= antenna.peak_gain_dbi[1] + 1e-9
        assert antenna.gain_dbi == likely
        assert antenna.pattern in ("round", "sector", "ball")
        assert antenna.is_directional == (antenna.horizontal_beamwidth_deg is not None)
        assert antenna.frequency_mhz[0] < antenna.frequency_mhz[1]
        assert antenna.source
        assert isinstance(antenna.standing, Standing)


def test_a_half_wave_dipole_has_the_gain_of_theory() -> None:
    """2.15 dBi (ITU-R BS.561)."""
    assert read_antennas()["dipole_whip"].peak_gain_dbi == (2.15, 2.15)


def test_cables_lose_more_the_thinner_they_are_and_the_higher_the_frequency() -> None:
    cables = read_cables()
    for cable in cables.values():
        losses = [float(cable_loss_db(10.0, frequency, cable.points)) for frequency in (433.0, 868.0, 2450.0)]
        assert losses == sorted(losses)
        assert losses[0] > 0
    at_868 = [
        float(cable_loss_db(10.0, 868.0, cables[name].points))
        for name in ("mini_coax", "solid_5mm", "solid_10mm", "corrugated_22mm")
    ]
    assert at_868 == sorted(at_868, reverse=True)


def test_defaults_of_the_settings_are_in_the_tables() -> None:
    defaults = AntennaSettings()
    assert defaults.cable in read_cables()
    assert all(name is None or name in read_antennas() for name in (defaults.sensor, defaults.relay, defaults.gateway))


def test_losses_of_boxes_and_parts_are_read() -> None:
    losses = read_node_losses()
    assert {"plastic_box", "metal_box", "snow"} <= set(losses)
    for loss in losses.values():
        assert len(loss.loss_db) == len(NODE_LOSS_MHZ)
        assert loss.loss_db[1][0] <= loss.likely_db(868.0) <= loss.loss_db[1][2]
    assert read_cable_parts()["connector_pair"].loss_db == pytest.approx(0.25)


def test_a_property_may_add_its_own_classes(tmp_path: Path) -> None:
    (tmp_path / "antennas.toml").write_text(
        '[[antenna]]\nname = "my_whip"\nplanning_gain_dbi = [1, 2, 3]\n'
        '[[antenna]]\nname = "dipole_whip"\nplanning_gain_dbi = [0, 1, 2]\n'
    )
    (tmp_path / "cables.toml").write_text('[[cable]]\nname = "my_cable"\npoints = [[868, 0.3]]\n')
    antennas = read_antennas(tmp_path)
    assert antennas["my_whip"].gain_dbi == 2.0
    assert antennas["my_whip"].standing is Standing.STATED
    assert antennas["dipole_whip"].gain_dbi == 1.0
    assert set(read_antennas()) < set(antennas)
    assert read_cables(tmp_path)["my_cable"].points == ((868.0, 0.3),)


FAULTS = [
    (
        "[[antenna]]\nplanning_gain_dbi = [1, 2, 3]\n",
        "antennas.toml, [[antenna]] 1, key 'name': is empty\n  Give it: Short name used in property files.",
    ),
    (
        '[[antenna]]\nname = "a"\nplanning_gain_dbi = [1, 2]\n',
        "antennas.toml, [[antenna]] 1, key 'planning_gain_dbi': 2 numbers stand there, 3 are needed\n"
        "  Write them with semicolons between: 0; 0.5; 2.",
    ),
    (
        '[[antenna]]\nname = "a"\nplanning_gain_dbi = [3, 2, 1]\n',
        "antennas.toml, [[antenna]] 1, key 'planning_gain_dbi': the numbers do not rise\n  Write the lowest first.",
    ),
    (
        '[[antenna]]\nname = "a"\nplanning_gain_dbi = [1, 2, 3]\ngain = 3\n',
        "antennas.toml, [[antenna]] 1, key 'gain': this key is not known.\n"
        "  Known keys: name, title, source, standing, planning_gain_dbi, peak_gain_dbi, pattern, horizontal_beamwidth_deg, "
        "spread_db, frequency_mhz, note, connector.",
    ),
    (
        '[[antenna]]\nname = "a"\nplanning_gain_dbi = [1, 2, 3]\npattern = "sector"\n',
        "antennas.toml, [[antenna]] 1, key 'horizontal_beamwidth_deg': is missing\n  A sector antenna needs it.",
    ),
    ('antenna = "a"\n', "antennas.toml: 'antenna' is no list\n  Write [[antenna]] before each entry."),
]


@pytest.mark.parametrize(("content", "message"), FAULTS)
def test_a_wrong_class_is_told_with_its_remedy(tmp_path: Path, content: str, message: str) -> None:
    (tmp_path / "antennas.toml").write_text(content)
    with pytest.raises(MeshplanError) as caught:
        read_antennas(tmp_path)
    assert str(caught.value) == message


def test_all_wrong_classes_are_told_together(tmp_path: Path) -> None:
    (tmp_path / "cables.toml").write_text('[[cable]]\nname = "a"\npoints = [[868, 0]]\n[[cable]]\nname = "b"\npoints = 3\n')
    with pytest.raises(FaultList) as caught:
        read_cables(tmp_path)
    assert [str(fault) for fault in caught.value.faults] == [
        "cables.toml, [[cable]] 1, key 'points': frequencies and losses must be above 0, each frequency once\n"
        "  Write [[450, 0.3], [850, 0.5]].",
        "cables.toml, [[cable]] 2, key 'points': '3' is no list of some rows\n  Write [[…], […]].",
    ]


def test_an_unknown_class_gets_the_nearest_name() -> None:
    with pytest.raises(InputError) as caught:
        find_class("antenna", "dipole_wip", {"dipole_whip": 1, "yagi_3": 2}, "sites.csv, row 3")
    assert str(caught.value) == (
        "sites.csv, row 3: 'dipole_wip' is no antenna class. Did you mean 'dipole_whip'?\n  Write one of: dipole_whip, yagi_3."
    )


def test_asking_for_manuals_does_not_load_map_libraries() -> None:
    code = (
        "import sys; from meshplan.inputs import describe_site_columns, describe_settings, read_antennas; "
        "describe_site_columns(); describe_settings(); read_antennas(); "
        "print([name for name in ('rasterio', 'geopandas', 'pyogrio', 'shapely') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
