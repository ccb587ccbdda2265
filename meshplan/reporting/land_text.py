"""`meshplan land` in words: what it would ask of whom, what came, and how to do it by hand."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlsplit

from meshplan.records.codec import record_to_values
from meshplan.records.land import Access, Gives, LandSource
from meshplan.records.land_plan import LandOutcome, LandPlan, NotCome, Wish
from meshplan.sources import Standing

_WAYS = {
    "part": "parts of {address}",
    "whole": "the whole of {address}",
    "question": "one question to {address}",
    "search": "a search at {address}, then parts of the files that it names on whatever host",
}
_STANDINGS = {
    Standing.READ: "read in the source",
    Standing.QUOTED: "read where the source is quoted",
    Standing.NAMED: "recalled from a named source",
    Standing.DERIVED: "worked out",
    Standing.PRACTICE: "by common practice",
    Standing.MEMORY: "from memory",
    Standing.STATED: "as stated in land_sources.toml",
}


def announcement(plan: LandPlan) -> str:
    """Return what would be asked of whom, how much, and under which licence."""
    west, south, east, north = plan.needed
    lines = [
        f"{plan.property_name}: land of {plan.wide_m / 1000:.1f} × {plan.high_m / 1000:.1f} km, "
        f"latitude {south:.5f} to {north:.5f}, longitude {west:.5f} to {east:.5f}, and {plan.spare_m:.0f} m around it."
    ]
    if plan.there:
        lines += ["There already, not asked for:", *(f"  {entry.file}" for entry in plan.there)]
    lines += [f"  {name} was changed since it was fetched: left alone; take it away to fetch it anew." for name in plan.changed]
    lines += [f"  {tile.source} {tile.tile}: {tile.why}" for tile in plan.missing]
    if plan.wishes:
        lines.append(f'Would be asked for, as "{plan.agent}":')
        for source in dict.fromkeys(wish.source for wish in plan.wishes):
            lines += _about(source, [wish for wish in plan.wishes if wish.source == source])
        total = sum(wish.expected_mb for wish in plan.wishes)
        lines.append(
            f"About {_mb(total)} in all, never more than {_mb(plan.most_mb)} (--most-mb). "
            "The places of your sites are not told; the box around them is, and your address on the network."
        )
    else:
        lines.append("Nothing needs to be asked for.")
    lines += _others(plan.others)
    return "\n".join(lines)


def _about(source: LandSource, wishes: list[Wish]) -> list[str]:
    facts = [source.title]
    if source.gives is Gives.ELEVATION:
        facts.append("bare earth" if source.holds == "ground" else "surface with trees and roofs")
        if source.height_datum:
            facts.append(f"heights above {source.height_datum}")
    lines = [f"  {source.gives}: {', '.join(facts)}"]
    lines += [f"    {_WAYS[wish.way].format(address=wish.address)}: about {_mb(wish.expected_mb)}" for wish in wishes]
    if source.own:
        lines.append("    stated in land_sources.toml of this folder, not in the table of meshplan")
    if source.tile_list:
        lines.append(f"    only if a tile is missing: {source.tile_list}")
    lines += [f"    licence: {source.licence}", f"    credit on map and report: {source.credit}"]
    if source.check:
        lines.append(f"    check: {_known(source)} ({source.source})")
    if source.note:
        lines.append(f"    {source.note}")
    return lines


def _known(source: LandSource) -> str:
    """Return how well a source is known, in words."""
    return f"figures {_STANDINGS[source.standing]}, address {_STANDINGS[source.address_standing]}"


def _others(others: tuple[LandSource, ...]) -> list[str]:
    if not others:
        return []
    lines = ["Also covers this land, and is not asked:"]
    for source in others:
        option = {Gives.ELEVATION: "--elevation", Gives.FEATURES: "--features", Gives.LAND_COVER: "--land-cover"}[source.gives]
        how = f"by hand from {source.address}" if source.access is Access.PAGE else f"{option} {source.name}"
        lines.append(f"  {source.title}: {how}")
    return lines


def _mb(value: float) -> str:
    return f"{value:.1f} MB" if value < 10 else f"{value:.0f} MB"


def outcome_text(outcome: LandOutcome, folder: str) -> str:
    """Return what came, what did not, and what to write in property.toml."""
    lines = [*(f"Fetched {entry.file}, {entry.size / 1000:.0f} kB ({entry.source})" for entry in outcome.came if entry.fetched)]
    lines += [f"{name} was put there by hand: it is taken as it is." for name in outcome.by_hand]
    if outcome.requests:
        lines.append(f"{outcome.requests} requests, {outcome.received_bytes / 1e6:.2f} MB.")
    lines += [f"{tile.source} {tile.tile}: {tile.why}" for tile in outcome.missing]
    lines += outcome.notes
    lines += not_come_lines(outcome.not_come, folder)
    if outcome.lines:
        lines += [
            "Write in property.toml, above its first table in brackets, in place of lines of the same keys:",
            *(f"  {line}" for line in outcome.lines),
        ]
    elif outcome.files:
        lines.append("property.toml names all that can be named.")
    return "\n".join(lines)


def not_come_lines(not_come: tuple[NotCome, ...], folder: str) -> list[str]:
    """Return what did not come and how to do it by hand."""
    faults = [failed for failed in not_come if not failed.no_way]
    lines = [line for failed in faults for line in (f"Not fetched: {failed.where}: {failed.why}", f"  {failed.fix}")]
    no_way = [failed for failed in not_come if failed.no_way]
    if no_way:
        hosts = ", ".join(dict.fromkeys(urlsplit(failed.wish.address).netloc for failed in no_way))
        why = ", ".join(dict.fromkeys(failed.why for failed in no_way))
        lines.append(f"No way to {hosts} ({why}).")
    by_hand = [failed for failed in not_come if failed.wish.by_hand]
    if by_hand:
        lines.append("By hand, on a machine with a network, and carried here:")
        for failed in by_hand:
            lines += [f"  {failed.wish.by_hand}", f"    save as {folder}/{failed.wish.file}"]
        lines.append(f"Then run `meshplan land {folder}` again: what lies in its place is taken and not asked for.")
    return lines


def plan_as_dict(plan: LandPlan) -> dict[str, Any]:
    """Return a plan as plain values for scripts."""
    return {
        "property": plan.property_name,
        "needed_west_south_east_north": list(plan.needed),
        "would_ask": [
            {
                "source": wish.source.name,
                "gives": wish.source.gives.value,
                "address": wish.address,
                "way": wish.way,
                "expected_mb": wish.expected_mb,
                "file": wish.file,
                "by_hand": wish.by_hand,
                "licence": wish.source.licence,
                "credit": wish.source.credit,
                "check": wish.source.check,
            }
            for wish in plan.wishes
        ],
        "there": [entry.file for entry in plan.there],
        "changed": list(plan.changed),
        "missing": [record_to_values(tile) for tile in plan.missing],
        "agent": plan.agent,
        "most_mb": plan.most_mb,
    }


def outcome_as_dict(outcome: LandOutcome) -> dict[str, Any]:
    """Return an outcome as plain values for scripts."""
    return {
        "files": [record_to_values(entry) for entry in outcome.files],
        "fetched": [entry.file for entry in outcome.came],
        "missing": [record_to_values(tile) for tile in outcome.missing],
        "not_fetched": [
            {
                "file": failed.wish.file,
                "why": failed.why,
                "fix": failed.fix,
                "no_way": failed.no_way,
                "by_hand": failed.wish.by_hand,
            }
            for failed in outcome.not_come
        ],
        "notes": list(outcome.notes),
        "property_toml": list(outcome.lines),
        "requests": outcome.requests,
        "received_bytes": outcome.received_bytes,
    }


def sources_text(sources: dict[str, LandSource]) -> str:
    """Return the table of sources in words."""
    lines = []
    for source in sources.values():
        west, south, east, north = source.extent
        whole = source.extent == (-180.0, -90.0, 180.0, 90.0)
        facts = [
            source.gives.value,
            *([f"cells of {source.cell_m:g} m"] if source.cell_m else []),
            *([{"ground": "bare earth", "surface": "surface with trees and roofs"}[source.holds]] if source.holds else []),
            *([f"heights above {source.height_datum}"] if source.height_datum else []),
            "worldwide" if whole else f"{south:g} to {north:g} N, {west:g} to {east:g} E",
        ]
        lines += [
            f"{source.name}: {source.title}",
            f"  {', '.join(facts)}",
            f"  {'by hand from ' if source.access is Access.PAGE else ''}{source.address}",
            f"  licence: {source.licence}; credit: {source.credit}",
            f"  {'check: ' if source.check else ''}{_known(source)} ({source.source})",
            *([f"  {source.note}"] if source.note else []),
            "",
        ]
    return "\n".join(
        [
            *lines,
            "A file land_sources.toml in the property folder adds sources or replaces some. The least that one says:",
            "  [[source]]",
            '  name = "my-mirror"',
            '  gives = "elevation"            # or "features", "land cover"',
            '  holds = "ground"               # or "surface"; for elevation',
            '  access = "file"                # or "tiles", "catalogue", "question", "page"',
            '  address = "https://…"',
            '  licence = "…"',
            '  credit = "…"',
        ]
    )
