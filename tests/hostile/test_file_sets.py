"""A set of files is all new or all old: blocked targets, full disks, kills at every step, two runs at once, dead scratch."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from small_property import lay_small_property

from meshplan.cli import main
from meshplan.errors import MeshplanError
from meshplan.reporting import file_sets
from meshplan.reporting.file_sets import all_or_nothing, recover, users_path
from meshplan.reporting.files import write_text_atomically

Capture = pytest.CaptureFixture[str]
NAMES = ("a.txt", "b/c.txt", "d.txt")


def lay(folder: Path, word: str, names: tuple[str, ...] = NAMES) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(word)


def content(folder: Path) -> dict[str, str]:
    """Return every file below a folder, scratch included, so that nothing left behind is overlooked."""
    return {str(path.relative_to(folder)): path.read_text() for path in sorted(folder.rglob("*")) if path.is_file()}


def write_set(folder: Path, word: str) -> None:
    with all_or_nothing(folder) as scratch:
        for name in NAMES:
            write_text_atomically(scratch / name, word)


def test_a_set_takes_its_place_and_leaves_others_alone(tmp_path: Path) -> None:
    lay(tmp_path, "old", ("a.txt", "mine.txt"))
    write_set(tmp_path, "new")
    assert content(tmp_path) == dict.fromkeys(NAMES, "new") | {"mine.txt": "old"}


def test_one_blocked_target_leaves_all_old(tmp_path: Path) -> None:
    """Before, those that came first in the alphabet were new and the others old."""
    lay(tmp_path, "old", ("a.txt", "b/c.txt"))
    (tmp_path / "d.txt").mkdir()
    with pytest.raises(MeshplanError, match="a folder of that name is in the way") as caught:
        write_set(tmp_path, "new")
    assert caught.value.where == str(tmp_path / "d.txt")
    assert content(tmp_path) == {"a.txt": "old", "b/c.txt": "old"}


def test_a_fault_while_moving_moves_all_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lay(tmp_path, "old", ("a.txt", "d.txt"))
    usual = Path.replace

    def refused(path: Path, target: Path) -> Path:
        if path.name == "d.txt" and ".old" not in path.parts:
            raise OSError(errno.EIO, "Input/output error", str(path))
        return usual(path, target)

    monkeypatch.setattr(Path, "replace", refused)
    with pytest.raises(MeshplanError) as caught:
        write_set(tmp_path, "new")
    assert caught.value.where == str(tmp_path / "d.txt"), "the message names the path of the user, not the scratch"
    assert content(tmp_path) == {"a.txt": "old", "d.txt": "old"}
    assert not (tmp_path / "b").exists()


@pytest.mark.parametrize(("way_back", "whole"), [("shut", "new"), ("opens late", "old")])
def test_where_the_way_back_is_shut_too_the_next_run_goes_on(
    way_back: str, whole: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before, files were left half new and half old for ever, and the message said that nothing was written.

    From the third file on nothing can be renamed: neither the files that remain nor, first of all, the journal ("shut"); or the
    journal can and the old files cannot ("opens late").
    """
    lay(tmp_path, "old", ("a.txt", "d.txt"))
    usual, refusing = Path.replace, [False]

    def refused(path: Path, target: Path) -> Path:
        refusing[0] |= path.name == "d.txt"
        if refusing[0] and (way_back == "shut" or path.name != ".journal"):
            raise OSError(errno.EIO, "Input/output error", str(path))
        return usual(path, target)

    monkeypatch.setattr(Path, "replace", refused)
    with pytest.raises(MeshplanError, match="until the next run sets that right") as caught:
        write_set(tmp_path, "new")
    assert caught.value.where == str(tmp_path / "d.txt")
    monkeypatch.undo()
    recover(tmp_path)
    assert content(tmp_path) == (dict.fromkeys(NAMES, "new") if whole == "new" else {"a.txt": "old", "d.txt": "old"})


