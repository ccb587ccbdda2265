"""Options and outputs that several commands share."""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from meshplan.errors import InputError

Command = TypeVar("Command", bound=Callable[..., Any])

folder_argument = click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
quiet_option = click.option("--quiet", "-q", is_flag=True, help="Show no progress.")
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object for scripts instead of text.")
radio_option = click.option("--radio", metavar="CLASS", help="Radio class in place of the one in property.toml.")
out_option = click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for results; by default outputs/<property>."
)
set_option = click.option(
    "--set",
    "changes",
    multiple=True,
    metavar="KEY=VALUE",
    help="A setting in place of the one in property.toml, such as requirement.hop_limit=2. Can be repeated.",
)


class Number(click.FloatRange):
    """A finite number within a range; the range of click lets `nan` through."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number, or fail as click does."""
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value} is not a number with an end.", param, ctx)
        return number


MOST_SHOWN = 60
"""Characters of a value in a message."""


def overrides_from(changes: tuple[str, ...]) -> dict[str, Any]:
    """Return settings given as KEY=VALUE; values are read as TOML, and as text where they are none."""
    found: dict[str, Any] = {}
    for change in changes:
        key, sign, value = change.partition("=")
        if not sign or not key.strip():
            raise InputError(f"'{change}' is no setting", where="--set", fix="Write KEY=VALUE, such as requirement.hop_limit=2.")
        try:
            found[key.strip()] = tomllib.loads(f"value = {value}")["value"]
        except tomllib.TOMLDecodeError:
            found[key.strip()] = value.strip()
        except (ValueError, OverflowError, RecursionError) as error:
            shown = value if len(value) <= MOST_SHOWN else f"{value[:MOST_SHOWN]}…"
            raise InputError(
                f"{key.strip()} cannot take '{shown}': a number in it is too long, or it is nested too deep",
                where="--set",
                fix="Write a value as in property.toml, such as requirement.hop_limit=2.",
            ) from error
    return found


def named_from(words: tuple[str, ...], option: str, form: str) -> dict[str, str]:
    """Return what stands before and after the last sign of equality in each word; `form` says how to write one."""
    named = {}
    for word in words:
        heading, sign, name = word.rpartition("=")
        if not sign or not heading:
            raise InputError(f"'{word}' names nothing", where=option, fix=f"Write {form}.")
        named[heading] = name
    return named


def results_folder(folder: Path, out: Path | None) -> Path:
    """Return where the results of a property go."""
    return out if out is not None else Path("outputs") / folder.resolve().name


def print_json(value: object) -> None:
    """Print one JSON object; a number that is unknown or without end is null."""
    click.echo(json.dumps(_finite(value), ensure_ascii=False, indent=2, allow_nan=False))


def _finite(value: object) -> object:
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
