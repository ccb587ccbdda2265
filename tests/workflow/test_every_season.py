"""Every season and month that a property may name, through every command."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from small_property import changed, lay_small_property, usual_sites

from meshplan.cli import main
from meshplan.links.seasons import MONTH_NAMES, season_word, seasons_named
from meshplan.propagation.seasons import months_of_year, season_words, usual_seasons

STATES = ("bare", "leaf", "tall_crop", "wet", "snow")
EVERY = (*STATES, *MONTH_NAMES)
READINGS = (
    {"a": "Bed", "b": "House", "power_dbm": "-71"},
    {"a": "Trough", "b": "South post", "power_dbm": "-83"},
)


def lay(folder: Path, *seasons: str) -> Path:
    """Return the small holding with these seasons and no wish that hangs on them."""
    sites = changed(usual_sites(), {"Trough": {"purpose": "trend"}})
    lay_small_property(folder, sites=sites)
    settings = folder / "property.toml"
    settings.write_text(settings.read_text(encoding="utf-8").replace('"bare"', json.dumps(list(seasons))), encoding="utf-8")
    return folder


def write_readings(path: Path, **more: str) -> Path:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, [*READINGS[0], *more])
        writer.writeheader()
        writer.writerows(row | more for row in READINGS)
    return path


def run(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """Run one command; 0 is done, 1 is done with something unserved."""
    code = main(list(words))
    caught = capsys.readouterr()
    assert code in (0, 1), caught.err
    return caught.out


SHOWN = dict(zip(MONTH_NAMES, (month.name for month in months_of_year()), strict=True))
"""Plans keep months by three letters."""


def through_every_command(folder: Path, out: Path, word: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Run all commands that read a property; what they show of the season can be given back to each of them."""
    name = SHOWN.get(word, word)
    there, to = str(folder), ("--out", str(out))
    assert name in run(capsys, "check", there)
    plan = json.loads(run(capsys, "plan", there, *to, "-q", "--json"))
    assert plan
    stored = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    assert name in json.dumps(stored)
    assert run(capsys, "check", there, "--plan", *to)
    assert season_words(name) in run(capsys, "profile", there, "Bed", "House", *to)
    for written in {word, name, season_words(name)}:
        assert f'"season": "{name}"' in run(capsys, "coverage", there, "--season", written, *to, "-q", "--json")
    assert run(capsys, "compare", there, "--radio", "fsk-868-50k", *to, "-q")
    assert run(capsys, "sheets", there, *to, "-q")
    readings = write_readings(folder / "readings.csv")
    assert run(capsys, "calibrate", there, str(readings), *to, "-q", "--next", "1")
    for written in {word, name, season_words(name)}:
        readings = write_readings(folder / "readings.csv", season=written)
        assert run(capsys, "calibrate", there, str(readings), *to, "-q", "--next", "0")
    assert f'season = "{name}"' in (folder / "calibration.toml").read_text(encoding="utf-8")
    assert season_words(name) in run(capsys, "plan", there, "--calibrated", *to, "-q")


def test_june_goes_through_every_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    through_every_command(lay(tmp_path / "one", "june"), tmp_path / "out", "june", capsys)


@pytest.mark.slow
@pytest.mark.parametrize("name", EVERY)
def test_each_season_goes_through_every_command(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    through_every_command(lay(tmp_path / "one", name), tmp_path / "out", name, capsys)


def test_all_seasons_at_once_are_calibrated_and_planned_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Readings of every season and month in one table, months also as dates."""
    folder = lay(tmp_path / "all", *EVERY)
    table = folder / "readings.csv"
    with table.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["a", "b", "power_dbm", "season", "date_time"])
        writer.writerows(["Bed", "House", "-71", season, ""] for season in EVERY)
        writer.writerows(["Bed", "House", "-71", "", f"2026-{month:02d}-15"] for month in range(1, 13))
    run(capsys, "calibrate", str(folder), str(table), "--out", str(tmp_path / "out"), "-q", "--next", "0")
    written = (folder / "calibration.toml").read_text(encoding="utf-8")
    assert all(f'season = "{name}"' in written for name in ("bare", "leaf"))
    shown = run(capsys, "plan", str(folder), "--calibrated", "--out", str(tmp_path / "out"), "-q")
    assert f"Seasons: {', '.join(season_words(SHOWN.get(name, name)) for name in EVERY)}." in shown


def test_a_season_of_a_reading_that_is_not_known_is_told_with_its_row(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = lay(tmp_path / "one", "june")
    readings = write_readings(folder / "readings.csv", season="jume")
    assert main(["calibrate", str(folder), str(readings), "--out", str(tmp_path / "out"), "-q"]) == 2
    said = capsys.readouterr().err
    for row in (2, 3):
        assert f"readings.csv, row {row}, column 'season': season 'jume' is not known. Did you mean 'june'?" in said
    assert "property.toml" not in said
    assert not (folder / "calibration.toml").exists()


def test_the_same_season_written_in_two_ways_is_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = lay(tmp_path / "one", "bare")
    table = folder / "readings.csv"
    rows = [f"Bed,House,-71,{word}\n" for word in ("leaf", "Leaf", "June", "jun", "Tall crop", "snow")]
    table.write_text(f"a,b,power_dbm,season\n{''.join(rows)}", encoding="utf-8")
    run(capsys, "calibrate", str(folder), str(table), "--out", str(tmp_path / "out"), "-q", "--next", "0")
    assert "readings = 6" in (folder / "calibration.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("hemisphere", ["north", "south"])
def test_a_month_is_the_month_of_the_calendar_by_whatever_name(hemisphere: str) -> None:
    calendar = months_of_year(hemisphere)  # type: ignore[arg-type]
    for month, name in zip(calendar, MONTH_NAMES, strict=True):
        for word in (name, name.title(), name[:3], month.name, f" {name} "):
            (found,) = seasons_named((word,), hemisphere)  # type: ignore[arg-type]
            assert found == month
    for state in usual_seasons(hemisphere):  # type: ignore[arg-type]
        assert seasons_named((state.name,), hemisphere) == (state,)  # type: ignore[arg-type]


@pytest.mark.parametrize("word", EVERY)
def test_what_a_plan_calls_a_season_is_understood(word: str) -> None:
    """A plan's own word can be given back to every command."""
    (season,) = seasons_named((word,), "north")
    assert season_word(season.name) == season_word(word) == word
    assert seasons_named((season.name,), "north") == (season,)
