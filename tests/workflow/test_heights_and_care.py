"""An end moved above the roof leaves its walls; advice to climb comes with the cautions of its height, wherever it is given."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from shapely import box
from small_property import CRS, SOUTH_M, WEST_M, bank, changed, lay_small_property, usual_sites, write_sites

from meshplan.cli import main
from meshplan.inputs.cautions import read_caution_rules
from meshplan.operation.cautions import advised_cautions
from meshplan.records import Remedy
from meshplan.workflow import profile_between

TEXT = {rule.key: rule.text for rule in read_caution_rules()}


def barn_holding(folder: Path, *, house_agl_m: float) -> Path:
    """Lay the holding with a barn of 6 m in brick around the gateway."""
    lay_small_property(
        folder,
        sites=changed(usual_sites(), {"House": {"antenna_agl_m": house_agl_m}}),
        heights=np.full((120, 120), 100.0, np.float32),
    )
    barn = box(WEST_M + 50, SOUTH_M + 290, WEST_M + 70, SOUTH_M + 310)
    cover = gpd.GeoDataFrame(
        {"name": ["Barn"], "kind": ["building"], "height_m": [6.0], "wall": ["brick"], "error_m": [1.0]}, geometry=[barn], crs=CRS
    )
    cover.to_file(folder / "cover.gpkg")
    text = (folder / "property.toml").read_text(encoding="utf-8")
    (folder / "property.toml").write_text(text + 'cover = "cover.gpkg"\n', encoding="utf-8")
    return folder


def test_a_profile_above_the_roof_has_no_wall_as_from_the_sites_file(tmp_path: Path) -> None:
    low, high = barn_holding(tmp_path / "low", house_agl_m=4.0), barn_holding(tmp_path / "high", house_agl_m=9.0)
    inside, _, assumed_inside = profile_between(low, "Bed", "House")
    above, _, assumed_above = profile_between(low, "Bed", "House", antenna_b_agl_m=9.0)
    from_file, _, _ = profile_between(high, "Bed", "House")
    assert above.margin_db == pytest.approx(from_file.margin_db, abs=1e-9)
    assert above.margin_db > inside.margin_db + 3.0  # the wall of brick
    wall = "House stands inside Barn at 4 m, below its roof"
    assert any(wall in line for line in assumed_inside)
    assert not any(wall in line for line in assumed_above)
    assert "At 9 m House stands above the roof of Barn: no wall is counted." in assumed_above
    # and the other way: an end that sinks below the roof gets the wall
    sunk, _, assumed_sunk = profile_between(high, "Bed", "House", antenna_b_agl_m=4.0)
    assert sunk.margin_db == pytest.approx(inside.margin_db, abs=1e-9)
    assert any(wall in line for line in assumed_sunk)


def remedy(height_m: float | None, *, above_roof: bool = False) -> Remedy:
    return Remedy("Raise it", "House", 5.0, 0.9, suffices=True, raised_to_m=height_m, above_roof=above_roof)


@pytest.mark.parametrize(
    ("advice", "keys"),
    [
        (remedy(None), set()),
        (remedy(2.0), set()),
        (remedy(4.0), {"power-lines", "ladder", "lightning"}),
        (remedy(4.0, above_roof=True), {"power-lines", "ladder", "lightning", "roof"}),
        (remedy(8.0), {"power-lines", "ladder", "lightning", "mast-fall", "guys"}),
    ],
)
def test_advice_carries_the_texts_of_its_height(advice: Remedy, keys: set[str]) -> None:
    (found,) = advised_cautions([advice], read_caution_rules())
    assert set(found.cautions) == {TEXT[key] for key in keys}


def far_trough(folder: Path) -> Path:
    """Lay the holding without posts: the trough behind the bank has no route but over a mast."""
    lay_small_property(folder, heights=bank(8.0), settings="generate_relays = 0\n")
    low = changed(usual_sites(), {"House": {"antenna_agl_m": 1.0}})
    write_sites(folder / "sites.csv", [row for row in low if row["role"] != "relay"])
    return folder


def test_climbing_advice_comes_with_its_cautions_in_the_profile(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = far_trough(tmp_path)
    assert main(["profile", str(folder), "Trough", "House", "--radio", "fsk-868-500k", "--out", str(tmp_path / "out")]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Raise the antenna of House by" in shown
    for key in ("power-lines", "ladder", "lightning", "mast-fall", "guys"):
        assert TEXT[key] in shown, key


def test_climbing_advice_comes_with_its_cautions_in_plan_map_sheets_and_report(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = far_trough(tmp_path)
    out = tmp_path / "out"
    assert main(["plan", str(folder), "--radio", "fsk-868-500k", "--out", str(out), "-q"]) == 1
    shown = " ".join(capsys.readouterr().out.split())
    assert "Raise the antenna of Trough by 10 m" in shown
    assert f"before you raise anything: - {TEXT['power-lines']}" in shown
    (gap,) = json.loads((out / "plan.json").read_text(encoding="utf-8"))["plan"]["unserved"]
    climbing = [each for each in gap["remedies"] if each["change"].startswith("Raise the antenna of")]
    assert climbing
    assert all(TEXT["power-lines"] in each["cautions"] for each in climbing if each["raised_to_m"] > 2.5)
    assert main(["sheets", str(folder), "--out", str(out), "-q"]) in (0, 1)
    words = TEXT["power-lines"].partition(".")[0]
    for name in ("report.html", "map.html", "tables/unserved.csv", "sheets.html"):
        assert words in (out / name).read_text(encoding="utf-8"), name
