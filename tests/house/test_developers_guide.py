"""DEVELOPERS.md names only what is there: files, folders and the names inside modules."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
WRITTEN = re.findall(r"`([^`\n]+)`", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
OF_USERS = {"calibration.toml", "changes.csv", "picture.toml", "plan.json", "property.toml"}
"""Files of a property, not of the project."""
KEPT = [
    path.relative_to(ROOT)
    for top in ("meshplan", "tests", "sample_sites", ".ci", "outputs")
    for path in (ROOT / top, *(ROOT / top).rglob("*"))
    if "__pycache__" not in path.parts
]


def ends_with(path: Path, words: str) -> bool:
    """Tell whether a path ends with whole steps as written."""
    return f"/{path.as_posix()}".endswith(f"/{words.rstrip('/')}")


def is_there(dotted: str) -> bool:
    """Tell whether a dotted name is a module, or stands in the module before its last dot."""
    *steps, last = dotted.split(".")
    if any(ends_with(path.with_suffix(""), "/".join([*steps, last])) for path in KEPT):
        return True
    homes = [path for path in KEPT if ends_with(path.with_suffix(""), "/".join(steps)) and path.suffix == ".py"]
    homes += [path / "__init__.py" for path in KEPT if ends_with(path, "/".join(steps)) and (ROOT / path / "__init__.py").is_file()]
    return any(re.search(rf"\b{re.escape(last)}\b", (ROOT / path).read_text(encoding="utf-8")) for path in homes)


def test_every_file_and_folder_that_is_named_is_there() -> None:
    files = [words for words in WRITTEN if re.fullmatch(r"[\w./-]+\.(py|js|toml|md|json|csv)|\.?[\w./-]+/", words)]
    assert len(files) >= 40
    assert [words for words in files if words not in OF_USERS and not any(ends_with(path, words) for path in KEPT)] == []


def test_every_name_inside_a_module_is_there() -> None:
    names = [words for words in WRITTEN if re.fullmatch(r"[a-z_]+(\.[A-Za-z_]+)+", words)]
    names = [words for words in names if not re.search(r"\.(py|js|toml|md|json|csv)$", words)]
    assert len(names) >= 20
    assert [words for words in names if not is_there(words)] == []


def test_the_check_can_say_no() -> None:
    assert not is_there("loss.uncertainty.chance_of_nothing")
    assert not any(ends_with(path, "loss/golden/no_vectors.py") for path in KEPT)
