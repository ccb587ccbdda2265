"""Assumptions that are the same for many rows of a file, said once with the names they are for."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

MOST_NAMES: Final = 3
"""Names that are listed of each kind."""

_FORMS: Final = (
    re.compile(r"(?P<file>[^:]+), (?P<unit>[a-z]+) \d+: '(?P<name>.+?)' (?P<rest>(?:is taken as|says no role|role ').+)"),
    re.compile(r"(?P<file>[^:]+), (?P<unit>[a-z]+) \d+ \('(?P<name>.+?)'\): (?P<rest>.+)"),
    re.compile(r"(?P<file>[^:]+), (?P<unit>[a-z]+) (?P<name>\d+): (?P<rest>wall '.+)"),
)
"""How readers of files begin a sentence about one row: file, kind of row and number, name, what is assumed."""
_ROLE: Final = re.compile(r"is taken as a (?P<role>sensor|relay|gateway), because its (?P<source>[a-z]+) says '.+'\.")


def reported_once(lines: Iterable[str]) -> list[str]:
    """Return the lines in their order, those that say the same of several rows of a file as one."""
    groups: dict[tuple[str, str], list[tuple[str, str, str]]] = {}
    for line in lines:
        file, what, name, rest = _taken_apart(line)
        groups.setdefault((file, what), []).append((line, name, rest))
    return [rows[0][0] if len({row[0] for row in rows}) == 1 else _together(*key, rows) for key, rows in groups.items()]


def _taken_apart(line: str) -> tuple[str, str, str, str]:
    """Return file, what is assumed, of whom, and in which words; a line of its own kind stays whole."""
    for form in _FORMS:
        found = form.fullmatch(line)
        if found is not None:
            role = _ROLE.fullmatch(found["rest"])
            what = f"role from {role['source']}" if role is not None else found["rest"]
            return found["file"], what, found["name"], role["role"] if role is not None else ""
    return "", line, "", ""


def _together(file: str, what: str, rows: list[tuple[str, str, str]]) -> str:
    names = list(dict.fromkeys(name for _, name, _ in rows))
    if not what.startswith("role from "):
        return f"{file}: {len(names)} times ({_listed(names)}): {what}"
    by_role: dict[str, list[str]] = {}
    for _, name, role in rows:
        by_role.setdefault(role, []).append(name)
    roles = ", ".join(f"{len(of)} {role}{'s' if len(of) > 1 else ''} ({_listed(of)})" for role, of in by_role.items())
    return f"{file}: {len(names)} sites: {what}: {roles}."


def _listed(names: list[str]) -> str:
    more = len(names) - MOST_NAMES
    return ", ".join(names[:MOST_NAMES]) + (f" and {more} more" if more > 0 else "")
