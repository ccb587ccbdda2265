"""Files of the user, opened with care: absent, a folder, a pipe, unreadable, empty, nested too deep, numbers too long."""

from __future__ import annotations

import json
import os
import stat
import tomllib
from pathlib import Path
from typing import Any, Final, Protocol

from meshplan.errors import InputError, MeshplanError, MissingFileError

MOST_TEXT_BYTES: Final = 500_000_000
"""Tables and texts larger than this are refused by name before they fill the memory."""

_LONGEST_SHOWN: Final = 80
_LONGEST_PATH: Final = 250
"""As long as the name of a file may be on usual disks; a path that can be read is shown whole."""


class NestedTooDeepError(Exception):
    """A document nested deeper than any that a person writes."""


class NumberTooLongError(Exception):
    """A whole number of thousands of digits."""


class Readable(Protocol):
    """A file or a packaged resource."""

    def read_bytes(self) -> bytes: ...


def present_file(path: Path, shown: str, key: str, *, empty_allowed: bool = False) -> MeshplanError | None:
    """Return the fault of a file that is missing, no plain file, unreadable, or empty; None if it can be read."""
    fix = f"Put it there, or correct '{key}' in property.toml."
    name = short(shown, _LONGEST_PATH)
    try:
        kind = path.stat()
        if stat.S_ISDIR(kind.st_mode):
            return InputError("this is a folder", where=name, fix=f"Name a file under '{key}' in property.toml.")
        if not stat.S_ISREG(kind.st_mode):
            return InputError("this is a pipe or a device, no plain file", where=name, fix="Put a plain file in its place.")
        with path.open("rb") as stream:
            first = stream.read(1)
    except (FileNotFoundError, NotADirectoryError):
        return MissingFileError("there is no such file", where=name, fix=fix)
    except (OSError, ValueError) as error:
        return InputError(f"cannot be opened ({reason(error)})", where=name, fix="Look at its name and whether you may read it.")
    if not first and not empty_allowed:
        fix = "Write a header and one row for each site." if path.suffix.casefold() == ".csv" else "Export it again."
        return InputError("the file is empty", where=name, fix=fix)
    return None


def optional_file(path: Path, shown: str) -> bool:
    """Tell whether a file that need not be there is there; one that is there and cannot be read is a fault."""
    if not is_there(path):
        return False
    fault = present_file(path, shown, shown, empty_allowed=True)
    if fault is not None:
        raise InputError(fault.problem, where=fault.where, fix="Put a plain file in its place, or take it away.")
    return True


def is_there(path: Path) -> bool:
    """Tell whether anything bears this name; a name that no file may have belongs to none."""
    try:
        return os.path.lexists(path)
    except ValueError:
        return False


def content_of(path: Path, shown: str, *, fix: str = "Look whether it is the right file.") -> bytes:
    """Return the bytes of a file that `present_file` found in order."""
    try:
        if path.stat().st_size > MOST_TEXT_BYTES:
            raise InputError(f"is larger than {MOST_TEXT_BYTES // 1_000_000} MB", where=shown, fix=fix)
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read ({reason(error)})", where=shown, fix="Look whether you may read it.") from error


def toml_of(text: str) -> dict[str, object]:
    """Return a TOML document; besides `TOMLDecodeError`, depth and length end in errors of their own."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError as error:
        raise NestedTooDeepError("it is nested too deep") from error
    except (ValueError, OverflowError) as error:
        raise NumberTooLongError("a number or date in it cannot be") from error


def json_of(text: str, **hooks: Any) -> Any:
    """Return a JSON document; besides `JSONDecodeError` and what hooks raise, depth and length end in errors of their own."""
    try:
        return json.loads(text, **hooks)
    except json.JSONDecodeError:
        raise
    except RecursionError as error:
        raise NestedTooDeepError("it is nested too deep") from error
    except ValueError as error:
        if type(error) is not ValueError:
            raise
        raise NumberTooLongError("a number in it is too long") from error


def reason(error: BaseException) -> str:
    """Return why the system refused a file, without the path."""
    words = error.strerror if isinstance(error, OSError) else None
    return (words or "such a name cannot be").lower()


def short(value: object, longest: int = _LONGEST_SHOWN) -> str:
    """Return a value for a message, cut where it is long."""
    try:
        text = str(value)
    except (ValueError, RecursionError):  # whole numbers of thousands of digits, lists of thousands of levels
        return f"a {type(value).__name__} too large to be shown"
    return text if len(text) <= longest else f"{text[: longest - 2]} …"


def quoted(value: object, longest: int = _LONGEST_SHOWN) -> str:
    """Return a value as code shows it, texts between quotation marks, cut where it is long."""
    return repr(short(value, longest)) if isinstance(value, str) else short(value, longest)
