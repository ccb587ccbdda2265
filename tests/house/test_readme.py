"""The README keeps its word: two commands of one line, commands and files that exist, the extract that CI runs."""

from __future__ import annotations

import re
import shlex
import subprocess
import tomllib
from pathlib import Path

import pytest

from meshplan.cli import COMMANDS, main
from meshplan.inputs.radios import read_regions

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def test_the_first_two_blocks_are_commands_of_one_line() -> None:
    for language, body in BLOCKS[:2]:
        assert language == "sh"
        assert body.count("\n") == 1
        assert body.strip()
        assert shlex.split(body)


def test_the_first_command_installs_and_plans_a_demo() -> None:
    steps = [shlex.split(step) for step in BLOCKS[0][1].split("&&")]
    assert steps[0] == ["python3", "-m", "venv", ".venv"]
    assert steps[1][:2] == [".venv/bin/pip", "install"]
    assert steps[2][:2] == [".venv/bin/meshplan", "plan"]
    folder = ROOT / steps[2][2]
    assert (folder / "property.toml").is_file()
    assert "invented" in (folder / "README.md").read_text(encoding="utf-8")


def test_the_second_command_installs_the_test_tools_and_runs_the_checks() -> None:
    steps = [shlex.split(step) for step in BLOCKS[1][1].split("&&")]
    assert any(word.endswith(".[test]") for word in steps[1])
    assert steps[-1][0] == ".venv/bin/python"
    assert (ROOT / steps[-1][1]).is_file()


def test_ci_runs_the_second_block() -> None:
    """The very line of .ci/run that cuts the command out, run on the README."""
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    cut = re.search(r'^command="\$\((awk .*)\)"$', script, re.MULTILINE)
    assert cut, ".ci/run no longer cuts its command out of the README with awk"
    done = subprocess.run(["bash", "-c", cut.group(1)], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout == BLOCKS[1][1]
    assert re.search(r'^bash -c "\$\{command\}"$', script, re.MULTILINE)
    assert "export CI=true" in script
    assert "set -euo pipefail" in script
    assert all(package in script for package in ("chromium", "gdal-bin"))


def test_the_table_names_every_command_and_no_other(capsys: pytest.CaptureFixture[str]) -> None:
    named = re.findall(r"^\| `meshplan (\w+)", README, re.MULTILINE)
    assert sorted(named) == sorted(COMMANDS)
    for name in named:
        assert main([name, "--help"]) == 0
        assert f"Usage: meshplan {name}" in capsys.readouterr().out


def test_every_option_in_the_text_exists(capsys: pytest.CaptureFixture[str]) -> None:
    """`meshplan check --keys FOLDER` and the like: each option is one of its command."""
    uses = re.findall(r"meshplan (\w+)([^`\n]*)`", README)
    assert uses
    for name, rest in uses:
        assert main([name, "--help"]) == 0
        shown = capsys.readouterr().out
        for option in re.findall(r"(?<!\S)--[a-z-]+", rest):
            assert re.search(rf"{option}\b", shown), f"meshplan {name} has no {option}"


def test_pictures_and_files_are_there_and_small() -> None:
    for place in re.findall(r"\]\(([^)#:]+)\)", README):
        assert (ROOT / place).is_file(), f"README links {place}"
    examples = list((ROOT / "outputs" / "examples").glob("*"))
    pages = [path for path in examples if path.suffix == ".html"]
    assert pages
    assert all(path.stat().st_size < 2_000_000 for path in pages)


def test_the_example_property_of_the_readme_is_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The five lines and the table that newcomers copy, on a raster made for them."""
    import numpy as np
    from pyproj import Transformer
    from small_property import CRS, write_raster

    toml = next(body for language, body in BLOCKS if language == "toml")
    sites = next(body for language, body in BLOCKS if language == "text" and body.startswith("name,role,"))
    assert len(toml.strip().splitlines()) == 5
    (tmp_path / "property.toml").write_text(toml, encoding="utf-8")
    (tmp_path / "sites.csv").write_text(sites, encoding="utf-8")
    settings = tomllib.loads(toml)
    from rasterio.transform import from_origin

    x_m, y_m = Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(-21.1922, 48.0150)
    heights = np.full((150, 150), 90.0, dtype=np.float32)
    write_raster(tmp_path / settings["elevation"], heights, transform=from_origin(x_m - 1000, y_m + 1000, 15.0, 15.0))
    assert main(["check", str(tmp_path)]) == 0
    assert "fit to plan" in capsys.readouterr().out


def test_the_licence_is_named_and_lies_in_the_package() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["license"] == "MIT"
    text = (ROOT / "meshplan" / "LICENSE").read_text(encoding="utf-8")
    assert text.startswith("MIT License")
    assert not (ROOT / "LICENSE").exists()


@pytest.mark.parametrize("place", sorted(path.parent.name for path in (ROOT / "sample_sites").glob("*/property.toml")))
def test_every_demo_says_that_it_is_invented(place: str) -> None:
    assert "invented" in (ROOT / "sample_sites" / place / "README.md").read_text(encoding="utf-8")


def test_outputs_are_ignored_but_for_readme_and_examples() -> None:
    done = subprocess.run(["git", "ls-files", "outputs"], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip("not a git checkout")
    kept = done.stdout.split()
    assert "outputs/README.md" in kept
    assert all(name == "outputs/README.md" or name.startswith("outputs/examples/") for name in kept)
    ignored = subprocess.run(["git", "check-ignore", "outputs/my_farm/map.html"], cwd=ROOT, capture_output=True, check=False)
    assert ignored.returncode == 0


def test_the_number_of_rules_from_memory_is_true() -> None:
    rows = [row for region in read_regions().values() for row in region.sub_bands]
    from_memory = sum(row.needs_check for row in rows)
    assert f"of the {len(rows)} rows {from_memory} rest on memory" in README


def test_the_modulation_is_named_by_its_recommendation_and_no_trade_mark() -> None:
    line = next(line for line in README.splitlines() if line.startswith("Radios are named by class."))
    assert line == "Radios are named by class. Chirp spread spectrum is the modulation of ITU-T Y.4480."
