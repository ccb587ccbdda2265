"""`meshplan check --plan`: a plan that holds is told so; one that was tampered with, or no longer follows, is not."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from small_property import changed, lay_small_property, usual_sites, write_sites

from meshplan.cli import main

Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("checked")
    lay_small_property(folder / "property")
    assert main(["plan", str(folder / "property"), "--out", str(folder / "out"), "-q"]) == 0
    return folder


def checked(folder: Path) -> int:
    return int(main(["check", str(folder / "property"), "--plan", "--out", str(folder / "out")]))


def test_a_fresh_plan_holds(planned: Path, capsys: Capture) -> None:
    capsys.readouterr()
    assert checked(planned) == 0
    shown = capsys.readouterr().out
    assert "the plan holds" in shown
    assert "224.00 EUR" in shown


def other_cost(plan: dict[str, Any]) -> None:
    plan["proof"]["cost"] = 199.0


def other_bound(plan: dict[str, Any]) -> None:
    plan["proof"]["certificate"]["bound_units"] += 50_000


def direct_route(plan: dict[str, Any]) -> None:
    route = next(route for route in plan["routes"] if route["sensor"] == "Trough")
    route["devices"] = ["Trough", "House"]


def relay_not_built(plan: dict[str, Any]) -> None:
    next(device for device in plan["devices"] if device["name"] == "South post")["in_plan"] = False


@pytest.mark.parametrize("tamper", [other_cost, other_bound, direct_route, relay_not_built], ids=lambda change: change.__name__)
def test_a_tampered_plan_is_refused(
    planned: Path, tmp_path: Path, capsys: Capture, tamper: Callable[[dict[str, Any]], None]
) -> None:
    shutil.copytree(planned, tmp_path, dirs_exist_ok=True)
    path = tmp_path / "out" / "plan.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    tamper(document["plan"])
    path.write_text(json.dumps(document), encoding="utf-8")
    capsys.readouterr()
    assert checked(tmp_path) == 2
    said = capsys.readouterr()
    if tamper is direct_route:  # two devices and two links make no way: that is refused where the file is read
        assert "plan.routes[1]: has 2 devices and 2 links" in said.err
    else:
        assert "the plan does not hold" in said.out


def test_a_plan_no_longer_follows_when_the_property_has_changed(planned: Path, tmp_path: Path, capsys: Capture) -> None:
    """The post that carried the reading was moved down to the foot of the bank."""
    shutil.copytree(planned, tmp_path, dirs_exist_ok=True)
    write_sites(tmp_path / "property" / "sites.csv", changed(usual_sites(), {"South post": {"x": 120}}))
    capsys.readouterr()
    assert checked(tmp_path) == 2
    assert "the plan does not hold" in capsys.readouterr().out
