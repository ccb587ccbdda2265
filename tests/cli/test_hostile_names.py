"""Names from the user's files are shown as text, whatever they look like. The browser tests look at the page itself."""

from __future__ import annotations

import csv
import json
from html.parser import HTMLParser
from pathlib import Path

import pytest
from small_property import lay_small_property, usual_sites

from meshplan.cli import main

HOSTILE = {
    "Bed": "{{7*7}}",
    "Trough": "</script><script>alert(1)</script>",
    "House": "<img src=x onerror=alert(2)> & \"quoted\" 'single'",
    "North post": "{% x",
    "South post": '=HYPERLINK("bad")',
}
PAGES = ("map.html", "report.html", "sheets.html")


class Reader(HTMLParser):
    """Collects tags, attributes and text of a page."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.text: list[str] = []
        self._inside: str = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._inside = tag if tag in {"script", "style"} else ""
        if tag == "script":
            self.scripts.append("")

    def handle_endtag(self, tag: str) -> None:
        self._inside = "" if tag in {"script", "style"} else self._inside

    def handle_data(self, data: str) -> None:
        if self._inside == "script":
            self.scripts[-1] += data
        elif not self._inside:
            self.text.append(data)


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    sites = [row | {"name": HOSTILE[row["name"]], "note": f"note of {HOSTILE[row['name']]}"} for row in usual_sites()]
    lay_small_property(folder / "property", sites=sites, settings="")
    toml = folder / "property" / "property.toml"
    toml.write_text(toml.read_text().replace('"Smallholt"', "'</title><script>alert(3)</script> {{8*8}}'"))
    assert main(["plan", str(folder / "property"), "--out", str(folder / "out"), "-q"]) == 0
    assert main(["sheets", str(folder / "property"), "--out", str(folder / "out")]) == 0
    return folder / "out"


@pytest.mark.parametrize("page", PAGES)
def test_no_name_becomes_a_tag_or_a_script(out: Path, page: str) -> None:
    reader = Reader()
    reader.feed((out / page).read_text(encoding="utf-8"))
    assert not [attributes for tag, attributes in reader.tags if "onerror" in attributes]
    assert not [attributes for tag, attributes in reader.tags if attributes.get("src") == "x"]
    assert not [script for script in reader.scripts if script.strip().startswith("alert(")]
    assert sum(tag == "title" for tag, _ in reader.tags) <= 1 + sum(tag == "svg" for tag, _ in reader.tags) * 1000


@pytest.mark.parametrize("page", PAGES)
def test_no_template_is_evaluated(out: Path, page: str) -> None:
    reader = Reader()
    source = (out / page).read_text(encoding="utf-8")
    reader.feed(source)
    seen = " ".join(reader.text) + " ".join(reader.scripts)
    assert "7*7" in seen
    assert "note of 49" not in source


@pytest.mark.parametrize("page", ["report.html", "sheets.html"])
def test_the_names_stand_on_paper_as_written(out: Path, page: str) -> None:
    reader = Reader()
    reader.feed((out / page).read_text(encoding="utf-8"))
    text = " ".join(reader.text)
    for name in ("{{7*7}}", "</script><script>alert(1)</script>", "<img src=x onerror=alert(2)>"):
        assert name in text


def test_the_names_survive_in_the_data_files(out: Path) -> None:
    plan = json.loads((out / "plan.json").read_text(encoding="utf-8"))["plan"]
    assert set(HOSTILE.values()) == {device["name"] for device in plan["devices"]}


def test_no_cell_of_a_table_starts_a_formula(out: Path) -> None:
    cells = 0
    for path in sorted(out.rglob("*.csv")):
        with path.open(encoding="utf-8", newline="") as stream:
            for row in csv.reader(stream):
                for cell in row:
                    cells += 1
                    if cell[:1] in "=+@" and cell[:1]:
                        pytest.fail(f"{path.name}: {cell!r}")
                    if cell.startswith("-"):
                        float(cell)
    assert cells > 100
