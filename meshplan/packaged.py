"""Tables of numbers that come with the package, computed once because their formulas are slow."""

from __future__ import annotations

from importlib.resources import files

import numpy as np

from meshplan.units import Array


def packaged_array(name: str) -> Array:
    """Return an array of the folder `data`."""
    with files("meshplan").joinpath("data", name).open("rb") as stream:
        return np.asarray(np.load(stream, allow_pickle=False), dtype=float)
