"""Paths computed in parts are, to the bit, those computed together; kept parts are whole, or not there."""

from __future__ import annotations

from dataclasses import fields
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_property import lay_small_property

from meshplan.cluster.part_files import read_part, write_part
from meshplan.cluster.path_tasks import rows_of_tasks
from meshplan.links.link_table import LinkTable, PathFigures, compute_links, compute_paths, join_paths, table_of_paths
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.records.short_form import ShortForm
from meshplan.workflow.plan import pairs_of
from meshplan.workflow.prepare import Prepared, prepare_property

DEMO = Path(__file__).resolve().parents[2] / "sample_sites" / "pellimoor_orchard"


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    return prepare_property(DEMO)


@pytest.fixture(scope="module")
def whole(prepared: Prepared) -> LinkTable:
    errors = draw_error_fields(prepared.landscape)
    pairs = pairs_of(prepared, prune=True)
    return compute_links(prepared.stations, pairs, prepared.landscape, prepared.seasons, prepared.path, error_fields=errors)


def same(one: object, other: object) -> bool:
    """Whether two values hold the same bits, however they are nested."""
    if isinstance(one, np.ndarray):
        return (
            isinstance(other, np.ndarray)
            and one.dtype == other.dtype
            and np.array_equal(one, other, equal_nan=one.dtype.kind == "f")
        )
    if isinstance(one, dict):
        return isinstance(other, dict) and one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    if isinstance(one, PathFigures | LinkTable) or (hasattr(one, "__dataclass_fields__") and not isinstance(one, ShortForm)):
        return all(same(getattr(one, item.name), getattr(other, item.name)) for item in fields(one))  # type: ignore[arg-type]
    return bool(one == other)


@settings(max_examples=5, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(data=st.data())
def test_any_cut_gives_the_same_bits(
    data: st.DataObject, prepared: Prepared, whole: LinkTable, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("parts")
    pairs, errors = pairs_of(prepared, prune=True), draw_error_fields(prepared.landscape)
    cuts = sorted(data.draw(st.sets(st.integers(1, len(pairs) - 1), max_size=4)))
    parts = []
    for number, (first, last) in enumerate(zip([0, *cuts], [*cuts, len(pairs)], strict=True)):
        land = prepared.landscape
        paths = compute_paths(
            prepared.stations, pairs[first:last], land, prepared.seasons, prepared.path, error_fields=errors, cores=1
        )
        write_part(paths, folder / f"{number}.npz")
        read = read_part(folder / f"{number}.npz", last - first)
        assert read is not None
        assert same(read, paths)
        parts.append(read)
    joined = table_of_paths(prepared.stations, pairs, prepared.landscape, prepared.seasons, prepared.path, join_paths(parts))
    for item in fields(LinkTable):
        assert same(getattr(joined, item.name), getattr(whole, item.name)), item.name


def test_tasks_cover_every_row_once(prepared: Prepared) -> None:
    pairs = pairs_of(prepared, prune=True)
    for most in (1, 40_000, 3_000_000, 10**12):
        rows = list(rows_of_tasks(prepared, pairs, 16, most))
        assert rows[0][0] == 0
        assert rows[-1][1] == len(pairs)
        assert all(last == first for (_, last), (first, _) in pairwise(rows))
        assert all(first < last for first, last in rows)
    assert len(list(rows_of_tasks(prepared, pairs, 16, 1))) == len(pairs)
    assert len(list(rows_of_tasks(prepared, pairs, 16, 10**12))) == 1


def test_a_damaged_part_counts_as_missing(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "property")
    small = prepare_property(folder)
    pairs = pairs_of(small, prune=True)
    target = tmp_path / "part.npz"
    write_part(compute_paths(small.stations, pairs, small.landscape, small.seasons, small.path), target)
    assert read_part(target, len(pairs)) is not None
    assert read_part(target, len(pairs) + 1) is None
    assert read_part(tmp_path / "none.npz", 1) is None
    whole = target.read_bytes()
    rng = np.random.default_rng(4)
    for size in rng.integers(0, len(whole) - 1, 40):
        target.write_bytes(whole[:size])
        assert read_part(target, len(pairs)) is None
    assert list(tmp_path.glob("*.tmp")) == []
