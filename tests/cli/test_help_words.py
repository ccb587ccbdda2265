"""The help of every command: what it does, what it needs, what it writes, in words a beginner can follow."""

from __future__ import annotations

import re

import click
import pytest

from meshplan.cli import COMMANDS, main
from meshplan.cli.root import root

JARGON = re.compile(r"\b(DEM|DSM|LOS|EIRP|CRS|RFC|MILP|IR|API|stdin|stdout|parse[rd]?|serialis|kwargs|boolean|iterable)\b")


def help_of(name: str, capsys: pytest.CaptureFixture[str]) -> str:
    assert main([name, "--help"]) == 0
    return capsys.readouterr().out


def test_the_overview_names_every_command_in_the_order_of_the_job(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    shown = capsys.readouterr().out
    places = [shown.find(f"\n  {name} ") for name in COMMANDS]
    assert -1 not in places
    assert places == sorted(places)
    assert "sensors of a house, a garden or a farm" in shown


def test_without_a_command_the_overview_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) in (0, 2)
    caught = capsys.readouterr()
    assert "Commands:" in caught.out + caught.err


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_says_what_it_does_and_explains_every_option(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    shown = help_of(name, capsys)
    assert shown.startswith("Usage: meshplan " + name)
    command = root.get_command(click.Context(root), name)
    assert command is not None
    assert command.help
    for option in command.params:
        if isinstance(option, click.Option):
            assert option.help, f"{option.name} has no help"
            assert option.help.endswith((".", ":", ").")), f"the help of {option.name} is no sentence: {option.help}"
    words = re.sub(r"\s+", " ", shown)
    assert not JARGON.search(words), JARGON.search(words)
    sentences = re.split(r"(?<=[.;:])\s", re.sub(r"\s+", " ", command.help.split("\f")[0]))
    assert max(len(sentence.split()) for sentence in sentences) <= 32, "short sentences"
    assert max(len(line) for line in shown.splitlines()) <= 110


def test_the_version_can_be_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert re.fullmatch(r"meshplan \d+\.\d+\.\d+\S*\n", capsys.readouterr().out)


def test_a_misspelt_command_is_an_input_fault(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plna"]) == 2
    caught = capsys.readouterr()
    assert "No such command 'plna'" in caught.err
    assert not caught.out
