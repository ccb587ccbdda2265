"""Fast forms of the loss formulas: arrays in, decibels out.

`sweep` computes every cell of a raster in one pass per ray, `links` many links at once, `lines` the terrain loss of many paths over
drawn ground. The formulas are those of
`meshplan.propagation`, held to them by tests; compiled code is loaded at the first call, never on import.
"""

from meshplan.loss.fast.constants import RadioPath
from meshplan.loss.fast.cover import FoliageGroup, StandingCover
from meshplan.loss.fast.links import LinkLosses, link_losses
from meshplan.loss.fast.sweep import BestServer, SweepLoss, Transmitter, best_server, sweep_loss_db, sweep_parts

__all__ = [
    "BestServer",
    "FoliageGroup",
    "LinkLosses",
    "RadioPath",
    "StandingCover",
    "SweepLoss",
    "Transmitter",
    "best_server",
    "link_losses",
    "sweep_loss_db",
    "sweep_parts",
]
