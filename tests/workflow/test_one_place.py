"""The demos in which two rows or two roles stand at one place: it counts as one device, all the way from the folder to the plan."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from meshplan.cli import main

SITES = Path(__file__).resolve().parents[2] / "sample_sites"
BOTH = 'requirement.second_route="any one relay or gateway"'


def _plan(folder: str, out: Path, *words: str) -> dict[str, Any]:
    assert main(["plan", str(SITES / folder), "--out", str(out), "-q", *words]) in (0, 1)
    plan: dict[str, Any] = json.loads((out / "plan.json").read_text(encoding="utf-8"))["plan"]
    return plan


@pytest.mark.slow
def test_the_orchard_mast_carries_one_of_two_routes(tmp_path: Path) -> None:
    plan = _plan("pellimoor_orchard", tmp_path, "--radio", "fsk-868-1k2", "--set", BOTH)
    site = {device["name"]: device["site"].removesuffix(" (relay)") for device in plan["devices"]}
    doubled = [route for route in plan["routes"] if route["second_devices"]]
    # fifteen before the receiver's filter held both crystals' errors, which costs this class 7.4 dB
    assert len(doubled) >= 14
    for route in doubled:
        ways = [{site[name] for name in route[key][1:]} for key in ("devices", "second_devices")]
        assert not ways[0] & ways[1], route["sensor"]
    built = [site[d["name"]] for d in plan["devices"] if d["in_plan"] and d["role"] != "sensor"]
    assert len(set(built)) == len(built)


@pytest.mark.slow
def test_the_ridge_post_of_two_rows_is_one_post(tmp_path: Path) -> None:
    plan = _plan("mirrowick_bottom", tmp_path, "--set", BOTH)
    built = [d["name"] for d in plan["devices"] if d["in_plan"] and d["role"] != "sensor"]
    assert len([name for name in built if name.startswith("Ridge post")]) <= 1
    assert len([name for name in built if name.startswith("Saddle post")]) <= 1
    assert any("Ridge post, mobile network and Ridge post stand at one spot" in line for line in plan["assumptions"])
