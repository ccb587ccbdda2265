"""Tables of countries that write 2,5 for two and a half: semicolons or tabs between the cells, commas in the numbers."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any, Final

NO_NUMBERS: Final = frozenset(
    {"name", "antenna", "cable", "radio", "note", "mast_heights_agl_m", "a", "b", "location", "season", "date_time"}
)
"""Columns of text, and lists in which a comma may stand between two numbers."""

_COMMA: Final = re.compile(r"([+\-−]?\d+),(\d+)(\s*[A-Za-zµ°%]*)")


def with_points(rows: Iterable[tuple[str, dict[str, Any]]], delimiter: str, shown: str) -> tuple[list[dict[str, Any]], list[str]]:
    """Return the cells of rows with decimal points, and a sentence if there were commas.

    Parameters
    ----------
    rows : iterable of (str, dict)
        Place and cells by column name.
    delimiter : str
        Where a comma separates cells, none in a cell is touched: it may separate thousands.
    shown : str
        Name of the file.
    """
    mended, changed = [], 0
    for _, raw in rows:
        cells = dict(raw)
        if delimiter != ",":
            for name, value in raw.items():
                found = _COMMA.fullmatch(value.strip()) if isinstance(value, str) and name not in NO_NUMBERS else None
                if found is not None:
                    cells[name] = f"{found[1]}.{found[2]}{found[3]}"
                    changed += 1
        mended.append(cells)
    numbers = "1 number is" if changed == 1 else f"{changed} numbers are"
    return mended, [f"{shown}: {numbers} written with a decimal comma and read as such."] if changed else []
