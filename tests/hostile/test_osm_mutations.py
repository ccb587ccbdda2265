"""Damaged extracts of OpenStreetMap, as XML and binary: one message or a sound answer, never a traceback, a hang or a lie."""

from __future__ import annotations

import random
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest
from osm_extract import Extract, usual_extract
from small_property import lay_small_property

from hostile.mutations import NUMBERS, WORDS, judge, mutate_bytes, run_words

FAST, SLOW = 24, 250
"""Seeds of each kind."""
KEYS = (
    "natural", "landuse", "barrier", "building", "building:levels", "building:part", "height", "width", "diameter_crown",
    "leaf_type", "crop", "power", "voltage", "man_made", "location", "area", "type", "roof:levels",
    "roof:height", "construction:power",
)  # fmt: skip
ODD_WORDS = tuple(word.replace("\0", "").replace("\u200b", " ") for word in WORDS)


def land_and_wires() -> Extract:
    made = usual_extract()
    made.line([(212, 100), (212, 500)], {"power": "line", "voltage": "110000;20000"})
    made.line([(84, 200), (84, 400)], {"man_made": "pipeline", "substance": "gas"})
    made.node((212, 300), power="tower")
    outer = made.area([(450, 210), (590, 210), (590, 290), (450, 290)], {})
    inner = made.area([(480, 230), (520, 230), (520, 260), (480, 260)], {"landuse": "meadow"})
    made.relation([(outer, "outer"), (inner, "inner")], {"type": "multipolygon", "landuse": "forest"})
    return made


def mutate_xml(path: Path, rng: random.Random) -> str:
    """Change one attribute, tag, member or order of an extract that stays well-formed."""
    root = ElementTree.fromstring(path.read_text(encoding="utf-8"))
    kind = rng.choice(("place", "tag", "tag", "tag", "more", "drop", "swap", "double", "ref", "number", "name", "remark"))
    one = rng.choice(list(root))
    if kind == "place":
        node = rng.choice(root.findall("node"))
        node.set(rng.choice(("lat", "lon", "id")), str(rng.choice((*NUMBERS[:-3], *ODD_WORDS))))
    elif kind == "tag":
        tag = rng.choice(list(root.iter("tag")))
        tag.set(rng.choice(("v", "v", "v", "k")), str(rng.choice((*NUMBERS[:-3], *ODD_WORDS))))
    elif kind == "more":
        ElementTree.SubElement(one, "tag", k=rng.choice(KEYS), v=str(rng.choice((*NUMBERS[:-3], *ODD_WORDS))))
    elif kind == "drop":
        root.remove(one)
    elif kind == "swap":
        children = list(root)
        rng.shuffle(children)
        root[:] = children
    elif kind == "double":
        root.append(one)
    elif kind in ("ref", "number"):
        holder = rng.choice(list(root.iter("nd")) + list(root.iter("member"))) if kind == "ref" else one
        holder.set("ref" if kind == "ref" else "id", str(rng.choice((0, -1, 2**63, 10**30, "x", "", 1, 1001))))
    elif kind == "name":
        one.tag = rng.choice(("node", "way", "relation", "osm", "remark", "bounds"))
    else:
        ElementTree.SubElement(root, "remark").text = rng.choice(("runtime error", "", "a" * 5000))
    path.write_bytes(ElementTree.tostring(root, encoding="utf-8", xml_declaration=True))
    return kind


def faults_of(whole: Path, scratch: Path, name: str, seeds: range) -> list[str]:
    found = []
    for seed in seeds:
        rng = random.Random(seed)
        shutil.rmtree(scratch, ignore_errors=True)
        shutil.copytree(whole, scratch)
        change = mutate_bytes if name.endswith(".pbf") or rng.random() < 0.3 else mutate_xml
        told = change(scratch / name, rng)
        words = ["check", str(scratch)]
        code, said, output, _ = run_words(words, scratch)
        found += [f"{name}, seed {seed}, {told}: {fault}" for fault in judge(words, code, said, output, scratch)]
    return found


@pytest.fixture(scope="module", params=["cover.osm", "cover.osm.pbf"])
def whole(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    name = str(request.param)
    folder = lay_small_property(tmp_path_factory.mktemp("extract"), settings=f'cover = "{name}"\n')
    land_and_wires().write(folder / name)
    code, said, *_ = run_words(["check", str(folder)], folder)
    assert code == 0, said
    return folder, name


@pytest.mark.filterwarnings("ignore")
def test_no_damaged_extract_ends_in_a_fault_a_lie_or_a_hang(whole: tuple[Path, str], tmp_path: Path) -> None:
    assert faults_of(whole[0], tmp_path / "case", whole[1], range(FAST)) == []


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_more_damaged_extracts(whole: tuple[Path, str], tmp_path: Path) -> None:
    assert faults_of(whole[0], tmp_path / "case", whole[1], range(FAST, FAST + SLOW)) == []