def test_what_fails_after_the_last_move_is_no_fault_of_the_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before, the command ended with "cannot be written" and exit 2 although every file was new."""
    usual = file_sets.force_to_disk

    def refused(path: Path) -> None:
        if path == tmp_path:
            raise OSError(errno.EMFILE, "Too many open files", str(path))
        usual(path)

    monkeypatch.setattr(file_sets, "force_to_disk", refused)
    write_set(tmp_path, "new")
    assert content(tmp_path) == dict.fromkeys(NAMES, "new")


@pytest.mark.parametrize("names", ['["../a.txt"]', '["/etc/a.txt"]', '"a.txt', "7", "[" * 9_999])
def test_a_strangers_journal_moves_nothing_out_of_its_place(names: str, tmp_path: Path) -> None:
    """Before, a journal in a prepared folder moved and replaced files anywhere, or ended the run in a traceback."""
    out = tmp_path / "deep" / "out"
    scratch = out / ".meshplan.x.part"
    lay(out, "mine", ("a.txt",))
    lay(tmp_path / "deep", "theirs", ("a.txt",))
    scratch.mkdir()
    for kind in (".journal", ".back"):
        (scratch / kind).write_text(f'{{"names": {names}, "replaced": []}}')
        recover(out)
        assert content(tmp_path) == {"deep/a.txt": "theirs", "deep/out/a.txt": "mine"}
        scratch.mkdir(exist_ok=True)


def test_a_fault_of_the_writer_leaves_nothing_not_even_folders(tmp_path: Path) -> None:
    def fail() -> None:
        with all_or_nothing(tmp_path / "deep" / "er") as scratch:
            write_text_atomically(scratch / "a.txt", "new")
            raise RuntimeError("bad")

    with pytest.raises(RuntimeError, match="bad"):
        fail()
    assert not (tmp_path / "deep").exists()


KILLED = """
import os, signal, sys
from pathlib import Path
from meshplan.reporting.file_sets import all_or_nothing
left = [int(sys.argv[2])]
def told(event, words):
    ours = ".meshplan." in str(words) or "gone.txt" in str(words)
    if event in ("os.rename", "os.mkdir", "os.link", "os.remove", "open", "os.chmod") and ours:
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)
sys.addaudithook(told)
with all_or_nothing(Path(sys.argv[1]), removed=sys.argv[3:]) as scratch:
    for name in ("a.txt", "b/c.txt", "d.txt"):
        (scratch / name).parent.mkdir(parents=True, exist_ok=True)
        (scratch / name).write_text("new")
