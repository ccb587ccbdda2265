"""A new figure for users is one field of a record: tables, exports and the page list it by themselves."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import meshplan

FIELDS = {
    "link.py": (
        '    """Key of the radio class at both ends."""\n',
        '    jitter_db: float = figure("Jitter of the level, dB", 1.25)\n',
    ),
    "device.py": (
        '    """Relays only: the sensor that this very device is, where a sensor forwards for others."""\n',
        '    painted: str = figure("Colour of its box", "green")\n',
    ),
    "plan.py": (
        '    """Share of readings that arrive in the busiest hour, all tries counted."""\n',
        '    detours: int = figure("Detours", 3)\n',
    ),
}
SEEN = """
import json
from plan_fixture import make_plan
from meshplan.records.codec import plan_from_json, plan_to_json
from meshplan.reporting.exports import geo_frames
from meshplan.reporting.map.data import page_data
from meshplan.assembly.page_records import MapLandscape
from meshplan.reporting.plan_files import csv_tables, plan_geojson
from map_fixture import make_landscape
plan = make_plan()
tables = csv_tables(plan)
frames = {name: frame for name, (_, frame) in geo_frames(plan).items()}
features = {one["properties"]["layer"]: one["properties"] for one in plan_geojson(plan)["features"]}
page = page_data(plan, make_landscape())
print(json.dumps({
    "stored": plan_from_json(plan_to_json(plan), where="plan.json") == plan,
    "links": tables["links"][0].index("jitter_db") >= 0 and tables["links"][1][0][tables["links"][0].index("jitter_db")],
    "devices": tables["devices"][1][0][tables["devices"][0].index("painted")],
    "gpkg": [frames["links"]["jitter_db"].iloc[0], frames["devices"]["painted"].iloc[0], int(frames["routes"]["detours"].iloc[0])],
    "types": [str(frames["links"]["jitter_db"].dtype), str(frames["routes"]["detours"].dtype)],
    "geojson": [features["link"]["jitter_db"], features["device"]["painted"], features["route"]["detours"]],
    "words": page["figures"], "page": [page["links"][0]["jitter_db"], page["devices"][0]["painted"], page["routes"][0]["detours"]],
}))
"""


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What a copy of the package shows whose links, devices and routes have one field more each."""
    home = tmp_path_factory.mktemp("package")
    shutil.copytree(Path(meshplan.__file__).parent, home / "meshplan", ignore=shutil.ignore_patterns("__pycache__"))
    for name, (before, field) in FIELDS.items():
        path = home / "meshplan" / "records" / name
        written = path.read_text(encoding="utf-8")
        assert written.count(before) == 1
        more = "" if "import figure" in written else "\nfrom meshplan.records.figures import figure"
        written = written.replace(before, before + field).replace("annotations\n", f"annotations\n{more}\n", 1)
        path.write_text(written, encoding="utf-8")
    tests = Path(__file__).resolve().parents[1]
    paths = [str(home), str(tests), str(tests / "reporting"), str(tests / "reporting" / "map")]
    code = f"import sys; sys.path[:0] = {paths!r}\n{SEEN}"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    return found


def test_tables_and_exports_list_a_new_field(seen: dict[str, Any]) -> None:
    assert seen["stored"]
    assert seen["links"] == 1.25
    assert seen["devices"] == "green"
    assert seen["gpkg"] == seen["geojson"] == [1.25, "green", 3]
    assert seen["types"] == ["float64", "int64"]


def test_the_page_lists_a_new_field_in_its_words(seen: dict[str, Any]) -> None:
    assert seen["page"] == [1.25, "green", 3]
    assert seen["words"] == {
        "device": [{"name": "painted", "words": "Colour of its box"}],
        "link": [{"name": "jitter_db", "words": "Jitter of the level, dB"}],
        "route": [{"name": "detours", "words": "Detours"}],
    }
