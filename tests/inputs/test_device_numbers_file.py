"""device_numbers.csv: what is read, and what is said of rows that cannot be."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meshplan.errors import MeshplanError
from meshplan.inputs.device_numbers import read_device_numbers, together
from meshplan.records.device_settings import DeviceNumber
from meshplan.reporting.device_files import write_device_numbers


def written(folder: Path, text: str) -> Path:
    path = folder / "device_numbers.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    numbers = (DeviceNumber(1, "Bed, north", "bed_north"), DeviceNumber(4, "=SUM(A1)", "sum_a1"), DeviceNumber(9, "Büd", "bud"))
    path = write_device_numbers(numbers, [1, 9], tmp_path / "device_numbers.csv")
    assert read_device_numbers(path) == numbers
    assert path.read_text(encoding="utf-8").splitlines()[2] == "4,'=SUM(A1),sum_a1,no"


def test_no_file_gives_no_numbers_and_a_file_by_hand_needs_two_columns(tmp_path: Path) -> None:
    assert read_device_numbers(tmp_path / "device_numbers.csv") == ()
    assert read_device_numbers(written(tmp_path, "name;number\nBed;7\n;\n")) == (DeviceNumber(7, "Bed", "device_7"),)


@pytest.mark.parametrize(
    ("text", "where", "problem"),
    [
        ("number,name\n0,Bed\n", "row 2, number", "'0' is no number of a device"),
        ("number,name\n65535,Bed\n", "row 2, number", "no number of a device"),
        ("number,name\n-3,Bed\n", "row 2, number", "no number of a device"),
        ("number,name\n3.5,Bed\n", "row 2, number", "no number of a device"),
        ("number,name\n3,\n", "row 2, name", "is empty"),
        ("number,name\n3,Bed\n3,Trough\n", "row 3, number", "'3' stands in row 2 too"),
        ("number,name\n3,Bed\n4,Bed\n", "row 3, name", "'Bed' stands in row 2 too"),
        ("number,name,identifier\n3,Bed,a\n4,Trough,A\n", "row 3, identifier", "'a' stands in row 2 too"),
        ("number,name,identifier\n3,Bed,a b\n", "row 2, identifier", "no identifier"),
        ("device,who\n3,Bed\n", "device_numbers.csv", "'number' and 'name' are needed"),
    ],
)
def test_rows_that_cannot_be_are_told_with_their_place(tmp_path: Path, text: str, where: str, problem: str) -> None:
    with pytest.raises(MeshplanError) as caught:
        read_device_numbers(written(tmp_path, text))
    assert where in caught.value.where
    assert problem in caught.value.problem
    assert caught.value.fix


def test_the_users_own_numbers_count_before_those_of_the_last_plan() -> None:
    own = (DeviceNumber(5, "Bed", "bed"),)
    before = (DeviceNumber(1, "Bed", "bed"), DeviceNumber(2, "House", "house"), DeviceNumber(5, "Trough", "trough"))
    assert together(own, before) == (DeviceNumber(2, "House", "house"), DeviceNumber(5, "Bed", "bed"))


@given(
    st.one_of(st.binary(max_size=200), st.text(st.sampled_from('number,name;identifier\n\r"0123456789aB\0\ufeff='), max_size=120))
)
def test_whatever_the_file_holds_it_is_read_or_told(content: bytes | str) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "device_numbers.csv"
        path.write_bytes(content if isinstance(content, bytes) else b"number,name,identifier\n" + content.encode("utf-8"))
        try:
            found = read_device_numbers(path)
        except MeshplanError as fault:
            told = str(fault)
            found = ()
        else:
            told = "device_numbers.csv"
    assert "device_numbers.csv" in told
    assert len({each.number for each in found}) == len({each.name for each in found}) == len({each.identifier for each in found})


def test_a_folder_in_its_place_is_told(tmp_path: Path) -> None:
    (tmp_path / "device_numbers.csv").mkdir()
    with pytest.raises(MeshplanError, match=r"device_numbers\.csv"):
        read_device_numbers(tmp_path / "device_numbers.csv")
