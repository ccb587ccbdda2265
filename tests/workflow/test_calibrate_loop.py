"""The loop closed: walk with sheets, enter readings, learn, plan again, know where to measure next."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely
from one_browser import started_browser
from orchard_holding import BOUNDARY, ORCHARD_BEDS, lay_orchard, orchard_and_antenna, walk_rows, write_rows
from small_property import changed, lay_small_property, lon_lat, usual_sites

from meshplan.cli import main
from meshplan.errors import FaultList, InputError
from meshplan.inputs.calibration_file import read_calibration
from meshplan.inputs.measurements import read_readings
from meshplan.records import VERDICTS
from meshplan.records.measurement import End, Reading
from meshplan.reporting.plan_files import write_plan_json
from meshplan.workflow import (
    Planned,
    calibrate_property,
    plan_property,
    profile_between,
    propose_next_places,
    stored_walk,
    write_calibrated,
    write_plan,
)
from meshplan.workflow.calibrate import Calibrated, measured_points, predict_readings

ADDS_UP_DB = 0.05


@dataclass(frozen=True, eq=False)
class Walked:
    """The orchard holding, planned, walked, calibrated and planned again."""

    folder: Path
    out: Path
    before: Planned
    result: Calibrated
    files: tuple[Path, ...]


@pytest.fixture(scope="module")
def holding(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the holding without any reading."""
    return lay_orchard(tmp_path_factory.mktemp("orchard"))


@pytest.fixture(scope="module")
def planned(holding: Path) -> Planned:
    """Return its plan."""
    return plan_property(holding)


@pytest.fixture(scope="module")
def walked(holding: Path, planned: Planned, tmp_path_factory: pytest.TempPathFactory) -> Walked:
    """Return the holding after a walk that met the hidden truth."""
    folder = tmp_path_factory.mktemp("walked") / "orchard"
    shutil.copytree(holding, folder)
    readings = write_rows(folder / "walk.csv", walk_rows(planned, orchard_and_antenna))
    out = tmp_path_factory.mktemp("results")
    result = calibrate_property(folder, [readings])
    return Walked(folder, out, planned, result, write_calibrated(result, folder, out))


def test_the_hidden_orchard_and_the_changed_antenna_are_found(walked: Walked) -> None:
    """6 dB more through the orchard, 8 dB less at House; nothing else was changed, and nothing else is blamed for much."""
    calibration = walked.result.calibration
    house = calibration.parameter("end House")
    offset = calibration.parameter("offset").mean
    assert house.low <= -8.0 <= house.high
    assert house.mean + offset == pytest.approx(-8.0, abs=2.0)
    worst = walked.before.links.worst_season
    learned = walked.result.after.links
    orchard, open_land = [], []
    rows = {tuple(learned.stations[i].site.name for i in pair): row for row, pair in enumerate(learned.pairs)}
    for (sensor, gateway), row in rows.items():
        if gateway == "House" and sensor[0] in "EW":
            change_db = learned.received_at_b_dbm[worst[row], row] - walked.before.links.received_at_b_dbm[worst[row], row]
            (orchard if sensor[0] == "E" else open_land).append(change_db)
    assert len(orchard) == len(open_land) == 6
    assert np.mean(orchard) == pytest.approx(-14.0, abs=2.0)
    assert np.mean(open_land) == pytest.approx(-8.0, abs=1.5)
    blamed = [p for p in calibration.parameters if p.group == "end" and p.name not in ("end House", "end Barn")]
    assert all(abs(parameter.mean) < 2.0 for parameter in blamed)


def test_verdicts_change_where_the_truth_says_so(walked: Walked) -> None:
    changes = {change.a: change for change in walked.result.changes if change.b == "House"}
    assert set(changes) >= set(ORCHARD_BEDS)
    for name in ORCHARD_BEDS:
        change = changes[name]
        assert not change.better
        assert VERDICTS.index(change.after) > VERDICTS.index(change.before)
        assert "the antenna at House" in change.sentence
        assert "orchard" in change.sentence
    assert not any(name.startswith("W") for name in changes)
    assert all(change.spread_after_db < change.spread_before_db for change in changes.values())


