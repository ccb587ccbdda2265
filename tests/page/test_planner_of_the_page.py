"""The planner behind the page: what it says is what a full run says; what is overtaken is dropped; faults are told."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from small_property import lay_small_property, lon_lat

from meshplan.page import worker
from meshplan.page.book import Book
from meshplan.page.edits import edits_from
from meshplan.page.events import Events
from meshplan.page.live import Live
from meshplan.page.strip import strip_of
from meshplan.reporting.map.data import json_block
from meshplan.workflow.plan import plan_property


@dataclass
class Pipe:
    """Keeps what the planner sends; `overtake` changes the folder's clock when it hears a word."""

    sent: list[tuple[str, int, dict[str, Any]]] = field(default_factory=list)
    newest: Any = None
    overtake: str = ""

    def send(self, message: tuple[str, int, dict[str, Any]]) -> None:
        self.sent.append(message)
        if self.overtake and message[2].get("stage") == self.overtake:
            self.newest.clock += 1

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [data for found, _, data in self.sent if found == kind]


@dataclass
class Clock:
    clock: int = 1


def move(folder: Path, name: str, x: float, y: float) -> None:
    lon_deg, lat_deg = lon_lat(x, y)
    place = {"lon_deg": lon_deg, "lat_deg": lat_deg}
    Book(folder).step(edits_from([{"what": "site.set", "file": "sites.csv", "name": name, "place": place}]), "moved")


def planned(folder: Path, known: Any, overtake: str = "") -> tuple[Any, Pipe]:
    pipe, newest = Pipe(overtake=overtake), Clock()
    pipe.newest = newest
    return worker._plan(folder, pipe, newest, 1, known), pipe


