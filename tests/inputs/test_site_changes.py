"""changes.csv: what the map's trial saves is used by the next plan, said aloud, and checked like any other file."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from meshplan.errors import InputError, MeshplanError
from meshplan.inputs import read_property
from meshplan.records import Purpose, Role
from meshplan.workflow.prepare import read_base

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
        "  Name a site of the sites file, delete the row from changes.csv, or write yes in its column 'added' if it is a new place."
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


HEADER = "name,role,lon_deg,lat_deg,antenna_agl_m,added,purpose\n"


def changes(folder: Path, *rows: str) -> None:
    (folder / "changes.csv").write_text(HEADER + "".join(f"{row}\n" for row in rows), encoding="utf-8")


def test_a_new_place_is_a_site_with_its_role_height_and_purpose(garden: Path) -> None:
    near = site(garden, "Chimney")
    spot = f"{near.lon_deg + 0.0002:.7f},{near.lat_deg:.7f}"
    changes(garden, f"Pond level,sensor,{spot},0.6,yes,alarm", f"Shed post,relay,{spot},5,yes,", f"Chimney,gateway,{spot},9,no,")
    found = read_property(garden)
    pond, shed, chimney = (next(one for one in found.sites if one.name == name) for name in ("Pond level", "Shed post", "Chimney"))
    assert (pond.role, pond.antenna_agl_m, pond.purpose) == (Role.SENSOR, 0.6, Purpose.ALARM)
    assert (shed.role, shed.antenna_agl_m, shed.height_assumed) == (Role.RELAY, 5.0, False)
    assert pond.x_m - near.x_m == pytest.approx(14.9, abs=0.3)
    assert chimney.antenna_agl_m == 9.0
    assert "changes.csv, row 2: Pond level, a sensor, is a new place taken from changes.csv." in found.assumptions
    assert [row["name"] for row in found.changes] == ["Pond level", "Shed post", "Chimney"]
    assert found.changes[0]["purpose"] == "alarm"


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("Chimney,gateway,{at},4,yes,", "the new place 'Chimney' stands already in sites.csv"),
        ("chimney,sensor,{at},4,yes,", "the new place 'chimney' stands already in sites.csv"),
        ("Pond,sensor,{at},4,perhaps,", "'perhaps' is neither yes nor no"),
        ("Pond,tower,{at},4,yes,", "'tower' is not known"),
        ("Pond,sensor,{at},-4,yes,", "changes.csv, row 2, column 'antenna_agl_m'"),
        ("Pond,sensor,{at},4,yes,fun", "changes.csv, row 2, column 'purpose'"),
        ("Pond,sensor,,,4,yes,", "has no position"),
        (",sensor,{at},4,yes,", "changes.csv, row 2, column 'name': is empty"),
        ("Pond,sensor,0.0,0.0,4,yes,", "Pond"),
    ],
)
def test_a_wrong_new_place_is_refused_in_words(garden: Path, row: str, words: str) -> None:
    near = site(garden, "Chimney")
    changes(garden, row.format(at=f"{near.lon_deg},{near.lat_deg}"))
    with pytest.raises(MeshplanError) as caught:
        read_property(garden)
    assert words in str(caught.value)
    assert "changes.csv" in str(caught.value)


def test_two_new_places_of_one_name_are_refused(garden: Path) -> None:
    near = site(garden, "Chimney")
    changes(garden, *(f"{name},sensor,{near.lon_deg},{near.lat_deg},1,yes," for name in ("Pond", "pond")))
    with pytest.raises(InputError, match=r"the name 'pond' stands already in changes\.csv, row 2 as 'Pond'"):
        read_property(garden)


@pytest.mark.parametrize("name", ["=SUM(A1)", "+1 bed", "-trough", "@gate"])
def test_a_new_place_keeps_its_name_without_the_guard(garden: Path, name: str) -> None:
    near = site(garden, "Chimney")
    changes(garden, f"'{name},sensor,{near.lon_deg},{near.lat_deg},1,yes,")
    assert site(garden, name).role is Role.SENSOR


def test_an_unread_column_of_changes_is_told(garden: Path) -> None:
    near = site(garden, "Chimney")
    text = f"name,role,lon_deg,lat_deg,antenna_agl_m,paint\nChimney,gateway,{near.lon_deg},{near.lat_deg},7,2\n"
    (garden / "changes.csv").write_text(text, encoding="utf-8")
    assert "changes.csv, row 1: column 'paint' is not known and is not read." in read_property(garden).warnings


def test_an_added_candidate_stands_beside_those_that_the_planner_finds(tmp_path: Path) -> None:
    """One relay named in the sites file ends the search for others; one that is tried on the map must not."""
    folder = Path(shutil.copytree(GARDEN, tmp_path / "garden"))
    table = (folder / "sites.csv").read_text("utf-8").splitlines()
    kept = [line for line in table if ",relay," not in line and "gateway or relay" not in line]
    (folder / "sites.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    found = [one.name for one in read_base(folder).found.sites if one.name.startswith("Found ")]
    assert found
    near = site(folder, "Chimney")
    changes(folder, f"Shed post,relay,{near.lon_deg + 0.0004},{near.lat_deg},5,yes,")
    names = [one.name for one in read_base(folder).found.sites]
    assert "Shed post" in names
    assert any(name.startswith("Found ") for name in names)
