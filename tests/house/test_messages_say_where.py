"""Every message about a fault says what, where and how to put it right: read from the source, wherever one is made."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from small_property import changed, lay_small_property, usual_sites

from meshplan.cli import main

PACKAGE = Path(__file__).resolve().parents[2] / "meshplan"
SAID_OF_FILES = (
    "InputError", "MeshplanError", "MissingFileError", "TooLargeError", "FetchError", "UnreachableError", "AbsentError",
    "NotServedInPartsError",
)  # fmt: skip
WITHOUT_PLACE = {"MissingPackageError": "a package that is not installed stands in no file"}
"""Kinds of fault that need no place, and why; they say how to mend it."""
MANY = 150


def said(tree: ast.AST) -> list[tuple[str, int, set[str]]]:
    """Return each fault that a module makes: its kind, line, and which of place and remedy it gives, empty words not counted."""
    found = []
    for node in ast.walk(tree):
        kind = getattr(node.func, "id", getattr(node.func, "attr", "")) if isinstance(node, ast.Call) else ""
        if isinstance(node, ast.Call) and kind in (*SAID_OF_FILES, *WITHOUT_PLACE):
            empty = {word.arg for word in node.keywords if isinstance(word.value, ast.Constant) and not word.value.value}
            found.append((kind, node.lineno, {str(word.arg) for word in node.keywords} - empty))
    return found


def test_every_fault_names_its_place_and_its_remedy() -> None:
    """Before, 38 of them named none: among them that forced devices cost more than the budget."""
    short, count = [], 0
    for path in sorted(PACKAGE.rglob("*.py")):
        for kind, line, words in said(ast.parse(path.read_text(encoding="utf-8"))):
            count += 1
            if not ({"fix"} if kind in WITHOUT_PLACE else {"where", "fix"}) <= words:
                short.append(f"{path.relative_to(PACKAGE)}:{line}: {kind} says only {sorted(words)}")
    assert count > MANY, "faults are still made under these names"
    assert short == []


@pytest.mark.parametrize(
    ("made", "words"),
    [
        ("InputError('x', where=w, fix='y')", {"where", "fix"}),
        ("errors.InputError('x', where='', fix='y')", {"fix"}),
        ("InputError('x')", set()),
    ],
)
def test_the_look_at_the_source_sees_what_is_missing(made: str, words: set[str]) -> None:
    assert [found[2] for found in said(ast.parse(made))] == [words]


def test_what_the_planner_refuses_names_the_users_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Before: "the devices that are forced in cost 230, more than the budget of 100", of no file."""
    rows = changed(usual_sites(), {"North post": {"use": "forced"}, "South post": {"use": "forced"}})
    folder = lay_small_property(tmp_path / "property", sites=rows)
    assert main(["plan", str(folder), "--out", str(tmp_path / "out"), "-q", "--set", "requirement.budget=100"]) == 2
    told = capsys.readouterr().err
    assert "property.toml and the sites, budget: the devices that are forced in cost" in told