"""


def killed_after(folder: Path, steps: int, *removed: str) -> int:
    """Return the exit code of a process that writes a set and is killed at its n-th step on the disk."""
    return subprocess.run([sys.executable, "-c", KILLED, str(folder), str(steps), *removed], check=False, timeout=60).returncode


def test_a_kill_at_any_step_leaves_all_old_or_what_the_next_run_makes_all_new(tmp_path: Path) -> None:
    old, new = {"a.txt": "old", "d.txt": "old"}, dict.fromkeys(NAMES, "new")
    ends = []
    for steps in range(1, 200):
        folder = tmp_path / str(steps)
        lay(folder, "old", ("a.txt", "d.txt"))
        code = killed_after(folder, steps)
        assert code in (0, -signal.SIGKILL)
        recover(folder)
        found = content(folder)
        assert found in (old, new), steps
        ends.append(found == new)
        if code == 0:
            break
    assert code == 0
    assert ends == sorted(ends), "once the journal is written the set counts as written"
    assert not ends[0]
    assert ends[-2], "kills while moving are completed"


def test_a_file_that_goes_with_a_set_goes_with_all_of_it_or_stays(tmp_path: Path) -> None:
    old, new = {"a.txt": "old", "gone.txt": "old"}, dict.fromkeys(NAMES, "new")
    ends = []
    for steps in range(1, 200):
        folder = tmp_path / str(steps)
        lay(folder, "old", ("a.txt", "gone.txt"))
        code = killed_after(folder, steps, "gone.txt")
        recover(folder)
        found = content(folder)
        assert found in (old, new), steps
        ends.append(found == new)
        if code == 0:
            break
    assert code == 0
    assert ends == sorted(ends)
    assert (ends[0], ends[-2]) == (False, True)


def test_a_file_that_cannot_be_taken_away_brings_the_whole_set_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lay(tmp_path, "old", ("a.txt", "gone.txt", "last.txt"))
    usual = Path.unlink

    def refused(path: Path, missing_ok: bool = False) -> None:
        if path == tmp_path / "last.txt":
            raise OSError(errno.EPERM, "Operation not permitted", str(path))
        usual(path, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", refused)
    with pytest.raises(MeshplanError), all_or_nothing(tmp_path, removed=("gone.txt", "last.txt")) as scratch:
        write_text_atomically(scratch / "a.txt", "new")
    assert content(tmp_path) == dict.fromkeys(("a.txt", "gone.txt", "last.txt"), "old")


def test_what_a_last_check_refuses_is_not_written(tmp_path: Path) -> None:
    lay(tmp_path, "old", ("a.txt",))

    def refuse() -> None:
        raise MeshplanError("changed meanwhile")

    with pytest.raises(MeshplanError, match="meanwhile"), all_or_nothing(tmp_path, check=refuse) as scratch:
        write_text_atomically(scratch / "a.txt", "new")
    assert content(tmp_path) == {"a.txt": "old"}


def test_a_strangers_journal_takes_no_file_away_that_it_does_not_hold(tmp_path: Path) -> None:
    lay(tmp_path, "mine", ("a.txt",))
    scratch = tmp_path / ".meshplan.x.part"
    (scratch / ".old").mkdir(parents=True)
    (scratch / ".old" / "a.txt").write_text("other")
    (scratch / ".journal").write_text('{"names": [], "replaced": [], "removed": ["a.txt", "../b.txt"]}')
    recover(tmp_path)
    assert content(tmp_path) == {"a.txt": "mine"}
    scratch.mkdir()
    (scratch / ".journal").write_text('{"names": [], "replaced": [], "removed": ["a.txt"]}')
    recover(tmp_path)
    assert content(tmp_path) == {"a.txt": "mine"}


def test_scratch_of_the_dead_is_removed_and_that_of_the_living_is_not(tmp_path: Path) -> None:
    dead = tmp_path / ".meshplan.dead.part"
    lay(dead, "x")
    with all_or_nothing(tmp_path) as other:
        assert not dead.exists()
        write_set(tmp_path, "new")
        assert other.is_dir(), "another run is at work in it"
    assert content(tmp_path) == dict.fromkeys(NAMES, "new")


def test_paths_of_scratch_are_told_as_the_users() -> None:
    assert users_path(Path("/out/.meshplan.x1.part/tables/links.csv")) == Path("/out/tables/links.csv")


def test_two_runs_at_once_leave_one_set(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from meshplan.reporting.file_sets import all_or_nothing\n"
        "for _ in range(30):\n"
        "    with all_or_nothing(Path(sys.argv[1])) as scratch:\n"
        "        for n in range(8): (scratch / str(n)).write_text(sys.argv[2])\n"
    )
    runs = [subprocess.Popen([sys.executable, "-c", code, str(tmp_path), word]) for word in ("one", "two")]
    assert [run.wait(timeout=120) for run in runs] == [0, 0]
    found = content(tmp_path)
    assert len(found) == 8
    assert len(set(found.values())) == 1


LIMITED = """
import resource, sys
size = int(sys.argv[1])
resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
from meshplan.cli import main
sys.exit(main(sys.argv[2:]))
"""


@pytest.mark.slow
@pytest.mark.parametrize("size", [5_000, 60_000, 150_000])
@pytest.mark.parametrize("command", ["plan", "sheets"])
def test_a_disk_that_fills_changes_nothing(command: str, size: int, tmp_path: Path) -> None:
    """No file may grow beyond `size` bytes: at one size the report does not fit, at another the GeoPackage, the PDF or the map."""
    folder, out = lay_small_property(tmp_path / "property"), tmp_path / "out"
    assert main(["plan", str(folder), "--out", str(out), "-q"]) == 0
    assert main(["sheets", str(folder), "--out", str(out), "-q", "--pdf"]) == 0
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    more = ["--pdf"] if command == "sheets" else ["--set", "requirement.hop_limit=2"]
    words = [command, str(folder), "--out", str(out), "-q", *more]
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(size), *words], capture_output=True, text=True, check=False, timeout=300,
        env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "cache")},
    )  # fmt: skip
    after = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    assert done.returncode in (0, 2), done.stderr
    assert (after == before) or done.returncode == 0
    assert "Traceback" not in done.stderr
    assert ".part" not in done.stderr
    if size <= 5_000:
        assert done.returncode == 2
    if done.returncode == 2:
        assert "cannot be written" in done.stderr or "could not be written" in done.stderr, done.stderr


def test_the_geopackage_tells_a_full_disk(tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    """GDAL reports it in an error of its own, which is none of Python's."""
    import pyogrio

    def full(*_: object, **__: object) -> None:
        raise pyogrio.errors.FeatureError("sqlite3_step failed: database or disk is full")

    folder = lay_small_property(tmp_path / "property")
    monkeypatch.setattr(pyogrio, "write_dataframe", full)
    assert main(["plan", str(folder), "--out", str(tmp_path / "out"), "-q"]) == 2
    assert f"{tmp_path / 'out' / 'exports' / 'plan.gpkg'}: could not be written whole" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_folder_that_may_not_be_written_to_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rights do not bind the administrator that tests may run as, so the refusal is played."""

    def refused(*_: object, **__: object) -> str:
        raise PermissionError(13, "Permission denied", str(tmp_path / ".meshplan.x.part"))

    monkeypatch.setattr(file_sets.tempfile, "mkdtemp", refused)
    with pytest.raises(MeshplanError, match="cannot be written: Permission denied") as caught:
        write_set(tmp_path, "new")
    assert caught.value.where == str(tmp_path)
