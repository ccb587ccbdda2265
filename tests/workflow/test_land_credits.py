"""Who must be named for the land is named: on the map, in the report, in plan.json; and a stranger's words stay words."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from small_property import lay_small_property

from meshplan.cli import main
from meshplan.inputs.land_record import credits_of, file_hash
from meshplan.inputs.property import read_property
from meshplan.records.land import LandFile, LandRecord
from meshplan.reporting.land_files import write_land
from meshplan.workflow import plan_property

CREDIT = "© invented makers <script>alert(1)</script> of heights"


def with_record(folder: Path, file: str = "land/heights.tif", **changes: object) -> Path:
    """Move the elevation of a property to the folder of fetched files, with a record of where it came from."""
    (folder / "land").mkdir()
    (folder / "ground.tif").rename(folder / file)
    settings = (folder / "property.toml").read_text(encoding="utf-8").replace("ground.tif", file)
    (folder / "property.toml").write_text(settings, encoding="utf-8")
    entry = LandFile(
        file=file, source="invented", title="invented model", gives="elevation", address="https://data.example/a.tif",
        fetched="2026-11-29T12:00:00Z", sha256=file_hash(folder / file), size=1, asked_bytes=1, requests=1,
        licence="invented licence", credit=CREDIT, extent=(-22.0, 48.0, -21.0, 49.0),
    )  # fmt: skip
    other = replace(entry, file="land/unused.tif", credit="© nobody whose file is read")
    write_land(folder, LandRecord((replace(entry, **changes), other)))  # type: ignore[arg-type]
    return folder


def test_credits_reach_map_report_and_plan(tmp_path: Path) -> None:
    folder = with_record(lay_small_property(tmp_path / "property"))
    assert main(["plan", str(folder), "--out", str(tmp_path / "out"), "-q"]) == 0
    plan = json.loads((tmp_path / "out" / "plan.json").read_text(encoding="utf-8"))["plan"]
    assert plan["credits"] == [f"{CREDIT} (invented licence)"]
    assert "land/provenance.json" in [file["name"] for file in plan["inputs"]]
    report = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "© invented makers &lt;script&gt;alert(1)&lt;/script&gt; of heights (invented licence)" in report
    page = (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
    assert "© invented makers \\u003cscript\\u003e" in page
    for text in (report, page):
        assert "<script>alert(1)" not in text
        assert "nobody whose file is read" not in text


def test_a_plan_does_not_depend_on_when_the_land_was_fetched(tmp_path: Path) -> None:
    """The day stands in the record, which is hashed as any input; nothing else of the plan knows it."""
    plans = []
    for day in ("2026-11-29T12:00:00Z", "2027-01-01T00:00:00Z"):
        folder = with_record(lay_small_property(tmp_path / day[:4] / "property"), fetched=day)
        plans.append(replace(plan_property(folder).plan, inputs=()))
    assert plans[0] == plans[1]


def test_without_a_record_nobody_is_named(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "property")
    assert read_property(folder).credits == ()
    assert credits_of(folder, ["ground.tif"]) == ()


def test_a_record_that_cannot_be_read_is_told_by_every_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = with_record(lay_small_property(tmp_path / "property"))
    (folder / "land/provenance.json").write_text("{", encoding="utf-8")
    assert main(["check", str(folder)]) == 2
    assert capsys.readouterr().err.startswith("land/provenance.json: cannot be read")
