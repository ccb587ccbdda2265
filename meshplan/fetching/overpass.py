"""Map features by one question in the Overpass language, and what came, judged: an answer with a remark is no empty map."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlencode

from meshplan.fetching.addresses import shown_address
from meshplan.fetching.client import Answer, Client
from meshplan.fetching.faults import FetchError
from meshplan.records.land import Box, LandSource, on_the_globe

SECONDS: Final = 60
MOST_MEMORY: Final = 134_217_728
WAIT_S: Final = 90.0
"""The endpoint may think so long before the first byte comes."""
PAUSE_S: Final = 30.0
"""First pause where the endpoint is busy and names none; doubled each time."""
AGAIN: Final = "Try again later, or fetch an extract by hand."

# Which keys are asked for: what stands on the land or is dangerous. Their meaning stands in the table of the reader of such files.
_QUESTION: Final = """[out:xml][timeout:{seconds}][maxsize:{memory}][bbox:{south},{west},{north},{east}];
(
nwr["natural"~"^(wood|scrub|shrubbery|heath|grassland|wetland|tree|tree_row|tree_group|water|bare_rock|scree|sand)$"];
nwr["landuse"~"^(forest|orchard|vineyard|plant_nursery|farmland|meadow|grass|farmyard|allotments)$"];
nwr["landuse"~"^(greenhouse_horticulture|reservoir|basin|residential|industrial|commercial)$"];
nwr["landcover"="trees"];
nwr["building"];
nwr["building:part"];
way["barrier"~"^(hedge|wall|fence|retaining_wall|city_wall)$"];
nwr["power"];
nwr["construction:power"];
nwr["disused:power"];
way["communication"="line"];
way["railway"]["electrified"="contact_line"];
nwr["man_made"~"^(pipeline|silo|storage_tank|tower|mast|water_tower|chimney)$"];
way["waterway"];
);
(._;>;);
out body;
"""


@dataclass(frozen=True)
class Features:
    """Map features as they came."""

    data: bytes
    count: int
    """Ways and relations."""
    state: str
    """Time of the data, as the answer states it."""


def question_for(box: Box) -> str:
    """Return the question for a box of degrees; order and language by the manual (box: south, west, north, east)."""
    west, south, east, north = (f"{value:.6f}" for value in on_the_globe(box))
    return _QUESTION.format(seconds=SECONDS, memory=MOST_MEMORY, south=south, west=west, north=north, east=east)


def by_hand(source: LandSource, box: Box) -> str:
    """Return an address that a browser can open for the same answer."""
    question = " ".join(question_for(box).split())
    return f"{source.address}?{urlencode({'data': question})}"


def ask_features(client: Client, source: LandSource, box: Box) -> Features:
    """Return the features of a box, judged."""
    most = int(source.most_mb * 1e6)
    answer = client.post_form(source.address, {"data": question_for(box)}, most_bytes=most, read_s=WAIT_S, pause_s=PAUSE_S)
    return judge_features(answer, source.address)


def judge_features(answer: Answer, address: str) -> Features:
    """Return what an answer holds; a page, a remark, an error, or an answer without its end is a `FetchError`."""
    shown = shown_address(address)
    head = answer.body[:2000].lstrip(b"\xef\xbb\xbf \t\r\n")
    if not head.startswith((b"<?xml", b"<osm")) or b"<osm" not in head:
        raise FetchError("the answer holds no map features", where=shown, fix=AGAIN)
    if re.search(rb"<!(?:DOCTYPE|ENTITY)", answer.body, re.IGNORECASE):
        raise FetchError("the answer declares a document type, which map data do not need", where=shown, fix=AGAIN)
    count, state = 0, ""
    try:
        for event, element in ET.iterparse(io.BytesIO(answer.body), events=("start", "end")):
            name = element.tag
            if event == "start":
                if name == "meta":
                    state = element.get("osm_base", "")[:40]
                continue
            if name in ("remark", "error"):
                words = "".join(letter if letter.isprintable() else " " for letter in (element.text or "no words"))
                raise FetchError(f"the answer is not whole, the server says: {words.strip()[:200]}", where=shown, fix=AGAIN)
            count += name in ("way", "relation")
            if name in ("node", "way", "relation"):
                element.clear()
    except ET.ParseError as error:
        raise FetchError("the answer breaks off or is damaged", where=shown, fix=AGAIN) from error
    return Features(answer.body, count, state if state.isprintable() else "")