def test_the_file_reads_back_to_the_same_plan(walked: Walked) -> None:
    again = plan_property(walked.folder, calibrated=True)
    after = {link.key: link for link in walked.result.after.plan.links}
    assert {link.key for link in again.plan.links} == set(after)
    for link in again.plan.links:
        assert link.verdict == after[link.key].verdict
        assert link.chance == pytest.approx(after[link.key].chance, abs=0.01)
        assert link.margin_db == pytest.approx(after[link.key].margin_db, abs=0.1)
    assert any("Calibrated with 24 readings" in line and "walk.csv" in line for line in again.plan.assumptions)
    stored = read_calibration(walked.folder / "calibration.toml")
    assert stored.sha256 == walked.result.calibration.sha256
    assert stored.files == ("walk.csv",)


def test_a_calibration_is_announced_and_not_used_unasked(walked: Walked) -> None:
    plain = plan_property(walked.folder).plan
    assert plain.links == walked.before.plan.links
    notes = set(plain.assumptions) - set(walked.before.plan.assumptions)
    assert notes == {"calibration.toml is in the property folder and was not used; `meshplan plan --calibrated` uses it."}


def test_a_friend_can_still_add_up_every_budget(walked: Walked) -> None:
    """Gains less losses, with what was learned as a line of its own, give the power received; less the limit, the margin."""
    named = 0
    for link in walked.result.after.plan.links:
        for result in link.seasons:
            lost_db = -sum(item.signed_db for item in result.losses)
            assert lost_db == pytest.approx(result.path_loss_db, abs=ADDS_UP_DB)
            named += any(item.name == "Learned from readings" for item in result.losses)
            for gains, received_dbm, least_dbm, margin_db in (
                (link.gains_a_to_b, result.received_at_b_dbm, link.sensitivity_b_dbm, result.margin_at_b_db),
                (link.gains_b_to_a, result.received_at_a_dbm, link.sensitivity_a_dbm, result.margin_at_a_db),
            ):
                assert sum(item.signed_db for item in gains) - lost_db == pytest.approx(received_dbm, abs=ADDS_UP_DB)
                assert received_dbm - least_dbm == pytest.approx(margin_db, abs=ADDS_UP_DB)
            assert result.chance <= 1.0
    assert named > 12


def test_noise_measured_at_a_gateway_raises_its_limit_and_not_that_of_the_other_end(
    holding: Path, planned: Planned, tmp_path: Path
) -> None:
    """Power and SNR together show the noise: 10 dB more at House than assumed, told by a receiver without a cap."""
    folder = shutil.copytree(holding, tmp_path / "noisy")
    (folder / "radios.toml").write_text("[classes.fsk-868]\nsnr_cap_db = 80\n", encoding="utf-8")
    rows = [row for row in walk_rows(planned, lambda *_: 0.0) if row["b"] == "House" and row["a"].startswith("W")]
    house = next(s for s in planned.prepared.stations if s.site.name == "House")
    silent_dbm = -174.0 + 10 * np.log10(house.radio.bandwidth_khz * 1000) + house.radio.noise_figure_db + house.noise_rise_db
    for row in rows:
        row["snr_db"] = f"{float(row['power_dbm']) - silent_dbm - 10.0:.1f}"
    result = calibrate_property(folder, [write_rows(folder / "walk.csv", rows)], next_places=0)
    assert result.calibration.parameter("noise House").mean == pytest.approx(10.0, abs=1.5)
    link = next(link for link in result.after.plan.links if {link.a, link.b} == {"W1", "House"})
    before = planned.plan.link(link.key)
    assert link.sensitivity_b_dbm == pytest.approx(before.sensitivity_b_dbm + 10.0, abs=1.5)
    assert link.sensitivity_a_dbm == before.sensitivity_a_dbm
    worst = link.season(link.worst_season)
    assert worst.received_at_b_dbm - link.sensitivity_b_dbm == pytest.approx(worst.margin_at_b_db, abs=ADDS_UP_DB)
    assert result.walk is None


def test_a_receiver_that_shows_no_more_than_ten_decibels_is_not_called_noisy(
    holding: Path, planned: Planned, tmp_path: Path
) -> None:
    """The same walk with every SNR cut off at +10 dB: no noise is learned, and who is served stays served."""
    folder = shutil.copytree(holding, tmp_path / "capped")
    rows = [row | {"snr_db": "10"} for row in walk_rows(planned, lambda *_: 0.0) if row["power_dbm"] != "not heard"]
    result = calibrate_property(folder, [write_rows(folder / "walk.csv", rows)], next_places=0)
    assert not [p for p in result.calibration.parameters if p.group == "noise"]
    assert any(f"{len(rows)} readings show an SNR as large as the receiver can report" in n for n in result.calibration.notes)
    before = {device.name for device in planned.plan.devices if device.in_plan}
    assert {device.name for device in result.after.plan.devices if device.in_plan} >= before
    shared = [link for link in result.after.plan.links if link.key in {old.key for old in planned.plan.links}]
    assert len(shared) >= 12
    for link in shared:
        old = planned.plan.link(link.key)
        assert (link.sensitivity_a_dbm, link.sensitivity_b_dbm) == (old.sensitivity_a_dbm, old.sensitivity_b_dbm)


