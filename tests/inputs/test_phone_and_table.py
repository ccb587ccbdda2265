"""Places of a phone and a table together: what goes before what is said, and one device under two names is noticed."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_property import lay_small_property, lon_lat

from meshplan.cli import main

PLACES = {"Bed": (90, 320), "Trough": (330, 300), "House gateway": (60, 300)}


def check(
    folder: Path, capsys: pytest.CaptureFixture[str], table: str, descriptions: dict[str, str] | None = None
) -> tuple[int, str]:
    """Check a property whose places come from a phone, with a table beside them; return exit code and what was said."""
    lay_small_property(folder)
    (folder / "sites.csv").write_text(table, encoding="utf-8")
    marks = []
    for name, place in PLACES.items():
        lon_deg, lat_deg = lon_lat(*place)
        said = (descriptions or {}).get(name, "")
        marks.append(f'<wpt lat="{lat_deg:.7f}" lon="{lon_deg:.7f}"><name>{name}</name><desc>{said}</desc></wpt>')
    head = '<?xml version="1.0"?><gpx version="1.1" creator="hand" xmlns="http://www.topografix.com/GPX/1/1">'
    (folder / "walk.gpx").write_text(f"{head}{''.join(marks)}</gpx>", encoding="utf-8")
    toml = folder / "property.toml"
    both = toml.read_text(encoding="utf-8").replace('sites = "sites.csv"', 'sites = ["walk.gpx", "sites.csv"]')
    toml.write_text(both, encoding="utf-8")
    code = main(["check", str(folder)])
    shown = capsys.readouterr()
    return code, " ".join((shown.out + shown.err).split())


def test_the_table_goes_before_the_description_and_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, shown = check(tmp_path / "p", capsys, "name,antenna_agl_m\nBed,1.2\n", {"Bed": "antenna_agl_m: 2.5"})
    assert code == 0
    assert "'Bed' takes antenna_agl_m from sites.csv, row 2; what the place itself says gives way (antenna_agl_m = 2.5)." in shown


def test_the_place_goes_before_the_position_of_the_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lon_deg, lat_deg = lon_lat(120, 320)
    code, shown = check(tmp_path / "p", capsys, f"name,antenna_agl_m,lon_deg,lat_deg\nBed,1.2,{lon_deg:.7f},{lat_deg:.7f}\n")
    assert code == 0
    assert "sites.csv, row 2: its position is not used, walk.gpx, waypoint 1 says it." in shown
    assert "gives way" not in shown


@pytest.mark.parametrize(("east_m", "noticed"), [(0.0, True), (1.0, True), (3.5, False)])
def test_a_sensor_under_two_names_is_noticed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], east_m: float, noticed: bool
) -> None:
    lon_deg, lat_deg = lon_lat(90 + east_m, 320)
    row = f"name,role,antenna_agl_m,lon_deg,lat_deg\nBed two,sensor,1.2,{lon_deg:.7f},{lat_deg:.7f}\n"
    code, shown = check(tmp_path / "p", capsys, row)
    assert code == 0
    assert ("walk.gpx, waypoint 1 ('Bed') and sites.csv, row 2 ('Bed two') stand on one spot" in shown) is noticed