def test_after_a_move_links_come_first_then_the_plan_of_a_full_run(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding")
    first, pipe = planned(folder, None)
    strip = pipe.of("plan")[0]["strip"]
    assert (strip["sensors"]["served"], strip["sensors"]["of"], strip["cost"]["was"]) == (2, 2, None)
    move(folder, "Trough", 560, 40)
    second, pipe = planned(folder, first)
    assert [kind for kind, _, _ in pipe.sent if kind not in ("stage", "seeking")] == ["links", "plan"]
    kinds = [kind for kind, _, _ in pipe.sent]
    assert kinds.index("links") < kinds.index("seeking")
    links = pipe.of("links")[0]
    touched = links["touched"]
    assert touched, "a moved sensor has other links"
    assert all("Trough" in (link["a"], link["b"]) for link in touched), "and nobody else has"
    assert sorted(links["standing"] + links["failing"]) == ["Bed", "Trough"]
    full = plan_property(folder)
    assert pipe.of("plan")[0]["strip"] == strip_of(full.plan, first.plan)
    assert json_block(worker.drawn_of(full)) == pipe.of("plan")[0]["drawn"].decode()
    assert second.plan == full.plan
    data = json.loads(pipe.of("plan")[0]["drawn"])
    assert data["map"]["uri"].startswith("data:image/webp;base64,")
    assert {device["name"] for device in data["devices"]} >= {"Bed", "Trough", "House"}


def test_a_lost_sensor_and_a_broken_route_are_named(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding")
    first, _ = planned(folder, None)
    edits = [{"what": "site.drop", "file": "sites.csv", "name": f"{end} post"} for end in ("North", "South")]
    Book(folder).step(edits_from(edits), "no posts")
    toml = folder / "property.toml"
    toml.write_text("generate_relays = 0\n" + toml.read_text())
    _, pipe = planned(folder, first)
    assert pipe.of("links")[0]["failing"] == ["Trough"], "its relay is gone"
    strip = pipe.of("plan")[0]["strip"]
    assert strip["sensors"] == {"served": 1, "of": 2, "lost": ["Trough"], "gained": []}
    assert strip["cost"]["was"] > strip["cost"]["now"]


def test_the_best_plan_so_far_is_told_with_its_gap_while_a_better_one_is_sought(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding")
    first, pipe = planned(folder, None)
    told = pipe.of("seeking")
    assert told, "the search tells of itself"
    assert told[-1]["cost"] == pytest.approx(first.plan.proof.cost)
    assert told[-1]["gap"] == 0.0
    costs = [one["cost"] for one in told]
    assert costs == sorted(costs, reverse=True), "each is at least as cheap as the one before"
    assert all(one["bound"] <= one["cost"] + 1e-6 for one in told)
    assert len({(one["cost"], one["gap"]) for one in told}) == len(told), "nothing is said twice"
    kinds = [kind for kind, _, _ in pipe.sent]
    assert max(i for i, kind in enumerate(kinds) if kind == "seeking") < kinds.index("plan")


def test_a_search_looks_up_while_it_searches(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding")
    pipe, newest = Pipe(), Clock()
    usual = pipe.send

    def send(message: tuple[str, int, dict[str, Any]]) -> None:
        usual(message)
        newest.clock += message[0] == "seeking"

    pipe.send = send  # type: ignore[method-assign]
    assert worker._plan(folder, pipe, newest, 1, None) is None  # type: ignore[arg-type]
    assert pipe.of("plan") == []
    assert "Looking at alternatives" not in {data.get("stage") for data in pipe.of("stage")}, "it ended within the search"
    assert len(pipe.of("seeking")) == 1


def test_a_plan_that_serves_not_everybody_tells_no_cost_of_weights(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding", settings="generate_relays = 0\nrequirement.budget = 150\n")
    first, pipe = planned(folder, None)
    assert first.plan.unserved
    assert {one["cost"] for one in pipe.of("seeking")} <= {first.plan.proof.cost}


@pytest.mark.parametrize("stage", ["Computing links", "Choosing gateways and relays", "Looking at alternatives"])
def test_what_is_overtaken_is_dropped_and_the_next_plan_is_right(stage: str, tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding")
    first, _ = planned(folder, None)
    move(folder, "Trough", 340, 280)
    kept, pipe = planned(folder, first, overtake=stage)
    assert pipe.of("plan") == []
    move(folder, "Bed", 100, 300)
    last, pipe = planned(folder, kept)
    assert last.plan == plan_property(folder).plan
    assert pipe.of("plan")[0]["strip"]["cost"]["was"] == first.plan.proof.cost, "compared with the plan that was shown last"


def test_faults_are_told_with_their_place_and_the_plan_before_stays(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding")
    first, _ = planned(folder, None)
    path = folder / "sites.csv"
    good = path.read_text()
    path.write_text(good.replace("sensor", "sensr"))
    kept, pipe = planned(folder, first)
    assert kept is first
    assert {fault["file"] for fault in pipe.of("faults")[0]["faults"]} == {"sites.csv"}
    path.write_text(good)
    _, pipe = planned(folder, kept)
    assert pipe.of("links")[0]["touched"] == [], "nothing changed after all"


@dataclass(eq=False)
class Heard(Events):
    """Events kept, with a sign for each plan."""

    kinds: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    planned: threading.Event = field(default_factory=threading.Event)

    def tell(self, kind: str, data: Any) -> None:
        self.kinds.append((kind, dict(data)))
        if kind == "plan":
            self.planned.set()


@pytest.mark.slow
def test_the_process_plans_again_after_it_was_killed_and_ends_with_the_desk(tmp_path: Path) -> None:
    events = Heard()
    live = Live(lay_small_property(tmp_path / "holding"), events)
    try:
        live.changed(1)
        assert events.planned.wait(120)
        assert live.strip is not None
        assert live.strip["clock"] == 1
        process = live._process
        process.kill()
        process.join()
        events.planned.clear()
        live.changed(2)
        assert events.planned.wait(120)
        assert live.strip["clock"] == 2
        assert live._process is not process
    finally:
        live.close()
    assert not live._process.is_alive()


def stubborn(folder: Path, pipe: Any) -> None:
    """Work for ever at the first question where a file says so; else answer each at once."""
    asked = pipe.recv()
    pipe.send(("stage", asked, {"stage": "Reading the property"}))
    if not (folder / "began").exists():
        (folder / "began").touch()
        threading.Event().wait()
    pipe.send(("plan", asked, {"strip": {}, "drawn": b"{}"}))
    pipe.recv()


@pytest.mark.slow
def test_a_search_that_does_not_look_up_is_ended_for_the_next_change(tmp_path: Path) -> None:
    events = Heard()
    live = Live(tmp_path, events, target=stubborn, patience_s=0.3)
    try:
        live.changed(1)
        for _ in range(600):
            if (tmp_path / "began").exists():
                break
            threading.Event().wait(0.1)
        first = live._process
        live.changed(2)
        assert events.planned.wait(60)
        assert live.strip == {"clock": 2}
        assert live._process is not first
        assert not first.is_alive()
    finally:
        live.close()
