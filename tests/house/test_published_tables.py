"""Every published table says on top where its figures come from, what may be done with them and how near we must be."""

from pathlib import Path

import pytest
from published_tables import FOLDER, checked_head, read_nested, read_table

TABLES = sorted(path.name for path in FOLDER.iterdir())


@pytest.mark.parametrize("name", TABLES)
def test_every_table_reads_with_its_head(name: str) -> None:
    if name.endswith(".csv"):
        table = read_table(name)
        assert all(None not in row and None not in row.values() for row in table.rows), (
            "a row is longer or shorter than the heading"
        )
    else:
        assert name.endswith(".toml")
        assert len(read_nested(name)) > 4


def test_every_table_is_read_by_a_test() -> None:
    texts = [path.read_text(encoding="utf-8") for path in FOLDER.parent.rglob("*.py") if path != Path(__file__)]
    assert [name for name in TABLES if not any(f'"{name}"' in text for text in texts)] == []


def test_a_table_without_a_licence_is_refused() -> None:
    head = {"source": "somewhere", "kind": "published table", "tolerance_db": "1"}
    with pytest.raises(ValueError, match="lacks licence on top"):
        checked_head("some.csv", head)
    assert checked_head("some.csv", head | {"licence": "figures only"})
