"""Words about links of several radio classes: each link in the setting of its own frequency."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from meshplan.explain.describe import Context, describe_links
from meshplan.links.link_table import LinkTable
from meshplan.records import Link

Contexts = Mapping[float, Context]
"""Context of each class by its frequency in MHz; empty where all places carry the same class."""


def context_of(table: LinkTable, row: int, context: Context, contexts: Contexts) -> Context:
    """Return the context of a link: that of its frequency where classes are mixed, else the only one."""
    return contexts.get(table.stations[table.pairs[row][0]].radio.frequency_mhz, context)


def describe_mixed(
    table: LinkTable, rows: Sequence[int], context: Context, contexts: Contexts, *, chosen: frozenset[int]
) -> tuple[Link, ...]:
    """Return the records of some rows as `describe_links` does, class by class, in the order of the rows."""
    if not contexts:
        return describe_links(table, rows, context, chosen=chosen)
    groups: dict[float, list[int]] = {}
    for row in rows:
        groups.setdefault(context_of(table, row, context, contexts).settings.frequency_mhz, []).append(row)
    found: dict[int, Link] = {}
    for own in groups.values():
        links = describe_links(table, own, context_of(table, own[0], context, contexts), chosen=chosen)
        found.update(zip(own, links, strict=True))
    return tuple(found[row] for row in rows)
