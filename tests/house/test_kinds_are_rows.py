"""A new kind of cover or wall is one row: its words, colour, column, assumed height and loss follow from there."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import meshplan
from meshplan.errors import MeshplanError
from meshplan.kinds import COVER_KINDS, FIELD_CROPS, WALL_KINDS, cover_kinds, wall_kinds

BAMBOO = """
[bamboo]
words = "bamboo"
colour = "#123456"
height_m = 6.5
line_width_m = 3.0
also_called = ["cane brake"]
[bamboo.plant]
form = "slab"
db_per_m = [0.2, 0.3, 0.5]
most_db = [10.0, 12.0, 20.0]
bare_factor = 1.0
wet_add = 0.2
spread_share = 0.35
least_spread_db = 1.0
standing = "practice"
source = "invented for a test"
"""
CLAY = """
[clay_400mm]
low_db = [10.0, 16.0, 20.0]
high_db = [14.0, 20.0, 30.0]
inside = "home"
also_called = ["clay"]
standing = "memory"
"""
SEEN = """
import json
from pathlib import Path
import numpy as np
from shapely import box
from link_stations import links_between, make_site
from landscapes import make_landscape
from meshplan.explain.describe import describe_links
from meshplan.explain.obstacles import cover_words
from meshplan.inputs.cover_columns import PLAIN_WORDS, describe_cover_columns
from meshplan.inputs.site_columns import describe_site_columns
from meshplan.inputs.walls import WALL_WORDS
from meshplan.loss.walls import enclosure_loss_db
from meshplan.propagation.vegetation import cover_loss_db, cover_spread_db
from meshplan.records import Cover
from meshplan.reporting.map.palette import cover_colour
from landscapes import NORTH_M, WEST_M
flat = np.full((200, 200), 50.0)
brake = Cover("brake", "bamboo", box(WEST_M + 90, NORTH_M - 200, WEST_M + 110, NORTH_M), 6.5)
lost = []
for covers in ((), (brake,)):
    land = make_landscape(flat, covers=covers)
    table = links_between([make_site("a", 20, 100, 2.0), make_site("b", 180, 100, 2.0)], land)
    lost.append(float(table.losses.vegetation_db[0, 0]))
print(json.dumps({
    "column": "bamboo" in describe_cover_columns(), "word": PLAIN_WORDS["cane brake"], "colour": cover_colour("bamboo"),
    "words": cover_words(brake), "loss_db": float(cover_loss_db("bamboo", 10.0, 868.0)),
    "spread_db": float(cover_spread_db("bamboo", 10.0, 868.0, 3.0)), "link_db": lost,
    "wall": "clay_400mm" in describe_site_columns(), "wall_word": WALL_WORDS["clay"],
    "wall_db": enclosure_loss_db("clay_400mm", 868.0),
}))
"""


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What a copy of the package shows that has one row more in either table."""
    home = tmp_path_factory.mktemp("package")
    package = Path(meshplan.__file__).parent
    shutil.copytree(package, home / "meshplan", ignore=shutil.ignore_patterns("__pycache__"))
    for name, row in (("cover_kinds.toml", BAMBOO), ("walls.toml", CLAY)):
        with (home / "meshplan" / "data" / name).open("a", encoding="utf-8") as table:
            table.write(row)
    tests = Path(__file__).resolve().parents[1]
    code = f"import sys; sys.path[:0] = [{str(home)!r}, {str(tests)!r}]\n{SEEN}"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    return found


def test_a_new_kind_of_cover_is_one_row(seen: dict[str, Any]) -> None:
    assert seen["column"]
    assert seen["word"] == "bamboo"
    assert seen["words"] == "bamboo 'brake'"
    assert seen["colour"] == "#123456"
    assert seen["loss_db"] == pytest.approx(3.0)
    assert seen["spread_db"] == pytest.approx(1.0 + 0.35 * 3.0)
    bare_db, through_db = seen["link_db"]
    assert bare_db == 0.0
    assert 3.0 < through_db <= 6.0 + 1e-9, "20 m at 0.3 dB/m, by the part of the zone that they fill, or over them"


def test_a_new_kind_of_wall_is_one_row(seen: dict[str, Any]) -> None:
    assert seen["wall"]
    assert seen["wall_word"] == "clay_400mm"
    assert seen["wall_db"] == pytest.approx(18.0)


def test_a_row_that_lacks_a_field_is_named() -> None:
    with pytest.raises(MeshplanError, match="has no colour") as lacking:
        cover_kinds(BAMBOO.replace('colour = "#123456"\n', ""))
    assert lacking.value.where == "cover_kinds.toml, [bamboo]"
    with pytest.raises(MeshplanError, match="db_per_m is not three numbers") as short:
        cover_kinds(BAMBOO.replace("[0.2, 0.3, 0.5]", "[0.2, 0.3]"))
    assert short.value.where == "cover_kinds.toml, [bamboo.plant]"
    with pytest.raises(MeshplanError, match="has a thickness, which means nothing"):
        wall_kinds(CLAY + "thickness = 400\n")


def test_the_packaged_tables_hold_together() -> None:
    assert FIELD_CROPS == ("maize", "cereal", "grass")
    assert all(len(COVER_KINDS[name].heights_by_month_m) == 12 for name in FIELD_CROPS)
    assert all(len(kind.colour) == 7 and kind.colour.startswith("#") for kind in COVER_KINDS.values())
    words = [word for kind in COVER_KINDS.values() for word in kind.also_called]
    assert len(set(words)) == len(words)
    assert all(wall.inside or wall.lid for wall in WALL_KINDS.values())
