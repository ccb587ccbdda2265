"""Cells of a sweep computed again as links: those in which it is not sure to have the figure of a link.

A sweep shares rays, which pass at most half a cell beside a cell and meet the ground and the edges of roofs where they cross lines
of cells, not at the equal steps of a link. Mostly that is nothing; behind edges, and where an antenna stands close above a crest,
it is tenths of a decibel.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.grid import Float32
from meshplan.links.link_table import sample_counts
from meshplan.loss.fast import LinkLosses, RadioPath, StandingCover, SweepLoss, link_losses
from meshplan.records.station import Station
from meshplan.terrain.landscape import Landscape

CHECKED_EVERY: Final = 4
"""Every so many rows and columns a link is computed in any case, and shows whether the sweep has its figure around there."""

OFF_DB: Final = 0.05
"""A sweep that is off by more at a checked cell is doubtful in all cells up to the next checked ones."""

UNEVEN_DB: Final = 0.5
"""So it is in any cell whose eight neighbours and itself differ by more: half a cell aside another figure holds."""

BEHIND_DB: Final = 0.02
"""And around checked cells with so much ground loss behind hills, of which a sweep knows nothing."""

MOST_SAMPLES_AGAIN: Final = 2_000_000_000
"""Samples of the links to doubtful cells from one station: some 15 s of one core. Beyond it the most uneven cells come first."""

_CELLS_AT_ONCE: Final = 100_000

Cells = tuple[NDArray[np.intp], NDArray[np.intp]]


@dataclass(frozen=True, eq=False)
class CellLinks:
    """From where links go to cells, and through what."""

    landscape: Landscape
    station: Station
    antenna_agl_m: float
    receiver_agl_m: float
    path: RadioPath
    cover: StandingCover | None
    inside: NDArray[np.bool_]
    """Cells in whose building a receiver stands."""
    cores: int | None = None
    notify: Callable[[str], None] | None = None

    def counts(self, cells: Cells) -> NDArray[np.intp]:
        """Return how many samples a link to each cell takes."""
        row, column = self._place()
        lengths_m = self.landscape.grid.cell_m * np.hypot(cells[1] - column, cells[0] - row)
        different, back = np.unique(lengths_m, return_inverse=True)
        return sample_counts(different, self.landscape.sampled_as_m)[back]

    def write(self, cells: Cells, found: SweepLoss, behind_hill_db: Float32) -> None:
        """Put the losses of links to cells in place of those of the sweep, and what is lost behind hills beside them."""
        counts = self.counts(cells)
        for count in np.unique(counts).tolist():
            same = np.flatnonzero(counts == count)
            for first in range(0, len(same), _CELLS_AT_ONCE):
                some = same[first : first + _CELLS_AT_ONCE]
                at = cells[0][some], cells[1][some]
                links = self._links(*at, int(count))
                found.loss_db[at] = links.loss_db
                found.terrain_db[at] = links.terrain_db
                found.cover_db[at] = links.cover_db
                behind_hill_db[at] = links.behind_hill_db

    def _place(self) -> tuple[float, float]:
        column, row = self.landscape.grid.column_row(self.station.site.x_m, self.station.site.y_m)
        return float(row), float(column)

    def _links(self, rows: NDArray[np.intp], columns: NDArray[np.intp], samples: int) -> LinkLosses:
        row, column = self._place()
        ends = np.stack([np.full(len(rows), column), np.full(len(rows), row), columns, rows], axis=1)
        around = np.where(self.inside[rows, columns], self.landscape.cover_index[rows, columns], 0)
        within = np.stack([np.full(len(rows), self.station.inside), around], axis=1)
        return link_losses(
            self.landscape.ground_amsl_m,
            self.landscape.grid.cell_m,
            ends,
            [self.antenna_agl_m, self.receiver_agl_m],
            self.path,
            samples=samples,
            cover=self.cover,
            inside=within,
            cores=self.cores,
            notify=self.notify,
        )


def places(cells: NDArray[np.bool_]) -> Cells:
    """Return rows and columns of marked cells."""
    rows, columns = np.nonzero(cells)
    return rows, columns


def compute_again(links: CellLinks, found: SweepLoss, behind_hill_db: Float32, where: NDArray[np.bool_]) -> None:
    """Write the losses of links over those of a sweep wherever it may be off.

    Parameters
    ----------
    links : CellLinks
    found : SweepLoss
        Changed in place.
    behind_hill_db : ndarray
        Filled beside it; zero where the sweep stays.
    where : ndarray of bool
        Cells that may be computed.

    Notes
    -----
    Accuracy
        Within 0.1 dB of a link on 999 cells in a thousand of the demo properties: tests/workflow/test_coverage_figures.py.
    """
    known = np.isfinite(found.loss_db) & where
    swept_db = np.where(known, found.terrain_db + found.cover_db, np.float32(0.0))
    checked = np.zeros(known.shape, dtype=bool)
    checked[::CHECKED_EVERY, ::CHECKED_EVERY] = known[::CHECKED_EVERY, ::CHECKED_EVERY]
    at = places(checked)
    left = MOST_SAMPLES_AGAIN - int(links.counts(at).sum())
    if left <= 0:
        return
    links.write(at, found, behind_hill_db)
    off = np.zeros(known.shape, dtype=bool)
    off[at] = (np.abs(found.terrain_db[at] + found.cover_db[at] - swept_db[at]) > OFF_DB) | (behind_hill_db[at] > BEHIND_DB)
    from scipy.ndimage import maximum_filter, minimum_filter  # noqa: PLC0415 - heavy, and needed for rasters only

    uneven_db = maximum_filter(swept_db, 3) - minimum_filter(swept_db, 3)
    doubtful = (maximum_filter(off, 2 * CHECKED_EVERY - 1) | (uneven_db > UNEVEN_DB)) & known & ~checked
    rows, columns = places(doubtful)
    counts = links.counts((rows, columns))
    if int(counts.sum()) > left:
        order = np.argsort(-uneven_db[rows, columns], kind="stable")
        order = np.sort(order[: int(np.searchsorted(np.cumsum(counts[order]), left))])
        rows, columns = rows[order], columns[order]
    links.write((rows, columns), found, behind_hill_db)
