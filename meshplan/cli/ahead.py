"""The fast routines are compiled in the background by the first command, so that nobody waits for them at the first coverage.

`python -m meshplan.cli.ahead` does it at once, for those who install for others.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import subprocess
import sys
import tempfile
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from meshplan.machine_code import kept_in

SWITCH = "MESHPLAN_COMPILE_AHEAD"
"""Environment variable: "no" never starts it, "yes" also where nobody sits before a terminal."""

AFTER = ("check", "plan", "compare", "profile")
"""Commands after which it is started; the others compile what they need, or need nothing."""

GENTLY = "--gently"
"""Leaves the processor to everything else."""

_SETTINGS = """name = "Invented field"
country = "europe"
radio = "fsk-868-50k"
sites = "sites.csv"
cover = "cover.geojson"
elevation = "ground.tif"

[land_cover]
mapped = "all"
"""
_SITES = """name,role,lon_deg,lat_deg,antenna_agl_m,power
tank,sensor,-21.2990,48.0008,1.0,battery
post,relay,-21.2980,48.0010,4.0,panel
house,gateway,-21.2965,48.0012,6.0,mains
"""
_COVER = """{"type": "FeatureCollection", "features": [
{"type": "Feature", "properties": {"name": "copse", "kind": "wood_deciduous", "height_m": 9}, "geometry": {"type": "Polygon",
"coordinates": [[[-21.2986, 48.0006], [-21.2983, 48.0006], [-21.2983, 48.0012], [-21.2986, 48.0012], [-21.2986, 48.0006]]]}},
{"type": "Feature", "properties": {"name": "barn", "kind": "building", "height_m": 5, "wall": "stone_500mm"}, "geometry": {"type":
"Polygon", "coordinates": [[[-21.2974, 48.0008], [-21.2972, 48.0008], [-21.2972, 48.0010], [-21.2974, 48.0010],
[-21.2974, 48.0008]]]}}
]}
"""


def start_if_needed(words: list[str]) -> bool:
    """Compile in a quiet process of low priority if this version has never been compiled here; return whether it was started.

    One process begins for each version: the first to make the mark. Where it is stopped, commands compile what they need.
    """
    asked = os.environ.get(SWITCH, "")
    if asked == "no" or not words or words[0] not in AFTER or not (asked == "yes" or _at_a_terminal()):
        return False
    folder, name = kept_in(), _mark()
    if folder is None or name is None:
        return False
    try:
        (folder / name).touch(exist_ok=False)
        subprocess.Popen(
            [sys.executable, "-P", "-m", "meshplan.cli.ahead", GENTLY],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ, SWITCH: "no"},
            start_new_session=True,
        )
    except OSError:
        return False
    return True


def _at_a_terminal() -> bool:
    return sys.stderr.isatty()


def _mark() -> str | None:
    """Return the name of the mark of this version: its sources, the compiler and Python; None without a compiler."""
    try:
        compiler = version("numba")
    except PackageNotFoundError:
        return None
    package = Path(__file__).parents[1]
    sources = sorted((package / "loss" / "fast").glob("*.py"))
    state = [(path.name, path.stat().st_mtime_ns) for path in sources]
    return f"meshplan-ahead-{hashlib.sha256(repr((compiler, sys.version, state)).encode()).hexdigest()[:16]}"


def compile_all(words: list[str]) -> int:
    """Plan and cover an invented field, which compiles what a first coverage needs; return the exit code."""
    from meshplan.cli import EXIT_DONE, EXIT_UNSERVED, main

    if GENTLY in words:
        with contextlib.suppress(AttributeError, OSError):
            os.nice(19)
    with tempfile.TemporaryDirectory(prefix="meshplan-") as scratch:
        folder, out = Path(scratch) / "field", Path(scratch) / "out"
        folder.mkdir()
        _write_field(folder)
        for command in (["plan", str(folder)], ["coverage", str(folder)]):
            code = main([*command, "--out", str(out), "-q"])
            if code not in (EXIT_DONE, EXIT_UNSERVED):
                return code
    return EXIT_DONE


def _write_field(folder: Path) -> None:
    import numpy as np
    import rasterio
    from rasterio.transform import from_origin

    (folder / "property.toml").write_text(_SETTINGS, encoding="utf-8")
    (folder / "sites.csv").write_text(_SITES, encoding="utf-8")
    (folder / "cover.geojson").write_text(_COVER, encoding="utf-8")
    rows, columns = np.indices((100, 160))
    heights = (40.0 + 2.0 * np.sin(rows / 17.0) + 3.0 * np.cos(columns / 21.0)).astype(np.float32)
    profile = {"driver": "GTiff", "height": 100, "width": 160, "count": 1, "dtype": "float32", "crs": "EPSG:32627"}
    with rasterio.open(folder / "ground.tif", "w", **profile, transform=from_origin(477_650.0, 5_316_560.0, 2.0, 2.0)) as raster:
        raster.write(heights, 1)


if __name__ == "__main__":
    sys.exit(compile_all(sys.argv[1:]))
