"""The nouns of meshplan: what is read, what a link is, what a plan says.

All are frozen; a plan holds everything that map, sheets and exports show. The nouns of a plan are at hand from here; radio
classes, antennas, readings and the property as it was read stand in their own modules.
"""

from meshplan.records.comparison import Comparison, ComparisonRow, RangeCurve, RangePoint
from meshplan.records.cover import Cover
from meshplan.records.device import (
    RAISED_AGL_M,
    TALL_AGL_M,
    CautionRule,
    ChannelRecord,
    CommandOption,
    CommandRecord,
    Device,
    DutyRecord,
    EnergyRecord,
    HopRecord,
    RunningCost,
)
from meshplan.records.link import VERDICT_WORDS, VERDICTS, BudgetItem, Clearance, Link, ProfileRecord, Remedy, SeasonResult, Spread
from meshplan.records.plan import (
    GatewayOption,
    GridRecord,
    InputFile,
    LegalLine,
    MadeWith,
    MapShape,
    PartLine,
    Plan,
    Proof,
    RadioRecord,
    Route,
    SeasonRecord,
    Unserved,
    enough_arrives,
)
from meshplan.records.site import CLUTTER_KINDS, LISTENING, POLARISATIONS, Power, Purpose, Role, Site, Use

__all__ = [
    "CLUTTER_KINDS",
    "LISTENING",
    "POLARISATIONS",
    "RAISED_AGL_M",
    "TALL_AGL_M",
    "VERDICTS",
    "VERDICT_WORDS",
    "BudgetItem",
    "CautionRule",
    "ChannelRecord",
    "Clearance",
    "CommandOption",
    "CommandRecord",
    "Comparison",
    "ComparisonRow",
    "Cover",
    "Device",
    "DutyRecord",
    "EnergyRecord",
    "GatewayOption",
    "GridRecord",
    "HopRecord",
    "InputFile",
    "LegalLine",
    "Link",
    "MadeWith",
    "MapShape",
    "PartLine",
    "Plan",
    "Power",
    "ProfileRecord",
    "Proof",
    "Purpose",
    "RadioRecord",
    "RangeCurve",
    "RangePoint",
    "Remedy",
    "Role",
    "Route",
    "RunningCost",
    "SeasonRecord",
    "SeasonResult",
    "Site",
    "Spread",
    "Unserved",
    "Use",
    "enough_arrives",
]
