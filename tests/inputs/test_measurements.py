"""Readings: what a good file gives, and what is said about a bad one, word for word."""

from __future__ import annotations

import datetime
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meshplan.errors import FaultList, MeshplanError, MissingFileError
from meshplan.inputs.gpx_log import place_at, read_track
from meshplan.inputs.measurements import join_track, read_readings, signal_power_dbm
from meshplan.records import Role, Site

HOUSE = Site("House", Role.GATEWAY, 10.010, 50.000, 700.0, 0.0, 6.0)
SENSOR = Site("N07", Role.SENSOR, 10.000, 50.000, 0.0, 0.0, 1.5)
SITES = (HOUSE, SENSOR)
SHEET_HEADER = "link,a,b,date_time,radio,season,power_dbm,snr_db,sent,received,note"


def table(folder: Path, *rows: str, header: str = SHEET_HEADER, name: str = "readings.csv") -> Path:
    path = folder / name
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def faults_of(path: Path, **options: object) -> list[str]:
    with pytest.raises(MeshplanError) as caught:
        read_readings([path], SITES, **options)  # type: ignore[arg-type]
    found = caught.value
    return [str(fault) for fault in (found.faults if isinstance(found, FaultList) else (found,))]


def test_a_row_of_the_sheet_becomes_a_reading(tmp_path: Path) -> None:
    path = table(tmp_path, "N07-House,N07,House,2026-05-04 10:30,css,leaf,-97.5,8,100,98,")
    result = read_readings([path], SITES)
    (reading,) = result.readings
    assert (reading.a.name, reading.b.name, reading.power_dbm, reading.snr_db) == ("N07", "House", -97.5, 8.0)
    assert (reading.sent, reading.received, reading.heard) == (100, 98, True)
    assert reading.month == 5
    assert reading.season == "leaf"
    assert reading.where == "readings.csv, row 2"
    assert (reading.a.lon_deg, reading.a.site) == (10.0, True)
    assert result.files == ("readings.csv",)
    assert len(result.sha256) == 64


def test_rows_that_were_not_filled_in_are_counted_and_passed_over(tmp_path: Path) -> None:
    path = table(tmp_path, "x,N07,House,,css,,,,,,", "y,House,N07,2026-05-04,css,,-90,,,,")
    result = read_readings([path], SITES)
    assert len(result.readings) == 1
    assert result.notes[0] == "readings.csv: 1 row was not filled in and is not used."


def test_a_table_without_one_reading_is_refused(tmp_path: Path) -> None:
    assert faults_of(table(tmp_path, "x,N07,House,,css,,,,,,")) == [
        "readings.csv: there is no reading in it\n  Fill in power_dbm, snr_db, or sent and received."
    ]


@pytest.mark.parametrize("row", ["x,N07,House,2026-05-04,,,,,100,0,", "x,N07,House,2026-05-04,,,not heard,,,,"])
def test_tried_and_not_heard_is_a_reading(tmp_path: Path, row: str) -> None:
    (reading,) = read_readings([table(tmp_path, row)], SITES).readings
    assert not reading.heard
    assert reading.power_dbm is None


def test_all_faults_are_told_at_once_row_by_row(tmp_path: Path) -> None:
    path = table(
        tmp_path,
        "a,N07,House,2026-05-04,,,97,,,,",
        "b,N7,House,04/05/2026,,,-97,,100,95 %,",
        "c,N07,House,,,,7,,,,",
        "d,N07,House,,,,,,10,12,",
        "e,N07,House,,,,-100,,10,0,",
        "f,N07,N07,,,,-100,,,,",
        "g,N07,House,,,,,,,12,",
        "h,N07,House,,,,,,20,0.95,",
        "i,N07,House,,,,-190,,,,",
    )
    assert faults_of(path) == [
        "readings.csv, row 2, column 'power_dbm': 97 dBm has lost its minus sign\n  Received power is negative: write -97.",
        "readings.csv, row 3, column 'date_time': '04/05/2026' does not say which is day and which is month\n"
        "  Write it as 2026-05-04.",
        "readings.csv, row 3, column 'received': '95 %' is a percentage\n"
        "  Write how many packets were counted: 95 of 100 proves more than 19 of 20.",
        "readings.csv, row 4, column 'power_dbm': 7 dBm is too strong to be received\n"
        "  If it is an SNR, write it under snr_db; if it is the transmit power, under tx_power_dbm.",
        "readings.csv, row 9, column 'received': 0.95 is not a count\n"
        "  Write how many packets were counted, not their share or percentage.",
        "readings.csv, row 10, column 'power_dbm': -190 dBm lies below all noise\n  Look whether the figure is in dBm.",
        "readings.csv, row 5: 12 packets received of 10 sent\n  Look whether the two columns are swapped.",
        "readings.csv, row 6: says that nothing was heard, and gives a figure of it\n  Remove one of the two.",
        "readings.csv, row 7: both ends are 'N07'\n  Name two different places.",
        "readings.csv, row 8: packets received but not how many were sent\n  Fill in 'sent'.",
    ]


