"""Two radios on one board: the cells must suit both, whichever of them is named first."""

from __future__ import annotations

import numpy as np
import pytest
from bare_radio import bare_mode
from landscapes import make_landscape
from link_stations import make_site, make_stations

from meshplan.assembly.supplies import Catalogue, energy_of
from meshplan.inputs.radios import (
    read_batteries,
    read_boards,
    read_radio_classes,
    read_regions,
    read_regulators,
    read_solar,
)
from meshplan.records import EnergyRecord, Power, Role
from meshplan.settings import PropertySettings

LAND = make_landscape(np.full((60, 60), 100.0))
CLASSES = read_radio_classes()
CATALOGUE = Catalogue(read_regions()["europe"], read_batteries(), read_boards(), read_solar(), read_regulators())


def supplied(*radios: str, cell: str = "alkaline-aa") -> EnergyRecord:
    """Return the supply of a relay on cells with radios on a bare microcontroller (1.8-5.5 V)."""
    settings = PropertySettings.model_validate(
        {
            "name": "Test",
            "elevation": ["test.tif"],
            "sites": ["sites.csv"],
            "supply": {"relay_board": "tuned-microcontroller", "sensor_battery": cell},
        }
    )
    site = make_site("R", 100.0, 100.0, 3.0, Role.RELAY, power=Power.BATTERY)
    own = [make_stations([site], LAND, bare_mode(CLASSES, radio))[0][0] for radio in radios]
    return energy_of(own, [(None, 1.0)] * len(own), CATALOGUE, settings)


@pytest.mark.parametrize("order", [("css-868-amplified-sf7", "ble-1m"), ("ble-1m", "css-868-amplified-sf7")])
def test_the_second_radio_must_stand_the_cells_too(order: tuple[str, str]) -> None:
    """3.3-5.5 V and 1.8-3.6 V leave 3.3-3.6 V: a lithium-ion cell, fresh 4.2 V, feeds the first as it is, never the second."""
    assert supplied("css-868-amplified-sf7", cell="li-ion-18650").regulator == ""
    both = supplied(*order, cell="li-ion-18650")
    assert both.life_years > 0.0
    assert both.regulator != ""


def test_radios_that_share_no_voltage_have_no_cells() -> None:
    """9-12 V for one, 1.8-3.6 V for the other."""
    both = supplied("ook-433-12v-stub", "ble-1m", cell="lithium-fes2-aa")
    assert both.life_years == 0.0
    assert (both.cells_in_series, both.cells_in_parallel, both.no_cells_suit) == (0, 0, True)
    assert "9 V or more for one of its radios and 3.6 V or less for another" in both.supply_words
