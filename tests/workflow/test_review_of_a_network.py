"""meshplan review from the command line: words, files, exit codes, and readings that calibrate takes."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from small_property import lay_small_property

from meshplan.cli import main

START_S = 1_767_225_600
DAYS = 59


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The small holding and its plan, made once."""
    home = tmp_path_factory.mktemp("holding")
    folder = lay_small_property(home / "smallholt")
    sites = (folder / "sites.csv").read_text(encoding="utf-8").splitlines()
    head = [*sites[0].split(","), "interval_s"]
    rows = [line + (",900" if line.split(",")[1] == "sensor" else ",") for line in sites[1:]]
    (folder / "sites.csv").write_text("\n".join([",".join(head), *rows]) + "\n", encoding="utf-8")
    assert main(["plan", str(folder), "--out", str(home / "out"), "--quiet"]) == 0
    return folder, home / "out"


def log_file(path: Path, *, silent_from: dict[str, float] | None = None, seed: int = 3) -> Path:
    """Write two months of both sensors, with losses, as a broker would keep them."""
    draw = np.random.default_rng(seed)
    lines = []
    for name, level in (("Bed", -72), ("Trough", -80)):
        at_s = START_S + np.arange(0, DAYS * 86_400, 900) + draw.uniform(0, 30, DAYS * 96)
        heard = (draw.random(len(at_s)) > 0.03) & (at_s < START_S + 86_400 * (silent_from or {}).get(name, DAYS))
        noise = draw.normal(0, 2, len(at_s)).round()
        lines += [
            (round(t, 1), name, level + n, 12, k % 256, 4.5)
            for k, (t, n, h) in enumerate(zip(at_s, noise, heard, strict=True))
            if h
        ]
    lines.sort()
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["ts", "node", "rssi", "snr", "seq", "vbat"])
        writer.writerows(lines)
    return path


def test_a_sound_network_needs_no_attention(planned: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, out = planned
    log = log_file(tmp_path / "log.csv")
    assert main(["review", str(folder), str(log), "--out", str(out), "--quiet"]) == 0
    said = capsys.readouterr().out
    assert "Nothing needs attention." in said
    assert "What this review cannot see" in said
    assert "looks like sensors that are silent" in said
    assert "Counters of 8 bits" in said
    names = {path.name for path in (out / "review").iterdir()}
    assert names == {"review.html", "findings.csv", "devices.csv", "readings.csv", "map.html"}
    page = (out / "review" / "review.html").read_text(encoding="utf-8")
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "").replace("http-equiv", ""), "no network"
    assert "<script" not in page


def test_the_same_log_gives_the_same_bytes(planned: tuple[Path, Path], tmp_path: Path) -> None:
    folder, out = planned
    log = log_file(tmp_path / "log.csv")
    seen = []
    for _ in range(2):
        assert main(["review", str(folder), str(log), "--out", str(out), "--quiet", "--no-map"]) == 0
        seen.append([(out / "review" / name).read_bytes() for name in ("review.html", "devices.csv", "readings.csv")])
    assert seen[0] == seen[1]


def test_a_silent_sensor_is_told_with_code_one_and_as_json(
    planned: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = planned
    log = log_file(tmp_path / "log.csv", silent_from={"Trough": 57.0})
    assert main(["review", str(folder), str(log), "--out", str(out), "--json", "--no-map"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert said["attention"] is True
    (finding,) = said["findings"]
    assert (finding["kind"], finding["device"]) == ("silence", "Trough")
    assert finding["check_first"]
    with (out / "review" / "findings.csv").open(encoding="utf-8") as stream:
        assert [row["device"] for row in csv.DictReader(stream)] == ["Trough"]


def test_a_scheduled_run_sees_that_the_gateway_is_silent(
    planned: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = planned
    log = log_file(tmp_path / "log.csv")
    assert main(["review", str(folder), str(log), "--out", str(out), "--until", "2026-03-05", "--quiet", "--no-map"]) == 1
    said = capsys.readouterr().out
    assert "1. Nothing has arrived by way of the gateway House" in said
    assert "rather than the devices" in said


def test_link_medians_are_readings_that_calibrate_takes(
    planned: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = planned
    main(["review", str(folder), str(log_file(tmp_path / "log.csv")), "--out", str(out), "--quiet", "--no-map"])
    readings = out / "review" / "readings.csv"
    with readings.open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert {(row["a"], row["month"]) for row in rows} == {(name, month) for name in ("Bed", "Trough") for month in ("1", "2")}
    assert all(int(row["received"]) <= int(row["sent"]) for row in rows)
    capsys.readouterr()
    assert main(["calibrate", str(folder), str(readings), "--out", str(tmp_path / "calibrated"), "--next", "0", "--quiet"]) == 0
    assert "4 readings" in capsys.readouterr().out
    (folder / "calibration.toml").unlink()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--until", "soon"], "is no day"),
        (["--device", "x"], "names nothing"),
        (["--device", "x=Nowhere"], "no device 'Nowhere'"),
        (["--column", "rssi"], "names nothing"),
        (["--zone", "Nowhere"], "is no time zone"),
        (["--until", "2020-01-01"], "no row lies before"),
    ],
)
def test_what_was_asked_wrongly_is_told(
    planned: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], message: str
) -> None:
    folder, out = planned
    assert main(["review", str(folder), str(log_file(tmp_path / "log.csv")), "--out", str(out), *words]) == 2
    assert message in capsys.readouterr().err


def test_a_log_that_is_not_there(planned: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, out = planned
    assert main(["review", str(folder), str(tmp_path / "none.csv"), "--out", str(out)]) == 2
    assert "there is no such file" in capsys.readouterr().err


def test_a_log_may_call_devices_by_the_numbers_that_they_keep(
    planned: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = planned
    numbers = folder / "device_numbers.csv"
    numbers.write_text(
        "number,name,identifier,in_plan\n1,Bed,BED,True\n2,Trough,TROUGH,True\n7,Gone,GONE,False\n", encoding="utf-8"
    )
    log = log_file(tmp_path / "log.csv")
    log.write_text(log.read_text(encoding="utf-8").replace(",Bed,", ",1,").replace(",Trough,", ",trough,"), encoding="utf-8")
    assert main(["review", str(folder), str(log), "--out", str(out), "--quiet", "--no-map"]) == 0
    assert "rows of 2 devices" in capsys.readouterr().out
    numbers.write_bytes(b"\x00\xff broken")
    assert main(["review", str(folder), str(log), "--out", str(out), "--quiet", "--no-map", "--device", "1=Bed"]) == 0
    numbers.unlink()