def test_a_name_nobody_knows_gets_the_nearest_one(tmp_path: Path) -> None:
    path = table(tmp_path, "b,N7,House,2026-05-04,,,-97,,,,")
    assert faults_of(path) == [
        "readings.csv, row 2, column 'a': there is no site 'N7'. Did you mean 'N07'?\n  Correct the name, or give its coordinates."
    ]


def test_a_whole_column_without_signs_is_one_fault(tmp_path: Path) -> None:
    path = table(tmp_path, *(f"a,N07,House,2026-05-04,,,{80 + k},,,," for k in range(20)))
    assert faults_of(path) == [
        "readings.csv, row 2, column 'power_dbm': 80 dBm has lost its minus sign, and so have 19 more rows\n"
        "  Put a minus before the whole column."
    ]


def test_a_column_of_percentages_is_refused(tmp_path: Path) -> None:
    path = table(tmp_path, "N07,House,95", header="a,b,percent")
    assert faults_of(path) == [
        "readings.csv, row 2, column 'received_percent': '95' is a percentage\n"
        "  Write packets: how many under 'sent', how many under 'received'."
    ]


def test_a_foreign_table_with_coordinates_is_read(tmp_path: Path) -> None:
    path = table(
        tmp_path,
        "D1;L1;G4;868.0;50.01;10.005;50.0;10.01;-109;-10.0",
        header="packet_id;location_id;gateway_id;freq_mhz;tx_lat_deg;tx_lon_deg;gw_lat_deg;gw_lon_deg;rssi_dbm;snr_db",
    )
    (reading,) = read_readings([path], SITES).readings
    assert (reading.a.name, reading.a.site, reading.a.lat_deg) == ("L1", False, 50.01)
    assert reading.b.name == "House"  # it stands where the site stands
    assert reading.frequency_mhz == 868.0
    assert reading.power_dbm == pytest.approx(-119.41, abs=0.01)  # as computed by the source of the measured table


def test_headings_can_be_renamed(tmp_path: Path) -> None:
    path = table(tmp_path, "N07,House,-91", header="one,other,level")
    columns = {"one": "a", "other": "b", "level": "power_dbm"}
    (reading,) = read_readings([path], SITES, columns=columns).readings
    assert reading.power_dbm == -91.0


def test_swapped_coordinates_are_told(tmp_path: Path) -> None:
    path = table(tmp_path, "L1,House,50.0,10.0,-91", header="a,b,a_lon_deg,a_lat_deg,power_dbm")
    (fault,) = faults_of(path)
    assert fault.endswith("Longitude and latitude are swapped.")


def test_a_named_site_measured_from_elsewhere_is_told(tmp_path: Path) -> None:
    path = table(tmp_path, "N07,House,10.004,50.0,-91", header="a,b,a_lon_deg,a_lat_deg,power_dbm")
    assert faults_of(path) == [
        "readings.csv, row 2, column 'a': stands 287 m from the site 'N07'\n  Correct the name or the position."
    ]


def test_unknown_season_and_radio_are_told(tmp_path: Path) -> None:
    path = table(tmp_path, "x,N07,House,2026-05-04,css-868-sf8,leef,-91,,,,")
    assert faults_of(path, seasons=("bare", "leaf"), radios=("css-868-sf7",)) == [
        "readings.csv, row 2, column 'season': 'leef' is not known. Did you mean 'leaf'?\n  Write one of: bare, leaf.",
        "readings.csv, row 2, column 'radio': 'css-868-sf8' is not known. Did you mean 'css-868-sf7'?\n"
        "  Write one of: css-868-sf7.",
    ]


def test_readings_without_time_and_season_are_told(tmp_path: Path) -> None:
    path = table(tmp_path, "x,N07,House,,,,-91,,,,")
    assert read_readings([path], SITES).notes[0] == (
        "1 reading says neither time nor season: it is compared with the first season of the plan."
    )


