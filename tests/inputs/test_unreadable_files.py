"""Every file that is read may be absent, a folder, a pipe, unreadable or badly named, and nested or long beyond all reason."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from small_property import lay_small_property

from meshplan.cli import main
from meshplan.errors import InputError, MissingFileError
from meshplan.inputs.user_files import json_of, optional_file, present_file, quoted, short

Capture = pytest.CaptureFixture[str]

NAMED = ("sites.csv", "ground.tif")
OPTIONAL = (
    "radios.toml",
    "regions.toml",
    "batteries.toml",
    "boards.toml",
    "antennas.toml",
    "cables.toml",
    "backhauls.toml",
    "changes.csv",
)


def check(folder: Path, capsys: Capture) -> str:
    """Return what `check` says about a folder that it must refuse."""
    assert main(["check", str(folder)]) == 2
    said = capsys.readouterr().err
    assert "Traceback" not in said
    return said


@pytest.mark.parametrize("name", ["property.toml", *NAMED, *OPTIONAL])
@pytest.mark.parametrize("kind", ["folder", "pipe"])
def test_a_folder_or_a_pipe_in_place_of_a_file_is_named(name: str, kind: str, tmp_path: Path, capsys: Capture) -> None:
    """A pipe must not be waited for: before, `check` hung on property.toml; optional files were passed over in silence."""
    folder = lay_small_property(tmp_path / "property")
    path = folder / name
    path.unlink(missing_ok=True)
    if kind == "folder":
        path.mkdir()
    else:
        os.mkfifo(path)
    said = check(folder, capsys)
    assert name in said
    assert ("this is a folder" if kind == "folder" else "this is a pipe") in said


@pytest.mark.parametrize("name", ["plan.json", "next_places.json"])
def test_a_pipe_beside_the_plan_is_not_waited_for(name: str, tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    out = tmp_path / "out"
    assert main(["plan", str(folder), "--out", str(out), "-q"]) == 0
    (out / name).unlink(missing_ok=True)
    os.mkfifo(out / name)
    capsys.readouterr()
    assert main(["sheets", str(folder), "--out", str(out), "-q"]) == 2
    assert f"{out / name}: this is a pipe or a device" in capsys.readouterr().err


def test_a_pipe_as_readings_or_track_is_not_waited_for(tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    os.mkfifo(tmp_path / "walk")
    (tmp_path / "readings.csv").write_text("a,b,power_dbm\nBed,House,-80\n")
    for more in ([str(tmp_path / "walk")], [str(tmp_path / "readings.csv"), "--track", str(tmp_path / "walk")]):
        assert main(["calibrate", str(folder), *more, "--out", str(tmp_path / "out")]) == 2
        assert "this is a pipe or a device" in capsys.readouterr().err


@pytest.mark.parametrize("letter", ["a", "\\u0000"], ids=["over-long", "no name at all"])
def test_names_that_no_file_may_have_are_told(letter: str, tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    stem = letter * (300 if letter == "a" else 2)
    (folder / "property.toml").write_text(
        f'name = "x"\nsites = "{stem}.csv"\nelevation = "{stem}.tif"\ncover = "{stem}.gpkg"\nboundary = "{stem}.kml"\n'
    )
    said = check(folder, capsys)
    assert said.count("cannot be opened") == 4
    assert max(len(line) for line in said.splitlines()) < 320


def test_a_folder_with_an_over_long_name_is_told(tmp_path: Path, capsys: Capture) -> None:
    assert "is no folder that can be opened (file name too long)" in check(tmp_path / ("f" * 300), capsys)


def test_a_file_that_may_not_be_read_is_told(tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rights do not bind the administrator that tests may run as, so the refusal is played."""
    folder = lay_small_property(tmp_path / "property")
    usual = Path.open

    def refused(path: Path, *words: object, **more: object) -> object:
        if path.name == "sites.csv":
            raise PermissionError(13, "Permission denied", str(path))
        return usual(path, *words, **more)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", refused)
    assert "sites.csv: cannot be opened (permission denied)" in check(folder, capsys)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ("a = " + "[" * 5000 + "]" * 5000, "it is nested too deep"),
        ("generate_relays = " + "9" * 5000, "a number or date in it cannot be"),
        ("generate_relays = 0x" + "f" * 9000, "too large"),
        ("[cost]\nrelay = 0x" + "f" * 9000, "too large"),
        ("[cost]\nrelay = " + "9" * 400, "too large"),
    ],
    ids=["deep", "5 000 digits", "9 000 hexadecimal digits", "hexadecimal price", "400 digits"],
)
def test_depth_and_length_beyond_reason_are_one_message(settings: str, words: str, tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property", settings=settings)
    said = check(folder, capsys)
    assert said.startswith("property.toml")
    assert words in said
    assert len(said) < 600


def test_depth_and_length_in_plan_json(tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    out = tmp_path / "out"
    out.mkdir()
    for text, words in (("[" * 100_000, "nested too deep"), ('{"a": ' + "9" * 5000 + "}", "too long")):
        (out / "plan.json").write_text(text)
        assert main(["sheets", str(folder), "--out", str(out)]) == 2
        assert words in capsys.readouterr().err


@pytest.mark.parametrize("like", ['["a"]', "3", "{ a = 1 }"])
def test_like_must_be_a_name(like: str, tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    (folder / "radios.toml").write_text(f"[classes.mine]\nlike = {like}\n")
    assert check(folder, capsys).startswith("radios.toml, classes.mine: 'like' is ")


def test_the_helpers(tmp_path: Path) -> None:
    assert not optional_file(tmp_path / "absent", "absent")
    assert not optional_file(tmp_path / "a\0b", "odd")
    assert isinstance(present_file(tmp_path / "absent", "absent", "sites"), MissingFileError)
    (tmp_path / "empty").touch()
    fault = present_file(tmp_path / "empty", "empty", "cover")
    assert fault is not None
    assert fault.problem == "the file is empty"
    assert present_file(tmp_path / "empty", "empty", "cover", empty_allowed=True) is None
    shutil.copy(tmp_path / "empty", tmp_path / "optional")
    assert optional_file(tmp_path / "optional", "optional")
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    with pytest.raises(InputError, match="there is no such file"):
        optional_file(tmp_path / "dangling", "dangling")
    assert json_of("[1, 2]") == [1, 2]
    assert short("x" * 200, 10) == "xxxxxxxx …"
    assert short(1 << 60_000) == "a int too large to be shown"
    assert quoted("a") == "'a'"
