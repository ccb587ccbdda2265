"""Coverage layers of a map that was written before, read back: pictures as they lie on it, with the classes of its key."""

from __future__ import annotations

import json
import re
from typing import Any, Final

_DATA: Final = re.compile(r'<script type="application/json" id="plan-data">(?P<data>.*?)</script>', re.DOTALL)
_OVERLAY: Final = re.compile(
    r'var (?P<name>\w+) = L\.imageOverlay\(\s*"(?P<uri>data:image/webp;base64,[A-Za-z0-9+/=]+)",'
    r"\s*(?P<bounds>\[\[[-+.,eE0-9\s\[\]]*\]\])"
)


def coverage_layers(page: str) -> list[dict[str, Any]]:
    """Return the coverage layers of a map, each with name, note, classes, picture (data URI) and bounds; none where it has none."""
    found = _DATA.search(page)
    if found is None:
        return []
    try:
        data = json.loads(found["data"])
        names, layers = data["map"]["coverage"], data["coverage"]
        pictures = {one["name"]: (one["uri"], json.loads(one["bounds"])) for one in _OVERLAY.finditer(page)}
        return [{**layer, "uri": pictures[name][0], "bounds": pictures[name][1]} for name, layer in zip(names, layers, strict=True)]
    except (ValueError, LookupError, TypeError):
        return []
