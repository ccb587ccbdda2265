"""A column of a user's table, described once: the reader, the messages and the manual all use that description."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np

from meshplan.errors import InputError, MeshplanError, nearest_name
from meshplan.units import FOOT_M

Parser = Callable[[object], Any]

_UNITS = ("m", "deg", "s", "db", "bytes", "agl_m")
"""Endings of headings that name a unit."""

_PLAIN_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+")
_GROUPED_NUMBER = re.compile(r"[+-]?\d{1,3}([. ]\d{3})+,\d+")
_NUMBER_AND_UNIT = re.compile(r"([+-]?(?:\d+[.,]?\d*|\.\d+))\s*([A-Za-z'’′\"”″µ]+)\.?")
_METRES_PER_UNIT = {
    **dict.fromkeys(("ft", "feet", "foot", "'", "’", "′"), FOOT_M),
    **dict.fromkeys(("in", "inch", "inches", '"', "”", "″"), FOOT_M / 12),
    **dict.fromkeys(("yd", "yard", "yards"), FOOT_M * 3),
    "mm": 0.001,
    "cm": 0.01,
    "km": 1000.0,
}
_METRE_WORDS = ("m", "metre", "metres", "meter", "meters")
_SEXAGESIMAL = re.compile(
    r"""([NSEWO]?)\s*([+-]?\d+(?:[.,]\d+)?)\s*[°ºd]\s*(?:(\d+(?:[.,]\d+)?)\s*['’′m]\s*)?(?:(\d+(?:[.,]\d+)?)\s*(?:"|”|″|''|s)?\s*)?([NSEWO]?)""",
    re.IGNORECASE,
)
_SECONDS_PER_UNIT = {
    **dict.fromkeys(("s", "sec", "second", "seconds"), 1.0),
    **dict.fromkeys(("min", "minute", "minutes"), 60.0),
    **dict.fromkeys(("h", "hour", "hours"), 3600.0),
    **dict.fromkeys(("d", "day", "days"), 86_400.0),
}


@dataclass(frozen=True)
class Entry:
    """What may be entered into a field, as a form needs it: the parser that it comes with decides."""

    kind: str = "text"
    """text, number, whole number, several numbers, yes or no, one of, several of, time."""
    low: float | None = None
    high: float | None = None
    above_low: bool = False
    """Whether `low` itself is out."""
    choices: tuple[str, ...] = ()
    longest: int | None = None
    """Most letters of a text."""


@dataclass(frozen=True)
class FormedParser:
    """A parser that says what may be entered."""

    read: Parser
    entry: Entry

    def __call__(self, value: object) -> Any:
        """Return the parsed value."""
        return self.read(value)


class UnfitValueError(Exception):
    """A value that a column cannot hold: what is wrong with it and what to write instead."""

    def __init__(self, problem: str, fix: str) -> None:
        super().__init__(problem)
        self.problem = problem
        self.fix = fix


@dataclass(frozen=True)
class Column:
    """One column of a table."""

    name: str
    meaning: str
    parse: Parser
    unit: str = ""
    required: bool = False
    default: Any = None
    default_words: str = ""
    allowed: str = ""
    aliases: tuple[str, ...] = ()
    former: tuple[str, ...] = ()
    """Names that it had before: still read, with a note."""

    @property
    def entry(self) -> Entry:
        """What may be entered; a parser that says nothing takes a text."""
        return self.parse.entry if isinstance(self.parse, FormedParser) else Entry()

    @property
    def default_text(self) -> str:
        """The default in words."""
        if self.required:
            return "must be given"
        if self.default_words:
            return self.default_words
        return "empty" if self.default is None else str(self.default)


@dataclass(frozen=True)
class Headings:
    """Which raw heading feeds which column, and what was wrong with the headings."""

    columns: Mapping[str, str]
    """Raw heading → column name."""
    faults: tuple[MeshplanError, ...]
    warnings: tuple[str, ...]


@lru_cache(maxsize=4096)
def fold(heading: str) -> str:
    """Return a heading without case, spaces and punctuation at its ends, for comparison."""
    return re.sub(r"[\s\-./()\[\]]+", "_", heading.strip().casefold()).strip("_")


def heading_names(columns: Sequence[Column]) -> tuple[dict[str, str], dict[str, str]]:
    """Return folded headings with the columns they mean: by the columns' own names, and by those and all others they go by."""
    exact = {fold(column.name): column.name for column in columns}
    return exact, {fold(name): column.name for column in columns for name in (*column.aliases, *column.former)} | exact


def match_headings(
    raw_headings: Sequence[str], columns: Sequence[Column], where: str, *, ignored: Iterable[str] = (), word: str = "column"
) -> Headings:
    """Match the headings of a file with known columns.

    A heading close to a known name is a fault, because a misspelt column would be lost in silence; any other unknown one is only
    told. `ignored` names headings that a format brings along. Tables of readings come from foreign loggers and are matched more
    leniently, in `measurement_table`.
    """
    exact, known = heading_names(columns)
    passed_over = {fold(name) for name in ignored}
    matched: dict[str, str] = {}
    misspelt: set[str] = set()
    faults: list[MeshplanError] = []
    warnings: list[str] = []
    spelt_out = {exact[fold(heading)] for heading in raw_headings if fold(heading) in exact}
    for heading in raw_headings:
        name = known.get(fold(heading))
        if name in spelt_out and fold(heading) not in exact:
            if fold(heading) not in passed_over:
                warnings.append(f"{where}: {word} '{heading}' is not read, because '{name}' is there.")
        elif name is not None and (bare := _with_unit_beside(heading, raw_headings, known)):
            warnings.append(f"{where}: {word} '{heading}' is not read, because '{bare}' is there.")
        elif name is not None and name in matched.values():
            first = next(raw for raw, column in matched.items() if column == name)
            both = f"'{heading}' stands twice" if first == heading else f"'{first}' and '{heading}' both mean '{name}'"
            faults.append(InputError(f"{word} {both}", where=where, fix=f"Keep one {word} '{name}'."))
        elif name is not None:
            matched[heading] = name
        elif not heading.strip() or fold(heading) in passed_over:
            continue
        else:
            hint = nearest_name(fold(heading), known)
            if hint:
                misspelt.update(name for word_known, name in known.items() if f"'{word_known}'" in hint)
                faults.append(
                    InputError(
                        f"{word} '{heading}' is not known.{hint}",
                        where=where,
                        fix=f"Rename the {word}, or remove it.",
                    )
                )
            else:
                warnings.append(f"{where}: {word} '{heading}' is not known and is not read.")
    former = {fold(name) for column in columns for name in column.former}
    warnings.extend(
        f"{where}: {word} '{raw}' is called '{name}' now; it is read." for raw, name in matched.items() if fold(raw) in former
    )
    for column in columns:
        if column.required and column.name not in matched.values() and column.name not in misspelt:
            faults.append(
                InputError(
                    f"{word} '{column.name}' is missing",
                    where=where,
                    fix=f"Add the {word} '{column.name}': {column.meaning}",
                )
            )
    return Headings(matched, tuple(faults), tuple(warnings))


def _with_unit_beside(heading: str, headings: Sequence[str], known: Mapping[str, str]) -> str:
    """Return the heading that says the same with its unit, such as height_m beside height; empty if there is none."""
    name = known[fold(heading)]
    for other in headings:
        unit = fold(other).removeprefix(f"{fold(heading)}_")
        if unit in _UNITS and fold(other) != fold(heading) and known.get(fold(other)) == name:
            return other
    return ""


def is_empty(value: object) -> bool:
    """Whether a cell says nothing."""
    if value is None:
        return True
    if isinstance(value, str):
        return not value.strip()
    if isinstance(value, float | np.floating):
        return bool(np.isnan(value))
    return type(value).__name__ in ("NAType", "NaTType")


def read_values(
    raw: Mapping[str, Any], columns: Sequence[Column], where: str, faults: list[MeshplanError], *, word: str = "column"
) -> dict[str, Any]:
    """Return the parsed value of every column of one row; absent ones are left out.

    Faults are added to `faults`; a column at fault is left out as well.
    """
    values: dict[str, Any] = {}
    for column in columns:
        if column.name not in raw:  # a heading that is missing was told once already
            continue
        value = raw[column.name]
        if is_empty(value):
            if column.required:
                place = f"{where}, {word} '{column.name}'"
                faults.append(InputError("is empty", where=place, fix=f"Give it: {column.meaning}"))
            continue
        try:
            values[column.name] = column.parse(value.strip() if isinstance(value, str) else value)
        except UnfitValueError as unfit:
            place = f"{where}, {word} '{column.name}'"
            faults.append(InputError(unfit.problem, where=place, fix=unfit.fix))
    return values


def describe_columns(title: str, columns: Sequence[Column]) -> str:
    """Return the manual of a table as plain text."""
    lines = [title, "=" * len(title), ""]
    for column in columns:
        head = column.name + (f" [{column.unit}]" if column.unit else "")
        lines.append(f"{head} — {'required' if column.required else 'default: ' + column.default_text}")
        lines.extend(textwrap.wrap(column.meaning, 100, initial_indent="    ", subsequent_indent="    "))
        if column.allowed:
            lines.append(f"    Allowed: {column.allowed}")
        if column.aliases:
            lines.append(f"    Also read as: {', '.join(column.aliases)}")
    return "\n".join(lines) + "\n"


def plain(value: float) -> str:
    """Return a number as a person would write it."""
    if not math.isfinite(value) or abs(value) >= 1e15:
        return f"{value:g}"
    return f"{value:.6f}".rstrip("0").rstrip(".")


def as_number(value: object, *, unit: str = "") -> float:
    """Return a finite number, or say why the text is none and what to write."""
    if isinstance(value, bool | np.bool_):
        raise UnfitValueError(f"'{value}' is not a number", "Write a number.")
    if isinstance(value, int | float | np.integer | np.floating):
        try:
            amount = float(value)
        except OverflowError as error:  # whole numbers have no upper end
            raise UnfitValueError("a number of more than 300 digits is too large", "Write a finite number.") from error
        if not math.isfinite(amount):
            raise UnfitValueError(f"'{value}' is not a number", "Write a finite number.")
        return amount
    text = str(value).replace("−", "-").replace("\u00a0", " ").strip()
    if _PLAIN_NUMBER.fullmatch(text):
        number = float(text)
        if math.isfinite(number):
            return number
        raise UnfitValueError(f"'{text}' is too large", "Write a finite number.")
    if _COMMA_NUMBER.fullmatch(text):
        raise UnfitValueError(f"'{text}' is not a number", f"Write {text.replace(',', '.')} with a decimal point.")
    if _GROUPED_NUMBER.fullmatch(text):
        mended = text.replace(".", "").replace(" ", "").replace(",", ".")
        raise UnfitValueError(f"'{text}' is not a number", f"Write {mended} with a decimal point and no other mark.")
    raise _number_with_words(text, unit)


def _number_with_words(text: str, unit: str) -> UnfitValueError:
    measured = _NUMBER_AND_UNIT.fullmatch(text)
    if measured and unit == "m":
        amount = float(measured[1].replace(",", "."))
        word = measured[2].casefold()
        if word in _METRE_WORDS:
            return UnfitValueError(f"'{text}' is not a number", f"Write {plain(amount)} without the unit.")
        if word in _METRES_PER_UNIT:
            metres = plain(round(amount * _METRES_PER_UNIT[word], 2))
            return UnfitValueError(f"'{text}' is not in metres", f"Write {metres}, the same length in metres.")
    if measured and measured[2].casefold() == unit.casefold():
        return UnfitValueError(f"'{text}' is not a number", f"Write {measured[1].replace(',', '.')} without the unit.")
    return UnfitValueError(f"'{text}' is not a number", f"Write a number{f' in {unit}' if unit else ''}.")


def number(
    low: float, high: float, *, unit: str = "", above_low: bool = False, hint: Callable[[float], str] | None = None
) -> Parser:
    """Return a parser of numbers within [low, high], or (low, high] with `above_low`."""

    def parse(value: object) -> float:
        amount = as_number(value, unit=unit)
        if amount < low or amount > high or (above_low and amount == low):
            in_unit = f" {unit}" if unit else ""
            span = f"more than {plain(low)} and at most {plain(high)}" if above_low else f"{plain(low)} to {plain(high)}"
            side = "too large" if amount > high else "too small"
            more = f" {hint(amount)}" if hint is not None else ""
            raise UnfitValueError(f"{plain(amount)}{in_unit} is {side}", f"Allowed: {span}{in_unit}.{more}")
        return amount

    return FormedParser(parse, Entry("number", low, high, above_low))


def whole_number(low: int, high: int) -> Parser:
    """Return a parser of whole numbers within [low, high]."""
    within = number(low, high)

    def parse(value: object) -> int:
        amount = within(value)
        if amount != int(amount):
            raise UnfitValueError(f"{plain(amount)} is not a whole number", f"Write {round(amount)}.")
        return int(amount)

    return FormedParser(parse, Entry("whole number", low, high))


def angle(limit: float, *, name: str, other: str) -> Parser:
    """Return a parser of longitudes or latitudes in decimal degrees."""

    def parse(value: object) -> float:
        if isinstance(value, str) and (degrees := _decimal_degrees(value)) is not None:
            raise UnfitValueError(f"'{value}' is not in decimal degrees", f"Write {degrees:.6f}, with a minus for south and west.")
        try:
            degrees = as_number(value, unit="degrees")
        except UnfitValueError as unfit:
            if isinstance(value, str) and re.fullmatch(r"[+-]?\d+([.,]\d+)?\s*[NSEWnsew]", value):
                sign = "-" if value[-1] in "SWsw" and value[0] != "-" else ""
                mended = sign + value[:-1].strip().replace(",", ".")
                raise UnfitValueError(unfit.problem, f"Write {mended}, with a minus for south and west.") from unfit
            raise
        if abs(degrees) > limit:
            raise UnfitValueError(
                f"{plain(degrees)} is no {name}",
                f"A {name} lies within ±{plain(limit)} degrees; look whether {name} and {other} are swapped, "
                "or whether these are metres of a projection.",
            )
        return degrees

    return FormedParser(parse, Entry("number", -limit, limit))


def _decimal_degrees(text: str) -> float | None:
    found = _SEXAGESIMAL.fullmatch(text.strip())
    if not found:
        return None
    degrees, minutes, seconds = (float((part or "0").replace(",", ".")) for part in found.group(2, 3, 4))
    size = abs(degrees) + minutes / 60 + seconds / 3600
    letter = (found[1] or found[5]).upper()
    negative = found[2].startswith("-") or letter in ("S", "W")
    return -size if negative else size


def one_of(names: Sequence[str], aliases: Mapping[str, str] | None = None) -> Parser:
    """Return a parser of words from a list, whatever their case; spaces and hyphens count as underscores."""
    table = {fold(name): name for name in names} | {fold(word): name for word, name in (aliases or {}).items()}

    def parse(value: object) -> str:
        name = table.get(fold(str(value)))
        if name is None:
            raise UnfitValueError(
                f"'{value}' is not known.{nearest_name(fold(str(value)), table)}", f"Write one of: {', '.join(names)}."
            )
        return name

    return FormedParser(parse, Entry("one of", choices=tuple(names)))


def _yes_or_no(value: object) -> bool:
    """Parse yes/no, true/false, 1/0."""
    if isinstance(value, bool | np.bool_):
        return bool(value)
    word = str(value).strip().casefold()
    if word in ("yes", "y", "true", "1", "1.0", "x"):
        return True
    if word in ("no", "n", "false", "0", "0.0"):
        return False
    raise UnfitValueError(f"'{value}' is neither yes nor no", "Write yes or no.")


yes_or_no: Final = FormedParser(_yes_or_no, Entry("yes or no"))
"""A parser of yes/no, true/false, 1/0."""


def duration(low_s: float, high_s: float) -> Parser:
    """Return a parser of times in seconds; "15 min" and "2 h" are understood."""
    within = number(low_s, high_s, unit="s")

    def parse(value: object) -> float:
        if isinstance(value, str):
            found = _NUMBER_AND_UNIT.fullmatch(value.strip())
            if found and "," not in found[1] and found[2].casefold() in _SECONDS_PER_UNIT:
                return float(within(float(found[1]) * _SECONDS_PER_UNIT[found[2].casefold()]))
        return float(within(value))

    return FormedParser(parse, Entry("time", low_s, high_s))


def number_list(low: float, high: float, *, unit: str = "", count: int | None = None) -> Parser:
    """Return a parser of several numbers, as a list or as a text with semicolons or spaces between them."""
    within = number(low, high, unit=unit)

    def parse(value: object) -> tuple[float, ...]:
        if isinstance(value, str):
            text = value.strip().strip("[]()")
            separator = ";" if ";" in text else r"\s*,\s+|\s+" if re.search(r"\s", text) else ","
            parts: list[Any] = [part.strip() for part in re.split(separator, text) if part.strip()]
        elif isinstance(value, list | tuple | np.ndarray):
            parts = list(value)
        else:
            parts = [value]
        if count is not None and len(parts) != count:
            raise UnfitValueError(
                f"{len(parts)} numbers stand there, {count} are needed", "Write them with semicolons between: 0; 0.5; 2."
            )
        return tuple(within(part) for part in parts)

    return FormedParser(parse, Entry("several numbers", low, high))


def text(longest: int) -> Parser:
    """Return a parser of one line of text."""

    def parse(value: object) -> str:
        if isinstance(value, float | np.floating) and float(value).is_integer():
            value = int(value)
        words = " ".join(str(value).split())
        if not words.isprintable():
            raise UnfitValueError("it holds characters that cannot be printed", "Write plain text.")
        if len(words) > longest:
            raise UnfitValueError(f"it has {len(words)} characters", f"Write at most {longest}.")
        return words

    return FormedParser(parse, Entry("text", longest=longest))
