"""Steiner trees as placement without a hop limit: every arc is a node that costs what its edge costs."""

from __future__ import annotations

from pathlib import Path

from published_tables import read_nested

from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, SensorDemand


def read_stp(path: Path) -> tuple[list[tuple[int, int, int]], list[int]]:
    """Return edges (u, v, cost) and terminals of an STP file."""
    edges, terminals = [], []
    for line in path.read_text(encoding="ascii").splitlines():
        words = line.split()
        if len(words) == 4 and words[0] == "E":
            edges.append((int(words[1]), int(words[2]), int(words[3])))
        elif len(words) == 2 and words[0] == "T":
            terminals.append(int(words[1]))
    return edges, terminals


def restated_trees() -> dict[str, tuple[list[tuple[int, int, int]], list[int], float]]:
    """Return, by name, edges (u, v, cost), terminals and the published optimum of the instances in tests/published."""
    found = {}
    for tree in read_nested("steiner_trees.toml")["tree"]:
        flat = iter(tree["edges"])
        found[tree["name"]] = (list(zip(flat, flat, flat, strict=True)), tree["terminals"], float(tree["optimum"]))
    return found


def steiner_problem(edges: list[tuple[int, int, int]], terminals: list[int]) -> PlacementProblem:
    """Return the placement problem whose cheapest plan is the Steiner tree: terminals send along arcs to the first terminal."""
    root, *others = terminals
    arcs = [(u, v, c) for u, v, c in edges] + [(v, u, c) for u, v, c in edges]
    arcs = [arc for arc in arcs if arc[0] != root]
    leaving: dict[int, list[int]] = {}
    for number, (u, _, _) in enumerate(arcs):
        leaving.setdefault(u, []).append(number)
    access = [(s, number) for s, terminal in enumerate(others) for number in leaving.get(terminal, [])]
    backhaul = []
    for number, (u, v, _) in enumerate(arcs):
        if v == root:
            backhaul.append((number, len(arcs)))
        else:
            backhaul += [(number, other) for other in leaving.get(v, []) if arcs[other][1] != u]
    nodes = [NodeChoice(f"a{i}", float(c)) for i, (_, _, c) in enumerate(arcs)]
    return PlacementProblem(
        tuple(SensorDemand(f"t{t}") for t in others),
        (*nodes, NodeChoice("root", 0.0, is_gateway=True)),
        Links.of([a for a, _ in access], [b for _, b in access]),
        Links.of([a for a, _ in backhaul], [b for _, b in backhaul]),
        hop_limit=None,
    )
