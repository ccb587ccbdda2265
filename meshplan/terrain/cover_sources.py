"""Where each part of the cover came from: the share of the land by source, in the order of trust.

Notes
-----
Which source has a cell is decided by layer (`records.Origin.layer`): what you drew, what OpenStreetMap maps, trees of a canopy map,
classes of a land-cover raster, what a surface less the ground shows beyond them (also on grass and crops of open data that stand
too high in it), and where none of these says anything the class of unmapped land. The height of what stands there is, in this
order: surface less ground (of the same cells), the height you stated, the tagged height, storeys, the canopy map, the usual height
of the kind, that of the class.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from meshplan.records import Origin
from meshplan.terrain.landscape import Landscape

MOST_CELLS: Final = 200_000
"""So many cells at most are looked at, every second, third … of each row and column."""
BARE: Final = "bare by the files that account for it"
NOT_MAPPED: Final = "mapped by nothing, taken as {}"
IN_SURFACE: Final = "in the surface model, which holds trees and roofs"


def cover_shares(landscape: Landscape) -> tuple[tuple[str, float], ...]:
    """Return the sources of what stands on the land with the share of the land that each has, the most trusted first."""
    if landscape.ground_is_surface:
        return ((IN_SURFACE, 1.0),)
    step = max(1, int(np.ceil(np.sqrt(landscape.cover_index.size / MOST_CELLS))))
    index = landscape.cover_index[::step, ::step]
    known = np.isfinite(landscape.ground_amsl_m[::step, ::step])
    order = list(Origin)
    origins = np.array([0, *(order.index(cover.origin) + 1 for cover in landscape.covers)])
    source = origins[index]
    if landscape.canopy_m is not None:
        measured = np.isfinite(landscape.canopy_m[::step, ::step]) & (source > 0)
        measured &= source != order.index(Origin.SEEN_ABOVE) + 1
        source[measured] = order.index(Origin.SURFACE) + 1
    rows, columns = (step * np.arange(count) for count in index.shape)
    x_m, y_m = landscape.grid.x_y(*np.meshgrid(columns, rows))
    unmapped = (source == 0) & (landscape.mapped.unmapped_share(x_m, y_m) > 0.0)
    total = max(int(known.sum()), 1)
    found = [(origin.value, int((known & (source == place)).sum())) for place, origin in enumerate(order, start=1)]
    found.append((BARE, int((known & (source == 0) & ~unmapped).sum())))
    found.append((NOT_MAPPED.format(landscape.mapped.unmapped), int((known & unmapped).sum())))
    return tuple((words, count / total) for words, count in found if count)
