"""Tables of countries that write 2,5 for two and a half: semicolons or tabs between the cells, commas in the numbers."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from meshplan.errors import InputError, raise_faults

NO_NUMBERS: Final = frozenset(
    {"name", "antenna", "cable", "radio", "note", "mast_heights_agl_m", "a", "b", "location", "season", "date_time"}
)
"""Columns of text, and lists in which a comma may stand between two numbers."""

MAY_BE_LARGE: Final = frozenset(
    {"interval_s", "fast_interval_s", "command_wait_s", "x_m", "y_m", "cost", "worth", "running_cost_per_year"}
)
"""Columns whose numbers may reach thousands."""

_THOUSANDS: Final = re.compile(r"[+\-−]?[1-9]\d{0,2}(?:\.\d{3})+")
_COMMA: Final = re.compile(r"([+\-−]?\d+),(\d+)(\s*[A-Za-zµ°%]*)")


def with_points(
    rows: Iterable[tuple[str, dict[str, object]]], delimiter: str, shown: str
) -> tuple[list[dict[str, object]], list[str]]:
    """Return the cells of rows with decimal points, and a sentence if there were commas.

    Parameters
    ----------
    rows : iterable of (str, dict)
        Place and cells by column name.
    delimiter : str
        Where a comma separates cells, none in a cell is touched: it may separate thousands. Where commas stand before decimals, a
        point before three digits may separate thousands too: that is an error.
    shown : str
        Name of the file.
    """
    mended, changed, unclear = [], 0, []
    for place, raw in rows:
        cells = dict(raw)
        if delimiter != ",":
            for name, value in raw.items():
                if isinstance(value, str) and name in MAY_BE_LARGE and _THOUSANDS.fullmatch(value.strip()):
                    unclear.append((place, name, value.strip()))
                found = _COMMA.fullmatch(value.strip()) if isinstance(value, str) and name not in NO_NUMBERS else None
                if found is not None:
                    cells[name] = f"{found[1]}.{found[2]}{found[3]}"
                    changed += 1
        mended.append(cells)
    if changed:
        raise_faults([_unclear(*cell) for cell in unclear])
    numbers = "1 number is" if changed == 1 else f"{changed} numbers are"
    return mended, [f"{shown}: {numbers} written with a decimal comma and read as such."] if changed else []


def _unclear(place: str, name: str, value: str) -> InputError:
    whole, part = value.replace(".", ""), ",".join(value.rsplit(".", 1))
    return InputError(
        f"'{value}' may be {whole} or {part}: the table writes decimal commas elsewhere",
        where=f"{place}, column '{name}'",
        fix=f"Write {whole} or {part}.",
    )
