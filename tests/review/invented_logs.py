"""Invented logs of a network with faults that are known: twenty devices, packets every quarter of an hour.

What is drawn (common practice, no source; radio facts 2, § 6, for day medians of 1–1.5 dB): single packets spread by 3 dB; days by
0.9 dB that all links share (ρ 0.6 from day to day) and 0.7 dB of their own (ρ 0.5); losses of 1–8 %, in bunches of three, worse on
some days; leaves that take 4 dB as planned, give or take 30 % and ten days; clocks of ± 40 ppm; two reboots a year; one packet in
a hundred doubled; cells that drain 0.6 to 1.6 times as fast as planned, with a curve 30 mV off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from meshplan.operation.cells import cell_volt
from meshplan.records.radio import CellVoltage
from meshplan.records.review import DeviceLog, ExpectedCell, ExpectedDevice
from meshplan.sources import Standing

START_S = 1_767_225_600.0  # 2026-01-01
DAY_S = 86_400.0
INTERVAL_S = 900.0
LEAVES = (0.0, 0.0, 0.1, 0.5, 1.0, 1.0, 1.0, 1.0, 1.0, 0.8, 0.3, 0.0)
LEAF_DB, LEAF_SPREAD_DB = 4.0, 1.5
ALKALINE = CellVoltage(
    (0, 10, 25, 50, 75, 90, 97, 100), (1.59, 1.45, 1.34, 1.25, 1.16, 1.04, 0.95, 0.9), 1.6, -0.2, 0.2, 0.8, 4.0, Standing.NAMED, ""
)
LIFE_YEARS = 4.0


@dataclass(frozen=True)
class Fault:
    """What goes wrong with one device, from a day on."""

    kind: str
    """silence, loss, step, slope, drain, clock, often, hour, restart or shift."""
    device: int
    day: float
    size: float = 0.0
    """Share of loss, dB, dB a month, drain over the plan's, share of the interval, …"""


def expected_network(devices: int = 20, *, level_dbm: float = -95.0, relays: bool = True) -> list[ExpectedDevice]:
    """Return what the plan expects: the last five devices lie behind a relay."""
    cell = ExpectedCell("3 AA alkaline cells", ALKALINE, 3, 0.8, LIFE_YEARS)
    behind = devices - 5 if relays else devices
    return [
        ExpectedDevice(
            name=f"S{k:02d}",
            interval_s=INTERVAL_S,
            receiver="Relay" if k >= behind else "House",
            link=f"S{k:02d} > House",
            level_by_month_dbm=tuple(level_dbm - LEAF_DB * leaf for leaf in LEAVES),
            leaf_by_month_db=tuple(LEAF_DB * leaf for leaf in LEAVES),
            season_spread_by_month_db=tuple(LEAF_SPREAD_DB * leaf for leaf in LEAVES),
            needed_dbm=level_dbm - 20.0,
            relays=("Relay",) if k >= behind else (),
            gateway="House",
            cell=cell,
        )
        for k in range(devices)
    ]


def invented_network(
    seed: int, days: float, faults: Sequence[Fault] = (), *, expected: Sequence[ExpectedDevice] | None = None
) -> list[DeviceLog]:
    """Return the logs of a network, one for each device."""
    draw = np.random.default_rng([seed, 21])
    count = int(np.ceil(days)) + 1
    common = {name: 0.9 * _autoregressive(draw, count, 0.6) for name in ("House", "Relay")}
    network = expected or expected_network()
    return [
        _log(np.random.default_rng([seed, k]), each, days, common, [fault for fault in faults if fault.device in (k, -1)])
        for k, each in enumerate(network)
    ]


def _autoregressive(draw: np.random.Generator, count: int, correlation: float) -> np.ndarray:
    noise = draw.normal(0.0, np.sqrt(1.0 - correlation**2), count)
    noise[0] /= np.sqrt(1.0 - correlation**2)
    for k in range(1, count):
        noise[k] += correlation * noise[k - 1]
    return noise


