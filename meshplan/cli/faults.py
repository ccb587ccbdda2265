"""The last handler: every exception becomes words and an exit code, and what was unforeseen a file with the details."""

from __future__ import annotations

import errno
import os
import platform
import sys
import sysconfig
import tempfile
import traceback
from collections.abc import Iterator, Sequence
from importlib import import_module, metadata
from pathlib import Path

import click

from meshplan import __version__
from meshplan.cli import COMMANDS, EXIT_CLUSTER_LOST, EXIT_INPUT_WRONG, EXIT_UNFORESEEN
from meshplan.errors import ClusterLostError, MeshplanError
from meshplan.inputs.user_files import short

REPORT_TO = "the issue list of the repository that you have meshplan from"
MOST_LETTERS = 1000
"""Of one line of a message: what a damaged file holds may be endless."""

_LIBRARIES = ("click", "geopandas", "highspy", "numba", "numpy", "pyogrio", "pyproj", "rasterio", "scipy", "shapely", "urllib3")
_PACKAGE = Path(__file__).resolve().parents[1]


def report_fault(error: BaseException, words: Sequence[str]) -> int:
    """Tell an exception on the error stream and return the exit code."""
    if isinstance(error, MeshplanError):
        click.echo("\n".join(short(line, MOST_LETTERS) for line in str(error).split("\n")), err=True)
        return EXIT_CLUSTER_LOST if isinstance(error, ClusterLostError) else EXIT_INPUT_WRONG
    if isinstance(error, click.ClickException):
        if len(error.format_message()) > MOST_LETTERS:
            error = click.ClickException(short(error.format_message(), MOST_LETTERS))
        error.show()
        return EXIT_INPUT_WRONG
    if isinstance(error, click.Abort) and not isinstance(error.__cause__, EOFError):
        click.echo("Stopped.", err=True)
        return 130
    if isinstance(error, MemoryError):
        click.echo(
            "there is not enough memory for this\n  Take coarser cells (--set terrain.cell_m=10) or fewer sites.",
            err=True,
        )
        return EXIT_INPUT_WRONG
    if isinstance(error, OSError) and (reported := _of_the_disk(error)):
        click.echo(reported, err=True)
        return EXIT_INPUT_WRONG
    return _unforeseen(error, words)


def _of_the_disk(error: OSError) -> str:
    """Return what a file of the user or the disk refused, in words; empty where the file is one of ours."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        from meshplan.reporting.file_sets import users_path

        named = isinstance(error.filename, str | bytes) and error.filename
        where = f"{users_path(Path(os.fsdecode(error.filename)))}: " if named else ""
        return f"{where}cannot be written: {error.strerror}\n  Make room on the disk, or choose another folder with --out."
    if error.filename is None or error.strerror is None or isinstance(error.filename, int):
        return ""
    path = Path(os.fsdecode(error.filename))
    ours = {_PACKAGE, *(Path(sysconfig.get_paths()[name]) for name in ("purelib", "platlib", "stdlib"))}
    if any(path.is_relative_to(place) for place in ours):
        return ""
    return f"{path}: cannot be used: {error.strerror}\n  Look at its name and whether you may read and write there."


def _unforeseen(error: BaseException, words: Sequence[str]) -> int:
    """Write the details to a file and say where it is."""
    kind = type(error).__name__
    head = f"meshplan met something that it was not made for ({kind}). That is a fault of the program, not of yours."
    try:
        handle, name = tempfile.mkstemp(prefix="meshplan-fault-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write(details_of(error, words))
        more = (
            f"The details are in {name}, without names, places or figures of yours. Please report it with that file to {REPORT_TO}."
        )
    except OSError:
        more = f"Please report it to {REPORT_TO} with these details, which could not be written:\n{details_of(error, words)}"
    click.echo(f"{head}\n  {more}", err=True)
    return EXIT_UNFORESEEN


def details_of(error: BaseException, words: Sequence[str]) -> str:
    """Return what a developer needs: versions, the command, kinds of errors and lines of code.

    Left out on purpose, since they may hold names, places and paths: messages of exceptions, values, arguments, the environment.
    """
    command = next((word for word in words if word in COMMANDS), "none")
    given = {word.partition("=")[0] for word in words}
    options = sorted(given & _options_of(command))
    lines = [
        f"meshplan {__version__}",
        f"python {platform.python_version()} on {platform.system()} {platform.machine()}",
        "libraries " + ", ".join(f"{name} {_version(name)}" for name in _LIBRARIES),
        f"command {command}, options {' '.join(options) or 'none'}",
        "",
    ]
    for link in _chain(error):
        lines.append(f"{type(link).__module__}.{type(link).__qualname__}")
        lines.extend(
            f"  {_short(frame.filename)}:{frame.lineno} in {frame.name}" for frame in traceback.extract_tb(link.__traceback__)
        )
    return "\n".join(lines) + "\n"


def _options_of(command: str) -> set[str]:
    """Return the options that a command knows; only these are told."""
    try:
        found = import_module(f"meshplan.cli.{command}").command
        return {name for parameter in found.params for name in parameter.opts if name.startswith("-")}
    except Exception:  # the command itself may be what cannot be imported
        return set()


def _chain(error: BaseException) -> Iterator[BaseException]:
    """Give an exception and those that it came from, the first cause last."""
    seen: set[int] = set()
    link: BaseException | None = error
    while link is not None and id(link) not in seen:
        seen.add(id(link))
        yield link
        link = link.__cause__ or link.__context__


def _short(file: str) -> str:
    """Return a source file without the folders of this machine."""
    path = Path(file)
    for place in (_PACKAGE.parent, *(Path(entry) for entry in sys.path if entry)):
        if path.is_relative_to(place):
            return path.relative_to(place).as_posix()
    return path.name


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "absent"
