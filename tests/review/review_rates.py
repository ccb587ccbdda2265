"""What a review finds in invented logs, and how often it cries wolf: `python tests/review/review_rates.py false 200`."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from invented_logs import DAY_S, START_S, Fault, expected_network, invented_network

from meshplan.records.review import DeviceDays, ExpectedDevice
from meshplan.review.cells import cell_outlook
from meshplan.review.drift import season_db, slope_at
from meshplan.review.findings import Known
from meshplan.review.losses import bad_hours, silence_after_s, usual_loss
from meshplan.review.outlook import PROBABLY_FAILS, months_ahead, recent
from meshplan.review.rates import read_clocks, relay_loads
from meshplan.review.review import look_at, review_network

FAULT_DAY = 80
SUDDEN = (
    Fault("silence", 0, FAULT_DAY),
    Fault("loss", 1, FAULT_DAY, 0.50),
    Fault("step", 2, FAULT_DAY, 6.0),
    Fault("step", 3, FAULT_DAY, 10.0),
    Fault("silence", 16, FAULT_DAY),
    Fault("loss", 4, FAULT_DAY, 0.30),
    Fault("step", 5, FAULT_DAY, 3.0),
)


def sudden_found(seed: int, within_days: float = 3.0) -> dict[str, bool]:
    """Return which sudden faults a review finds so many days after they came."""
    end = FAULT_DAY + within_days
    expected = expected_network()
    found = review_network(expected, invented_network(seed, end, SUDDEN), first_s=START_S, last_s=START_S + end * DAY_S).findings
    said = {(finding.kind, name) for finding in found for name in (finding.device, *finding.others)}
    return {
        "silence": ("silence", "S00") in said,
        "silence behind a relay": ("silence", "S16") in said,
        "loss to 50 %": ("loss", "S01") in said,
        "step of 6 dB": ("step", "S02") in said,
        "step of 10 dB": ("step", "S03") in said,
        "loss to 30 %": ("loss", "S04") in said,
        "step of 3 dB": ("step", "S05") in said,
    }


def slopes_found(seed: int, days: int, rates: tuple[float, ...] = (1.0, 2.0, 3.0)) -> dict[str, bool]:
    """Return which slopes a review finds so many days after they began."""
    start = 160.0
    faults = [Fault("slope", k, start, rate) for k, rate in enumerate(rates)]
    end = start + days
    found = review_network(expected_network(), invented_network(seed, end, faults), first_s=START_S, last_s=START_S + end * DAY_S)
    said = {(finding.kind, finding.device) for finding in found.findings}
    return {f"{rate:g} dB a month in {days} days": ("slope", f"S{k:02d}") in said for k, rate in enumerate(rates)}


def slow_found(seed: int) -> dict[str, bool]:
    """Return what is found after 120 days of faults that last: clocks, intervals, an hour, a cell that drains."""
    faults = [
        Fault("clock", 0, 0.0, 0.01),
        Fault("often", 17, 0.0, 4.0),
        Fault("hour", -1, 85.0, 0.45),
        Fault("drain", 4, 0.0, 11.0),
    ]
    logs = invented_network(seed, 120.0, faults)
    found = review_network(expected_network(), logs, first_s=START_S, last_s=START_S + 120.0 * DAY_S).findings
    said = {(finding.kind, finding.device) for finding in found}
    return {
        "clock 1 % off": ("clock", "S00") in said,
        "interval a quarter": ("clock", "S17") in said,
        "relay load": ("load", "Relay") in said,
        "hour": ("hour", "House") in said,
        "cell": ("cell", "S04") in said,
    }


def false_alarms(seed: int, days: int = 365) -> Counter[str]:
    """Return how many false alarms daily reviews of a sound network of twenty devices would give, by kind."""
    expected = [replace(each, needed_dbm=each.needed_dbm + 12.0) for each in expected_network()]
    logs = invented_network(seed, days, expected=expected)
    known, heard = look_at(expected, logs, first_s=START_S, last_s=START_S + days * DAY_S)
    found: Counter[str] = Counter()
    found["silence"] = sum(_long_gaps(known, name) for name in known.reviews)
    found["loss"] = sum(len(watched.starts()) for watched in known.losses.values())
    found["step"] = sum(len(watched.starts()) for watched in known.signals.steps.values())
    found["common step"] = sum(len(watched.starts()) for watched in known.signals.common_steps.values())
    found["slope"] = sum(_slopes(known, name, days) for name in known.reviews)
    for each in ("cell", "need", "hour", "clock", "load"):
        found[each] = 0
    looked: set[tuple[str, str]] = set()
    truth = {name: _by_month(review.days) for name, review in known.reviews.items()}
    for end in range(35, days + 1, 7):
        said = _seen(known, expected, heard, end, looked, truth)
        for kind, _ in said - looked:
            found[kind] += 1
        looked = said
    return found


def _long_gaps(known: Known, name: str) -> int:
    review = known.reviews[name]
    gaps, longest, found = review.days.longest_gap_s, 0.0, 0
    loss = usual_loss(review.days)
    for gap in gaps:
        found += gap > silence_after_s(review.counters.interval_s, loss, longest)
        longest = max(longest, float(gap))
    return found


def _slopes(known: Known, name: str, days: int) -> int:
    review = known.reviews[name]
    season = season_db(review.expected, review.days, review.expected.season_spread_by_month_db)
    seen = [slope_at(known.signals.own_db[name], day, known.signals.correlation, season) is not None for day in range(41, days, 7)]
    return sum(now and not before for before, now in zip([False, *seen], seen, strict=False))


def _seen(
    known: Known,
    expected: list[ExpectedDevice],
    heard: dict[str, dict[str, float]],
    end: int,
    last_seen: set[tuple[str, str]],
    truth: dict[str, list[float]],
) -> set[tuple[str, str]]:
    """Return the false alarms that stand at the end of a day, of the kinds that look at the last weeks."""
    said = set()
    days = {name: until(review.days, end) for name, review in known.reviews.items()}
    month = int(np.datetime64(int(START_S + end * DAY_S), "s").astype("datetime64[M]").astype(int)) % 12 + 1
    for receiver in ("House", "Relay"):
        if bad_hours([each for each in days.values() if each.receiver == receiver], end - 1):
            said.add(("hour", receiver))
    for name in read_clocks({name: values[:end] for name, values in known.intervals_s.items()}, known.expected):
        said.add(("clock", name))
    for load in relay_loads(known.expected, days, heard):
        said.add(("load", load.relay))
    for each in expected:
        outlook = cell_outlook(each.cell, days[each.name]) if each.cell and end % 28 == 7 else None
        if outlook is not None and (outlook.soon or outlook.fast):
            said.add(("cell", each.name))  # sound cells have 2.5 years at least, and drain 1.6 times as fast as planned at most
        if outlook is None and end % 28 != 7 and ("cell", each.name) in last_seen:
            said.add(("cell", each.name))
        level = recent(days[each.name].power_dbm + season_db(each, days[each.name], each.leaf_by_month_db))
        ahead = months_ahead(each, level, known.signals.day_spread_db[each.name], known.signals.correlation, month)
        for each_month in ahead:
            truly = truth[each.name][each_month.month - 1]
            if each_month.chance < PROBABLY_FAILS and truly > each_month.needed_dbm + 2.0:
                said.add(("need", each.name))
    return said


def _by_month(days: DeviceDays) -> list[float]:
    """Return the median power in each month of the year, as it turned out."""
    month = np.arange(days.first_day, days.first_day + days.days).astype("datetime64[D]").astype("datetime64[M]").astype(int) % 12
    return [float(np.nanmedian(days.power_dbm[month == each])) for each in range(12)]


def until(days: DeviceDays, end: int) -> DeviceDays:
    """Return the first days."""
    names = (
        "heard", "lost", "rows", "power_dbm", "snr_db", "cell_v", "temperature_c", "powers", "heard_by_hour", "lost_by_hour",
        "longest_gap_s",
    )  # fmt: skip
    return replace(days, **{name: getattr(days, name)[:end] for name in names})


def main(part: str, seeds: int) -> None:
    """Print the rates over some seeds."""
    parts: dict[str, Callable[[int], Mapping[str, int]]] = {
        "sudden": sudden_found,
        "slopes": lambda seed: slopes_found(seed, 42) | slopes_found(seed, 84) | slopes_found(seed, 168),
        "lasting": slow_found,
        "false": false_alarms,
    }
    total: Counter[str] = Counter()
    for seed in range(seeds):
        total.update({kind: int(number) for kind, number in parts[part](seed).items()})
        if seed % 10 == 9 or seed == seeds - 1:
            print(part, seed + 1, {kind: round(number / (seed + 1), 3) for kind, number in total.items()}, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
