"""What a certificate may look like: everything that the proof in `certificate` does not speak of is refused here, in words.

Nothing is mended or read kindly: a weight is a whole number of Python, not a text, a truth value or a float that happens to be
whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from meshplan.planning.problem import LEFT_OUT, Certificate, CertificateBranch, CutRow, PlacementProblem

LARGEST: Final = 2**62
"""No weight, price or bound is larger. Sums of them are Python's whole numbers, which do not overflow."""

LARGEST_SCALE: Final = 10**12
"""Largest number of weights that make a thousandth of the currency unit."""

MOST_ENTRIES: Final = 20_000_000
"""Members, weights, prices and decisions of a certificate, all together; more is taken for an attempt to keep the checker busy."""

EVERY_LEVEL: Final = -1
"""In place of a level: the node is meant at whatever level it stands."""


def form_faults(problem: PlacementProblem, certificate: Certificate) -> list[str]:
    """Return what is wrong with the form of a certificate, in words."""
    if not isinstance(certificate, Certificate):
        return ["this is no certificate"]
    for name in ("served", "rows", "site_prices", "branches", "sieves"):
        if not isinstance(getattr(certificate, name), tuple):
            return [f"its '{name}' is no list"]
    shapes = list(_shape_faults(certificate))
    if shapes:
        return shapes
    if _entries(certificate) > MOST_ENTRIES:
        return [f"it has more than {MOST_ENTRIES} entries"]
    form = _Form(problem, certificate)
    return [
        *_amount_faults("the bound", certificate.bound_units),
        *_amount_faults("the scale", certificate.scale, least=1, most=LARGEST_SCALE),
        *form.served_faults(),
        *form.row_faults(),
        *form.price_faults("the certificate", certificate.site_prices),
        *form.branch_faults(),
        *form.sieve_faults(),
    ]


def _shape_faults(certificate: Certificate) -> Iterator[str]:
    """Yield where the certificate is not built of the parts it should be built of; values come later."""
    for number, row in enumerate(certificate.rows):
        if not isinstance(row, CutRow) or not _are_tuples(row.members, (str, int)):
            yield f"row {number} is no row of a sensor, a weight, a need and members with their levels"
    yield from _part_faults("the certificate", certificate.site_prices)
    for number, branch in enumerate(certificate.branches):
        if not isinstance(branch, CertificateBranch) or not _are_tuples(branch.decisions, (str, int, bool)):
            yield f"branch {number} is no branch with decisions and weights"
        elif not _are_tuples(branch.weights, (int, int)):
            yield f"branch {number}: its weights are no pairs of whole numbers"
        else:
            yield from _part_faults(f"branch {number}", branch.site_prices)
    for number, sieve in enumerate(certificate.sieves):
        if not isinstance(sieve, CertificateBranch) or sieve.decisions != () or not _are_tuples(sieve.weights, (int, int)):
            yield f"sieve {number} is no set of weights"
        else:
            yield from _part_faults(f"sieve {number}", sieve.site_prices)


def _part_faults(where: str, prices: object) -> Iterator[str]:
    if not _are_tuples(prices, (str, int)):
        yield f"{where}: its site prices are no pairs of a site and a whole number"


def _are_tuples(parts: object, kinds: tuple[type, ...]) -> bool:
    """Return whether `parts` is a tuple of tuples of exactly these kinds."""
    if not isinstance(parts, tuple):
        return False
    return all(isinstance(part, tuple) and tuple(type(value) for value in part) == kinds for part in parts)


def _entries(certificate: Certificate) -> int:
    parts = (*certificate.branches, *certificate.sieves)
    inside = sum(len(part.decisions) + len(part.weights) + len(part.site_prices) for part in parts)
    return inside + sum(len(row.members) for row in certificate.rows) + len(certificate.site_prices) + len(certificate.served)


def _amount_faults(what: str, value: object, least: int = 0, most: int = LARGEST) -> list[str]:
    if type(value) is not int:
        return [f"{what} is no whole number"]
    if value < least:
        return [f"{what} is not positive" if least else f"{what} is negative"]
    return [f"{what} is larger than {most}"] if value > most else []


