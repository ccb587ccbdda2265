"""What a person reads when a sites file is wrong: every message word for word."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from meshplan.inputs.site_columns import SITE_COLUMNS, describe_site_columns
from meshplan.inputs.site_files import read_site_file
from meshplan.inputs.sites import SiteList, sites_from_tables
from meshplan.records import Power, Purpose, Role, Site, Use

HEADER = "name,role,lon_deg,lat_deg,antenna_agl_m"


def read(tmp_path: Path, content: str | bytes, name: str = "sites.csv", crs: str | None = None) -> SiteList:
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return sites_from_tables([read_site_file(path, name, crs)], crs)


def only(sites: Sequence[Site]) -> Site:
    assert len(sites) == 1
    return sites[0]


ROW_MESSAGES = [
    (
        '"2,5"',
        "sites.csv, row 2, column 'antenna_agl_m': '2,5' is not a number\n  Write 2.5 with a decimal point.",
    ),
    ("6 ft", "sites.csv, row 2, column 'antenna_agl_m': '6 ft' is not in metres\n  Write 1.83, the same length in metres."),
    ("6'", "sites.csv, row 2, column 'antenna_agl_m': '6'' is not in metres\n  Write 1.83, the same length in metres."),
    ("150 cm", "sites.csv, row 2, column 'antenna_agl_m': '150 cm' is not in metres\n  Write 1.5, the same length in metres."),
    ("1.5 m", "sites.csv, row 2, column 'antenna_agl_m': '1.5 m' is not a number\n  Write 1.5 without the unit."),
    ("high", "sites.csv, row 2, column 'antenna_agl_m': 'high' is not a number\n  Write a number in m."),
    (
        "120",
        "sites.csv, row 2, column 'antenna_agl_m': 120 m is too large\n"
        "  Allowed: 0.01 to 100 m. If it is in feet, write 36.58; if it is above sea level, give the height above the ground.",
    ),
    (
        "-2",
        "sites.csv, row 2, column 'antenna_agl_m': -2 m is too small\n"
        "  Allowed: 0.01 to 100 m. An antenna lies above the ground, if only by a few centimetres.",
    ),
    ("nan", "sites.csv, row 2, column 'antenna_agl_m': 'nan' is not a number\n  Write a number in m."),
]


@pytest.mark.parametrize(("height", "message"), ROW_MESSAGES)
def test_a_wrong_height_is_told_with_its_remedy(tmp_path: Path, height: str, message: str) -> None:
    result = read(tmp_path, f"{HEADER}\nGate,sensor,8.5,50.1,{height}\n")
    assert [str(fault) for fault in result.faults] == [message]
    assert result.sites == []


POSITION_MESSAGES = [
    (
        ("8.5", '"50°06\'00"" N"'),
        "sites.csv, row 2, column 'lat_deg': '50°06'00\" N' is not in decimal degrees\n"
        "  Write 50.100000, with a minus for south and west.",
    ),
    (
        ("W 8° 30.5'", "50.1"),
        "sites.csv, row 2, column 'lon_deg': 'W 8° 30.5'' is not in decimal degrees\n"
        "  Write -8.508333, with a minus for south and west.",
    ),
    (
        ("8.5 W", "50.1"),
        "sites.csv, row 2, column 'lon_deg': '8.5 W' is not a number\n  Write -8.5, with a minus for south and west.",
    ),
    (
        ("50.1", "108.5"),
        "sites.csv, row 2, column 'lat_deg': 108.5 is no latitude\n"
        "  A latitude lies within ±90 degrees; look whether latitude and longitude are swapped, or whether these are metres of a "
        "projection.",
    ),
    (("8.5", ""), "sites.csv, row 2: has no position\n  Fill in lon_deg and lat_deg."),
]


@pytest.mark.parametrize(("position", "message"), POSITION_MESSAGES)
def test_a_wrong_position_is_told_with_its_remedy(tmp_path: Path, position: tuple[str, str], message: str) -> None:
    result = read(tmp_path, f"{HEADER}\nGate,sensor,{position[0]},{position[1]},1\n")
    assert [str(fault) for fault in result.faults] == [message]


HEADER_MESSAGES = [
    (
        "name,role,lon_deg,lat_deg,antena_agl_m\nGate,sensor,8.5,50.1,1\n",
        "sites.csv, row 1: column 'antena_agl_m' is not known. Did you mean 'antenna_agl_m'?\n  Rename the column, or remove it.",
    ),
    (
        "name,role,lon_deg,lat_deg,name\nGate,sensor,8.5,50.1,x\n",
        "sites.csv, row 1: column 'name' stands twice\n  Keep one column 'name'.",
    ),
    (
        "name,role,lon,longitude,lat\nGate,sensor,8.5,8.5,50.1\n",
        "sites.csv, row 1: column 'lon' and 'longitude' both mean 'lon_deg'\n  Keep one column 'lon_deg'.",
    ),
    (
        "name,lon_deg,lat_deg\nGate,8.5,50.1\n",
        "sites.csv, row 1: column 'role' is missing\n"
        "  Add the column 'role': What the place is for: a sensor, or a candidate for a gateway or a relay. "
        '"gateway or relay" offers the place as both.',
    ),
    ("name,role,lon_deg\nGate,sensor,8.5\n", "sites.csv, row 1: column 'lat_deg' is missing\n  Add 'lat_deg'."),
    (
        "name,role\nGate,sensor\n",
        "sites.csv, row 1: no columns say where the sites are\n  Add 'lon_deg' and 'lat_deg', decimal degrees of WGS 84.",
    ),
    ("", "sites.csv: the file is empty\n  Write a header and one row for each site."),
    ("\n \n", "sites.csv: the file is empty\n  Write a header and one row for each site."),
    (HEADER + "\n", "sites.csv: there is a header but no site\n  Write one row for each site below the header."),
    (
        HEADER + "\nGate,sensor,8,5,50,1,1.2\n",
        "sites.csv, row 2: there are 7 values for 5 columns\n"
        "  Write numbers with a decimal point, and put text that holds a comma between quotation marks.",
    ),
    (
        HEADER + '\n"Gate,sensor,8.5,50.1,1.2\n',
        "sites.csv: cannot be read as a table (unexpected end of data)\n  Look for a quotation mark that is not closed.",
    ),
    (
        "name,role,x_m,y_m\nGate,sensor,500000,5500000\n",
        "sites.csv, row 2: the position is in metres, and nothing says in which projection\n"
        '  Write crs = "EPSG:…" in property.toml, or give lon_deg and lat_deg.',
    ),
]


@pytest.mark.parametrize(("content", "message"), HEADER_MESSAGES)
def test_a_wrong_table_is_told_once_with_its_remedy(tmp_path: Path, content: str, message: str) -> None:
    assert [str(fault) for fault in read(tmp_path, content).faults] == [message]


def test_a_name_used_twice_is_told_whatever_its_capitals_and_spaces(tmp_path: Path) -> None:
    result = read(tmp_path, f"{HEADER}\nNorth gate,sensor,8.5,50.1,1\nnorth  GATE,relay,8.6,50.1,1\n")
    assert [str(fault) for fault in result.faults] == [
        "sites.csv, row 3: the name 'north GATE' stands already in sites.csv, row 2 as 'North gate'\n"
        "  Give each site a name of its own; capitals do not tell names apart."
    ]


def test_all_faults_of_a_file_come_together_each_with_its_row(tmp_path: Path) -> None:
    rows = ["A,sensr,8.5,50.1,1", "", ",sensor,8.5,50.1,1", 'B,sensor,8.5,50.1,"1,5"', "b,sensor,8.5,50.1,1"]
    faults = [str(fault).splitlines()[0] for fault in read(tmp_path, "\n".join([HEADER, *rows])).faults]
    assert faults == [
        "sites.csv, row 2, column 'role': 'sensr' is not known. Did you mean 'sensor'?",
        "sites.csv, row 4, column 'name': is empty",
        "sites.csv, row 5, column 'antenna_agl_m': '1,5' is not a number",
        "sites.csv, row 6: the name 'b' stands already in sites.csv, row 5 as 'B'",
    ]


def test_a_missing_height_is_assumed_by_role_and_reported(tmp_path: Path) -> None:
    result = read(tmp_path, "name,role,lon,lat\nA,sensor,8.5,50.1\nB,sensor,8.5,50.1\nC,gateway,8.5,50.1\nD,relay,8.5,50.1\n")
    assert [(site.antenna_agl_m, site.height_assumed) for site in result.sites] == [(1, True), (1, True), (4, True), (3, True)]
    assert [note for note in result.assumptions if "height" in note] == [
        "Antenna height of 1 m above ground assumed for all 2 sensors; give antenna_agl_m.",
        "Antenna height of 4 m above ground assumed for 1 gateway (C); give antenna_agl_m.",
        "Antenna height of 3 m above ground assumed for 1 relay (D); give antenna_agl_m.",
    ]


def test_what_else_is_assumed_is_reported(tmp_path: Path) -> None:
    header = f"{HEADER},power,interval_s,payload_bytes"
    rows = "A,sensor,8.5,50.1,1,,,20\nB,sensor,8.5,50.1,1,mains,60,20\nC,gateway,8.5,50.1,4,,,\n"
    assert read(tmp_path, f"{header}\n{rows}").assumptions == [
        "Power from battery assumed for 1 sensor (A); give power.",
        "A reading every 15 min assumed for 1 sensor (A); give interval_s.",
        "Power from mains assumed for 1 gateway (C); give power.",
    ]


def test_a_given_height_is_not_called_assumed(tmp_path: Path) -> None:
    site = only(read(tmp_path, f"{HEADER}\nGate,sensor,8.5,50.1,1.2\n").sites)
    assert (site.antenna_agl_m, site.height_assumed) == (1.2, False)


def test_mast_heights_are_all_offered(tmp_path: Path) -> None:
    site = only(read(tmp_path, f"{HEADER},mast_heights_agl_m\nMast,relay,8.5,50.1,4,8; 6\n").sites)
    assert site.heights_agl_m == (4.0, 6.0, 8.0)


def test_every_column_reaches_its_field(tmp_path: Path) -> None:
    values = {
        "name": "Pump",
        "role": "sensor",
        "lon_deg": "8.5",
        "lat_deg": "50.1",
        "antenna_agl_m": "1.5",
        "purpose": "Control",
        "importance": "high",
        "optional": "yes",
        "power": "solar",
        "cost": "12.5",
        "worth": "30",
        "payload_bytes": "20",
        "interval_s": "15 min",
        "fast_interval_s": "60",
        "antenna": "dipole_whip",
        "azimuth_deg": "-90",
        "tilt_deg": "5",
        "cable": "foam_5mm",
        "cable_m": "2",
        "indoors": "steel cladding",
        "noise_rise_db": "3",
        "extra_loss_db": "2.5",
        "clutter": "suburban",
        "polarisation": "slant",
        "use": "forced",
        "radio": "fsk-868",
        "second_route": "no",
        "note": "beside the ditch",
    }
    content = ";".join(values) + "\n" + ";".join(values.values()) + "\n"
    site = only(read(tmp_path, content).sites)
    assert site == Site(
        name="Pump",
        role=Role.SENSOR,
        lon_deg=8.5,
        lat_deg=50.1,
        x_m=site.x_m,
        y_m=site.y_m,
        antenna_agl_m=1.5,
        purpose=Purpose.CONTROL,
        importance=4.0,
        optional=True,
        power=Power.PANEL,
        cost=12.5,
        worth=30.0,
        payload_bytes=20,
        interval_s=900.0,
        fast_interval_s=60.0,
        antenna="dipole_whip",
        azimuth_deg=270.0,
        tilt_deg=5.0,
        cable="foam_5mm",
        cable_m=2.0,
        indoors="steel_cladding",
        noise_rise_db=3.0,
        extra_loss_db=2.5,
        clutter="suburban",
        polarisation="slant",
        use=Use.FORCED,
        radio="fsk-868",
        note="beside the ditch",
        where="sites.csv, row 2",
    )


def test_every_column_is_in_the_manual_with_its_default_and_meaning() -> None:
    manual = describe_site_columns()
    for column in SITE_COLUMNS:
        assert column.name in manual
        assert column.meaning.split()[0] in manual
    assert "antenna_agl_m [m] — default: assumed by role (sensor 1, relay 3, gateway 4) and reported\n" in manual
    assert "name — required\n" in manual


DIALECTS = {
    "semicolons": f"{HEADER}\nTür,sensor,8.5,50.1,1.2\n".replace(",", ";").encode(),
    "tabs": f"{HEADER}\nTür,sensor,8.5,50.1,1.2\n".replace(",", "\t").encode(),
    "byte order mark": f"{HEADER}\nTür,sensor,8.5,50.1,1.2\n".encode("utf-8-sig"),
    "UTF-16": f"{HEADER}\nTür,sensor,8.5,50.1,1.2\n".encode("utf-16"),
    "Windows line ends": f"{HEADER}\r\nTür,sensor,8.5,50.1,1.2\r\n".encode(),
    "Latin letters": f"{HEADER}\nTür,sensor,8.5,50.1,1.2\n".encode("cp1252"),
    "quotation marks": b'"name","role","lon_deg","lat_deg","antenna_agl_m"\n"T\xc3\xbcr","sensor","8.5","50.1","1.2"\n',
    "spaces after commas": b"name, role, lon_deg, lat_deg, antenna_agl_m\nT\xc3\xbcr, sensor, 8.5, 50.1, 1.2\n",
    "empty and comment lines": f"# my sites\n\n{HEADER}\n,,,,\nTür,sensor,8.5,50.1,1.2\n\n".encode(),
    "other names and order": "LATITUDE,Long,Height (m),ID,Role\n50.1,8.5,1.2,Tür,Sensor\n".encode(),
    "no line end": f"{HEADER}\nTür,sensor,8.5,50.1,1.2".encode(),
    "trailing commas": f"{HEADER},,\nTür,sensor,8.5,50.1,1.2,,\n".encode(),
}


@pytest.mark.parametrize("dialect", DIALECTS)
def test_every_dialect_of_csv_gives_the_same_site(tmp_path: Path, dialect: str) -> None:
    result = read(tmp_path, DIALECTS[dialect])
    assert [str(fault) for fault in result.faults] == []
    site = only(result.sites)
    assert (site.name, site.role, site.lon_deg, site.lat_deg, site.antenna_agl_m) == ("Tür", Role.SENSOR, 8.5, 50.1, 1.2)


def test_a_guess_of_letters_is_told(tmp_path: Path) -> None:
    result = read(tmp_path, DIALECTS["Latin letters"])
    assert "sites.csv: is not UTF-8 text, read as Windows-1252 (Latin)." in result.assumptions


def test_a_column_that_means_nothing_is_told_and_not_read(tmp_path: Path) -> None:
    result = read(tmp_path, f"{HEADER},photo\nGate,sensor,8.5,50.1,1,img_7.jpg\n")
    assert result.warnings == ["sites.csv, row 1: column 'photo' is not known and is not read."]
    assert len(result.sites) == 1


def test_a_workbook_is_no_table(tmp_path: Path) -> None:
    assert [str(fault) for fault in read(tmp_path, b"PK\x03\x04\x00\x00").faults] == [
        "sites.csv: is a workbook or an archive, not text\n  Save the table as CSV."
    ]


def test_a_spelt_out_name_wins_over_a_second_name_for_it(tmp_path: Path) -> None:
    result = read(tmp_path, "id,name,role,lon,lat\n7,Gate,sensor,8.5,50.1\n")
    assert only(result.sites).name == "Gate"
    assert result.warnings == ["sites.csv, row 1: column 'id' is not read, because 'name' is there."]


def test_metres_of_a_named_projection_become_degrees(tmp_path: Path) -> None:
    site = only(read(tmp_path, "name,role,x,y,height_m\nGate,sensor,500000,5538630,1\n", crs="EPSG:32632").sites)
    assert site.lon_deg == pytest.approx(9.0, abs=1e-9)
    assert site.lat_deg == pytest.approx(50.0, abs=1e-3)


def test_a_place_for_gateway_or_relay_is_offered_as_both(tmp_path: Path) -> None:
    result = read(tmp_path, f"{HEADER}\nHill,gateway or relay,8.5,50.1,4\n")
    assert [(site.name, site.role) for site in result.sites] == [("Hill", Role.GATEWAY), ("Hill (relay)", Role.RELAY)]
    assert result.assumptions[:1] == ["sites.csv, row 2: 'Hill' is offered as a gateway, and as 'Hill (relay)'."]


def test_a_sensor_is_no_candidate_as_well(tmp_path: Path) -> None:
    result = read(tmp_path, f"{HEADER}\nHill,sensor + relay,8.5,50.1,4\n")
    assert [str(fault) for fault in result.faults] == [
        "sites.csv, row 2, column 'role': 'sensor + relay' mixes a sensor with other roles\n"
        "  Write one row for the sensor and another for the candidate."
    ]


def test_a_plain_word_for_a_wall_is_told(tmp_path: Path) -> None:
    result = read(tmp_path, f"{HEADER},indoors\nTank,sensor,8.5,50.1,1,brick + steel_cladding\n")
    assert only(result.sites).indoors == "brick_double+steel_cladding"
    assert result.assumptions[:1] == ["sites.csv, row 2: wall 'brick + steel_cladding' is taken as brick_double+steel_cladding."]


def test_the_former_name_of_a_column_is_read_with_a_note(tmp_path: Path) -> None:
    content = "name;role;lat;lon;surroundings\nPump;sensor;50.1;8.5;suburban\n"
    found = read(tmp_path, content)
    assert only(found.sites).clutter == "suburban"
    assert "sites.csv, row 1: column 'surroundings' is called 'clutter' now; it is read." in found.warnings
    named = read(tmp_path, content.replace("surroundings", "clutter"))
    assert not [line for line in named.warnings if "clutter" in line]
