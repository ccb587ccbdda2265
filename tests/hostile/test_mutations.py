"""A slice of the mutation run: fixed seeds, so that a failure can be repeated; `long_run.py` goes on where this ends."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from hostile.mutations import MOST_SECONDS, Holding, judge, limited, mutate, run_case, run_words

FAST = 60
SLOW = 600 if os.environ.get("MESHPLAN_LONG_RUN") else 60
"""Seeds of the slow run: a sample, unless the long run is asked for."""


@pytest.fixture(scope="module")
def holding(tmp_path_factory: pytest.TempPathFactory) -> Holding:
    return Holding(tmp_path_factory.mktemp("hostile"))


def faults_of(holding: Holding, scratch: Path, seeds: range) -> list[str]:
    found = []
    for seed in seeds:
        case = run_case(holding, scratch, seed)
        found += [f"seed {seed}, {case.target}, {case.change}: {fault}" for fault in case.faults]
    return found


@pytest.mark.filterwarnings("ignore")
def test_no_mutation_ends_in_a_fault_a_lie_or_a_hang(holding: Holding, tmp_path: Path) -> None:
    assert faults_of(holding, tmp_path / "case", range(FAST)) == []


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_more_mutations(holding: Holding, tmp_path: Path) -> None:
    assert faults_of(holding, tmp_path / "case", range(FAST, FAST + SLOW)) == []


def test_the_same_seed_makes_the_same_change(holding: Holding, tmp_path: Path) -> None:
    import shutil

    texts = []
    for _ in range(2):
        shutil.rmtree(tmp_path / "x", ignore_errors=True)
        shutil.copytree(holding.folder, tmp_path / "x")
        shutil.copytree(holding.out, tmp_path / "x" / "out")
        mutate(holding, tmp_path / "x", tmp_path / "x" / "out", 5)
        texts.append({path.name: path.read_bytes() for path in (tmp_path / "x").rglob("*") if path.is_file()})
    assert texts[0] == texts[1]


@pytest.mark.parametrize(
    ("code", "said", "words"),
    [(3, "details are in nowhere", "fault of ours"), (-1, "", "hangs"), (17, "", "exit code 17"), (2, "", "says nothing"),
     (2, "x" * 3000, "floods"), (0, "Traceback (most recent call last)", "traceback")],
)  # fmt: skip
def test_the_judge_sees_what_is_wrong(code: int, said: str, words: str, tmp_path: Path) -> None:
    """The control: a judge that lets everything pass would make the tests above worthless."""
    assert any(words in fault for fault in judge(["sheets"], code, said, "", tmp_path))
    assert judge(["sheets"], 0, "", "", tmp_path) == []


def test_a_fault_of_ours_is_caught(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("meshplan.workflow.check.prepare_property", broken)
    words = ["check", str(tmp_path)]
    code, said, output, _ = run_words(words, tmp_path)
    assert [fault.split(" meshplan/")[0] for fault in judge(words, code, said, output, tmp_path)] == [
        "fault of ours: builtins.ZeroDivisionError"
    ]


def test_a_hang_is_caught(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def endless(*_: object, **__: object) -> None:
        while True:
            pass

    assert MOST_SECONDS == 60.0
    monkeypatch.setattr("meshplan.workflow.check.prepare_property", endless)
    monkeypatch.setattr("hostile.mutations.MOST_SECONDS", 0.5)
    assert run_words(["check", str(tmp_path)], tmp_path)[0] == -1
    with limited(0.5):
        pass
