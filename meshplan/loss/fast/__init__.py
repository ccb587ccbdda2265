"""Fast forms of the loss formulas: arrays in, decibels out.

`sweep` computes every cell of a raster in one pass per ray, `links` many links at once. The formulas are those of
`meshplan.propagation`, held to them by tests; compiled code is loaded at the first call, never on import.
"""

from meshplan.loss.fast.constants import RadioPath
from meshplan.loss.fast.cover import FoliageGroup, StandingCover
from meshplan.loss.fast.links import LinkLosses, link_losses, losses_of_samples
from meshplan.loss.fast.sampled import SampledLinks, sample_links
from meshplan.loss.fast.sweep import BestServer, SweepLoss, Transmitter, best_server, sweep_loss_db, sweep_parts
from meshplan.loss.fast.thread_pool import choose_engine

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
