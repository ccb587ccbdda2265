"""Cables between their points, and the data files of antennas and cables."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

import meshplan
from meshplan.errors import InputError
from meshplan.propagation.cables import CONNECTOR_PAIR_DB, cable_loss_db
from meshplan.sources import Standing

DATA = Path(meshplan.__file__).parent / "data"
THIN = ((450.0, 0.68), (850.0, 0.88), (2450.0, 1.6))


def read(name):
    return tomllib.loads((DATA / name).read_text(encoding="utf-8"))


def test_five_metres_of_thin_cable_at_868_mhz():
    # The planning notes' example: 5 m of 2.6 mm cable at 868 MHz = 4.4 dB.
    assert cable_loss_db(5.0, 868.0, THIN) == pytest.approx(4.4, abs=0.1)


def test_points_are_met_and_loss_grows_with_frequency_and_length():
    for frequency, loss in THIN:
        assert cable_loss_db(1.0, frequency, THIN) == pytest.approx(loss)
    assert np.all(np.diff(cable_loss_db(3.0, np.geomspace(150, 6000, 200), THIN)) > 0)
    assert cable_loss_db(0.0, 868.0, THIN) == 0


def test_connectors_are_added():
    with_two = cable_loss_db(2.0, 868.0, THIN, connector_pairs=2)
    assert with_two - cable_loss_db(2.0, 868.0, THIN) == pytest.approx(2 * CONNECTOR_PAIR_DB)


def test_one_point_scales_by_the_square_root_of_frequency():
    assert cable_loss_db(1.0, 1800.0, [(450.0, 0.3)]) == pytest.approx(0.6)


def test_a_cable_without_figures_is_refused():
    with pytest.raises(InputError, match="no cable loss figures"):
        cable_loss_db(1.0, 868.0, [])


def test_every_cable_in_the_data_file_is_usable_and_sourced():
    data = read("cables.toml")
    names = [cable["name"] for cable in data["cable"]]
    assert len(set(names)) == len(names) >= 8
    for cable in data["cable"]:
        points = [tuple(point) for point in cable["points"]]
        assert points == sorted(points)
        assert np.all(np.diff(cable_loss_db(1.0, np.geomspace(150, 6000, 50), points)) > 0)
        assert Standing(cable["standing"])
        assert cable["source"]
    assert {part["name"]: part["loss_db"] for part in data["part"]}["connector_pair"] == CONNECTOR_PAIR_DB


def test_every_antenna_in_the_data_file_is_usable_and_sourced():
    data = read("antennas.toml")
    names = [antenna["name"] for antenna in data["antenna"]]
    assert len(set(names)) == len(names) >= 15
    for antenna in data["antenna"]:
        low, likely, high = antenna["planning_gain_dbi"]
        assert low <= likely <= high <= antenna["peak_gain_dbi"][1]
        assert antenna["pattern"] in ("round", "sector", "ball")
        assert ("horizontal_beamwidth_deg" in antenna) == (antenna["pattern"] == "sector")
        assert Standing(antenna["standing"])
        assert antenna["source"]
        assert antenna["note"]
        assert antenna["spread_db"] > 0
    for loss in data["node_loss"]:
        assert np.shape(loss["loss_db"]) == (3, 3)
        assert all(low <= likely <= high for low, likely, high in loss["loss_db"])
        assert Standing(loss["standing"])
