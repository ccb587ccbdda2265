"""The nouns of radios, rules and power: classes, operating points, sub-bands, cells, boards, sunlight.

Radios are described by class, never by product. Every figure carries where it comes from and how well it is known.
"""

from meshplan.records.radio.classes import (
    CHECK,
    OWN_HEADER,
    Direction,
    Modulation,
    RadioClass,
    RadioSetting,
    Technique,
    chirp_bit_rate_bps,
    derived_sensitivity_dbm,
)
from meshplan.records.radio.figure import Figure
from meshplan.records.radio.modes import ACKNOWLEDGEMENT_BYTES, WIDE_AREA_EMPTY_BYTES, WIDE_AREA_HEADER_BYTES, RadioMode, radio_mode
from meshplan.records.radio.rules import OF_USE, Condition, LimitKind, Region, SubBand, field_strength_to_eirp_dbm
from meshplan.records.radio.supplies import Battery, Board, CellVoltage, Regulator, SolarTable, SunBand

__all__ = [
    "ACKNOWLEDGEMENT_BYTES",
    "CHECK",
    "OF_USE",
    "OWN_HEADER",
    "WIDE_AREA_EMPTY_BYTES",
    "WIDE_AREA_HEADER_BYTES",
    "Battery",
    "Board",
    "CellVoltage",
    "Condition",
    "Direction",
    "Figure",
    "LimitKind",
    "Modulation",
    "RadioClass",
    "RadioMode",
    "RadioSetting",
    "Region",
    "Regulator",
    "SolarTable",
    "SubBand",
    "SunBand",
    "Technique",
    "chirp_bit_rate_bps",
    "derived_sensitivity_dbm",
    "field_strength_to_eirp_dbm",
    "radio_mode",
]
