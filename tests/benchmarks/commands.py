"""CPU of whole commands: `python tests/benchmarks/commands.py [COMMAND …]`.

Prints, for each command on the valley farm, the CPU (user and system, all threads) of a second run in a process of its own over
the CPU of importing numpy, rasterio, geopandas and shapely in a bare process. Both are the least of some runs, taken in turns, so
that a busy machine touches them alike; the first run of a command, which may compile, is left out. Modules are kept as bytecode in
a folder of the measurement's own, as an installed Python keeps them, whatever the environment says. Nothing is asserted.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

VALLEY = Path(__file__).resolve().parents[2] / "sample_sites" / "mirrowick_bottom"
ENDS = ("B18 pump kiosk", "Ridge post")
IMPORTS = "import numpy, rasterio, geopandas, shapely"
RUNS = 3

GOALS = {"check": 1.6, "profile": 2.0, "plan": 3.5, "coverage": 4.5, "sheets": 2.0, "compare": 8.0}
"""What each command should cost at most; "common practice, no source": set by the authors."""


def cpu_s(code: str, bytecode: Path) -> float:
    """Return the CPU that a fresh Python takes for some code, modules kept as bytecode in a folder."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(bytecode)
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, code)
    return used.ru_utime + used.ru_stime


def command(*words: str) -> str:
    """Return code that runs the command line."""
    return f"from meshplan.cli import main; main({list(words)!r}) in (0, 1) or exit(2)"


def commands(folder: Path) -> dict[str, str]:
    """Return the code of each command; `sheets` and `compare` work on what `plan` left in a folder."""
    valley, planned = str(VALLEY), str(folder / "planned")
    return {
        "plan": command("plan", valley, "--out", planned, "-q"),
        "check": command("check", valley),
        "profile": command("profile", valley, *ENDS, "--out", str(folder / "profile")),
        "coverage": command("coverage", valley, "--out", planned, "-q"),
        "sheets": command("sheets", valley, "--out", planned),
        "compare": command("compare", valley, "-q", "--out", str(folder / "compared")),
    }


def measure(names: list[str]) -> None:
    """Print the ratios."""
    with tempfile.TemporaryDirectory() as folder:
        known = commands(Path(folder))
        wanted = names or list(known)
        first = dict.fromkeys([*(["plan"] if {"sheets", "coverage"} & set(wanted) else []), *wanted])
        bytecode = Path(folder) / "bytecode"
        for code in (IMPORTS, *(known[name] for name in first)):
            cpu_s(code, bytecode)
        for name in wanted:
            bare, taken = [], []
            for _ in range(RUNS):
                bare.append(cpu_s(IMPORTS, bytecode))
                taken.append(cpu_s(known[name], bytecode))
            ratio = min(taken) / min(bare)
            print(f"{name:9}{ratio:6.2f} × the imports (goal {GOALS[name]:.1f}); here {min(taken):.2f} s over {min(bare):.2f} s")


if __name__ == "__main__":
    measure(sys.argv[1:])
