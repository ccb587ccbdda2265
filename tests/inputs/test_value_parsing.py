"""Values as people type them: whatever stands in a cell is read rightly or refused in plain words."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meshplan.errors import InputError
from meshplan.inputs.columns import (
    Column,
    UnfitValueError,
    angle,
    as_number,
    duration,
    match_headings,
    number_list,
    one_of,
    plain,
    text,
    whole_number,
    yes_or_no,
)
from meshplan.inputs.site_columns import SITE_COLUMNS
from meshplan.inputs.site_files import read_site_file
from meshplan.inputs.sites import sites_from_tables

finite = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12)


@given(finite)
def test_any_number_that_python_writes_is_read_back(value: float) -> None:
    assert as_number(repr(value)) == value
    assert as_number(f"  {value!r}\u00a0") == value
    assert as_number(repr(value).replace("-", "−", 1)) == value or "e-" in repr(value)


@given(whole=st.integers(-9999, 9999), decimals=st.from_regex(r"\d{1,6}", fullmatch=True))
def test_a_decimal_comma_is_refused_with_the_right_number(whole: int, decimals: str) -> None:
    with pytest.raises(UnfitValueError) as caught:
        as_number(f"{whole},{decimals}")
    assert caught.value.fix == f"Write {whole}.{decimals} with a decimal point."


def refusal(parse: Callable[[Any], Any], value: Any) -> UnfitValueError | None:
    try:
        parse(value)
    except UnfitValueError as unfit:
        return unfit
    return None


@given(st.text(max_size=20))
def test_any_text_is_a_number_or_refused_with_a_remedy(word: str) -> None:
    longitude = angle(180, name="longitude", other="latitude")
    for parse in (as_number, longitude, duration(1, 100), number_list(0, 1), whole_number(1, 9)):
        refused = refusal(parse, word)
        if refused is not None:
            assert refused.problem
            assert refused.fix.endswith(".")


@given(feet=st.floats(0.1, 300))
def test_feet_are_refused_with_the_same_length_in_metres(feet: float) -> None:
    with pytest.raises(UnfitValueError) as caught:
        as_number(f"{feet:.2f} ft", unit="m")
    written = float(caught.value.fix.split()[1].rstrip(","))
    assert written == pytest.approx(round(feet, 2) * 0.3048, abs=0.006)


@given(degrees=st.integers(0, 179), minutes=st.integers(0, 59), seconds=st.integers(0, 59), letter=st.sampled_from("NSEW"))
def test_degrees_minutes_seconds_are_refused_with_the_decimal_value(degrees: int, minutes: int, seconds: int, letter: str) -> None:
    with pytest.raises(UnfitValueError) as caught:
        angle(180, name="longitude", other="latitude")(f"{degrees}°{minutes}'{seconds}\"{letter}")
    sign = -1 if letter in "SW" else 1
    written = float(caught.value.fix.split()[1].rstrip(","))
    assert written == pytest.approx(sign * (degrees + minutes / 60 + seconds / 3600), abs=1e-6)


@pytest.mark.parametrize(
    ("parse", "value", "result"),
    [
        (duration(1, 1e6), "15 min", 900.0),
        (duration(1, 1e6), "2h", 7200.0),
        (duration(1, 1e6), "90", 90.0),
        (duration(1, 1e6), 90, 90.0),
        (number_list(0, 100), "4; 6; 8", (4.0, 6.0, 8.0)),
        (number_list(0, 100), "4,6,8", (4.0, 6.0, 8.0)),
        (number_list(0, 100), "[4, 6, 8]", (4.0, 6.0, 8.0)),
        (number_list(0, 100), 4, (4.0,)),
        (whole_number(1, 255), "12.0", 12),
        (yes_or_no, "Yes", True),
        (yes_or_no, 0.0, False),
        (one_of(["wood_deciduous"]), "Wood Deciduous", "wood_deciduous"),
        (text(20), 7.0, "7"),
        (text(20), "  two   words ", "two words"),
    ],
)
def test_values_are_understood(parse: Callable[[Any], Any], value: Any, result: Any) -> None:
    assert parse(value) == result


@pytest.mark.parametrize(
    ("parse", "value", "problem", "fix"),
    [
        (duration(1, 1e6), "15 parsecs", "'15 parsecs' is not a number", "Write a number in s."),
        (whole_number(1, 255), "2.5", "2.5 is not a whole number", "Write 2."),
        (whole_number(1, 255), "300", "300 is too large", "Allowed: 1 to 255."),
        (yes_or_no, "maybe", "'maybe' is neither yes nor no", "Write yes or no."),
        (one_of(["mains", "panel"]), "pannel", "'pannel' is not known. Did you mean 'panel'?", "Write one of: mains, panel."),
        (text(5), "too long", "it has 8 characters", "Write at most 5."),
        (text(50), "turn\u202eround", "it holds characters that cannot be printed", "Write plain text."),
        (as_number, True, "'True' is not a number", "Write a number."),
        (as_number, "1.234,5", "'1.234,5' is not a number", "Write 1234.5 with a decimal point and no other mark."),
        (as_number, "1e999", "'1e999' is too large", "Write a finite number."),
    ],
)
def test_values_are_refused_in_plain_words(parse: Callable[[Any], Any], value: Any, problem: str, fix: str) -> None:
    with pytest.raises(UnfitValueError) as caught:
        parse(value)
    assert (caught.value.problem, caught.value.fix) == (problem, fix)


def test_numbers_are_written_as_a_person_would() -> None:
    assert [plain(value) for value in (1.0, 0.5, 48.768, 1e-9, 1200.0)] == ["1", "0.5", "48.768", "0", "1200"]


def test_no_two_columns_share_a_name() -> None:
    names = [name for column in SITE_COLUMNS for name in (column.name, *column.aliases)]
    assert len(names) == len(set(names))


@given(st.lists(st.text(max_size=12), max_size=6))
def test_any_headings_are_matched_or_told(headings: list[str]) -> None:
    columns = (Column("name", "Name.", text(9), required=True), Column("height_m", "Height.", as_number))
    found = match_headings(headings, columns, "t.csv, row 1")
    assert set(found.columns) <= set(headings)
    assert len(set(found.columns.values())) == len(found.columns)
    assert all(isinstance(fault, InputError) and fault.fix for fault in found.faults)


names = st.text(st.characters(categories=["L", "N", "P", "S", "Zs"]), min_size=1, max_size=12).filter(
    lambda name: bool(name.strip()) and not name.startswith("#") and name.isprintable()
)
rows = st.lists(
    st.tuples(names, st.floats(-179, 179), st.floats(-89, 89), st.floats(0.01, 100)),
    min_size=1,
    max_size=6,
    unique_by=lambda row: " ".join(row[0].split()).casefold(),
)


@given(rows=rows, delimiter=st.sampled_from(",;\t"), end=st.sampled_from(["\n", "\r\n"]), mark=st.booleans())
@settings(max_examples=80, deadline=None)
def test_a_table_written_by_any_program_comes_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[str, float, float, float]],
    delimiter: str,
    end: str,
    mark: bool,
) -> None:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator=end)
    writer.writerow(["name", "role", "lon_deg", "lat_deg", "antenna_agl_m"])
    writer.writerows([name, "sensor", lon, lat, height] for name, lon, lat, height in rows)
    folder = tmp_path_factory.getbasetemp() / "tables"
    folder.mkdir(exist_ok=True)
    path: Path = folder / "sites.csv"
    path.write_bytes(out.getvalue().encode("utf-8-sig" if mark else "utf-8"))
    result = sites_from_tables([read_site_file(path, "sites.csv", None)], None)
    assert [str(fault) for fault in result.faults] == []
    assert [(site.name, site.lon_deg, site.lat_deg, site.antenna_agl_m) for site in result.sites] == [
        (" ".join(name.split()), lon, lat, height) for name, lon, lat, height in rows
    ]


@given(st.binary(max_size=300))
@settings(max_examples=150, deadline=None)
def test_any_bytes_are_read_or_told_and_never_a_traceback(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    folder = tmp_path_factory.getbasetemp() / "bytes"
    folder.mkdir(exist_ok=True)
    path = folder / "sites.csv"
    path.write_bytes(content)
    result = sites_from_tables([read_site_file(path, "sites.csv", None)], None)
    assert result.faults or result.sites
    assert all(math.isfinite(site.lon_deg) for site in result.sites)
