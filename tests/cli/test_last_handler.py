"""What nobody foresaw, stops, closed streams and full devices: a sentence, the right exit code, never a traceback."""

from __future__ import annotations

import io
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from small_property import lay_small_property

from meshplan.cli import main
from meshplan.cli.progress import Progress
from meshplan.workflow import check_property

Capture = pytest.CaptureFixture[str]

SLOW_IMPORT = """
import sys, time, importlib.abc
class Slow(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name == "rasterio":
            print("importing", flush=True)
            time.sleep(60)
sys.meta_path.insert(0, Slow())
"""


def shell(code: str, **more: object) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, "-c", code], text=True, **more)  # type: ignore[call-overload, no-any-return]


def test_a_fault_of_ours_is_one_sentence_a_file_and_code_3(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = lay_small_property(tmp_path / "secret-holding")

    def broken(*_: object, **__: object) -> None:
        secret_names = {"Trough": 1}
        raise KeyError(f"Bed of {secret_names}")

    monkeypatch.setattr("meshplan.workflow.check.prepare_property", broken)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    assert main(["check", str(folder), "--set", "requirement.hop_limit=2"]) == 3
    caught = capsys.readouterr()
    assert caught.out == ""
    assert "Traceback" not in caught.err
    assert "not of yours" in caught.err
    assert "report it" in caught.err
    found = re.search(r"details are in (\S+?meshplan-fault-\S+\.txt)", caught.err)
    assert found is not None
    details = Path(found[1]).read_text(encoding="utf-8")
    assert "builtins.KeyError" in details
    assert "meshplan/workflow/check.py" in details
    assert "command check, options --set" in details
    for private in ("Bed", "Trough", "secret", "hop_limit", str(tmp_path), str(Path.home())):
        assert private not in details, private


def test_the_python_api_keeps_its_traceback(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the command line turns a bug into a sentence; who calls the functions sees it."""

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("a bug")

    monkeypatch.setattr("meshplan.workflow.check.prepare_property", broken)
    with pytest.raises(RuntimeError, match="a bug"):
        check_property(tmp_path)


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (MemoryError(), 2, "not enough memory"),
        (OSError(28, "No space left on device"), 2, "Make room on the disk"),
        (
            PermissionError(13, "Permission denied", "/somewhere/of/yours.csv"),
            2,
            "/somewhere/of/yours.csv: cannot be used: Permission",
        ),
        (RecursionError("too deep"), 3, "RecursionError"),
        (SystemExit(1), 3, "SystemExit"),
        (EOFError("ended early"), 3, "Abort"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, BaseException) else None,
)
def test_what_else_may_arrive(
    error: BaseException, code: int, words: str, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("meshplan.workflow.check.prepare_property", broken)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    assert main(["check", str(tmp_path)]) == code
    assert words in capsys.readouterr().err


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_stop_during_the_imports_is_a_sentence_and_its_own_code(name: str, tmp_path: Path) -> None:
    number = getattr(signal, name)
    code = SLOW_IMPORT + f"from meshplan.cli import main\nsys.argv = ['meshplan', 'check', {str(tmp_path)!r}]\nmain()\n"
    code = f"signal.signal(signal.SIGHUP, signal.SIG_DFL)\n{code}"  # one started with nohup would not hear it
    code = "import signal\nsignal.signal(signal.SIGINT, signal.default_int_handler)\n" + code
    (tmp_path / "property.toml").write_text('name = "x"\n')
    child = shell(code, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert child.stdout is not None
    assert child.stdout.readline() == "importing\n"
    child.send_signal(number)
    _, said = child.communicate(timeout=60)
    assert child.returncode == 128 + number
    assert said.startswith("Stopped")
    assert "Traceback" not in said


def test_a_stop_that_a_library_turns_into_its_own_error_is_still_a_stop(tmp_path: Path) -> None:
    """Compiled modules may answer an exception during their import with one of their own."""
    (tmp_path / "property.toml").write_text('name = "x"\n')
    code = SLOW_IMPORT.replace(
        "            time.sleep(60)", "            try: time.sleep(60)\n            except BaseException: raise ImportError('lost')"
    )
    code += f"from meshplan.cli import main\nsys.argv = ['meshplan', 'check', {str(tmp_path)!r}]\nmain()\n"
    child = shell(code, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert child.stdout is not None
    assert child.stdout.readline() == "importing\n"
    child.send_signal(signal.SIGTERM)
    _, said = child.communicate(timeout=60)
    assert child.returncode == 128 + signal.SIGTERM
    assert said.startswith("Stopped")


def test_signals_are_given_back_after_a_call_from_python(tmp_path: Path) -> None:
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)]
    assert main(["check", str(tmp_path / "absent")]) == 2
    assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)] == before


def test_a_reader_that_leaves_does_not_change_the_code() -> None:
    """`meshplan radios | head -1`: exit code 0, nothing on the error stream."""
    child = shell(
        "import sys; sys.argv = ['meshplan', 'radios']\nfrom meshplan.cli import main\nmain()",
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert child.stdout is not None
    assert child.stderr is not None
    child.stdout.close()
    said = child.stderr.read()
    child.stderr.close()
    assert child.wait(timeout=120) == 0
    assert said == ""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_full_device_under_the_output_is_told() -> None:
    with Path("/dev/full").open("w") as full:
        child = shell(
            "import sys; sys.argv = ['meshplan', 'radios']\nfrom meshplan.cli import main\nmain()",
            stdout=full,
            stderr=subprocess.PIPE,
        )
        _, said = child.communicate(timeout=120)
    assert child.returncode == 2
    assert said.startswith("output: the results could not be printed (No space left on device)")


class _Closed(io.StringIO):
    def write(self, _: str, /) -> int:
        raise BrokenPipeError(32, "Broken pipe")


def test_a_closed_error_stream_does_not_stop_the_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every stage tells its progress on the error stream; the plan must not depend on who listens."""
    lay_small_property(tmp_path / "property")
    monkeypatch.setattr(sys, "stderr", _Closed())
    assert main(["plan", str(tmp_path / "property"), "--out", str(tmp_path / "out")]) == 0
    assert main(["check", str(tmp_path / "absent")]) == 2
    assert (tmp_path / "out" / "plan.json").is_file()


def test_progress_without_an_error_stream(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", None)
    progress = Progress()
    progress("Reading", 1, 2)
    progress.close()


def test_missing_streams_do_not_stop_the_work() -> None:
    """`meshplan radios >&- 2>&-`."""
    code = "import sys; sys.stdout = sys.stderr = None; sys.argv = ['meshplan', 'radios']\nfrom meshplan.cli import main\nmain()"
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=120).returncode == 0


def test_an_encoding_that_lacks_our_characters_is_no_fault(tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONIOENCODING": "latin-1"}
    code = "import sys; sys.argv = ['meshplan', 'radios', 'fsk-868']\nfrom meshplan.cli import main\nmain()"
    done = subprocess.run([sys.executable, "-c", code], check=False, capture_output=True, env=environment, timeout=120)
    assert done.returncode == 0
    assert done.stderr == b""
    assert len(done.stdout) > 500
