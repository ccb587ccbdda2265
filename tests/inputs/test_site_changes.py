"""changes.csv: what the map's trial saves is used by the next plan, said aloud, and checked like any other file."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from meshplan.errors import InputError
from meshplan.inputs import read_property

GARDEN = Path(__file__).resolve().parents[2] / "sample_sites" / "ossaby_terrace"


@pytest.fixture
def garden(tmp_path: Path) -> Path:
    return Path(shutil.copytree(GARDEN, tmp_path / "garden"))


def site(folder: Path, name: str):  # type: ignore[no-untyped-def]
    return next(site for site in read_property(folder).sites if site.name == name)


def test_a_moved_and_raised_site_takes_its_place_in_the_next_plan(garden: Path) -> None:
    before = site(garden, "Chimney")
    row = f"Chimney,gateway,{before.lon_deg + 0.0005:.7f},{before.lat_deg:.7f},11"
    (garden / "changes.csv").write_text(f"name,role,lon_deg,lat_deg,antenna_agl_m\n{row}\n", encoding="utf-8")
    after = site(garden, "Chimney")
    assert after.antenna_agl_m == 11.0
    assert after.x_m - before.x_m == pytest.approx(37.3, abs=0.5)
    assert after.power == before.power
    assert any("changes.csv" in line and "Chimney" in line for line in read_property(garden).assumptions)


def test_only_what_a_row_fills_in_changes(garden: Path) -> None:
    before = site(garden, "A09 lawn weather")
    row = f"A09 lawn weather,sensor,{before.lon_deg},{before.lat_deg},3.5"
    (garden / "changes.csv").write_text(f"name,role,lon_deg,lat_deg,antenna_agl_m\n{row}\n", encoding="utf-8")
    after = site(garden, "A09 lawn weather")
    assert (after.interval_s, after.importance, after.purpose) == (before.interval_s, before.importance, before.purpose)
    assert after.antenna_agl_m == 3.5


def test_an_unknown_name_is_a_fault_with_the_nearest_known(garden: Path) -> None:
    (garden / "changes.csv").write_text("name,role,lon_deg,lat_deg,antenna_agl_m\nChimny,gateway,-21.2,48.0,9\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_property(garden)
    assert str(caught.value) == (
        "changes.csv, row 2: there is no gateway 'Chimny'. Did you mean 'Chimney'?\n"
        "  Name a site of the sites file, or delete the row from changes.csv."
    )


def test_a_new_height_is_the_only_one_that_is_planned(garden: Path) -> None:
    table = (garden / "sites.csv").read_text("utf-8").splitlines()
    assert "mast_heights_agl_m" in table[0]
    before = site(garden, "Chimney")
    (garden / "changes.csv").write_text(
        f"name,role,lon_deg,lat_deg,antenna_agl_m,mast_heights_agl_m\nChimney,gateway,{before.lon_deg},{before.lat_deg},7,9 12\n",
        encoding="utf-8",
    )
    assert site(garden, "Chimney").heights_agl_m == (7.0, 9.0, 12.0)
    offered = [_with_heights(table[0], line, "9 12") if line.startswith("Chimney,gateway") else line for line in table]
    (garden / "sites.csv").write_text("\n".join(offered) + "\n", encoding="utf-8")
    row = f"Chimney,gateway,{before.lon_deg},{before.lat_deg},14"
    (garden / "changes.csv").write_text(f"name,role,lon_deg,lat_deg,antenna_agl_m\n{row}\n", encoding="utf-8")
    assert site(garden, "Chimney").heights_agl_m == (14.0,)
    assert any("give way to this one" in line for line in read_property(garden).assumptions)


def _with_heights(heading: str, line: str, heights: str) -> str:
    cells = line.split(",")
    cells[heading.split(",").index("mast_heights_agl_m")] = heights
    return ",".join(cells)


def test_a_name_guarded_against_spreadsheets_is_the_site_itself(garden: Path) -> None:
    text = (garden / "sites.csv").read_text("utf-8")
    (garden / "sites.csv").write_text(text.replace("A09 lawn weather", "=A09 lawn weather"), encoding="utf-8")
    before = site(garden, "=A09 lawn weather")
    row = f"'=A09 lawn weather,sensor,{before.lon_deg},{before.lat_deg},3.5"
    (garden / "changes.csv").write_text(f"name,role,lon_deg,lat_deg,antenna_agl_m\n{row}\n", encoding="utf-8")
    assert site(garden, "=A09 lawn weather").antenna_agl_m == 3.5
