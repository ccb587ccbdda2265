"""Fast forms of the loss formulas: arrays in, decibels out.

`sweep` computes every cell of a raster in one pass per ray, `links` many links at once. The formulas are those of
`meshplan.propagation`, held to them by tests; compiled code is loaded at the first call, never on import.
"""

from meshplan.kernels.constants import RadioPath
from meshplan.kernels.cover import FoliageGroup, StandingCover
from meshplan.kernels.engine import choose_engine
from meshplan.kernels.links import LinkLosses, link_losses, losses_of_samples
from meshplan.kernels.sampled import SampledLinks, sample_links
from meshplan.kernels.sweep import BestServer, SweepLoss, Transmitter, best_server, sweep_loss_db, sweep_parts

__all__ = [
    "BestServer",
    "FoliageGroup",
    "LinkLosses",
    "RadioPath",
    "SampledLinks",
    "StandingCover",
    "SweepLoss",
    "Transmitter",
    "best_server",
    "choose_engine",
    "link_losses",
    "losses_of_samples",
    "sample_links",
    "sweep_loss_db",
    "sweep_parts",
]
