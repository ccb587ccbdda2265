"""The fast routines are compiled in the background: once for each version, by one process, if it can be kept."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from meshplan import machine_code
from meshplan.cli import ahead, main

WORDS = ["plan", "field"]


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[list[str]]:
    """Return the commands that would be started; marks go to a folder of the test."""
    commands: list[list[str]] = []
    monkeypatch.setattr(subprocess, "Popen", lambda command, **_: commands.append(command))
    monkeypatch.setattr(ahead, "kept_in", lambda: tmp_path)
    monkeypatch.delenv(ahead.SWITCH, raising=False)
    monkeypatch.setattr(ahead, "_at_a_terminal", lambda: True)
    return commands


def test_the_first_command_at_a_terminal_starts_it_and_no_other(started: list[list[str]]) -> None:
    assert ahead.start_if_needed(WORDS)
    assert not ahead.start_if_needed(WORDS)
    assert [command[-3:] for command in started] == [["-m", "meshplan.cli.ahead", "--gently"]]


def test_a_new_version_starts_it_again(started: list[list[str]], monkeypatch: pytest.MonkeyPatch) -> None:
    assert ahead.start_if_needed(WORDS)
    monkeypatch.setattr(ahead, "version", lambda _: "99.0")
    assert ahead.start_if_needed(WORDS)
    assert len(started) == 2


@pytest.mark.parametrize(("words", "switch"), [(["radios"], ""), ([], ""), (["coverage", "field"], ""), (WORDS, "no")])
def test_what_needs_none_or_may_not_starts_none(
    words: list[str], switch: str, started: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(ahead.SWITCH, switch)
    assert not ahead.start_if_needed(words)
    assert not started


def test_scripts_start_none_unless_asked(started: list[list[str]], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ahead, "_at_a_terminal", lambda: False)
    assert not ahead.start_if_needed(WORDS)
    monkeypatch.setenv(ahead.SWITCH, "yes")
    assert ahead.start_if_needed(WORDS)
    assert len(started) == 1


def test_where_nothing_can_be_written_it_is_not_started(started: list[list[str]], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ahead, "kept_in", lambda: None)
    assert not ahead.start_if_needed(WORDS)
    monkeypatch.setattr(ahead, "kept_in", lambda: Path("/proc/nowhere"))
    assert not ahead.start_if_needed(WORDS)
    assert not started


def test_code_goes_beside_the_package_else_to_the_users_caches_else_nowhere(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    closed = tmp_path / "closed"
    closed.write_text("a file, so that no folder can be made in it")
    found = machine_code.kept_in.__wrapped__
    monkeypatch.delenv(machine_code.FOLDER_SETTING, raising=False)
    monkeypatch.setattr(machine_code, "__file__", str(tmp_path / "package" / "machine_code.py"))
    assert found() == tmp_path / "package" / "loss" / "fast" / "__pycache__"
    monkeypatch.setattr(machine_code, "__file__", str(closed / "machine_code.py"))
    monkeypatch.setattr(machine_code, "_users_caches", lambda: tmp_path / "home" / "caches")
    assert found() == tmp_path / "home" / "caches"
    monkeypatch.setattr(machine_code, "_users_caches", lambda: closed / "caches")
    assert found() is None
    monkeypatch.setenv(machine_code.FOLDER_SETTING, str(tmp_path / "named"))
    assert found() == tmp_path / "named"


READ_ONLY = """
import os, sys
from meshplan import machine_code
machine_code.kept_in = lambda: None
machine_code.find_a_place()
from meshplan.planning.compiled_floors import still_needed
still_needed(10**9)
print(os.environ[machine_code.FOLDER_SETTING])
"""


def test_code_is_compiled_for_one_run_where_it_cannot_be_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(machine_code.FOLDER_SETTING, raising=False)
    done = subprocess.run([sys.executable, "-c", READ_ONLY], capture_output=True, text=True, check=True)
    folder = Path(done.stdout.strip())
    assert folder.name.startswith("meshplan-")
    assert not folder.exists(), "what served one run is removed at its end"


def kept(folder: Path) -> dict[str, int]:
    """Return the files of compiled code and when they were written."""
    return {path.name: path.stat().st_mtime_ns for path in folder.rglob("*.nb*")}


@pytest.mark.slow
def test_two_at_once_leave_code_that_a_first_coverage_takes_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = tmp_path / "code", tmp_path / "out"
    environment: dict[str, Any] = {**os.environ, machine_code.FOLDER_SETTING: str(folder)}
    command = [sys.executable, "-m", "meshplan.cli.ahead"]
    both = [subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL) for _ in range(2)]
    assert [each.wait(timeout=900) for each in both] == [0, 0]
    before = kept(folder)
    assert any(name.startswith("compiled_sweep.") for name in before)
    demo = str(Path(__file__).resolve().parents[2] / "sample_sites" / "ossaby_terrace")
    assert main(["plan", demo, "--out", str(out), "-q"]) == 0
    words = [sys.executable, "-m", "meshplan", "coverage", demo, "--out", str(out)]
    done = subprocess.run(words, env=environment, capture_output=True, text=True, check=True)
    assert "Compiling" not in done.stdout + done.stderr
    assert kept(folder) == before, "nothing was compiled anew"
    capsys.readouterr()
