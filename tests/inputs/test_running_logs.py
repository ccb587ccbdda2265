"""Logs of any form: the same rows whatever the file is, and clear words about what cannot be used."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from meshplan.errors import InputError, MeshplanError
from meshplan.inputs.logs import Logs, read_logs

DEVICES = ("Trough", "Bed")
START_S = 1_777_890_600  # 2026-05-04T10:30:00Z
HEADINGS = ("time", "device", "power_dbm", "snr_db", "counter", "cell_v", "hop")


def rows(count: int = 6) -> list[tuple[object, ...]]:
    """Return rows of two devices, a quarter of an hour apart."""
    return [(START_S + 900 * k, DEVICES[k % 2], -90.0 - k, 5.5, 40 + k // 2, 4.4, 1) for k in range(count)]


def csv_file(path: Path, lines: list[tuple[object, ...]], headings: tuple[str, ...] = HEADINGS, mark: str = ",") -> Path:
    """Write rows as CSV."""
    path.write_text("\n".join(mark.join(map(str, line)) for line in [headings, *lines]) + "\n", encoding="utf-8")
    return path


def read(*paths: Path, **options: object) -> Logs:
    """Read logs of the two devices."""
    return read_logs(paths, DEVICES, **options)  # type: ignore[arg-type]


def trough(logs: Logs) -> dict[str, list[float]]:
    """Return what was read of the trough."""
    log = next(log for log in logs.devices() if log.device == "Trough")
    return {
        name: np.round(getattr(log, name), 3).tolist() for name in ("time_s", "power_dbm", "snr_db", "counter", "cell_v", "hop")
    }


EXPECTED = {
    "time_s": [START_S, START_S + 1800, START_S + 3600],
    "power_dbm": [-90.0, -92.0, -94.0],
    "snr_db": [5.5] * 3,
    "counter": [40, 41, 42],
    "cell_v": [4.4] * 3,
    "hop": [1] * 3,
}


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_csv_with_any_separator(tmp_path: Path, mark: str) -> None:
    assert trough(read(csv_file(tmp_path / "log.csv", rows(), mark=mark))) == EXPECTED


def test_json_lines_with_objects_inside(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    path.write_text(
        "".join(
            json.dumps(
                {"time": t, "device": {"name": d}, "rx": [{"rssi": p, "snr": s}], "fCnt": c, "battery_mv": v * 1000, "hops": h}
            )
            + "\n"
            for t, d, p, s, c, v, h in rows()
        ),
        encoding="utf-8",
    )
    named = {"device.name": "device", "rx.rssi": "power_dbm", "rx.snr": "snr_db"}
    assert trough(read(path, columns=named)) == EXPECTED


def test_sqlite(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    with sqlite3.connect(path) as base:
        base.execute('CREATE TABLE "kept packets" (time, device, power_dbm, snr_db, counter, cell_v, hop)')
        base.executemany('INSERT INTO "kept packets" VALUES (?, ?, ?, ?, ?, ?, ?)', rows())
        base.execute("CREATE TABLE other (a)")
    base.close()
    with pytest.raises(InputError, match="--table kept packets"):
        read(path)
    assert trough(read(path, table="kept packets")) == EXPECTED


def test_parquet(tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas")
    pytest.importorskip("pyarrow", reason="an extra: pip install 'meshplan[parquet]'")
    path = tmp_path / "log.parquet"
    pandas.DataFrame(rows(), columns=HEADINGS).to_parquet(path)
    assert trough(read(path)) == EXPECTED


def test_parquet_without_its_package_says_how(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log.parquet"
    path.write_bytes(b"PAR1 and so on")
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(MeshplanError, match=r"meshplan\[parquet\]"):
        read(path)


@pytest.mark.parametrize("factor", [1, 10**3, 10**6, 10**9])
def test_numbers_of_time_by_their_size(tmp_path: Path, factor: int) -> None:
    lines = [(line[0] * factor, *line[1:]) for line in rows()]
    assert trough(read(csv_file(tmp_path / "log.csv", lines))) == EXPECTED


def test_times_with_a_zone_without_one_and_in_the_hour_that_comes_twice(tmp_path: Path) -> None:
    written = ["2026-05-04T12:30:00+02:00", "2026-05-04T10:30:00Z", "2026-05-04 12:30:00", "2026-10-25 02:30:00"]
    path = csv_file(tmp_path / "log.csv", [(t, "Trough", -90, "", "", "", "") for t in written])
    plain = read(path)
    assert sorted(trough(plain)["time_s"])[:3] == [START_S, START_S, START_S + 7200]
    assert "taken as universal time" in " ".join(plain.notes)
    here = read(path, zone="Europe/Berlin")
    assert sorted(trough(here)["time_s"]) == [START_S] * 3 + [1_792_891_800]  # 01:30 universal, the second 02:30
    assert "the hour that autumn repeats" in " ".join(here.notes)
    with pytest.raises(InputError, match="is no time zone"):
        read(path, zone="Mars/North")


def test_what_cannot_be_used_is_counted_with_its_first_row(tmp_path: Path) -> None:
    lines = [
        *rows(),
        (START_S, "Trough", 90, "x", -4, 900_000, "two"),
        (0, "Trough", -90, "", "", "", ""),
        ("yesterday", "Bed", -90, "", "", "", ""),
        (START_S + 90, "", -90, "", "", "", ""),
        (START_S + 99, "Trough", "NaN", "nan", "", "", ""),
        (START_S + 99, "Trough", "inf", "", "1e400", "", ""),
        (START_S, "Trough", -90, 1, 2, 3, 1, 8, 9, 10),
        (START_S,),
    ]
    found = read(csv_file(tmp_path / "log.csv", lines))
    said = "\n".join(found.notes)
    for words in (
        "1 row could not be read and is left out (log.csv, row 14, too many values)",
        "1 row has no time that can be read and is left out (log.csv, row 10)",
        "1 row has a time before 2015 or after 2100",
        "2 rows name no device and are left out (log.csv, row 11 …)",
        "2 rows have a counter that is none",
        "2 rows have a received power outside",
        "1 row has a signal-to-noise ratio that cannot be",
        "1 row has a cell voltage outside",
        "1 row has a number of hops that cannot be",
    ):
        assert words in said, said
    assert found.rows == 9


def test_a_clock_that_jumped_does_not_make_all_others_silent(tmp_path: Path) -> None:
    lines = [(START_S + 900 * k, "Trough", -90, 5, k, 4.4, 1) for k in range(500)]
    lines.insert(200, (START_S + 400 * 86_400, "Trough", -90, 5, 200, 4.4, 1))
    found = read(csv_file(tmp_path / "log.csv", lines))
    assert found.last_s == START_S + 900 * 499
    assert any("a clock jumped" in note for note in found.notes)
    assert len(trough(found)["time_s"]) == 500


def test_newest_first_and_two_files_are_one_log(tmp_path: Path) -> None:
    late, early = csv_file(tmp_path / "b.csv", rows()[:2:-1]), csv_file(tmp_path / "a.csv", rows()[2::-1])
    assert trough(read(late, early)) == EXPECTED


def test_a_million_unknown_devices_are_told_in_one_sentence(tmp_path: Path) -> None:
    """In small: 30 000 names, of which a thousand are kept."""
    lines = [*rows(), *((START_S, f"stray {k}", -90, 1, 1, 3, 1) for k in range(30_000))]
    found = read(csv_file(tmp_path / "log.csv", lines))
    (note,) = [note for note in found.notes if "the plan does not have" in note]
    assert note.startswith("30000 rows are of over 1000 devices")
    assert len(note) < 400
    assert trough(found) == EXPECTED


def test_names_are_matched_or_asked_for(tmp_path: Path) -> None:
    lines = [(line[0], {"Trough": "70b3d5a1", "Bed": "bed"}[str(line[1])], *line[2:]) for line in rows()]
    path = csv_file(tmp_path / "log.csv", lines)
    assert trough(read(path, names={"70B3D5A1": "Trough"})) == EXPECTED
    with pytest.raises(InputError, match=r"no device 'Trowgh' in the plan that sends\. Did you mean 'Trough'"):
        read(path, names={"70b3d5a1": "Trowgh"})
    foreign = csv_file(tmp_path / "other.csv", [(line[0], "x", *line[2:]) for line in rows()])
    with pytest.raises(InputError, match=r"none of its devices is one of the plan: 'x'"):
        read(foreign)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b"# nothing\n", "no heading"),
        (b"time,device\n", "no row in it"),
        (b"when,who\n1,2\n", "no column says 'time'"),
        (b"time,time,device\n1,2,3\n", "stands twice"),
        (b"[1, 2]", "one JSON list"),
        (b"{\n{\n", "no column says|no row"),
        (b'{"a": 1}\n', "no column says 'time'"),
        (b"SQLite format 3\x00broken", "cannot be read"),
        (b'time,device\n"1777890600,Trough\n', "cannot be read to its end"),
        (b"time,device\nx,Trough\ny,Bed\n", "no row has a time and a device"),
    ],
)
def test_hostile_files_give_clear_words(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    with pytest.raises(MeshplanError, match=words) as told:
        read(path)
    assert told.value.fix


def test_half_a_line_at_the_end_is_left_out_or_short(tmp_path: Path) -> None:
    path = csv_file(tmp_path / "log.csv", rows())
    path.write_bytes(path.read_bytes() + b"17778")
    assert trough(read(path)) == EXPECTED
    lines = tmp_path / "log.jsonl"
    lines.write_text('{"time": 1777890600, "device": "Trough", "rssi": -90}\n{"time": 17778', encoding="utf-8")
    found = read(lines)
    assert found.rows == 1
    assert any("could not be read" in note for note in found.notes)


def test_a_heading_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no column 'level'"):
        read(csv_file(tmp_path / "log.csv", rows()), columns={"level": "power_dbm"})
    with pytest.raises(InputError, match="'powr' is no column of a log"):
        read(csv_file(tmp_path / "log.csv", rows()), columns={"time": "powr"})


def test_rows_of_relays_themselves_are_told_apart_from_strangers(tmp_path: Path) -> None:
    lines = [*rows(), (START_S, "Ridge", -90, 1, 1, 3, 1)]
    found = read(csv_file(tmp_path / "log.csv", lines), receivers={"Ridge": "Ridge at 3 m"})
    assert [note for note in found.notes if "does not have" in note] == []
    assert any(note.startswith("1 row is of relays or gateways themselves") for note in found.notes)