class _Form:
    """The same, part by part, with the names and levels that the problem knows."""

    def __init__(self, problem: PlacementProblem, certificate: Certificate) -> None:
        self.problem = problem
        self.certificate = certificate
        self.sites = {node.site_id for node in problem.nodes}
        self.served = {name for name in certificate.served if isinstance(name, str)}

    def served_faults(self) -> Iterator[str]:
        """Yield what is wrong with the list of sensors."""
        if len(self.served) < len(self.certificate.served):
            yield "the served sensors are not named once each"
        for name in sorted(self.served - self.problem.sensor_index.keys()):
            yield f"'{name}' is no sensor"

    def level_fault(self, name: str, level: int) -> str:
        """Return why a node cannot stand at a level, in words; nothing when it can."""
        problem = self.problem
        if name not in problem.node_index:
            return f"'{name}' is no node of the problem"
        index = problem.node_index[name]
        if not problem.allowed[index]:
            return f"'{name}' can never be opened"
        if not has_levels(problem):
            return "" if level == EVERY_LEVEL else f"'{name}' has level {level}: there are no levels in this problem"
        assert problem.hop_limit is not None
        levels = range(1) if problem.is_gateway[index] else range(1, problem.hop_limit)
        return "" if level in levels else f"'{name}' cannot stand at level {level}"

    def row_faults(self) -> Iterator[str]:
        """Yield what is wrong with the rows."""
        seen: dict[object, int] = {}
        for number, row in enumerate(self.certificate.rows):
            fault = self.row_fault(row)
            if not fault:
                first = seen.setdefault((row.sensor_id, row.need, row.without, frozenset(row.members)), number)
                fault = f"it is row {first} once more" if first != number else ""
            if fault:
                yield f"row {number} (sensor '{row.sensor_id}'): {fault}"

    def row_fault(self, row: CutRow) -> str:  # noqa: PLR0911  (one return per reason)
        """Return what is wrong with a row, in words; nothing when it is fit to be checked."""
        problem = self.problem
        if not isinstance(row.sensor_id, str) or row.sensor_id not in problem.sensor_index:
            return "no such sensor"
        if row.sensor_id not in self.served:
            return "the certificate does not list this sensor as served"
        weight = _amount_faults("its weight", row.weight)
        if weight:
            return weight[0]
        if type(row.need) is not int or row.need not in (1, 2):
            return "its need is not 1 or 2"
        if not row.members:
            return "it has no members"
        if len(set(row.members)) < len(row.members):
            return "a member is named twice"
        for name, level in row.members:
            fault = self.level_fault(name, level)
            if fault:
                return fault
        return self.failure_fault(row)

    def failure_fault(self, row: CutRow) -> str:
        """Return what is wrong with what a row says about failures, in words."""
        problem = self.problem
        if not isinstance(row.without, str):
            return "the failed node is no name"
        if row.need == 1 and not row.without:
            return ""
        if problem.redundancy == "none" or not problem.sensors[problem.sensor_index[row.sensor_id]].second_route:
            return "no redundancy rule covers this sensor"
        if row.without and (row.need != 1 or row.without not in problem.node_index):
            return "the failed node is not valid"
        if row.without and problem.redundancy == "any one relay" and problem.is_gateway[problem.node_index[row.without]]:
            return "the rule lets no gateway fail"
        return ""

    def price_faults(self, where: str, prices: tuple[tuple[str, int], ...]) -> Iterator[str]:
        """Yield what is wrong with prices of sites."""
        if len({name for name, _ in prices}) < len(prices):
            yield f"{where}: a site has two prices"
        for name, price in prices:
            if name not in self.sites:
                yield f"{where}: '{name}' is no site"
            yield from _amount_faults(f"{where}: the price of site '{name}'", price)

    def weight_faults(self, where: str, part: CertificateBranch) -> Iterator[str]:
        """Yield what is wrong with the weights of a branch or sieve."""
        rows = range(len(self.certificate.rows))
        if any(number not in rows or not 0 <= weight <= LARGEST for number, weight in part.weights):
            yield f"{where}: a weight is negative, too large, or of no row"
        if len({number for number, _ in part.weights}) < len(part.weights):
            yield f"{where}: a row has two weights"
        yield from self.price_faults(where, part.site_prices)

    def sieve_faults(self) -> Iterator[str]:
        """Yield what is wrong with the sieves."""
        for number, sieve in enumerate(self.certificate.sieves):
            yield from self.weight_faults(f"sieve {number}", sieve)
        if self.certificate.sieves and not self.certificate.branches:
            yield "it has sieves but no branches"

    def branch_faults(self) -> Iterator[str]:
        """Yield what is wrong with the branches, one by one and together."""
        for number, branch in enumerate(self.certificate.branches):
            where = f"branch {number}"
            yield from self.weight_faults(where, branch)
            for name, level, _ in branch.decisions:
                fault = self.decision_fault(name, level)
                if fault:
                    yield f"{where}: {fault}"
            if len({decision[:2] for decision in branch.decisions}) < len(branch.decisions):
                yield f"{where}: decides twice about the same"
        yield from tree_faults([branch.decisions for branch in self.certificate.branches])

    def decision_fault(self, name: str, level: int) -> str:
        """Return why nothing can be decided about a name at a level; nothing when it can."""
        if level != LEFT_OUT:
            fault = self.level_fault(name, level)
            return f"nothing can be decided about '{name}': {fault}" if fault else ""
        sensors = self.problem.sensor_index
        if name not in sensors or name not in self.served or self.problem.sensors[sensors[name]].required:
            return f"nothing can be decided about '{name}': it is no optional sensor of the certificate"
        return ""


def has_levels(problem: PlacementProblem) -> bool:
    """Return whether nodes are told apart by level: one route each, a hop limit, and no airtime that runs out."""
    return problem.hop_limit is not None and problem.redundancy == "none" and not problem.has_capacity


def tree_faults(parts: list[tuple[tuple[str, int, bool], ...]]) -> list[str]:
    """Return what is wrong with parts that should be the leaves of one tree of decisions, each side of each decision held once.

    Parts are looked at together as long as they agree; where they differ they must decide about the same and take both sides.
    """
    pending = [(parts, 0)] if parts else []
    while pending:
        group, depth = pending.pop()
        if len(group) == 1 and len(group[0]) == depth:
            continue
        if any(len(part) == depth for part in group):
            return ["two branches hold the same plans"]
        if len({part[depth][:2] for part in group}) != 1:
            return ["the branches leave out plans"]
        sides = [[part for part in group if part[depth][2] is opened] for opened in (False, True)]
        if not all(sides):
            return ["the branches leave out plans"]
        pending += [(side, depth + 1) for side in sides]
    return []
