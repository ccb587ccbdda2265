"""Readers of the published figures in tests/published/: tables of our own with source, licence and tolerance on top.

Most are CSV whose first lines are "# key: value"; paths, graphs and other nested figures are TOML with the same keys on top.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

FOLDER = Path(__file__).parent / "published"
HEAD_KEYS = ("source", "licence", "kind")
KINDS = ("published table", "worked example", "exact mathematics", "independent calculation")


@dataclass(frozen=True)
class PublishedTable:
    """Known values kept beside the tests: their head (where they come from, how near we must be) and the rows."""

    head: dict[str, str]
    rows: tuple[dict[str, str], ...]

    @property
    def tolerance_db(self) -> float:
        """How many decibels a computed value may differ."""
        return float(self.head["tolerance_db"])


@dataclass(frozen=True)
class LandPath:
    """One published path: distance from the start, ground, and ground with the clutter that stands on it."""

    distance_m: NDArray[np.float64]
    ground_m: NDArray[np.float64]
    obstacle_m: NDArray[np.float64]


@cache
def read_table(name: str) -> PublishedTable:
    """Return one CSV table of tests/published/; a table without source, licence, kind and tolerance is an error."""
    lines = (FOLDER / name).read_text(encoding="utf-8").splitlines()
    parts = (line[1:].split(":", 1) for line in lines if line.startswith("#"))
    head = checked_head(name, {key.strip(): value.strip() for key, value in parts})
    rows = tuple(csv.DictReader(line for line in lines if line and not line.startswith("#")))
    if not rows:
        raise ValueError(f"{name} has no rows")
    return PublishedTable(head, rows)


@cache
def read_nested(name: str) -> dict[str, Any]:
    """Return one TOML table of tests/published/ with its head."""
    data = tomllib.loads((FOLDER / name).read_text(encoding="utf-8"))
    checked_head(name, {key: value for key, value in data.items() if isinstance(value, str)})
    return data


def checked_head(name: str, head: dict[str, str]) -> dict[str, str]:
    """Return the head of a table, or say what it lacks."""
    lacking = [key for key in HEAD_KEYS if not head.get(key)]
    if not any(key.startswith("tolerance") for key in head):
        lacking.append("tolerance")
    if lacking or head["kind"] not in KINDS:
        raise ValueError(f"{name} lacks {', '.join(lacking) or 'a known kind'} on top")
    return head


def spread_runs(pairs: Iterable[float]) -> NDArray[np.float64]:
    """Return values written as "how many times, value, …"."""
    flat = np.array(list(pairs), dtype=float).reshape(-1, 2)
    return np.repeat(flat[:, 1], flat[:, 0].astype(int))


@cache
def p526_paths() -> dict[str, LandPath]:
    """Return the four paths of the delta-Bullington validation examples."""
    paths = {}
    for land in read_nested("p526_land.toml")["land"]:
        ground = np.array(land["ground_m"], dtype=float)
        distance = land["step_km"] * np.arange(len(ground))
        distance[-1] = land["length_km"]
        paths[land["path"]] = LandPath(1000.0 * distance, ground, ground)
    return paths


@cache
def p1812_paths() -> dict[str, LandPath]:
    """Return the nineteen profiles of the P.1812 validation set; no clutter counts at the two ends (section 3.2.1)."""
    data = read_nested("p1812_land.toml")
    lands = {land["name"]: land for land in data["land"]}
    paths = {}
    for path in data["path"]:
        land, samples = lands[path["land"]], path["samples"]
        distance = np.concatenate(([0.0], np.cumsum(spread_runs(land["step_runs_km"]))))[:samples]
        ground = np.array(land["ground_m"][:samples], dtype=float)
        clutter = spread_runs(path["clutter_runs_m"])
        clutter[[0, -1]] = 0.0
        paths[path["name"]] = LandPath(1000.0 * distance, ground, ground + clutter)
    return paths


def smooth_earth_grid(polarisation: str) -> dict[str, NDArray[np.float64]]:
    """Return our own grid over smooth ground for one polarisation: flat arrays of the link and of each solution's excess in dB."""
    rows = [row for row in read_table("smooth_earth_grid.csv").rows if row["polarisation"] == polarisation]
    steps = {key: float(key.removesuffix("m_db")) for key in rows[0] if key.endswith("m_db")}
    links = [row for row in rows if row["solution"] == rows[0]["solution"]]
    table = {key: np.repeat([float(row[key]) for row in links], len(steps)) for key in ("frequency_mhz", "start_m", "end_m")}
    table["distance_m"] = np.tile(list(steps.values()), len(links))
    for solution in dict.fromkeys(row["solution"] for row in rows):
        chosen = [row for row in rows if row["solution"] == solution]
        table[solution] = np.array([float(row[key] or "nan") for row in chosen for key in steps])
    return table
