"""What people write by other names: a table beside the phone's places, other words, decimal commas, a log of one gateway."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_property import lay_small_property, lon_lat, usual_sites, write_sites

from meshplan.cli import main
from meshplan.errors import FaultList, InputError, MeshplanError
from meshplan.inputs.decimal_commas import with_points
from meshplan.inputs.measurements import read_readings
from meshplan.inputs.property import read_property
from meshplan.inputs.reported_once import reported_once
from meshplan.records import Purpose, Role, Site
from meshplan.records.property import Property

PLACES = {"Bed": (90, 320), "Trough": (330, 300), "House": (60, 300), "North post": (200, 360)}


def phone_holding(folder: Path, table: str, *, extra: str = "") -> Path:
    """Lay the holding with its places marked by a phone and a table of details beside them."""
    lay_small_property(folder)
    points = "".join(
        f'<wpt lat="{lon_lat(x, y)[1]:.7f}" lon="{lon_lat(x, y)[0]:.7f}"><name>{name}</name></wpt>'
        for name, (x, y) in PLACES.items()
    )
    (folder / "walk.gpx").write_text(
        f'<gpx version="1.1" creator="walk" xmlns="http://www.topografix.com/GPX/1/1">{points}{extra}</gpx>', encoding="utf-8"
    )
    (folder / "details.csv").write_text(table, encoding="utf-8")
    toml = (folder / "property.toml").read_text(encoding="utf-8")
    (folder / "property.toml").write_text(
        toml.replace('sites = "sites.csv"', 'sites = ["walk.gpx", "details.csv"]'), encoding="utf-8"
    )
    return folder


def faults_of(folder: Path) -> list[str]:
    with pytest.raises(MeshplanError) as caught:
        read_property(folder)
    error = caught.value
    return [str(each) for each in (error.faults if isinstance(error, FaultList) else (error,))]


def site(found: Property, name: str) -> Site:
    return next(each for each in found.sites if each.name == name)


DETAILS = "name,role,height,purpose,interval\nhouse,gw,6,,\nTROUGH,sensor,1.4,alarm,5 min\nNorth post,relay,4,,\n"


def test_a_table_adds_its_columns_to_the_places_of_a_phone(tmp_path: Path) -> None:
    found = read_property(phone_holding(tmp_path, DETAILS))
    assert [each.name for each in found.sites] == list(PLACES)
    trough, house = site(found, "Trough"), site(found, "House")
    assert (trough.role, trough.antenna_agl_m, trough.purpose, trough.interval_s) == (Role.SENSOR, 1.4, Purpose.ALARM, 300.0)
    assert (house.role, house.antenna_agl_m) == (Role.GATEWAY, 6.0)
    assert (house.lon_deg, house.lat_deg) == pytest.approx(lon_lat(60, 300), abs=1e-6)
    told = "\n".join(found.assumptions)
    assert "'Trough' takes role, antenna_agl_m, purpose, interval_s from details.csv, row 3." in told
    assert "'House' role 'gw' is read as gateway." in told
    assert "'Trough' says no role" not in told  # the table says it
    assert "'Bed' says no role and is taken as a sensor" in told
    assert "details.csv: no row for 1 marked place (Bed)." in found.warnings


def test_positions_of_the_phone_stay_and_it_is_told(tmp_path: Path) -> None:
    lon, lat = lon_lat(100, 100)
    table = f"name,role,lon_deg,lat_deg\nHouse,gateway,{lon},{lat}\nNew shed,sensor,{lon},{lat}\n"
    found = read_property(phone_holding(tmp_path, table))
    assert (site(found, "House").lon_deg, site(found, "House").lat_deg) == pytest.approx(lon_lat(60, 300), abs=1e-6)
    assert "details.csv, row 2: its position is not used, walk.gpx, waypoint 3 says it." in found.assumptions
    assert (site(found, "New shed").lon_deg, site(found, "New shed").lat_deg) == pytest.approx((lon, lat))


def test_unmatched_names_are_told_and_misspelt_ones_refused(tmp_path: Path) -> None:
    found = read_property(phone_holding(tmp_path / "a", DETAILS + "Millpond,sensor,1,alarm,\n"))
    assert "details.csv, row 5: 'Millpond' is no place of walk.gpx and has no position and role of its own: it is not used." in (
        found.warnings
    )
    told = faults_of(phone_holding(tmp_path / "b", DETAILS + "Nroth post,relay,4,,\n"))
    assert told == [
        "details.csv, row 5: 'Nroth post' is no place of walk.gpx and has no position and role of its own. "
        "Did you mean 'North post'?\n  Write the name as it was marked, or remove the row."
    ]


def test_a_bad_cell_and_a_second_row_are_blamed_on_the_table(tmp_path: Path) -> None:
    told = faults_of(phone_holding(tmp_path / "a", "name,role,height\nHouse,gateway,tall\n"))
    assert any("details.csv, row 2" in fault and "'tall' is not a number" in fault for fault in told)
    lon, lat = lon_lat(100, 100)
    twice = f"name,role,lon_deg,lat_deg\nHouse,gateway,{lon},{lat}\nhouse,gateway,{lon},{lat}\n"
    assert any("the name 'house' stands already in" in fault for fault in faults_of(phone_holding(tmp_path / "b", twice)))


def test_a_table_alone_still_needs_positions_and_roles(tmp_path: Path) -> None:
    lay_small_property(tmp_path)
    (tmp_path / "sites.csv").write_text("name,height\nHouse,4\n", encoding="utf-8")
    told = "\n".join(faults_of(tmp_path))
    assert "column 'role' is missing" in told
    assert "no columns say where the sites are" in told


def test_semicolon_tables_with_decimal_commas_are_read_and_told(tmp_path: Path) -> None:
    lay_small_property(tmp_path)
    rows = ["name;role;lon_deg;lat_deg;height_m;interval;note"]
    for row in usual_sites():
        lon, lat = lon_lat(row["x"], row["y"])
        rows.append(f"{row['name']};{row['role']};{lon:.7f};{lat:.7f};{row['antenna_agl_m']};2,5 min;Nr 1,5".replace(".", ","))
    (tmp_path / "sites.csv").write_text("\n".join(rows), encoding="utf-8")
    found = read_property(tmp_path)
    trough = site(found, "Trough")
    assert (trough.lon_deg, trough.lat_deg) == pytest.approx(lon_lat(330, 300), abs=1e-6)
    assert (trough.antenna_agl_m, trough.interval_s, trough.note) == (1.0, 150.0, "Nr 1,5")
    assert "sites.csv: 20 numbers are written with a decimal comma and read as such." in found.assumptions


@given(whole=st.integers(-9999, 9999), decimals=st.from_regex(r"[0-9]{1,6}", fullmatch=True))
def test_only_tables_without_separating_commas_are_mended(whole: int, decimals: str) -> None:
    raw = {"antenna_agl_m": f"{whole},{decimals}", "note": f"{whole},{decimals}"}
    (mended,), notes = with_points([("row 2", raw)], ";", "sites.csv")
    assert (mended["antenna_agl_m"], mended["note"]) == (f"{whole}.{decimals}", raw["note"])
    assert notes == ["sites.csv: 1 number is written with a decimal comma and read as such."]
    assert with_points([("row 2", raw)], ",", "sites.csv") == ([raw], [])


def test_height_beside_height_m_is_told_and_the_one_with_its_unit_read(tmp_path: Path) -> None:
    rows = [{**row, "height_m": row["antenna_agl_m"] + 1.0, "height": 99.0} for row in usual_sites()]
    for row in rows:
        del row["antenna_agl_m"]
    lay_small_property(tmp_path)
    write_sites(tmp_path / "sites.csv", rows)
    found = read_property(tmp_path)
    assert site(found, "House").antenna_agl_m == 5.0
    assert "sites.csv, row 1: column 'height' is not read, because 'height_m' is there." in found.warnings


@pytest.mark.parametrize(("column", "value"), [("interval_s", "1.800"), ("cost", "1.200"), ("y_m", "5.317.100")])
def test_a_point_that_may_separate_thousands_is_asked_about(column: str, value: str) -> None:
    """Where 1,5 is one and a half, 1.800 s may be half an hour: it is not read as 1.8 s."""
    raw = {"name": "Tank", "antenna_agl_m": "1,5", column: value}
    with pytest.raises(InputError, match=f"row 2, column '{column}'.*may be {value.replace('.', '')} or "):
        with_points([("row 2", raw)], ";", "sites.csv")
    # without a decimal comma anywhere the point is a decimal point, and so it is where a comma separates cells
    plain = raw | {"antenna_agl_m": "1.5"}
    assert with_points([("row 2", plain)], ";", "sites.csv") == ([plain], [])
    # a height of 2.125 m is never thousands
    (mended,), _ = with_points([("row 2", {"antenna_agl_m": "2.125", "interval_s": "1,5"})], ";", "sites.csv")
    assert mended == {"antenna_agl_m": "2.125", "interval_s": "1.5"}


@pytest.mark.parametrize(
    ("word", "kind"),
    [("beech hedge", "hedge_deciduous"), ("Yew hedge", "hedge_evergreen"), ("hawthorn_hedge", "hedge_deciduous"),
     ("oak wood", "wood_deciduous"), ("Deciduous wood", "wood_deciduous"), ("deciduous_wood", "wood_deciduous"),
     ("pine forest", "wood_evergreen"), ("Shelter belt", "wood_deciduous")],
)  # fmt: skip
def test_plain_words_for_woods_are_understood_and_told(tmp_path: Path, word: str, kind: str) -> None:
    import geopandas
    from shapely.geometry import box
    from small_property import CRS, SOUTH_M, WEST_M

    lay_small_property(tmp_path, settings='cover = "cover.geojson"\n')
    shape = box(WEST_M + 240, SOUTH_M + 200, WEST_M + 290, SOUTH_M + 400)
    geopandas.GeoDataFrame({"kind": [word], "height_m": [12.0]}, geometry=[shape], crs=CRS).to_crs(4326).to_file(
        tmp_path / "cover.geojson"
    )
    found = read_property(tmp_path)
    assert [cover.kind for cover in found.covers] == [kind]
    assert any(f"'{word}' is taken as {kind}." in line for line in found.assumptions)


def test_the_same_assumption_of_many_rows_is_said_once() -> None:
    lines = [f"walk.gpx, waypoint {n}: 'Soil {n}' is taken as a sensor, because its name says 'Soil sensor'." for n in range(1, 30)]
    lines += ["walk.gpx, waypoint 30: 'Ridge relay' is taken as a relay, because its name says 'relay'.", "Something else."]
    lines += ["walk.gpx, waypoint 31: 'Top relay' is taken as a relay, because its name says 'Relay'."]
    lines += [
        f"wood.kml, feature {n} ('wood {n}'): height assumed as 15 m, usual for wood_deciduous; give height_m." for n in (1, 2)
    ]
    assert reported_once(lines) == [
        "walk.gpx: 31 sites: role from name: 29 sensors (Soil 1, Soil 2, Soil 3 and 26 more), 2 relays (Ridge relay, Top relay).",
        "Something else.",
        "wood.kml: 2 times (wood 1, wood 2): height assumed as 15 m, usual for wood_deciduous; give height_m.",
    ]


def test_check_says_repeated_assumptions_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    extra = "".join(
        f'<wpt lat="{lon_lat(300 + n, 200)[1]:.7f}" lon="{lon_lat(300 + n, 200)[0]:.7f}"><name>Soil sensor {n}</name></wpt>'
        for n in range(20)
    )
    folder = phone_holding(tmp_path, DETAILS, extra=extra)
    assert main(["check", str(folder)]) == 0
    shown = capsys.readouterr().out
    assert "walk.gpx: 20 sites: role from name: 20 sensors (Soil sensor 0, Soil sensor 1, Soil sensor 2 and 17 more)." in shown
    assert shown.count("says 'sensor'") == 0


LOG = "time,lat,lon,rssi,snr\n2026-05-04 10:00:00,{0},{1},-80,5\n2026-05-04 10:00:30,{2},{3},-95,1\n"


def phone_log(folder: Path) -> Path:
    a, b = lon_lat(400, 200), lon_lat(420, 240)
    (folder / "log.csv").write_text(LOG.format(a[1], a[0], b[1], b[0]), encoding="utf-8")
    return folder / "log.csv"


def test_a_phone_log_names_its_gateway_once(tmp_path: Path) -> None:
    sites = read_property(lay_small_property(tmp_path)).sites
    log = phone_log(tmp_path)
    with pytest.raises(MeshplanError, match="the two ends of a link are not named") as caught:
        read_readings([log], sites, folder=tmp_path)
    assert "name it once: --to NAME" in str(caught.value)
    found = read_readings([log], sites, folder=tmp_path, heard_by="house")
    assert [reading.b.name for reading in found.readings] == ["House", "House"]
    assert "log.csv: 2 rows name no receiver and were heard by house, as --to says." in found.notes
    with pytest.raises(InputError, match=r"there is no site 'Hause'\. Did you mean 'House'\?") as misspelt:
        read_readings([log], sites, folder=tmp_path, heard_by="Hause")
    assert misspelt.value.where == "--to"


def test_the_command_takes_the_gateway_of_a_log(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = lay_small_property(tmp_path)
    arguments = ["calibrate", str(folder), str(phone_log(folder)), "--next", "0", "--out", str(tmp_path / "out"), "-q"]
    assert main(arguments) == 2
    assert "--to NAME" in capsys.readouterr().err
    assert main([*arguments, "--to", "House"]) == 0
