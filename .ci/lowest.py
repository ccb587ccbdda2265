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
TOOLS = ("mypy", "ruff")
"""They look at the source, and their newest versions do so already."""
NEWEST_PYTHON = (3, 12)
"""The oldest numpy and numba have no wheels for later ones."""
PART = (
    "tests/house", "tests/inputs", "tests/terrain", "tests/calibration", "tests/operation", "tests/cli",
    "tests/reporting/test_exports.py", "tests/reporting/test_sheets_pdf.py", "tests/reporting/test_sheets.py",
    "tests/links/test_candidate_pairs.py", "tests/hostile/test_found_cases.py", "tests/hostile/test_drivers.py",
    "tests/kernels/test_link_kernels.py", "tests/planning/test_solver_answers.py", "tests/planning/test_certificate.py",
)  # fmt: skip
"""Where libraries differ between versions: readers, fits, writers, the solver, compiled code; a few minutes."""


def lowest() -> list[str]:
    """Return each library that pyproject.toml names, at the lowest version that it allows."""
    project = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    stated = [*project["dependencies"], *(line for lines in project["optional-dependencies"].values() for line in lines)]
    found = {}
    for line in stated:
        match = re.match(r"([\w.-]+)\s*(?:>=|==)\s*([\w.]+)", line)
        if match and match[1] not in TOOLS:
            found[match[1]] = f"{match[1]}=={match[2]}"
    return sorted(found.values())


def python() -> str | None:
    """Return a Python that old wheels exist for."""
    if sys.version_info[:2] <= NEWEST_PYTHON:
        return sys.executable
    return shutil.which("python3.12") or shutil.which("python3.11")


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
        print("lowest versions: not tested, they need Python 3.11 or 3.12 beside this one", flush=True)
        return 0
    words = sys.argv[1:] or [*PART, "-m", "not slow and not browser"]
    command = [str(environment(base)), "-m", "pytest", "-q", "-n", "2", "--dist", "loadfile", "-p", "no:cacheprovider", *words]
    print("+", " ".join(command[1:]), flush=True)
    return subprocess.run(command, check=False, cwd=REPOSITORY).returncode


if __name__ == "__main__":
    sys.exit(main())
