"""Exit codes, what goes to which stream, and that nothing is written when the input is wrong."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from small_property import bank, changed, lay_small_property, lon_lat, usual_sites, write_raster

from meshplan.cli import main

Capture = pytest.CaptureFixture[str]


def words(folder: Path, *more: str) -> list[str]:
    return ["plan", str(folder / "property"), "--out", str(folder / "out"), "-q", *more]


def test_a_plan_that_serves_all_ends_with_0(tmp_path: Path, capsys: Capture) -> None:
    lay_small_property(tmp_path / "property")
    assert main(words(tmp_path)) == 0
    caught = capsys.readouterr()
    assert caught.out.startswith("Smallholt: 2 of 2 sensors served\n")
    assert caught.err == ""
    for line in caught.out.split("Written:\n")[1].split("\n"):
        assert not line or Path(line.strip()).is_file()


def test_a_plan_that_leaves_a_sensor_out_ends_with_1_and_is_written(tmp_path: Path, capsys: Capture) -> None:
    lay_small_property(tmp_path / "property")
    assert main(words(tmp_path, "--set", "requirement.hop_limit=1")) == 1
    shown = capsys.readouterr().out
    assert "1 of 2 sensors served" in shown
    assert "Not served:\n  Trough: it would need more hops than the plan may use" in shown
    assert "dB short to House" in shown
    assert (tmp_path / "out" / "plan.json").is_file()


def test_wrong_input_ends_with_2_tells_all_faults_and_writes_nothing(tmp_path: Path, capsys: Capture) -> None:
    sites = changed(usual_sites(), {"Bed": {"antenna_agl_m": "2,5"}, "Trough": {"role": "sensr"}, "House": {"purpose": "trend"}})
    lay_small_property(tmp_path / "property", sites=[*sites, {**sites[0], "antenna_agl_m": 1.0}])
    assert main(words(tmp_path)) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    assert "sites.csv, row 2, column 'antenna_agl_m': '2,5' is not a number\n  Write 2.5 with a decimal point." in caught.err
    assert "sites.csv, row 3, column 'role': 'sensr' is not known. Did you mean 'sensor'?" in caught.err
    assert "the name 'Bed' stands already in sites.csv, row 2" in caught.err
    assert "Traceback" not in caught.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("command", ["check", "plan", "compare"])
def test_every_command_refuses_a_broken_folder_alike(command: str, tmp_path: Path, capsys: Capture) -> None:
    lay_small_property(tmp_path / "property")
    (tmp_path / "property" / "ground.tif").write_bytes(b"")
    more = [] if command == "check" else ["--out", str(tmp_path / "out"), "-q"]
    assert main([command, str(tmp_path / "property"), *more]) == 2
    assert capsys.readouterr().err == "ground.tif: the file is empty\n  Export it again.\n"
    assert not (tmp_path / "out").exists()


def test_a_site_on_a_void_is_named(tmp_path: Path, capsys: Capture) -> None:
    lay_small_property(tmp_path / "property")
    heights = bank()
    heights[50:70, 60:72] = -9999.0
    write_raster(tmp_path / "property" / "ground.tif", heights, nodata=-9999.0)
    assert main(words(tmp_path)) == 2
    assert "site 'Trough' stands on or beside a gap in the elevation data" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_an_unknown_radio_is_told_once_and_where(tmp_path: Path, capsys: Capture) -> None:
    lay_small_property(tmp_path / "property")
    assert main(words(tmp_path, "--radio", "fsk-86")) == 2
    said = capsys.readouterr().err
    assert said.startswith("--radio: radio class 'fsk-86' is not known. Did you mean 'fsk-868'?\n  Take one of: ")
    assert said.count("is not known") == 1


def test_an_unknown_country_names_its_key(tmp_path: Path, capsys: Capture) -> None:
    lay_small_property(tmp_path / "property")
    assert main(words(tmp_path, "--set", "country=Germny")) == 2
    said = capsys.readouterr().err
    assert said.startswith("property.toml, key 'country': no radio rules are known for 'Germny'. Did you mean 'germany'?\n")


def test_compare_as_radio_points_to_the_comparison(tmp_path: Path, capsys: Capture) -> None:
    lay_small_property(tmp_path / "property")
    assert main(words(tmp_path, "--set", "radio=compare")) == 2
    said = capsys.readouterr().err
    assert "asks for a comparison" in said
    assert "meshplan compare" in said


def test_check_ends_with_0_and_names_what_is_assumed(tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    assert main(["check", str(folder)]) == 0
    caught = capsys.readouterr()
    assert "fit to plan" in caught.out
    assert "Assumed:" in caught.out
    assert "cells of 5 m" in caught.out
    assert caught.err == ""
    assert sorted(path.name for path in folder.iterdir()) == ["ground.tif", "property.toml", "sites.csv"]


JSON_COMMANDS = [
    ["check", "{folder}"],
    ["plan", "{folder}", "--out", "{out}"],
    ["profile", "{folder}", "Trough", "House", "--out", "{out}"],
    ["compare", "{folder}", "--radio", "fsk-868", "--out", "{out}"],
    ["radios"],
    ["radios", "--regions"],
    ["radios", "fsk-868"],
]


@pytest.mark.parametrize("arguments", JSON_COMMANDS, ids=lambda words: " ".join(words[:1] + words[1:2]))
def test_json_is_one_object_on_stdout_and_nothing_else(arguments: list[str], tmp_path: Path) -> None:
    """In a process of its own, so that libraries that print are caught as well."""
    folder = lay_small_property(tmp_path / "property")
    filled = [word.format(folder=folder, out=tmp_path / "out") for word in arguments]
    code = f"import sys; from meshplan.cli import main; sys.exit(main({[*filled, '--json']!r}))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=tmp_path)
    assert done.returncode in (0, 1), done.stderr
    assert done.stderr == ""
    value = json.loads(done.stdout)
    assert isinstance(value, dict)
    assert value


def test_sheets_json_after_a_plan(tmp_path: Path, capsys: Capture) -> None:
    lay_small_property(tmp_path / "property")
    assert main(words(tmp_path)) == 0
    capsys.readouterr()
    assert main(["sheets", str(tmp_path / "property"), "--out", str(tmp_path / "out"), "--json"]) == 0
    caught = capsys.readouterr()
    files = json.loads(caught.out)["files"]
    assert any(name.endswith("sheets.html") for name in files)
    assert all(Path(name).is_file() for name in files)
    assert caught.err == ""


def test_sheets_of_a_named_plan_go_where_out_says(tmp_path: Path) -> None:
    """They went beside the plan, and nothing was said of the folder asked for."""
    lay_small_property(tmp_path / "property")
    assert main(words(tmp_path)) == 0
    before = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert main(["sheets", str(tmp_path / "out" / "plan.json"), "--out", str(tmp_path / "paper")]) == 0
    assert (tmp_path / "paper" / "sheets.html").is_file()
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == before


def test_sheets_without_a_plan_say_what_to_do_first(tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    assert main(["sheets", str(folder), "--out", str(tmp_path / "out")]) == 2
    assert "there is no plan yet" in (said := capsys.readouterr().err)
    assert "meshplan plan" in said


def test_profile_between_names_says_the_nearest_name(tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    assert main(["profile", str(folder), "Trough", "Huose", "--out", str(tmp_path / "out")]) == 2
    assert "there is no site 'Huose'. Did you mean 'House'?" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_profile_takes_places_west_and_south(tmp_path: Path, capsys: Capture) -> None:
    """Negative degrees are no options; the place is where the site is, so the distance is the same."""
    folder = lay_small_property(tmp_path / "property")
    lon_deg, lat_deg = lon_lat(330, 300)
    assert lon_deg < 0
    place = f"{lat_deg:.7f},{lon_deg:.7f}"
    assert main(["profile", str(folder), place, "House", "--height-a", "1", "--out", str(tmp_path / "out"), "--json"]) == 0
    by_place = json.loads(capsys.readouterr().out)
    assert main(["profile", str(folder), "Trough", "House", "--out", str(tmp_path / "out"), "--json"]) == 0
    by_name = json.loads(capsys.readouterr().out)
    assert by_place["distance_m"] == pytest.approx(by_name["distance_m"], abs=0.1)
    season = by_name["seasons"][0]
    summed = sum((-1 if item["is_loss"] else 1) * item["value_db"] for item in (*by_name["gains_a_to_b"], *season["losses"]))
    assert summed == pytest.approx(season["received_at_b_dbm"], abs=0.05)
    assert main(["profile", str(folder), f"-{place}", "House", "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert f"the place -{place} lies outside the elevation data" in said


def test_profile_of_a_swapped_place_says_so(tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    lon_deg, lat_deg = lon_lat(330, 300)
    assert main(["profile", str(folder), f"{lon_deg},{lat_deg}", "House", "--out", str(tmp_path / "out")]) == 2
    assert "the two look swapped" in capsys.readouterr().err


def test_an_output_place_that_is_a_file_is_refused(tmp_path: Path, capsys: Capture) -> None:
    lay_small_property(tmp_path / "property")
    (tmp_path / "out").write_text("mine")
    assert main(words(tmp_path)) == 2
    assert "out" in capsys.readouterr().err
    assert (tmp_path / "out").read_text() == "mine"


def test_a_stop_by_the_user_leaves_nothing_half_written(tmp_path: Path) -> None:
    """Ctrl-C while the files are being written: exit code 130, the old plan untouched, no scratch left."""
    lay_small_property(tmp_path / "property")
    out = tmp_path / "out"
    out.mkdir()
    (out / "plan.json").write_text("old")
    # The real command, with one writer that announces itself and then takes long; shells start background jobs deaf to Ctrl-C.
    code = (
        "import signal, sys, time, meshplan.reporting.plan_files as stage\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "real = stage.write_links_csv\n"
        "def slow(plan, path):\n"
        "    real(plan, path); print('writing', flush=True); time.sleep(60); return path\n"
        "stage.write_links_csv = slow\n"
        "from meshplan.cli import main\n"
        f"sys.exit(main({words(tmp_path)!r}))\n"
    )
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert child.stdout is not None
    assert child.stdout.readline() == "writing\n"
    assert any(path.name.startswith(".meshplan.") for path in out.iterdir()), "it is really in the middle of writing"
    child.send_signal(signal.SIGINT)
    _, said = child.communicate(timeout=60)
    assert child.returncode == 130
    assert "Stopped" in said
    assert "Traceback" not in said
    assert [path.name for path in out.iterdir()] == ["plan.json"]
    assert (out / "plan.json").read_text() == "old"


def test_a_stop_during_the_calculation_writes_nothing(tmp_path: Path) -> None:
    lay_small_property(tmp_path / "property")
    code = f"import sys; from meshplan.cli import main; sys.exit(main({[w for w in words(tmp_path) if w != '-q']!r}))"
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert child.stderr is not None
    line = child.stderr.readline()
    assert line.startswith("Reading the property")
    time.sleep(0.1)
    child.send_signal(signal.SIGINT)
    child.communicate(timeout=60)
    out = tmp_path / "out"
    if child.returncode == 130:
        assert not out.exists() or list(out.iterdir()) == []
    else:  # it was faster than we
        assert child.returncode == 0
        assert (out / "plan.json").is_file()
