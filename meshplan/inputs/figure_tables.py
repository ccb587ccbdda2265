"""Tables of figures in TOML: every number with standing and source, entries that start from others, all faults at once."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from enum import StrEnum
from typing import Any, TypeVar

from meshplan.errors import InputError, MeshplanError, nearest_name, raise_faults
from meshplan.inputs.user_files import NestedTooDeepError, NumberTooLongError, Readable, quoted, reason, short, toml_of
from meshplan.records.radio import Figure
from meshplan.sources import SOURCES, Standing

Choice = TypeVar("Choice", bound=StrEnum)

ORIGINS = "__origins__"
"""Key under which a merged entry keeps, for each of its own keys, the standing and source of plain numbers."""

USER_SOURCE = "stated by the user"
_RESERVED = ("like", "standing", "source", ORIGINS)


def read_toml(path: Readable, name: str) -> dict[str, Any]:
    """Return the content of a TOML file; a broken file is an error that names it."""
    try:
        return toml_of(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise InputError(f"it cannot be read ({reason(error)}).", where=name, fix="Look whether you may read it.") from error
    except (NestedTooDeepError, NumberTooLongError) as error:
        raise InputError(f"{error}.", where=name, fix="Texts stand in quotes, numbers have a decimal point.") from error
    except UnicodeDecodeError as error:
        raise InputError(
            f"byte {error.start + 1} is not UTF-8 text.", where=name, fix="Save the file as UTF-8 in your editor."
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"it is not valid TOML: {error}.", where=name, fix="Texts stand in quotes, numbers have a decimal point."
        ) from error


class TableFile:
    """One document and the faults found in it."""

    def __init__(self, name: str, document: dict[str, Any], *, packaged: bool, sources: Mapping[str, str] | None = None) -> None:
        self.name = name
        self.document = document
        self.packaged = packaged
        own = document.get("sources", {})
        self.sources: dict[str, str] = {**(sources or {}), **(own if isinstance(own, dict) else {})}
        self.faults: list[MeshplanError] = []
        self.origin = "packaged catalogue" if packaged else name
        self._broken: set[str] = set()

    def fault(self, where: str, problem: str, fix: str) -> None:
        """Note a fault at a place of this file."""
        self.faults.append(InputError(problem, where=f"{self.name}, {where}" if where else self.name, fix=fix))

    def mark_broken(self, key: str) -> None:
        """Note that an entry cannot be built at all."""
        self._broken.add(key)

    def is_broken(self, key: str) -> bool:
        """Whether an entry cannot be built at all."""
        return key in self._broken

    def default_origin(self) -> tuple[str, str]:
        """Return standing and source of a plain number that has none."""
        defaults = self.document.get("defaults", {})
        if self.packaged:
            return str(defaults.get("standing", "")), str(defaults.get("source", ""))
        return Standing.STATED.value, f"{USER_SOURCE} in {self.name}"


def inherit(file: TableFile, heading: str, base: Mapping[str, dict[str, Any]] | None = None) -> dict[str, dict[str, Any]]:
    """Return the entries under a heading, each merged with the one it starts from.

    An entry starts from the one named by `like`, else from the packaged entry of the same name. What it says itself replaces
    what it took over; rows of `sub_bands` are replaced one by one by their key, settings as a whole, and a setting that bears
    the name of one it replaces need only say what changes.
    """
    raw = file.document.get(heading, {})
    if not isinstance(raw, dict) or not all(isinstance(entry, dict) for entry in raw.values()):
        file.fault("", f"'{heading}' must hold tables.", f"Begin each entry with a line [{heading}.name-of-the-entry].")
        raise_faults(file.faults)
    allowed = (heading, "sources", "defaults", "checked")
    for key in file.document:
        if key not in allowed:
            file.fault("", f"'{key}' is not known here.{nearest_name(key, allowed)}", f"Write [{heading}.{key}] if it is an entry.")
    known = dict(base or {})
    result: dict[str, dict[str, Any]] = {}

    def resolve(key: str, trail: tuple[str, ...]) -> dict[str, Any] | None:
        if key in result:
            return result[key]
        entry = raw[key]
        parent_key = entry.get("like", key if key in known else None)
        if parent_key is not None and not isinstance(parent_key, str):
            file.fault(f"{heading}.{key}", f"'like' is {short(parent_key)}, no name.", 'Write like = "name of an entry".')
            return None
        parent: dict[str, Any] | None = {}
        if parent_key is not None:
            if parent_key == key and key in known:
                parent = known[key]
            elif parent_key in trail:
                file.fault(f"{heading}.{key}", "'like' goes round in a circle.", "Let one of them stand on its own.")
                return None
            elif parent_key in raw:
                parent = resolve(parent_key, (*trail, parent_key))
            elif parent_key in known:
                parent = known[parent_key]
            else:
                names = sorted({*raw, *known} - {key})
                file.fault(
                    f"{heading}.{key}",
                    f"'like' names '{parent_key}', which is not known.{nearest_name(str(parent_key), names)}",
                    f"Take one of: {', '.join(names)}.",
                )
                return None
        if parent is None:
            return None
        result[key] = _merged(file, parent, entry)
        return result[key]

    for key in raw:
        if resolve(key, (key,)) is None:
            file.mark_broken(key)
    return {key: result[key] for key in raw if key in result}


def _merged(file: TableFile, parent: Mapping[str, Any], entry: Mapping[str, Any]) -> dict[str, Any]:
    """Return an entry over its parent; each key remembers the origin of its plain numbers."""
    standing, source = file.default_origin()
    if file.packaged:
        standing, source = str(parent.get("standing", standing)), str(parent.get("source", source))
    own = {key: value for key, value in entry.items() if key not in ("like",)}
    origin = (str(entry.get("standing", standing)), str(entry.get("source", source)))
    inherited = {key: value for key, value in parent.items() if key != "aliases" or "like" not in entry}
    restated = "standing" in entry and bool(parent) and "sub_bands" in parent
    merged: dict[str, Any] = {**inherited, **own}
    merged[ORIGINS] = {**parent.get(ORIGINS, {}), **dict.fromkeys(own, origin)}
    if "sub_bands" in own and not _is_list_of_tables(own["sub_bands"]):
        return merged  # whoever reads the entry tells what is wrong with it
    if "sub_bands" in own or "sub_bands" in parent:
        rows = [_with_origin(row, origin) for row in own.get("sub_bands", ())]
        kept = {row["key"]: row for row in parent.get("sub_bands", ())}
        for row in rows:
            kept[row.get("key", f"row {len(kept) + 1}")] = {**kept.get(row.get("key"), {}), **row}
        merged["sub_bands"] = list(kept.values())
        if restated:
            merged["sub_bands"] = [{**row, "standing": origin[0], "source": origin[1]} for row in kept.values()]
    if "settings" in own and isinstance(own["settings"], list):
        before = {str(row.get("name")): row for row in parent.get("settings", ()) if isinstance(row, dict)}
        merged["settings"] = [
            _over_row(before.get(str(row.get("name")), {}), _with_origin(row, origin)) if isinstance(row, dict) else row
            for row in own["settings"]
        ]
    return merged


def _is_list_of_tables(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(row, dict) and isinstance(row.get("key", ""), str) for row in value)


def _with_origin(row: object, origin: tuple[str, str]) -> Any:
    if not isinstance(row, dict):
        return row
    own = (str(row.get("standing", origin[0])), str(row.get("source", origin[1])))
    return {**row, ORIGINS: dict.fromkeys(row, own)}


def _over_row(before: Mapping[str, Any], row: Mapping[str, Any]) -> dict[str, Any]:
    return {**before, **row, ORIGINS: {**before.get(ORIGINS, {}), **row.get(ORIGINS, {})}}


class Table:
    """One entry of a document, read value by value; faults go to the file."""

    def __init__(self, file: TableFile, where: str, entry: Any, parent: Table | None = None) -> None:
        self.file = file
        self.where = where
        self.parent = parent
        self.entry: dict[str, Any] = entry if isinstance(entry, dict) else {}
        if not isinstance(entry, dict):
            self.fault(f"{quoted(entry)} is not a table.", "Write it as { key = value, … }.")

    def fault(self, problem: str, fix: str, key: str = "") -> None:
        """Note a fault of this entry."""
        self.file.fault(f"{self.where}, '{key}'" if key else self.where, problem, fix)

    def check_key(self, key: str) -> None:
        """Fault a name that could not be typed on a command line."""
        if not key or not all(letter.isalnum() or letter in "-_." for letter in key):
            self.fault(f"'{key}' is not a usable name.", "Use letters, digits, hyphens, such as my-radio-868.")

    def allow(self, *names: str) -> None:
        """Fault every key that is not one of these, with the nearest that is."""
        for key in self.entry:
            if key not in names and key not in _RESERVED:
                self.fault(f"'{key}' is not known.{nearest_name(key, names)}", f"Known here: {', '.join(sorted(set(names)))}.")

    def _origin(self, key: str) -> tuple[str, str]:
        origins = self.entry.get(ORIGINS, {})
        if key in origins:
            standing, source = origins[key]
            return standing, source
        fallback = self.file.default_origin()
        return str(self.entry.get("standing", fallback[0])), str(self.entry.get("source", fallback[1]))

    def _standing(self, word: str, key: str) -> Standing:
        try:
            return Standing(word)
        except ValueError:
            self.fault(
                f"the standing '{word}' is not known.{nearest_name(word, list(Standing))}" if word else "it has no standing.",
                f"Write standing as one of: {', '.join(Standing)}.",
                key,
            )
            return Standing.MEMORY

    def _source(self, word: str, key: str) -> str:
        if not word:
            self.fault("it has no source.", "Say in a few words where the figure comes from.", key)
        if word in self.file.sources:
            return self.file.sources[word]
        return SOURCES[word].title if word in SOURCES else word

    def standing(self) -> Standing:
        """Return the standing of a whole row."""
        return self._standing(self._origin("standing")[0], "standing")

    def source(self) -> str:
        """Return the source of a whole row."""
        return self._source(self._origin("source")[1], "source")

    def figure(self, key: str, lowest: float, highest: float) -> Figure:
        """Return a figure; missing, wordy or impossible ones are faults."""
        missing = Figure(float("nan"), Standing.MEMORY, "missing")
        if key not in self.entry:
            self.fault(
                f"'{key}' is missing.",
                f'Write {key} = a number from {lowest:g} to {highest:g}, or begin from a known entry with like = "…".',
            )
            return missing
        value = self.entry[key]
        table = value if isinstance(value, dict) else {"value": value}
        for name in table:
            if name not in ("value", "low", "high", "standing", "source"):
                self.fault(
                    f"'{name}' is not known.{nearest_name(name, ['value', 'low', 'high', 'standing', 'source'])}",
                    "A figure has value, low, high, standing and source.",
                    key,
                )
        if "value" not in table:
            self.fault("it has no value.", f"Write {key} = {{ value = … }}.", key)
            return missing
        numbers = {}
        for name in ("value", "low", "high"):
            if name in table:
                number = self._plain(table[name], key, lowest, highest)
                if number is None:
                    return missing
                numbers[name] = number
        low, high = numbers.get("low"), numbers.get("high")
        if (low is not None and low > numbers["value"]) or (high is not None and high < numbers["value"]):
            self.fault("the value lies outside its own low and high.", "Put low ≤ value ≤ high.", key)
        standing, source = self._origin(key)
        return Figure(
            value=numbers["value"],
            standing=self._standing(str(table.get("standing", standing)), key),
            source=self._source(str(table.get("source", source)), key),
            low=low,
            high=high,
        )

    def figures(self, limits: Mapping[str, tuple[float, float]]) -> dict[str, Any]:
        """Return a figure for each name, with the smallest and largest value that is not taken for a slip."""
        return {name: self.figure(name, *bounds) for name, bounds in limits.items()}

    def _plain(self, value: object, key: str, lowest: float, highest: float) -> float | None:
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.fault(f"{quoted(value)} is not a number.", f"Write a number from {lowest:g} to {highest:g}, without quotes.", key)
            return None
        if not lowest <= value <= highest:
            written = f"{value:g}" if isinstance(value, float) else short(value, 20)
            self.fault(f"{written} cannot be.", f"Write a number from {lowest:g} to {highest:g}.", key)
            return None
        return float(value)

    def number(self, key: str, lowest: float, highest: float, default: float | None = None) -> float:
        """Return a plain number; without a default it must be there."""
        if key not in self.entry:
            if default is None:
                self.fault(f"'{key}' is missing.", f"Write {key} = a number from {lowest:g} to {highest:g}.")
                return float(lowest)
            return default
        number = self._plain(self.entry[key], key, lowest, highest)
        return float(lowest) if number is None else number

    def numbers(self, key: str, lowest: float, highest: float) -> tuple[float, ...]:
        """Return a list of plain numbers, empty if there is none."""
        value = self.entry.get(key, [])
        if not isinstance(value, list):
            self.fault(f"{value!r} is not a list of numbers.", f"Write {key} = [ 1.0, 2.0 ].", key)
            return ()
        return tuple(number for each in value if (number := self._plain(each, key, lowest, highest)) is not None)

    def text(self, key: str, default: str | None = None) -> str:
        """Return a text; without a default it must be there and not be empty."""
        value = self.entry.get(key, default)
        if value is None or (value == "" and default is None):
            self.fault(f"'{key}' is missing.", f'Write {key} = "a few words".')
            return ""
        if not isinstance(value, str):
            self.fault(f"{quoted(value)} is not a text.", "Put it in quotes.", key)
            return ""
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of texts, empty if there is none; a single text counts as a list of one."""
        value = self.entry.get(key, [])
        values = [value] if isinstance(value, str) else value
        if not isinstance(values, list) or not all(isinstance(item, str) for item in values):
            self.fault(f"{quoted(value)} is not a list of texts.", f'Write {key} = ["…", "…"].', key)
            return ()
        return tuple(values)

    def flag(self, key: str, default: bool) -> bool:
        """Return yes or no."""
        value = self.entry.get(key, default)
        if not isinstance(value, bool):
            self.fault(f"{quoted(value)} is neither true nor false.", "Write true or false, without quotes.", key)
            return default
        return value

    def choice(self, key: str, kind: type[Choice]) -> Choice:
        """Return one of a set of words."""
        word = self.text(key)
        return self._one_of(word, key, kind) if word else next(iter(kind))

    def choices(self, key: str, kind: type[Choice]) -> Sequence[Choice]:
        """Return several of a set of words."""
        return [self._one_of(word, key, kind) for word in self.texts(key)]

    def _one_of(self, word: str, key: str, kind: type[Choice]) -> Choice:
        try:
            return kind(word)
        except ValueError:
            self.fault(f"'{word}' is not known.{nearest_name(word, list(kind))}", f"Write one of: {', '.join(kind)}.", key)
            return next(iter(kind))

    def day(self, key: str) -> date:
        """Return a date."""
        value = self.entry.get(key)
        if isinstance(value, datetime):
            return value.date()
        if isinstance(value, date):
            return value
        self.fault(f"'{key}' must be a date.", f"Write {key} = 2026-11-25, without quotes.")
        return date(1970, 1, 1)

    def entries(self, key: str) -> list[Any]:
        """Return a list of tables."""
        value = self.entry.get(key, [])
        if not isinstance(value, list):
            self.fault(f"'{key}' is not a list.", f"Write {key} = [ {{ … }}, {{ … }} ].")
            return []
        if not all(isinstance(row, dict) for row in value):
            self.fault(f"'{key}' holds what is no table.", f"Write {key} = [ {{ … }}, {{ … }} ].")
            return []
        return value
