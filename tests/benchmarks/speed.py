"""Print how fast the kernels are, as ratios measured in one run on one machine.

    python tests/benchmarks/speed.py [--quick]

Hilly 5 m ground (rms slope 0.2), 868 MHz, antennas 6 m and 1.5 m, transmitter in the middle. Times are CPU seconds, best of
several; "wall" says so. Yardsticks: plain Python per link (speed_plain), compiled brute force per cell (speed_brute), and GDAL's
general-purpose gdal_viewshed (line of sight only, from Debian's gdal-bin) where it is installed.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "loss" / "fast")]

import rasterio  # noqa: E402
import speed_brute  # noqa: E402
import speed_plain  # noqa: E402
from rasterio.transform import from_origin  # noqa: E402
from ray_reference import owner_ray  # noqa: E402
from speed_terrain import fractal_ground  # noqa: E402

from meshplan.loss.fast import RadioPath, Transmitter, link_losses, sweep_loss_db  # noqa: E402
from meshplan.loss.fast.thread_pool import core_count  # noqa: E402

CELL_M = 5.0
TX_M, RX_M = 6.0, 1.5
BAND = RadioPath(868.0)
PLAIN = speed_plain.PlainRadio(868.0)
PROFILE_SAMPLES = 257


class Table:
    """Rows of the report, printed as they come."""

    def __init__(self) -> None:
        print(f"{'metric':66s} {'goal':>9s} {'stretch':>9s} {'measured':>10s}")

    def row(self, metric: str, goal: float | None, stretch: float | None, value: float, *, larger_is_better: bool = False) -> None:
        """Print one row and whether goal and stretch are met."""

        def met(limit: float | None) -> bool:
            return limit is not None and (value >= limit if larger_is_better else value <= limit)

        verdict = "stretch met" if met(stretch) else "goal met" if met(goal) else "" if goal is None else "NOT met"
        sign = "≥" if larger_is_better else "≤"
        goals = [f"{sign} {limit:g}" if limit is not None else "" for limit in (goal, stretch)]
        print(f"{metric:66s} {goals[0]:>9s} {goals[1]:>9s} {value:10.3g}  {verdict}", flush=True)


def best(work: Callable[[], Any], repeats: int, clock: Callable[[], float] = time.process_time) -> float:
    """Least time of several runs."""
    times = []
    for _ in range(repeats):
        began = clock()
        work()
        times.append(clock() - began)
    return min(times)


def middle(size: int) -> Transmitter:
    """A transmitter on the middle cell."""
    return Transmitter(size // 2, size // 2, TX_M)


def race(runners: dict[str, Callable[[], float]], rounds: int) -> dict[str, float]:
    """Least cost of each runner; they take turns, so that a busy spell of the machine hits all of them alike."""
    least: dict[str, float] = {}
    for _ in range(rounds):
        for name, run in runners.items():
            least[name] = min(least.get(name, float("inf")), run())
    return least


def sweep_cost(ground: Any, cores: int = 1, clock: Callable[[], float] = time.process_time) -> Callable[[], float]:
    """A runner of one whole sweep, compiled before."""
    sweep_loss_db(ground[:9, :9].copy(), CELL_M, middle(9), RX_M, BAND)
    return lambda: best(lambda: sweep_loss_db(ground, CELL_M, middle(len(ground)), RX_M, BAND, cores=cores), 1, clock)


def deviation_db(ground: Any, targets: int) -> float:
    """Largest difference between the sweep and plain formulas on the same samples."""
    transmitter = middle(len(ground))
    loss = sweep_loss_db(ground, CELL_M, transmitter, RX_M, BAND)
    rng = np.random.default_rng(7)
    worst = 0.0
    for row, column in rng.integers(0, len(ground), (targets, 2)):
        if (row, column) != (transmitter.row, transmitter.column):
            ray = owner_ray(ground.shape, transmitter, int(row), int(column), CELL_M)
            x = [i * ray.step_m for i in range(ray.steps + 1)]
            h = ray.sample(ground).tolist()
            wanted = speed_plain.path_loss(x, h, h, TX_M, RX_M, PLAIN).total_db
            worst = max(worst, abs(wanted - float(loss[row, column])))
    return worst


def viewshed_cost(ground: Any, folder: Path, *, wall: bool) -> Callable[[], float]:
    """A runner of gdal_viewshed over the same ground, process start and files included: CPU (user + system) or wall seconds."""
    size = len(ground)
    source, target = folder / f"ground{size}.tif", folder / f"seen{size}.tif"
    profile = {"driver": "GTiff", "width": size, "height": size, "count": 1, "dtype": "float32", "crs": "EPSG:32633"}
    with rasterio.open(source, "w", **profile, transform=from_origin(500_000, 5_500_000, CELL_M, CELL_M)) as raster:
        raster.write(ground, 1)
    x, y = 500_000 + CELL_M * (size // 2 + 0.5), 5_500_000 - CELL_M * (size // 2 + 0.5)
    command = ["gdal_viewshed", "-q", "-ox", str(x), "-oy", str(y), "-oz", str(TX_M), "-tz", str(RX_M), "-md", "0"]

    def run() -> float:
        before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        subprocess.run([*command, str(source), str(target)], check=True, capture_output=True)
        took = time.perf_counter() - began
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return took if wall else after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    return run


def brute_cost(ground: Any, rows: int) -> Callable[[], float]:
    """A runner of brute force over evenly spaced rows; its CPU seconds are scaled up to the raster by the samples in them."""
    size = len(ground)
    wanted = np.linspace(0, size - 1, rows).astype(np.int64)
    out = np.empty((rows, size), dtype=np.float32)
    from_centre = np.abs(np.arange(size) - size // 2)
    samples = np.maximum(from_centre[:, None], from_centre[None, :]).sum(axis=1)
    scale = float(samples.sum()) / float(samples[wanted].sum())

    def run() -> float:
        return scale * best(
            lambda: speed_brute.brute_rows(ground, size // 2, size // 2, CELL_M, TX_M, RX_M, wanted, BAND.terms, out), 1
        )

    speed_brute.brute_rows(ground, size // 2, size // 2, CELL_M, TX_M, RX_M, wanted[:1], BAND.terms, out)
    return run


def plain_links_per_s(ground: Any, ends: Any, repeats: int) -> float:
    """Links a second in plain Python, sampling included."""
    heights = ground.tolist()

    def run() -> None:
        for column_a, row_a, column_b, row_b in ends.tolist():
            profile, x = [], []
            length = CELL_M * float(np.hypot(column_b - column_a, row_b - row_a))
            for i in range(PROFILE_SAMPLES):
                t = i / (PROFILE_SAMPLES - 1)
                c, r = column_a + (column_b - column_a) * t, row_a + (row_b - row_a) * t
                c0, r0 = int(c), int(r)
                u, v = c - c0, r - r0
                top, bottom = heights[r0], heights[r0 + 1]
                profile.append((top[c0] * (1 - u) + top[c0 + 1] * u) * (1 - v) + (bottom[c0] * (1 - u) + bottom[c0 + 1] * u) * v)
                x.append(length * t)
            speed_plain.path_loss(x, profile, profile, TX_M, RX_M, PLAIN)

    return len(ends) / best(run, repeats)


MEMORY_CODE = """
import sys, numpy as np
from meshplan.loss.fast import RadioPath, Transmitter, sweep_loss_db
size = int(sys.argv[1])
ground = np.zeros((size, size), dtype=np.float32)
ground += 1.0
sweep_loss_db(ground, 5.0, Transmitter(size // 2, size // 2, 6.0), 1.5, RadioPath(868.0))
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM:"))  # ru_maxrss is inherited from the parent
print(float(peak.split()[1]) * 1024)
"""


PLAN_CODE = """
import sys, sysconfig
from meshplan.cli import main
names = sys.argv[1]
sys.argv = ["meshplan", "plan", sys.argv[2], "--quiet"]
try:
    main()
except SystemExit as done:
    code = done.code or 0
site = sysconfig.get_path("purelib")
held = {name for name, module in sys.modules.items() if str(getattr(module, "__file__", "")).startswith(site)}
open(names, "w").write(" ".join(sorted(name for name in held if name.isidentifier() and not name.startswith("_"))))
sys.exit(0 if code in (0, 1) else code)
"""


def plan_over_imports(sample: Path, folder: Path, repeats: int) -> float:
    """CPU of `meshplan plan` on a demo over that of importing the libraries it loads."""
    copy = folder / sample.name
    shutil.copytree(sample, copy)
    names = folder / "names.txt"
    # Bytecode is kept, as after any installation, whatever the machine of the developer does.
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    kept["PYTHONPYCACHEPREFIX"] = str(folder / "bytecode")

    def cpu_s(code: str, *arguments: str) -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, "-c", code, *arguments], check=True, capture_output=True, cwd=folder, env=kept)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    cpu_s(PLAN_CODE, str(names), str(copy))
    planned = min(cpu_s(PLAN_CODE, str(names), str(copy)) for _ in range(repeats))
    imports = "; ".join(f"import {name}" for name in names.read_text().split())
    cpu_s(imports)
    return planned / min(cpu_s(imports) for _ in range(repeats))


def extra_memory_share(size: int) -> float:
    """Peak memory of a sweep beyond libraries, raster and result, as a share of the raster."""

    def peak(cells: int) -> float:
        done = subprocess.run([sys.executable, "-c", MEMORY_CODE, str(cells)], check=True, capture_output=True, text=True)
        return float(done.stdout)

    peak(64)
    return (min(peak(size) for _ in range(2)) - min(peak(64) for _ in range(2)) - 2 * 4.0 * size * size) / (4.0 * size * size)


def sweeps(table: Table, big: Any, rounds: int, quick: bool) -> None:
    """Rows about coverage."""
    sizes = (1000, 2000) if quick else (1000, 2000, 4000)
    ground = {size: np.ascontiguousarray(_centre(big, size)) for size in sizes}
    runners = {f"sweep {size}": sweep_cost(ground[size]) for size in sizes}
    runners["sweep wall"] = sweep_cost(ground[2000], cores=2, clock=time.perf_counter)
    runners["gentle"] = sweep_cost(np.asarray(ground[2000] * np.float32(0.05), dtype=np.float32))
    runners["flat"] = sweep_cost(np.zeros_like(ground[2000]))
    rows = {2000: 16, 4000: 6}
    runners |= {f"brute {size}": brute_cost(ground[size], rows[size]) for size in sizes if size in rows}
    has_viewshed = shutil.which("gdal_viewshed") is not None
    with tempfile.TemporaryDirectory() as folder:
        if has_viewshed:
            runners |= {f"viewshed {size}": viewshed_cost(ground[size], Path(folder), wall=False) for size in sizes}
            runners["viewshed wall"] = viewshed_cost(ground[2000], Path(folder), wall=True)
        cost = race(runners, rounds)
    if has_viewshed:
        ratio = cost["sweep wall"] / cost["viewshed wall"]
        table.row(f"full diffraction over gdal_viewshed, wall, {min(2, core_count())} cores, 2000²", 1.5, 1.0, ratio)
        table.row("  the same, CPU, 2000²", None, None, cost["sweep 2000"] / cost["viewshed 2000"])
        if not quick:
            table.row("  the same, CPU, 4000²", 3.5, 2.0, cost["sweep 4000"] / cost["viewshed 4000"])
    else:
        print("gdal_viewshed is not installed (Debian package gdal-bin): no outside yardstick")
    for size, goal, stretch in ((2000, 25.0, 50.0), (4000, 55.0, 110.0)):
        if size in sizes:
            ratio = cost[f"brute {size}"] / cost[f"sweep {size}"]
            metric = f"over compiled brute force, {size}² ({rows[size]} rows, scaled up)"
            table.row(metric, goal, stretch, ratio, larger_is_better=True)
    if not quick:
        table.row("CPU per cell, 4000² over 1000²", 1.15, None, cost["sweep 4000"] / cost["sweep 1000"] / 16.0)
    table.row("gentle (relief × 0.05) over hilly, 2000²", 2.0, 1.3, cost["gentle"] / cost["sweep 2000"])
    table.row("dead flat over hilly, 2000²", 2.5, 1.3, cost["flat"] / cost["sweep 2000"])
    print("  seconds: " + ", ".join(f"{name} {value:.3f}" for name, value in cost.items()))


def _centre(big: Any, size: int) -> Any:
    start = (len(big) - size) // 2
    return big[start : start + size, start : start + size]


def links(table: Table, big: Any, repeats: int) -> None:
    """Rows about point-to-point batches: all pairs of 200 nodes on 2 × 2 km."""
    ground = np.ascontiguousarray(_centre(big, 402))
    nodes = np.random.default_rng(3).uniform(0.0, 400.0, (200, 2))
    a, b = np.triu_indices(200, 1)
    ends = np.hstack([nodes[a], nodes[b]])
    few = ends[:: len(ends) // 150]

    def run() -> None:
        link_losses(ground, CELL_M, ends, [TX_M, RX_M], BAND, samples=PROFILE_SAMPLES, cores=1)

    run()
    runners = {"compiled": lambda: best(run, 1), "plain": lambda: len(few) / plain_links_per_s(ground, few, 1)}
    took = race(runners, repeats)
    plain = len(few) / took["plain"]
    rate = len(ends) / took["compiled"]
    table.row("links a second over plain Python, 256 samples, one core", 1500.0, 3000.0, rate / plain, larger_is_better=True)
    print(f"  {rate:,.0f} links/s; plain Python {plain:,.0f}")


def main() -> None:
    """Run everything."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="leave out the 4000² rows")
    quick = parser.parse_args().quick
    repeats = 3 if quick else 8
    print(f"{platform.machine()}, {core_count()} cores, Python {platform.python_version()}, numpy {np.__version__}\n")
    table = Table()
    big = fractal_ground(2000 if quick else 4000)
    small = np.ascontiguousarray(_centre(big, 400))
    worst = max(deviation_db(np.asarray(small * np.float32(relief), dtype=np.float32), 1700) for relief in (1.0, 0.05, 0.0))
    table.row("sweep against plain formulas, same samples, 5100 targets, dB", 1e-3, 5e-5, worst)
    sweeps(table, big, repeats, quick)
    links(table, big, repeats)
    sample = HERE.parents[1] / "sample_sites" / "ossaby_terrace"
    if sample.is_dir():
        with tempfile.TemporaryDirectory() as folder:
            ratio = plan_over_imports(sample, Path(folder), 2)
        table.row("all of `plan` on a small demo, CPU, over importing its libraries", 3.0, 2.0, ratio)
    table.row("peak memory beyond libraries, raster and result, share of raster", 0.1, None, extra_memory_share(4000))


if __name__ == "__main__":
    main()
