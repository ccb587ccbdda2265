"""meshplan sheets --pilot: the few links to try before anything is bought."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm
from small_property import lay_small_property

from meshplan.calibration.correct import SEASON_RESERVE_DB
from meshplan.calibration.next_places import READING_ERROR_DB
from meshplan.calibration.pilot import decision_levels
from meshplan.cli import main
from meshplan.inputs.plan_file import read_plan_json


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The small holding and its plan, made once."""
    home = tmp_path_factory.mktemp("pilot")
    folder = lay_small_property(home / "smallholt")
    assert main(["plan", str(folder), "--out", str(home / "out"), "--quiet"]) == 0
    return folder, home / "out"


def test_the_levels_leave_the_required_chance_on_either_side() -> None:
    """An independent draw: links measured with error and season, those read at the level keep their need in 9 of 10 cases."""
    good, fails = decision_levels(-100.0, 2.0, 0.9)
    draw = np.random.default_rng(1)
    error = draw.normal(0.0, np.hypot(READING_ERROR_DB, SEASON_RESERVE_DB), 200_000)
    assert np.mean(good - 2.0 + error >= -100.0) == pytest.approx(0.9, abs=0.005)
    assert np.mean(fails - 2.0 + error >= -100.0) == pytest.approx(0.1, abs=0.005)
    assert decision_levels(-100.0, 0.0, 0.9)[0] == pytest.approx(-100.0 + norm.ppf(0.9) * np.sqrt(13.0))


def test_the_hardest_link_stands_first(planned: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    folder, out = planned
    assert main(["sheets", str(folder), "--out", str(out), "--pilot", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    plan = read_plan_json(out / "plan.json")
    hardest = min(plan.chosen_links, key=lambda link: link.chance)
    assert {said["links"][0]["a"], said["links"][0]["b"]} == {plan.device(name).site or name for name in (hardest.a, hardest.b)}
    assert "hardest link of the plan" in said["links"][0]["why"]
    assert 1 <= len(said["links"]) <= 4
    assert len({link["link"] for link in said["links"]}) == len(said["links"])
    for link in said["links"]:
        for level in link["levels"]:
            assert level["fails_below_dbm"] < level["good_from_dbm"]
    shown = [level for level in said["links"][0]["levels"] if level["radio"] == plan.radio.key]
    forward = (
        hardest.seasons[0].received_at_b_dbm
        if said["links"][0]["link"].startswith(hardest.a)
        else hardest.seasons[0].received_at_a_dbm
    )
    assert shown[0]["expected_dbm"] == pytest.approx(forward, abs=0.15), "the plan's own figure"


def test_a_second_class_is_expected_on_the_same_links(planned: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    folder, out = planned
    assert main(["sheets", str(folder), "--out", str(out), "--pilot", "2", "--radio", "fsk-868-4k8", "--quiet"]) == 0
    said = capsys.readouterr().out
    assert "fsk-868-50k" in said
    assert "fsk-868-4k8" in said
    assert "Stop and buy when every link tried lies at its good level" in said
    with (out / "pilot_readings.csv").open(encoding="utf-8-sig") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["radio"] for row in rows} == {"fsk-868-50k", "fsk-868-4k8"}
    page = (out / "pilot.html").read_text(encoding="utf-8")
    assert "<script" not in page


def test_the_filled_table_is_read_by_calibrate(
    planned: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = planned
    assert main(["sheets", str(folder), "--out", str(out), "--pilot", "2", "--quiet"]) == 0
    with (out / "pilot_readings.csv").open(encoding="utf-8-sig") as stream:
        rows = list(csv.DictReader(stream))
    rows[0]["power_dbm"] = "-80"
    with (tmp_path / "filled.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    capsys.readouterr()
    assert main(["calibrate", str(folder), str(tmp_path / "filled.csv"), "--out", str(tmp_path / "out"), "--next", "0", "-q"]) == 0
    assert capsys.readouterr().out.startswith("1 reading from")
    (folder / "calibration.toml").unlink()


def test_a_class_without_a_pilot_is_refused(planned: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    folder, out = planned
    assert main(["sheets", str(folder), "--out", str(out), "--radio", "fsk-868-4k8"]) == 2
    assert "belongs to --pilot" in capsys.readouterr().err
    assert main(["sheets", str(folder), "--out", str(out), "--pilot", "--radio", "no-such-class"]) == 2
    assert "no-such-class" in capsys.readouterr().err