def test_links_that_were_not_heard_count_as_weak_not_as_missing(walked: Walked) -> None:
    calibration = walked.result.calibration
    assert calibration.not_heard == 3
    silent = [fit for fit in calibration.fitted if fit.measured.censored]
    assert len(silent) == 3
    for fit in silent:
        assert fit.after_dbm < fit.measured.link.received_dbm - 6.0
        assert fit.after_dbm < fit.measured.link.sensitivity_dbm + 4.0


def test_the_walk_stays_inside_the_boundary_and_knows_what_it_decides(walked: Walked) -> None:
    survey = stored_walk(walked.out)
    assert survey is not None
    assert survey.stops
    land = shapely.Polygon([lon_lat(*point) for point in BOUNDARY]).buffer(1e-5)
    assert land.covers(shapely.LineString(survey.way))
    assert survey.length_m == pytest.approx(sum(stop.way_m for stop in survey.stops) + survey.back_m, rel=1e-6)
    assert "24 readings" in survey.knows
    for stop in survey.stops:
        assert land.covers(shapely.Point(stop.lon_deg, stop.lat_deg))
        assert stop.decides
        assert 1 <= len(stop.readings) <= 4
        assert {reading.there for reading in stop.readings} <= {"House"}


def test_expectations_of_the_walk_hold_what_was_learned(walked: Walked) -> None:
    survey = stored_walk(walked.out)
    assert survey is not None
    table = walked.result.after.links
    keys = [station.key for station in table.stations]
    rows = {f"{keys[i]} ~ {keys[j]}": row for row, (i, j) in enumerate(table.pairs)}
    seasons = [season.name for season in table.seasons]
    readings = [reading for stop in survey.stops for reading in stop.readings]
    assert readings
    for reading in readings:
        assert [level.season for level in reading.expected] == seasons
        for number, level in enumerate(reading.expected):
            assert level.there_dbm == pytest.approx(table.received_at_b_dbm[number, rows[reading.link]], abs=0.01)
            assert level.here_dbm == pytest.approx(table.received_at_a_dbm[number, rows[reading.link]], abs=0.01)


def test_the_walk_opens_on_the_phone(walked: Walked) -> None:
    """GPX 1.1 (Topografix): numbered waypoints first, then the round as one track."""
    tree = ElementTree.parse(walked.out / "next_places.gpx").getroot()
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    survey = stored_walk(walked.out)
    assert survey is not None
    names = [point.findtext("g:name", namespaces=space) for point in tree.findall("g:wpt", space)]
    assert names == [f"{number} {stop.name}" for number, stop in enumerate(survey.stops, start=1)]
    track = tree.findall("g:trk/g:trkseg/g:trkpt", space)
    assert len(track) == len(survey.way)
    assert track[0].attrib == track[-1].attrib


def test_the_map_shows_every_place_that_was_measured(walked: Walked) -> None:
    page = (walked.out / "calibration" / "map.html").read_text(encoding="utf-8")
    block = re.search(r'<script type="application/json" id="plan-data">(.*?)</script>', page, re.DOTALL)
    assert block is not None
    shown = json.loads(block[1])["measured"]
    points = measured_points(walked.result.calibration, walked.result.after)
    assert [point["name"] for point in shown] == [point.name for point in points]
    assert {point.name for point in points} == {f"{side}{number}" for side in "EW" for number in range(1, 7)}
    assert all(np.isfinite([point.measured_dbm, point.expected_dbm]).all() for point in points)
    assert any("below" in point.note for point in points)


def test_all_files_are_there_and_named(walked: Walked) -> None:
    names = {path.name for path in walked.files}
    assert names >= {"calibration.toml", "map.html", "next_places.json", "next_places.gpx", "residual-along-distance.svg"}
    assert all(path.is_file() for path in walked.files)