def test_only_heard_packets_are_told_as_a_bias(tmp_path: Path) -> None:
    path = table(tmp_path, "x,N07,House,2026-05-04,,,-91,,,,")
    assert "weak links look stronger than they are" in read_readings([path], SITES).notes[-1]


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(MissingFileError, match=r"^none\.csv: there is no such file"):
        read_readings([tmp_path / "none.csv"], SITES)


@given(st.floats(-150, -20), st.floats(-30, 30))
def test_signal_power_is_never_above_the_strength_that_holds_it(rssi_dbm: float, snr_db: float) -> None:
    """Exact algebra: signal + noise adds up to the strength again, and signal over noise is the SNR."""
    signal = signal_power_dbm(rssi_dbm, snr_db)
    noise = signal - snr_db
    assert signal <= rssi_dbm + 1e-9
    assert 10 * math.log10(10 ** (signal / 10) + 10 ** (noise / 10)) == pytest.approx(rssi_dbm, abs=1e-9)


def test_the_measured_city_table_reads_without_a_fault(reference_dir: Path) -> None:
    """720 packets, 32 positions, 8 gateways (read in the note beside the table)."""
    result = read_readings([reference_dir / "measured" / "city_868mhz_packets.csv"], ())
    assert len(result.readings) == 720
    assert len({reading.a.name for reading in result.readings}) == 32
    assert len({reading.b.name for reading in result.readings}) == 8


def gpx(folder: Path, points: list[tuple[float, float, str]], head: str = "") -> Path:
    body = "".join(f'<trkpt lat="{lat}" lon="{lon}"><time>{time}</time></trkpt>' for lon, lat, time in points)
    path = folder / "walk.gpx"
    space = "urn:example:gpx"
    path.write_text(f'{head}<gpx xmlns="{space}"><trk><trkseg>{body}</trkseg></trk></gpx>', encoding="utf-8")
    return path


WALK = [
    (10.000, 50.002, "2026-05-04T10:00:00Z"),
    (10.002, 50.002, "2026-05-04T10:00:40Z"),
    (10.004, 50.002, "2026-05-04T10:10:00Z"),
]


def test_a_log_gets_its_places_from_the_track_by_time(tmp_path: Path) -> None:
    log = table(tmp_path, "2026-05-04T10:00:20Z,House,-101,3", header="time,gateway,rssi,snr", name="log.csv")
    (reading,) = join_track(gpx(tmp_path, WALK), log, SITES).readings
    assert (reading.a.lon_deg, reading.a.lat_deg) == (10.001, 50.002)
    assert reading.a.name == "spot 50.0020 10.0010"
    assert reading.location == "near 50.002 10.001"
    assert reading.time == datetime.datetime(2026, 5, 4, 10, 0, 20, tzinfo=datetime.UTC)


def test_gaps_of_the_track_are_not_bridged(tmp_path: Path) -> None:
    track = read_track(gpx(tmp_path, WALK))
    middle_of_gap, on_the_way = track.time_s[1] + 200, track.time_s[0] + 10
    lon, _ = place_at(track, np.array([middle_of_gap, on_the_way]))
    assert math.isnan(lon[0])
    assert lon[1] == pytest.approx(10.0005)


def test_a_clock_that_is_hours_off_is_noticed(tmp_path: Path) -> None:
    rows = [f"2026-05-04T12:00:{second:02d}Z,House,-101" for second in (5, 15, 25, 35)]
    log = table(tmp_path, *rows, header="time,gateway,rssi", name="log.csv")
    with pytest.raises(MeshplanError) as caught:
        join_track(gpx(tmp_path, WALK), log, SITES)
    assert "With the log's clock moved by -2 h they fit" in str(caught.value)
    assert len(join_track(gpx(tmp_path, WALK), log, SITES, clock_shift_s=-7200).readings) == 4


def test_a_track_that_declares_entities_is_refused(tmp_path: Path) -> None:
    head = '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "b">]>'
    with pytest.raises(MeshplanError, match="declares a document type"):
        read_track(gpx(tmp_path, WALK, head))


def test_a_track_without_times_says_so(tmp_path: Path) -> None:
    path = tmp_path / "walk.gpx"
    path.write_text('<gpx><trk><trkseg><trkpt lat="50" lon="10"/></trkseg></trk></gpx>', encoding="utf-8")
    with pytest.raises(MeshplanError, match="none of its points carries a time"):
        read_track(path)
