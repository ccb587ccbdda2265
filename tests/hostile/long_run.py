"""Many mutations, for the desk: python tests/hostile/long_run.py --first 0 --count 20000 --minutes 90

Prints how many cases ran, with which codes, and each fault with the seeds that show it; exits with 1 where there is any. A case is
repeated with --first SEED --count 1.
"""

from __future__ import annotations

import argparse
import collections
import functools
import logging
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from hostile.mutations import Holding, run_case
from meshplan.assembly import traffic
from meshplan.reporting.map import relief


def remembered(function: Callable[..., Any]) -> Callable[..., Any]:
    """Return a pure function that remembers its last answers; where its words cannot be compared it is asked anew."""
    kept = functools.lru_cache(maxsize=20_000)(function)

    def ask(*words: Any, **more: Any) -> Any:
        try:
            return kept(*words, **more)
        except TypeError:
            return function(*words, **more)

    return ask


def make_cheaper() -> None:
    """Spare what takes most of the time and reads nothing: each class is asked of the law anew, pictures are drawn finely."""
    relief.HATCH_SIDE_PX = 100
    traffic.lawful_mode = remembered(traffic.lawful_mode)


def run() -> int:
    """Run the cases that the words ask for and print what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--minutes", type=float, default=90.0)
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    logging.disable(logging.CRITICAL)
    make_cheaper()
    codes: collections.Counter[tuple[str, int]] = collections.Counter()
    targets: collections.Counter[str] = collections.Counter()
    found: dict[str, list[str]] = collections.defaultdict(list)
    slowest: list[tuple[float, int, str]] = []
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as home:
        holding = Holding(Path(home))
        for seed in range(asked.first, asked.first + asked.count):
            if time.monotonic() - began > 60.0 * asked.minutes:
                break
            case = run_case(holding, Path(home) / "case", seed)
            targets[case.target] += 1
            for words, code, seconds in case.commands:
                codes[words[0], code] += 1
                slowest = sorted([*slowest, (round(seconds, 1), seed, words[0])])[-10:]
            for fault in case.faults:
                found[fault].append(f"seed {seed}: {case.target}, {case.change}")
                print(f"seed {seed}, {case.target}, {case.change}: {fault}", file=sys.stderr, flush=True)
            if sum(targets.values()) % 100 == 0:
                told = f"to seed {seed}: {sum(targets.values())} cases in {time.monotonic() - began:.0f} s"
                print(f"{told}, {time.process_time():.0f} s of processor", file=sys.stderr, flush=True)
    print(f"{sum(targets.values())} cases in {time.monotonic() - began:.0f} s; slowest commands {slowest}")
    print("files:", dict(targets.most_common()))
    print("commands and codes:", {f"{name} {code}": number for (name, code), number in sorted(codes.items())})
    for fault, cases in sorted(found.items(), key=lambda item: -len(item[1])):
        print(f"{len(cases)} × {fault}\n  " + "\n  ".join(cases[:5]))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(run())
