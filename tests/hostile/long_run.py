"""Many mutations, for the desk: python tests/hostile/long_run.py --first 0 --count 20000 --minutes 90

Prints how many cases ran, with which codes, and each fault with the seeds that show it; exits with 1 where there is any. A case is
repeated with --first SEED --count 1.
"""

from __future__ import annotations

import argparse
import collections
import logging
import sys
import tempfile
import time
import warnings
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from hostile.mutations import Holding, run_case


def run() -> int:
    """Run the cases that the words ask for and print what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--minutes", type=float, default=90.0)
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    logging.disable(logging.CRITICAL)
    codes: collections.Counter[tuple[str, int]] = collections.Counter()
    targets: collections.Counter[str] = collections.Counter()
    found: dict[str, list[str]] = collections.defaultdict(list)
    slowest = (0.0, -1)
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
                slowest = max(slowest, (seconds, seed))
            for fault in case.faults:
                found[fault].append(f"seed {seed}: {case.target}, {case.change}")
                print(f"seed {seed}, {case.target}, {case.change}: {fault}", file=sys.stderr, flush=True)
    print(
        f"{sum(targets.values())} cases in {time.monotonic() - began:.0f} s; slowest command {slowest[0]:.1f} s (seed {slowest[1]})"
    )
    print("files:", dict(targets.most_common()))
    print("commands and codes:", {f"{name} {code}": number for (name, code), number in sorted(codes.items())})
    for fault, cases in sorted(found.items(), key=lambda item: -len(item[1])):
        print(f"{len(cases)} × {fault}\n  " + "\n  ".join(cases[:5]))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(run())
