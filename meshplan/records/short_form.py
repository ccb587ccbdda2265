"""How a record shows itself: one short line in a terminal, a small table in a notebook; never all its fields."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from math import floor

Facts = Sequence[tuple[str, object]]


class ShortForm:
    """A record that names a few facts of itself; `repr` and notebooks show these and no more.

    >>> class Mast(ShortForm):
    ...     def short_facts(self):
    ...         return (("name", "Ridge & Co"), ("height", "4 m"))
    >>> Mast()
    Mast(name='Ridge & Co', height='4 m')
    >>> Mast()._repr_html_()
    '<table><caption>Mast</caption><tr><th>name</th><td>Ridge &amp; Co</td></tr><tr><th>height</th><td>4 m</td></tr></table>'
    """

    def short_facts(self) -> Facts:
        """Return names and values to show, the most telling first."""
        raise NotImplementedError

    def __repr__(self) -> str:
        return f"{type(self).__name__}({', '.join(f'{name}={value!r}' for name, value in self.short_facts())})"

    def _repr_html_(self) -> str:
        return html_facts(type(self).__name__, self.short_facts())


def html_facts(title: str, facts: Facts) -> str:
    """Return facts as a table of two columns; names of sites are never trusted."""
    rows = (f"<tr><th>{escape(str(name))}</th><td>{escape(str(value))}</td></tr>" for name, value in facts)
    return f"<table><caption>{escape(title)}</caption>{''.join(rows)}</table>"


def html_rows(title: str, header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return rows as a table with a heading."""
    head = "".join(f"<th>{escape(name)}</th>" for name in header)
    body = "".join("<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><caption>{escape(title)}</caption><tr>{head}</tr>{body}</table>"


def rounded_down(chance: float) -> float:
    """Return a chance with three decimals, never more than it is: 1.0 is certainty alone.

    >>> rounded_down(0.99997), rounded_down(1.0)
    (0.999, 1.0)
    """
    return floor(chance * 1000.0) / 1000.0
