"""Files named by a STAC item search: pages of items, the right file of each, signed links left out.

Notes
-----
STAC API, item search (v1.0): `GET …/search?collections=…&bbox=W,S,E,N&limit=…`, and the same at `…/collections/ID/items` (OGC API -
Features). The next page is the link `rel="next"`, by GET or by POST with a body, to be merged with the first one where it says so;
only its absence is the end. A landing page names its search by the link `rel="search"`. A static catalogue has neither and is not
walked through.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final
from urllib.parse import urlencode, urlsplit

from meshplan.fetching.addresses import ANOTHER, is_signed, joined, shown_address
from meshplan.fetching.client import Client
from meshplan.fetching.faults import FetchError
from meshplan.records.land import Box, LandSource, meets, on_the_globe

MOST_PAGES: Final = 50
MOST_ITEMS: Final = 500
_PAGE_BYTES: Final = 20_000_000
_LIMIT: Final = 100
_KIND: Final = "application/geo+json, application/json"
_TIFF: Final = ("image/tiff", "image/geotiff", "image/vnd.stac.geotiff", "application/geotiff")
_NOT_LAND: Final = frozenset({"overview", "thumbnail", "metadata", "visual", "hillshade"})


@dataclass(frozen=True)
class Named:
    """One file that a catalogue names."""

    address: str
    box: Box
    when: str
    cell_m: float
    """Its cell as the catalogue says it; 0 where it says nothing."""


@dataclass(frozen=True)
class Found:
    """What a search found."""

    files: tuple[Named, ...]
    signed: int
    """Files that are left out because their links are signed: they need an account."""
    older: int
    """Files that newer ones of the same land replace."""
    pages: int


def search(client: Client, source: LandSource, box: Box) -> Found:
    """Return the files of a catalogue over a box, the newest of each piece of land, sorted by their address."""
    items: list[tuple[str, dict[str, Any]]] = []
    asked: set[tuple[str, str]] = set()
    url, method, body = _first_question(source, box), "GET", None
    first_body: dict[str, Any] = {"bbox": list(on_the_globe(box)), "limit": _LIMIT} | (
        {"collections": list(source.collections)} if source.collections else {}
    )
    pages = 0
    while True:
        mark = (url, json.dumps(body, sort_keys=True))
        if mark in asked or pages >= MOST_PAGES:
            why = "names a page twice" if mark in asked else f"has more than {MOST_PAGES} pages"
            raise FetchError(f"the catalogue {why}", where=shown_address(url), fix="Ask for less land, or name another source.")
        asked.add(mark)
        document = _page(client, url, method, body)
        if document.get("type") != "FeatureCollection":
            leads_to = _link(document, "search") if pages == 0 else None
            if leads_to is None or (url, "moved") in asked:
                raise FetchError("answers with no list of items", where=shown_address(url), fix=ANOTHER)
            asked.add((url, "moved"))
            url = _first_question(replace(source, address=_same_host(url, leads_to)), box)
            continue
        pages += 1
        features = document.get("features")
        for item in features if isinstance(features, list) else []:
            if isinstance(item, dict):
                items.append((url, item))
        if len(items) > MOST_ITEMS:
            raise FetchError(
                f"the catalogue names more than {MOST_ITEMS} files",
                where=shown_address(url),
                fix="Ask for less land, or take coarser data.",
            )
        following = _link(document, "next")
        if following is None:
            break
        url, method, body = _next_question(url, following, first_body)
    return _chosen(items, source, box, pages)


def _first_question(source: LandSource, box: Box) -> str:
    bbox = ",".join(f"{value:.6f}" for value in on_the_globe(box))
    words = {"bbox": bbox, "limit": str(_LIMIT)}
    if source.collections and not urlsplit(source.address).path.rstrip("/").endswith("/items"):
        words["collections"] = ",".join(source.collections)
    sign = "&" if urlsplit(source.address).query else "?"
    return f"{source.address}{sign}{urlencode(words, safe=',')}"


def _page(client: Client, url: str, method: str, body: dict[str, Any] | None) -> dict[str, Any]:
    if method == "POST":
        sent = json.dumps(body or {}).encode("utf-8")
        answer = client.post(url, sent, "application/json", most_bytes=_PAGE_BYTES, accept=_KIND)
    else:
        answer = client.get(url, most_bytes=_PAGE_BYTES, accept=_KIND)
    try:
        document = json.loads(answer.body.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise FetchError("answers with no list of items", where=shown_address(url), fix=ANOTHER) from error
    if not isinstance(document, dict):
        raise FetchError("answers with no list of items", where=shown_address(url), fix=ANOTHER)
    return document


def _link(document: Mapping[str, Any], rel: str) -> dict[str, Any] | None:
    links = document.get("links")
    for link in links if isinstance(links, list) else []:
        if isinstance(link, dict) and link.get("rel") == rel and isinstance(link.get("href"), str):
            if rel == "search" and str(link.get("method", "GET")).upper() != "GET":
                continue
            return link
    return None


def _same_host(url: str, link: Mapping[str, Any]) -> str:
    """Return where a link of a page leads, which must be the host that the user agreed to."""
    there = joined(url, str(link["href"]))
    if urlsplit(there).netloc.casefold() != urlsplit(url).netloc.casefold():
        raise FetchError(f"its next page lies on another host: {shown_address(there)}", where=shown_address(url), fix=ANOTHER)
    return there


def _next_question(url: str, link: Mapping[str, Any], first_body: dict[str, Any]) -> tuple[str, str, dict[str, Any] | None]:
    there = _same_host(url, link)
    if str(link.get("method", "GET")).upper() != "POST":
        return there, "GET", None
    stated = link.get("body")
    body = stated if isinstance(stated, dict) else {}
    return there, "POST", ({**first_body, **body} if link.get("merge") is True else body)


def _chosen(items: list[tuple[str, dict[str, Any]]], source: LandSource, box: Box, pages: int) -> Found:
    signed = older = 0
    newest: dict[tuple[float, ...], Named] = {}
    for url, item in items:
        found, was_signed = _file_of(item, url, source)
        signed += was_signed
        turned = [(box[0] + turn, box[1], box[2] + turn, box[3]) for turn in (-360.0, 0.0, 360.0)]
        if found is None or not any(meets(found.box, one) for one in turned):
            continue
        key = tuple(round(side, 4) for side in found.box)
        other = newest.get(key)
        if other is not None:
            older += 1
        if other is None or (found.when, found.address) > (other.when, other.address):
            newest[key] = found
    return Found(tuple(sorted(newest.values(), key=lambda named: named.address)), signed, older, pages)


def _file_of(item: dict[str, Any], url: str, source: LandSource) -> tuple[Named | None, bool]:
    """Return the file of an item that holds the land, and whether only signed ones are there."""
    box = _box(item.get("bbox"))
    assets, properties = item.get("assets"), item.get("properties")
    if box is None or not isinstance(assets, dict):
        return None, False
    facts = properties if isinstance(properties, dict) else {}
    when = str(facts.get("datetime") or facts.get("end_datetime") or facts.get("start_datetime") or "")[:40]
    candidates: list[tuple[str, Named]] = []
    signed = False
    own = next((link for link in item.get("links") or [] if isinstance(link, dict) and link.get("rel") == "self"), {})
    base = joined(url, str(own.get("href", url)))
    for key in sorted(assets):
        asset = assets[key]
        if not isinstance(asset, dict) or not isinstance(asset.get("href"), str) or not _is_land(key, asset):
            continue
        if source.assets and key not in source.assets:
            continue
        address = joined(base, asset["href"])
        if is_signed(address) or asset.get("auth:refs"):
            signed = True
            continue
        candidates.append((key, Named(address, box, when, _cell_m(asset, facts))))
    if not candidates:
        return None, signed
    off = {key: abs(named.cell_m - source.cell_m) if named.cell_m and source.cell_m else math.inf for key, named in candidates}
    best = [(key, named) for key, named in candidates if off[key] == min(off.values())]
    if len(best) > 1:
        keys = ", ".join("".join(letter for letter in key if letter.isprintable())[:40] for key, _ in best[:6])
        raise FetchError(
            f"its items name several files that may be meant ({keys})",
            where=shown_address(url),
            fix=f"Say which in land_sources.toml, source '{source.name}': assets = \"…\".",
        )
    return best[0][1], False


def _is_land(key: str, asset: Mapping[str, Any]) -> bool:
    roles = asset.get("roles")
    words = {str(role).casefold() for role in roles} if isinstance(roles, list) else set()
    kind = str(asset.get("type", "")).partition(";")[0].strip().casefold()
    return kind in _TIFF and not words & _NOT_LAND and key.casefold() not in _NOT_LAND


def _cell_m(asset: Mapping[str, Any], facts: Mapping[str, Any]) -> float:
    for table in (asset, facts):
        for key in ("gsd", "eo:gsd", "raster:spatial_resolution"):
            value = table.get(key)
            if isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < 1e6:
                return float(value)
    return 0.0


def _box(value: object) -> Box | None:
    if not isinstance(value, list) or len(value) not in (4, 6):
        return None
    numbers = [
        float(number) for number in value if isinstance(number, int | float) and not isinstance(number, bool) and abs(number) < 1e9
    ]
    if len(numbers) != len(value):
        return None
    half = len(numbers) // 2
    return numbers[0], numbers[1], numbers[half], numbers[half + 1]
