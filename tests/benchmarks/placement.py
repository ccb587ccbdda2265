"""Print how far placement gets on invented properties of growing size.

    python tests/benchmarks/placement.py [--time 60] [--only 100x1000] [--hops 3] [--seeds 1 2] [--two-routes] [--floors]

One row per property: sensors x relay sites x gateways, hop limit, seconds to the first plan and in all, plan, bounds, gap, and peak
memory. "certified" is the bound that the stored certificate proves by itself, "bound" also trusts the integer solver. The goals
beside the rows are those of the design notes for two quiet cores. Each row runs in a process of its own.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "planning"))

from synthetic_property import make_property

from meshplan.planning.certificate import check_certificate
from meshplan.planning.problem import PlacementProblem, ProgressEvent, Redundancy, SolveLimits
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan

NO_LIMIT = 10**6


@dataclass(frozen=True)
class Case:
    """A row of the table and its goal in words."""

    sensors: int
    relays: int
    gateways: int
    hops: int
    redundancy: Redundancy
    goal: str

    @property
    def size(self) -> str:
        return f"{self.sensors}x{self.relays}x{self.gateways}"


GOALS = {
    (30, 200, 5): ("proven 3 s", "proven 3 s", "proven 10 s"),
    (150, 400, 8): ("proven 3 s", "proven 5 s, with floors 15 s", "proven 20 s"),
    (100, 1000, 12): ("proven 5 s", "proven 20 s", "proven 20 s, median of 5 seeds"),
    (300, 5000, 30): ("proven 5 s", "proven 30 s", "2 % in 60 s"),
    (500, 10000, 40): ("proven 15 s", "0.5 % in 60 s", "5 % in 60 s, plan in 3 s"),
}
CASES = [Case(*size, hops, "none", goal) for size, goals in GOALS.items() for hops, goal in zip((2, 3, 4), goals, strict=True)]
TWO_ROUTES = [
    Case(30, 200, 5, 3, "any one relay", "proven 10 s"),
    Case(30, 200, 5, 3, "any one relay or gateway", "proven 10 s"),
    Case(100, 1000, 12, 3, "any one relay", "5 % in 60 s"),
    Case(300, 5000, 30, 3, "any one relay", "3 % in 60 s"),
]
HEADER = (
    f"{'size':16s} {'hops':>4s} {'rule':24s} {'seed':>4s} {'out':>4s} {'first s':>8s} {'total s':>8s} {'cpu s':>7s} {'plan':>7s} "
    f"{'certified':>9s} {'bound':>7s} {'gap':>6s} {'MB':>6s}  checks  goal"
)


def with_floors(problem: PlacementProblem) -> PlacementProblem:
    """Return the problem with the usual floors of whole routes: every sixth sensor raises alarms, the others show trends."""
    floors = [0.95 if i % 6 == 5 else 0.8 for i in range(len(problem.sensors))]
    asked = tuple(replace(sensor, min_route_chance=floor) for sensor, floor in zip(problem.sensors, floors, strict=True))
    return replace(problem, sensors=asked)


def run(case: Case, seed: int, time_s: float, floors: bool) -> str:
    """Return the row of one case."""
    problem = make_property(case.sensors, case.relays, case.gateways, seed=seed, hop_limit=case.hops, redundancy=case.redundancy)
    problem = with_floors(problem) if floors else problem
    first: list[float] = []

    def note(event: ProgressEvent) -> None:
        if not first and event.step == "first plan":
            first.append(event.elapsed_s)

    started, cpu = time.perf_counter(), time.process_time()
    result = solve_placement(problem, limits=SolveLimits(time_s=time_s, iterations=NO_LIMIT), on_progress=note)
    total, cpu = time.perf_counter() - started, time.process_time() - cpu
    sound = not verify_plan(problem, result.plan)
    holds = check_certificate(problem, result.certificate, result.plan).holds if result.certificate else False
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    gap = "proven" if result.proven else f"{100 * result.gap:.1f} %"
    out = len(result.plan.unserved)
    return (
        f"{case.size:16s} {case.hops:4d} {case.redundancy:24s} {seed:4d} {out:4d} {(first or [float('nan')])[0]:8.2f} {total:8.1f} "
        f"{cpu:7.1f} {result.plan.cost:7.0f} {result.certified_bound:9.0f} {result.solver_bound:7.0f} {gap:>6s} {memory:6.0f}  "
        f"{'ok' if sound and holds else 'FAULT':6s}  {case.goal}"
    )


def main() -> None:
    """Run the chosen rows."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--time", type=float, default=60.0, help="time limit per row in seconds")
    parser.add_argument("--only", default="", help="only sizes that start with this, such as 100x1000")
    parser.add_argument("--hops", type=int, default=0, help="only this hop limit")
    parser.add_argument("--seeds", type=int, nargs="+", default=[1], help="seeds of the invented properties")
    parser.add_argument("--two-routes", action="store_true", help="only the rows with second routes")
    parser.add_argument(
        "--floors", action="store_true", help="with least chances of whole routes: 0.95 for every sixth sensor, else 0.8"
    )
    options = parser.parse_args()
    cases = TWO_ROUTES if options.two_routes else CASES + TWO_ROUTES
    cases = [c for c in cases if c.size.startswith(options.only) and options.hops in (0, c.hops)]
    started = time.perf_counter()
    for redundancy in ("none", "any one relay"):
        # Larger than what is left to plain Python, so that the compiled loops are made before any clock runs.
        solve_placement(make_property(20, 1000, 12, hop_limit=2, redundancy=redundancy), limits=SolveLimits(time_s=1.0))  # type: ignore[arg-type]
    print(
        f"compiled loops ready after {time.perf_counter() - started:.1f} s; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    )
    print(HEADER, flush=True)
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"), max_tasks_per_child=1) as pool:
        for case in cases:
            for seed in options.seeds:
                print(pool.submit(run, case, seed, options.time, options.floors).result(), flush=True)


if __name__ == "__main__":
    main()