def test_results_come_all_or_none(walked: Walked, tmp_path: Path) -> None:
    blocked = tmp_path / "results"
    (blocked / "calibration" / "map.html" / "x").mkdir(parents=True)
    folder = tmp_path / "property"
    folder.mkdir()
    with pytest.raises(Exception, match="cannot be written"):
        write_calibrated(walked.result, folder, blocked)
    assert list(folder.iterdir()) == []


# from the sheets and back, on the command line


@pytest.fixture(scope="module")
def on_paper(holding: Path, planned: Planned, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Return a fresh copy of the holding and its results, with sheets that propose places before any reading."""
    folder = tmp_path_factory.mktemp("paper") / "orchard"
    shutil.copytree(holding, folder)
    out = tmp_path_factory.mktemp("paper-results")
    write_plan(planned, out)
    assert main(["sheets", str(folder), "--out", str(out), "--next", "3", "--pdf", "-q"]) == 0
    return folder, out


def test_sheets_propose_places_before_any_reading(on_paper: tuple[Path, Path], planned: Planned) -> None:
    _, out = on_paper
    survey = stored_walk(out)
    assert survey is not None
    assert 1 <= len(survey.stops) <= 3
    assert "before any reading" in survey.knows
    assert {stop.name for stop in survey.stops} <= {*ORCHARD_BEDS, "Post", "House"}, "open beds are sure: nothing hangs on them"
    page = (out / "sheets.html").read_text(encoding="utf-8")
    assert "Where to measure next" in page
    assert page.index("Where to measure next") < page.index('id="sheet-1"')
    assert page.count('class="stop"') == len(survey.stops)
    for stop in survey.stops:
        assert f"{stop.lat_deg:.6f}, {stop.lon_deg:.6f}" in page
    assert (out / "sheets.pdf").read_bytes().startswith(b"%PDF")
    plain_walk, _ = propose_next_places(planned.prepared.found.folder, planned.plan, 3)
    assert [stop.place.name for stop in plain_walk.stops] == [stop.name for stop in survey.stops]


def test_a_stored_walk_is_printed_again_unless_refused(on_paper: tuple[Path, Path]) -> None:
    folder, out = on_paper
    first = (out / "sheets.html").read_text(encoding="utf-8")
    assert main(["sheets", str(folder), "--out", str(out)]) == 0
    assert (out / "sheets.html").read_text(encoding="utf-8") == first
    assert main(["sheets", str(folder), "--out", str(out), "--next", "0"]) == 0
    assert "Where to measure next" not in (out / "sheets.html").read_text(encoding="utf-8")
    assert main(["sheets", str(folder), "--out", str(out)]) == 0


def test_a_walk_for_another_plan_is_left_out_and_said(
    on_paper: tuple[Path, Path], planned: Planned, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = on_paper
    shutil.copy(out / "next_places.json", tmp_path)
    devices = tuple(replace(one, in_plan=one.name != "House") for one in planned.plan.devices)
    write_plan_json(replace(planned.plan, devices=devices), tmp_path / "plan.json")
    assert main(["sheets", str(folder), "--out", str(tmp_path)]) == 0
    assert "were chosen for another plan and are left out" in capsys.readouterr().out
    assert "Where to measure next" not in (tmp_path / "sheets.html").read_text(encoding="utf-8")


def filled_table(out: Path, planned: Planned) -> list[dict[str, str]]:
    """Return readings.csv of the sheets, filled in by somebody who met the hidden truth."""
    rows = list(csv.DictReader(io.StringIO((out / "readings.csv").read_text(encoding="utf-8-sig"))))
    heard = {(row["a"], row["b"]): row for row in walk_rows(planned, orchard_and_antenna)}
    for row in rows:
        found = heard.get((row["a"], row["b"])) or heard.get((row["b"], row["a"]))
        if found:
            row.update(season="leaf", power_dbm=found["power_dbm"], sent=found["sent"], received=found["received"])
    return rows


def test_the_table_of_the_sheets_filled_in_is_read_back(
    on_paper: tuple[Path, Path], planned: Planned, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = on_paper
    walk = stored_walk(out)
    assert walk is not None
    rows = filled_table(out, planned)
    first = [row["link"] for row in rows][:2]
    assert first == [walk.stops[0].readings[0].link] * 2, "the links of the walk stand first, both ways"
    filled = write_rows(out / "readings.csv", rows)
    assert main(["calibrate", str(folder), str(filled), "--out", str(tmp_path), "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["readings"] == sum(bool(row["power_dbm"]) for row in rows)
    assert (folder / "calibration.toml").is_file()
    assert {f"{name} ~ House" for name in ORCHARD_BEDS} <= {change["link"] for change in printed["changes"]}
    (folder / "calibration.toml").unlink()


def test_faults_are_told_row_by_row_and_nothing_is_written(
    on_paper: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, _ = on_paper
    rows = [
        {"a": "W1", "b": "House", "power_dbm": "-80", "radio": "", "frequency_mhz": "", "sent": "", "received": ""},
        {"a": "W2", "b": "House", "power_dbm": "80", "radio": "", "frequency_mhz": "", "sent": "", "received": ""},
        {"a": "W9", "b": "House", "power_dbm": "-80", "radio": "", "frequency_mhz": "", "sent": "", "received": ""},
        {"a": "W4", "b": "House", "power_dbm": "-80", "radio": "", "frequency_mhz": "", "sent": "10", "received": "12"},
    ]
    table = write_rows(tmp_path / "bad.csv", rows)
    out = tmp_path / "results"
    assert main(["calibrate", str(folder), str(table), "--out", str(out)]) == 2
    said = capsys.readouterr().err
    assert "row 3" in said
    assert "80 dBm has lost its minus sign" in said
    assert "row 4" in said
    assert "there is no site 'W9'" in said
    assert "row 5" in said
    assert "12 packets received of 10 sent" in said
    assert "row 2" not in said
    assert not out.exists()
    assert not (folder / "calibration.toml").exists()


def test_a_track_and_a_log_make_readings(on_paper: tuple[Path, Path], planned: Planned, tmp_path: Path) -> None:
    """The walker passes three beds at known minutes; the log of House says when it heard what."""
    folder, _ = on_paper
    stops = [(60, 120), (150, 60), (170, 220), (200, 540)]
    points = []
    for minute, (x, y) in enumerate(stops):
        lon_deg, lat_deg = lon_lat(x, y)
        for second in (0, 20, 40, 59):
            points.append(
                f'<trkpt lat="{lat_deg:.7f}" lon="{lon_deg:.7f}"><time>2026-07-04T10:{minute:02d}:{second:02d}Z</time></trkpt>'
            )
    track = tmp_path / "walk.gpx"
    track.write_text(
        '<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
        f"{''.join(points)}</trkseg></trk></gpx>",
        encoding="utf-8",
    )
    log = write_rows(
        tmp_path / "log.csv",
        [{"date_time": f"2026-07-04 10:{minute:02d}:30", "b": "House", "power_dbm": f"-{70 + minute}"} for minute in range(4)],
    )
    result = calibrate_property(folder, [log], track=track, next_places=0)
    assert result.calibration.readings == 4
    assert result.calibration.files == ("log.csv", "walk.gpx")
    ends = [(fit.measured.link.a_x_m, fit.measured.link.a_y_m) for fit in result.calibration.fitted]
    house = next(s for s in planned.prepared.stations if s.site.name == "House").site
    for (x_m, y_m), (x, y) in zip(ends, stops, strict=True):
        assert (x_m - house.x_m + 100, y_m - house.y_m + 300) == pytest.approx((x, y), abs=12.0)
    assert {fit.measured.link.season for fit in result.calibration.fitted} == {"Jul"}
    names = {point.name for point in measured_points(result.calibration, result.after)}
    assert len(names) == 4


def test_antennas_stand_on_the_sheets_as_the_settings_say(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "flat", settings='[antenna]\npolarisation = "horizontal"\n')
    assert main(["plan", str(folder), "--out", str(tmp_path / "out"), "-q"]) in (0, 1)
    assert main(["sheets", str(folder), "--out", str(tmp_path / "out")]) == 0
    page = (tmp_path / "out" / "sheets.html").read_text(encoding="utf-8")
    assert page.count("horizontal, all directions alike") == page.count('class="sheet"') > 0
    assert "upright, all directions" not in page


# readings in radios of their own


def reading_of(planned: Planned, a: str, b: str, **fields: object) -> Reading:
    """Return a reading between two sites."""
    sites = {site.name: site for site in planned.prepared.found.sites}
    ends = [End(name, sites[name].lon_deg, sites[name].lat_deg, True) for name in (a, b)]
    plain = Reading(ends[0], ends[1], True, -80.0, season="leaf", where="walk.csv, row 2")
    return replace(plain, **fields)  # type: ignore[arg-type]


def test_a_reading_in_another_class_is_predicted_in_that_class(planned: Planned) -> None:
    readings = [
        reading_of(planned, "W1", "House"),
        reading_of(planned, "W1", "House", radio="css-868-sf7"),
        reading_of(planned, "W1", "House", radio="gfsk-2g4-250k-board"),
        reading_of(planned, "W1", "House", radio="FSK-868-50K"),
        reading_of(planned, "W1", "House", frequency_mhz=868.3),
    ]
    links, notes = predict_readings(planned.prepared, planned.plan, readings)
    own, chirp, board, shouted, channel = links
    assert notes == ()
    assert own == shouted == channel
    assert (own.radio, chirp.radio, board.radio) == ("fsk-868-50k", "css-868-sf7", "gfsk-2g4-250k-board")
    assert board.frequency_mhz > 2400.0
    assert chirp.sensitivity_dbm < own.sensitivity_dbm - 10.0
    assert board.received_dbm < own.received_dbm - 5.0
    row = next(
        r
        for r, (i, j) in enumerate(planned.links.pairs)
        if planned.links.stations[i].key == "W1" and planned.links.stations[j].key == "House"
    )
    leaf = [season.name for season in planned.links.seasons].index("leaf")
    assert own.received_dbm == pytest.approx(planned.links.received_at_b_dbm[leaf, row], abs=1e-6)


def test_the_power_while_measuring_counts(planned: Planned) -> None:
    strong, weak = (reading_of(planned, "W1", "House", tx_power_dbm=power) for power in (14.0, 4.0))
    links, _ = predict_readings(planned.prepared, planned.plan, [strong, weak])
    assert links[0].received_dbm - links[1].received_dbm == pytest.approx(10.0)


def test_a_pair_of_radios_has_a_name_of_its_own(planned: Planned) -> None:
    links, notes = predict_readings(planned.prepared, planned.plan, [reading_of(planned, "W1", "House", radio="blue box")])
    assert links[0].radio == "blue box"
    assert links[0].frequency_mhz == pytest.approx(planned.plan.radio.frequency_mhz)
    assert notes == ("Radio 'blue box' is no radio class: predicted as fsk-868-50k, and its own offset is learned apart.",)


def test_channels_and_classes_that_cannot_be_are_refused_row_by_row(planned: Planned) -> None:
    readings = [
        reading_of(planned, "W1", "House", frequency_mhz=433.9),
        reading_of(planned, "W2", "House", radio="fsk-868-50", where="walk.csv, row 3"),
    ]
    with pytest.raises(FaultList) as caught:
        predict_readings(planned.prepared, planned.plan, readings)
    said = str(caught.value)
    assert "walk.csv, row 2" in said
    assert "433.9 MHz" in said
    assert "Name the class that was used in the column radio" in said
    assert "walk.csv, row 3" in said
    assert "Did you mean 'fsk-868-50k'?" in said


def test_readings_on_a_property_of_two_classes(tmp_path: Path) -> None:
    """The bed speaks chirp, the trough the property's own class; both posts carry both."""
    sites = changed(
        usual_sites(),
        {
            "Bed": {"radio": "css-868-sf7"},
            "House": {"radio": "fsk-868-50k+css-868-sf7"},
            "North post": {"radio": "fsk-868-50k"},
            "South post": {"radio": "fsk-868-50k"},
        },
    )
    planned = plan_property(lay_small_property(tmp_path / "mixed", sites=sites))
    bed, trough = (reading_of(planned, name, other, season="bare") for name, other in (("Bed", "House"), ("Trough", "South post")))
    links, _ = predict_readings(planned.prepared, planned.plan, [bed, trough])
    assert [link.radio for link in links] == ["css-868-sf7", "fsk-868-50k"]
    with pytest.raises(InputError, match="carry no radio class in common"):
        predict_readings(planned.prepared, planned.plan, [reading_of(planned, "Bed", "South post", season="bare")])


def test_a_table_of_another_town_is_read_but_refused_here(reference_dir: Path, planned: Planned) -> None:
    """720 packets of a published city set under their own headings; the holding lies elsewhere, and every row says so."""
    table = reference_dir / "measured" / "city_868mhz_packets.csv"
    if not table.is_file():
        pytest.skip("the measured city set is not on this machine")
    found = read_readings([table], ())
    assert len(found.readings) == 720
    assert all(reading.heard and reading.frequency_mhz == 868.0 for reading in found.readings)
    first = found.readings[0]
    assert (first.a.name, first.b.name, first.power_dbm, first.snr_db) == ("1", "G4", -119.41, -10.0)
    with pytest.raises(FaultList, match="km from all sites") as caught:
        read_readings([table], planned.prepared.found.sites)
    assert "row 2" in str(caught.value)


@pytest.mark.slow
def test_a_demo_orchard_with_a_hidden_loss(tmp_path: Path) -> None:
    """Pellimoor with 6 dB more in its orchard: links through it get worse, links beside it do not."""
    source = Path(__file__).resolve().parents[2] / "sample_sites" / "pellimoor_orchard"
    folder = shutil.copytree(source, tmp_path / "pellimoor")
    planned = plan_property(folder)
    rows = walk_rows(planned, lambda sensor, hub, cover_m: 6.0 * (cover_m.get("orchard", 0.0) > 10.0), hubs=True)
    result = calibrate_property(folder, [write_rows(folder / "walk.csv", rows)], next_places=3)
    line = next(line for line in result.calibration.residuals if line.environment == "orchard")
    assert line.learned_low_db <= -6.0 <= line.learned_high_db
    assert line.learned_db == pytest.approx(-6.0, abs=2.0)
    left = result.calibration.left_out
    assert left is not None
    assert left.error_db < left.before_db
    through = [change for change in result.changes if any("orchard" in cause for cause in [change.sentence])]
    assert sum(not change.better for change in through) > sum(change.better for change in through)
    assert result.survey is not None
    assert result.survey.stops


def test_a_profile_with_what_was_learned_tells_what_the_calibrated_plan_tells(walked: Walked) -> None:
    """Before the readings and after them: margin, spread, chance, season and verdict of a link in plan and profile (issue 12)."""
    for plan, calibrated in ((walked.before.plan, False), (walked.result.after.plan, True)):
        for link in (plan.links[0], plan.links[len(plan.links) // 2], plan.links[-1]):
            alone, _, notes = profile_between(walked.folder, link.a, link.b, calibrated=calibrated)
            assert any("Calibrated with 24 readings" in note for note in notes) == calibrated
            assert any("was not used" in note for note in notes) == (not calibrated)
            assert alone.worst_season == link.worst_season
            assert alone.verdict == link.verdict
            for one, other in zip(alone.seasons, link.seasons, strict=True):
                assert one.margin_at_a_db == pytest.approx(other.margin_at_a_db, abs=0.1)
                assert one.margin_at_b_db == pytest.approx(other.margin_at_b_db, abs=0.1)
                assert one.spread.total_db == pytest.approx(other.spread.total_db, abs=0.1)
                assert one.chance == pytest.approx(other.chance, abs=0.02)


@pytest.mark.browser
def test_the_page_of_a_calibrated_plan_tells_its_figures(walked: Walked) -> None:
    """A trial of two devices where they stand: the plan's margin, spread, chance and verdict, readings included."""
    context = started_browser().new_context(offline=True)
    page = context.new_page()
    page.goto(next(path for path in walked.files if path.name == "map.html").as_uri())
    page.wait_for_selector("html[data-ready=yes]", state="attached")
    seen = 0
    for link in walked.result.after.plan.links:
        found = page.evaluate(
            """([a, b]) => { const end = (name) => { const d = meshPage.devices.get(name);
                return { name, end: meshPage.ends.get(name), place: L.latLng(d.lat_deg, d.lon_deg) }; };
              const trial = meshTrial.compute(end(a), end(b));
              return trial.unknown ? null : { verdict: trial.verdict,
                seasons: trial.seasons.map((one) => [one.marginDb, one.spreadDb, one.chance]) }; }""",
            [link.a, link.b],
        )
        if found is None:
            continue
        seen += 1
        assert found["verdict"] == link.verdict
        for (margin_db, spread_db, chance), season in zip(found["seasons"], link.seasons, strict=True):
            assert margin_db == pytest.approx(min(season.margin_at_a_db, season.margin_at_b_db), abs=0.1)
            assert spread_db == pytest.approx(season.spread.total_db, abs=0.1)
            assert chance == pytest.approx(season.chance, abs=0.02)
    context.close()
    assert seen > 10
