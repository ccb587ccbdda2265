"""The calibration file: written, read back, mended, moved to another grid."""

from __future__ import annotations

import math
import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from meshplan.calibration.calibrate import calibrate
from meshplan.calibration.correct import correct_links
from meshplan.errors import FaultList, InputError, MeshplanError
from meshplan.inputs.calibration_file import read_calibration
from meshplan.records.measurement import Calibration, PredictedLink
from meshplan.reporting.calibration_file import calibration_toml, write_calibration

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "calibration"))
from invented_readings import Truth, measure, property_links, true_power_dbm

LINKS = property_links(np.random.default_rng(21), sensors=9)


@pytest.fixture(scope="module")
def learned() -> Calibration:
    rng = np.random.default_rng(3)
    power = true_power_dbm(LINKS, Truth(orchard_db=5.0), rng)
    cut = float(np.quantile(power, 0.2))
    links = tuple(replace(link, sensitivity_dbm=cut, environment=f'{link.environment} "é\\') for link in LINKS)
    return calibrate(measure(links, power, rng), property_name='Hill "Farm"', created="2026-05-04", crs="EPSG:32632")


def corrected(calibration: Calibration, links: tuple[PredictedLink, ...]) -> np.ndarray:
    return np.array([(c.correction_db, c.spread.total_db) for c in correct_links(calibration, links)])


def test_what_is_read_back_corrects_links_in_the_same_way(tmp_path: Path, learned: Calibration) -> None:
    path = write_calibration(learned, tmp_path / "calibration.toml")
    again = read_calibration(path, crs="EPSG:32632")
    assert corrected(again, LINKS) == pytest.approx(corrected(learned, LINKS), abs=1e-4)
    assert again.property_name == 'Hill "Farm"'
    assert again.left_out is not None
    assert again.left_out.locations == 9
    assert [p.name for p in again.parameters] == [p.name for p in learned.parameters]
    assert again.warnings == learned.warnings


def test_the_file_is_the_same_for_the_same_calibration(learned: Calibration) -> None:
    assert calibration_toml(learned) == calibration_toml(learned)


def test_reading_and_writing_again_changes_nothing(tmp_path: Path, learned: Calibration) -> None:
    first = calibration_toml(learned)
    path = tmp_path / "c.toml"
    path.write_text(first, encoding="utf-8")
    assert calibration_toml(read_calibration(path)) == first


def test_the_file_says_where_it_comes_from(learned: Calibration) -> None:
    written = calibration_toml(learned)
    assert "Written by `meshplan calibrate`; used only when asked for." in written
    for line in ('created = "2026-05-04"', "readings = 27", f"not_heard = {learned.not_heard}"):
        assert line in written.splitlines()


def test_positions_move_with_the_projection(tmp_path: Path, learned: Calibration) -> None:
    """One zone to the next: distances between the ends stay, as far as two projections agree."""
    east = replace(
        learned,
        evidence=tuple(
            replace(line, link=replace(line.link, a_x_m=line.link.a_x_m + 9e5, a_y_m=line.link.a_y_m + 5e6,
                                       b_x_m=line.link.b_x_m + 9e5, b_y_m=line.link.b_y_m + 5e6))
            for line in learned.evidence
        ),
    )  # fmt: skip
    path = write_calibration(east, tmp_path / "c.toml")
    moved = read_calibration(path, crs="EPSG:32633")
    before, after = east.evidence[0].link, moved.evidence[0].link
    assert abs(after.a_x_m - before.a_x_m) > 1e5
    gaps = [math.hypot(link.a_x_m - link.b_x_m, link.a_y_m - link.b_y_m) for link in (before, after)]
    assert gaps[0] == pytest.approx(gaps[1], rel=0.003)


def test_all_faults_of_a_mended_file_are_told_at_once(tmp_path: Path, learned: Calibration) -> None:
    written = calibration_toml(learned)
    written = written.replace('kind = "power"', "kind = 3", 1)
    written = re.sub(r"^own = .*$", 'own = "much"', written, count=1, flags=re.MULTILINE)
    path = tmp_path / "c.toml"
    path.write_text(written, encoding="utf-8")
    with pytest.raises(FaultList) as caught:
        read_calibration(path)
    assert [str(fault) for fault in caught.value.faults] == [
        "c.toml, [factors]: 'own' cannot be 'much'\n  Run `meshplan calibrate` again to write it anew.",
        "c.toml, [[evidence]] 1: 'kind' cannot be 3\n  Run `meshplan calibrate` again to write it anew.",
    ]


@pytest.mark.parametrize(
    ("written", "problem"),
    [
        ("format = 1\n[factors", "cannot be read"),
        ("format = 9\n", "has format 9, known is 1"),
        ("", "the file is empty"),
    ],
)
def test_a_broken_file_is_refused(tmp_path: Path, written: str, problem: str) -> None:
    path = tmp_path / "c.toml"
    path.write_text(written, encoding="utf-8")
    with pytest.raises(MeshplanError, match=problem):
        read_calibration(path)


def test_an_empty_table_lists_what_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    path.write_text("format = 1\n", encoding="utf-8")
    with pytest.raises(MeshplanError, match="'property_name' is missing"):
        read_calibration(path)


@pytest.mark.parametrize("value", ["nan", "inf", "-1.0", "1e300"])
@pytest.mark.parametrize("name", ["prior_sd", "strangeness", "correlation_m"])
def test_an_impossible_size_is_refused(name: str, value: str, tmp_path: Path, learned: Calibration) -> None:
    """Such a spread left matrices that cannot be inverted, and `plan --calibrated` ended in a fault of ours (seed 6993)."""
    text = re.sub(rf"(?m)\b{name} = [-+0-9.e]+", f"{name} = {value}", calibration_toml(learned), count=1)
    path = tmp_path / "c.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(MeshplanError, match=f"'{name}' cannot be"):
        read_calibration(path)


def test_impossible_evidence_is_refused(tmp_path: Path, learned: Calibration) -> None:
    path = tmp_path / "c.toml"
    path.write_text(re.sub(r"^sd_db = .*$", "sd_db = 0.0", calibration_toml(learned), count=1, flags=re.MULTILINE), "utf-8")
    with pytest.raises(InputError, match="'sd_db' must be above zero"):
        read_calibration(path)


def test_a_file_with_former_names_is_read(tmp_path: Path, learned: Calibration) -> None:
    clutter = replace(learned.parameters[0], name="clutter", group="clutter")
    stored = replace(learned, parameters=(clutter, *learned.parameters[1:]))
    before = calibration_toml(stored)
    assert before.count("clutter_db = ") == 2 * len(stored.evidence)
    for now, former in (
        ("clutter_db", "surroundings_db"),
        ('name = "clutter"', 'name = "surroundings"'),
        ('group = "clutter"', 'group = "surroundings"'),
    ):
        before = before.replace(now, former)
    (tmp_path / "c.toml").write_text(before, encoding="utf-8")
    assert calibration_toml(read_calibration(tmp_path / "c.toml")) == calibration_toml(stored)
