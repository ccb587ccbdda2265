"""Order of rows, names of sensors and units change nothing of what the law, the air and the shops are asked for."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_property import Rows, lay_small_property, usual_sites

from meshplan.records import Plan
from meshplan.workflow import plan_property

ROWS: Rows = [
    *usual_sites(),
    {"name": "Tank", "role": "sensor", "x": 345, "y": 260, "antenna_agl_m": 1.5, "payload_bytes": 20, "interval_s": 600},
]
SENSORS = [row["name"] for row in ROWS if row["role"] == "sensor"]
FIGURES = ("airtime_ms_per_packet", "packets_per_hour", "fast_duty_share", "duty_limit", "acknowledgement_ms", "fast_mean_tries")
RULES = {"radio": "css-868-sf9"}


def plan_of(rows: Rows) -> Plan:
    with TemporaryDirectory() as folder:
        lay_small_property(Path(folder) / "holding", sites=rows)
        return plan_property(Path(folder) / "holding", overrides=RULES).plan


def asked_for(plan: Plan, names: dict[str, str]) -> dict[str, Any]:
    """Return verdicts, airtime and parts of a plan under the names that its places had at first."""

    def back(name: str) -> str:
        return names.get(name, name)

    duties = [(back(device.name), device.duty) for device in plan.devices if device.duty is not None]
    return {
        "law": sorted(
            (line.rule, line.status, line.to_answer_for, tuple(sorted(map(back, line.subject.split(", "))))) for line in plan.legal
        ),
        "air": {name: [getattr(duty, figure) for figure in FIGURES] for name, duty in duties},
        "parts": sorted(
            (line.part, line.quantity, line.unit, line.spares, line.unit_cost or 0.0, tuple(sorted(map(back, line.devices))))
            for line in plan.parts
        ),
    }


FIRST = plan_of(ROWS)


@settings(max_examples=4, deadline=None, derandomize=True)
@given(st.permutations(ROWS), st.permutations(["Alder", "zinc tub", "Mid field"]), st.sampled_from([600, "600 s", "10 min"]))
def test_order_names_and_units_change_nothing(rows: Rows, words: list[str], interval: object) -> None:
    new = dict(zip(SENSORS, words, strict=True))
    rows = [row | ({"interval_s": interval} if row["name"] == "Tank" else {}) for row in rows]
    plan = plan_of([row | {"name": new.get(row["name"], row["name"])} for row in rows])
    found, first = asked_for(plan, {word: name for name, word in new.items()}), asked_for(FIRST, {})
    assert (found["law"], found["parts"]) == (first["law"], first["parts"])
    assert set(found["air"]) == set(first["air"])
    for name, figures in first["air"].items():
        assert found["air"][name] == pytest.approx(figures, rel=1e-3), name
    assert len(plan.routes) == len(SENSORS)