def _log(
    draw: np.random.Generator, expected: ExpectedDevice, days: float, common: dict[str, np.ndarray], faults: Sequence[Fault]
) -> DeviceLog:
    by_kind = {fault.kind: fault for fault in faults}
    pace = 1.0 + draw.normal(0.0, 40e-6)
    if "clock" in by_kind:
        pace += by_kind["clock"].size
    interval_s = expected.interval_s * pace
    if "often" in by_kind:
        interval_s /= by_kind["often"].size
    sent = int(days * DAY_S / interval_s)
    at_s = draw.uniform(0.0, interval_s) + np.arange(sent) * interval_s + draw.uniform(0.0, 0.05 * interval_s, sent)
    at_s = at_s[at_s < days * DAY_S]
    sent = len(at_s)
    day = at_s / DAY_S
    whole = day.astype(int)
    count = int(np.ceil(days)) + 1
    power = expected_power(draw, expected, day) + common[expected.receiver][whole] + 0.7 * _autoregressive(draw, count, 0.5)[whole]
    loss = np.clip(draw.uniform(0.01, 0.08) * np.exp(0.4 * _autoregressive(draw, count, 0.3))[whole], 0.0, 0.6)
    counter = np.arange(sent) + draw.integers(0, 60_000)
    for restart in draw.uniform(0.0, 365.0, draw.poisson(2.0)):
        counter = np.where(day >= restart, np.arange(sent) - np.searchsorted(day, restart), counter)
    alive = np.ones(sent, dtype=bool)
    for fault in faults:
        here = day >= fault.day
        if fault.kind == "silence":
            alive &= ~here
        elif fault.kind == "loss":
            loss = np.where(here, fault.size, loss)
        elif fault.kind == "step":
            power = power - fault.size * here
        elif fault.kind == "slope":
            power = power - fault.size / 30.4375 * np.maximum(day - fault.day, 0.0)
        elif fault.kind == "hour":
            loss = np.where(here & ((at_s // 3600.0).astype(int) % 24 == 13), fault.size, loss)
        elif fault.kind == "restart":
            counter = np.where(here, np.arange(sent) - np.searchsorted(day, fault.day), counter)
    bad, left = np.zeros(sent, dtype=bool), draw.random(sent)
    starts = left < loss / 3.0 / np.maximum(1.0 - loss, 0.2)
    for behind, chance in ((0, 1.0), (1, 2 / 3), (2, 4 / 9), (3, 8 / 27), (4, 16 / 81)):
        follow = np.flatnonzero(starts)
        follow = follow[draw.random(len(follow)) < chance] + behind
        bad[follow[follow < sent]] = True
    heard = np.flatnonzero(alive & ~bad)
    again = heard[draw.random(len(heard)) < 0.01]
    rows = np.sort(np.concatenate([heard, again]))
    double = np.concatenate([[False], np.diff(rows) == 0])
    warmth = 10.0 - 9.0 * np.cos(2 * np.pi * (day - 15) / 365.25) + 3.0 * _autoregressive(draw, count, 0.7)[whole]
    drain = by_kind["drain"].size if "drain" in by_kind else float(np.exp(draw.uniform(np.log(0.6), np.log(1.6))))
    used = draw.uniform(0.0, 0.3) + drain * 0.8 / (LIFE_YEARS * 365.25) * day
    bias = draw.normal(0.0, 0.03)
    volt = np.array([float(cell_volt(ALKALINE, min(u, 1.0), t)) for u, t in zip(used[::96], warmth[::96], strict=True)])
    volt = 3.0 * (np.repeat(volt, 96)[:sent] + bias) + draw.normal(0.0, 0.01, sent)
    return DeviceLog(
        device=expected.name,
        time_s=START_S + at_s[rows] + np.where(double, 1.0, 0.0),
        receiver=np.full(len(rows), 0 if expected.receiver == "House" else 1, dtype=np.int16),
        receivers=("House", "Relay"),
        power_dbm=np.round(power[rows] + draw.normal(0.0, 3.0, len(rows))),
        snr_db=np.round(power[rows] + 117.0 + draw.normal(0.0, 2.0, len(rows))),
        cell_v=np.round(volt[rows], 2),
        temperature_c=np.round(warmth[rows], 1),
        counter=(counter[rows] % 65_536).astype(np.int64),
        hop=np.zeros(len(rows), dtype=np.int8),
    )


def expected_power(draw: np.random.Generator, expected: ExpectedDevice, day: np.ndarray) -> np.ndarray:
    """Return the median power by time: the plan's, a few dB off, with leaves that are not quite the plan's."""
    best = max(expected.level_by_month_dbm)
    factor, shift = draw.normal(1.0, 0.3), draw.uniform(-10.0, 10.0)
    middle = (np.arange(-1, 13) + 0.5) * 365.25 / 12
    leaf = np.interp((day + shift) % 365.25, middle, [LEAVES[11], *LEAVES, LEAVES[0]])
    return best + draw.normal(0.0, 3.0) - max(factor, 0.0) * LEAF_DB * leaf


def cut(log: DeviceLog, last_s: float) -> DeviceLog:
    """Return a log as it was at a moment."""
    keep = log.time_s <= last_s
    arrays = ("time_s", "receiver", "power_dbm", "snr_db", "cell_v", "temperature_c", "counter", "hop")
    return replace(log, **{name: getattr(log, name)[keep] for name in arrays})
