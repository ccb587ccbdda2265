"""The only door to the HiGHS solver: models in, checked answers out.

Nothing the solver says is taken on trust: a binary answer is rounded, put back into the rows and priced again.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

THREADS = 1
"""The solver keeps one thread pool per process: every model must ask for the same number."""


@contextmanager
def _quiet_stdout() -> Iterator[None]:
    """Keep the banner that some releases print when constructed out of the output (it bypasses Python's own stream)."""
    sys.stdout.flush()
    kept, sink = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    os.dup2(sink, 1)
    try:
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(sink)


def new_solver(seed: int) -> Any:  # highspy carries no types
    """Return a silent solver object with one thread."""
    import highspy  # noqa: PLC0415  (a tenth of a second, and not needed before the first plan)

    with _quiet_stdout():
        solver = highspy.Highs()  # type: ignore[no-untyped-call]
        solver.setOptionValue("output_flag", False)
    solver.setOptionValue("threads", THREADS)
    solver.setOptionValue("random_seed", seed % 2**31)
    return solver


LOWER, BASIC = 0, 1
"""States of a column or row in a basis, as the solver numbers them: at its lower bound, and basic."""


def set_basis(solver: Any, columns: NDArray[np.int8], rows: NDArray[np.int8]) -> None:
    """Let the simplex method start from a basis: states of all columns and rows, in the solver's numbers."""
    import highspy  # noqa: PLC0415

    states = [highspy.HighsBasisStatus(number) for number in range(5)]
    basis = highspy.HighsBasis()
    basis.col_status = [states[number] for number in columns]
    basis.row_status = [states[number] for number in rows]
    basis.valid = True
    solver.setBasis(basis)


def solver_version() -> str:
    """Return the version of the solver package."""
    return version("highspy")


@dataclass(frozen=True, eq=False)
class BinaryModel:
    """Minimise `cost @ x + continuous_cost @ y` with `rows @ (x, y) >= lower`, x binary with whole costs, y >= 0.

    Shapes: cost (n,), rows (m, n + n_continuous), lower (m,), continuous_cost (n_continuous,) or None for zero.
    """

    cost: NDArray[np.int64]
    rows: sparse.csr_matrix
    lower: NDArray[np.float64]
    n_continuous: int = 0
    continuous_cost: NDArray[np.float64] | None = None


@dataclass(frozen=True, eq=False)
class BinaryAnswer:
    """The best vector found (None if none), its cost, a lower bound on every vector's cost, and whether the search ended."""

    x: NDArray[np.bool_] | None
    cost: int
    bound: float
    complete: bool


def solve_binary(
    model: BinaryModel,
    *,
    seed: int,
    start: NDArray[np.bool_] | None = None,
    time_s: float | None = None,
    max_nodes: int | None = None,
    cutoff: int | None = None,
    near_enough: float = 0.0,
) -> BinaryAnswer:
    """Return the cheapest binary vector.

    Parameters
    ----------
    start : ndarray of bool, shape (n,), optional
        A feasible vector. When the answer is worse, the solver has contradicted itself and is asked again without it.
    cutoff : int, optional
        Only vectors cheaper than this are wanted; when there are none, x is None and the bound is at least the cutoff.
    near_enough : float
        Share of the cost within which an answer need not be the best.

    Notes
    -----
    Differs from source
        A release of the solver once returned a wrong "optimal" value when given a start (kept as a test case); hence the
        re-pricing, the comparison with the start, and the version excluded in the package's requirements.
    """
    answer = _run(model, seed, start, time_s, max_nodes, cutoff, near_enough)
    if start is not None and answer.complete:
        start_cost = int(model.cost @ start)
        worse = answer.x is None or answer.cost > start_cost
        if worse and (cutoff is None or start_cost < cutoff):
            answer = _run(model, seed, None, time_s, max_nodes, cutoff, near_enough)
    return answer


def _run(
    model: BinaryModel,
    seed: int,
    start: NDArray[np.bool_] | None,
    time_s: float | None,
    max_nodes: int | None,
    cutoff: int | None,
    near_enough: float,
) -> BinaryAnswer:
    import highspy  # noqa: PLC0415

    n, m = model.cost.size, model.rows.shape[0]
    solver = new_solver(seed)
    # Whole-number costs: a plan that saves less than one unit is no better, so the search may stop a hair below one.
    solver.setOptionValue("mip_abs_gap", 0.999)
    solver.setOptionValue("mip_rel_gap", near_enough)
    if time_s is not None:
        solver.setOptionValue("time_limit", max(time_s, 0.05))
    if max_nodes is not None:
        solver.setOptionValue("mip_max_nodes", max_nodes)
    rows, lower = model.rows.tocsr(), model.lower
    if cutoff is not None:
        saved = sparse.csr_matrix(np.concatenate([-model.cost.astype(float), np.zeros(model.n_continuous)]))
        rows = sparse.vstack([rows, saved], format="csr")
        lower = np.append(lower, -float(cutoff - 1))
        m += 1
    solver.addVars(n, np.zeros(n), np.ones(n))
    if model.n_continuous:
        solver.addVars(model.n_continuous, np.zeros(model.n_continuous), np.full(model.n_continuous, highspy.kHighsInf))
        if model.continuous_cost is not None:
            others = n + np.arange(model.n_continuous, dtype=np.int32)
            solver.changeColsCost(model.n_continuous, others, model.continuous_cost)
    columns = np.arange(n, dtype=np.int32)
    solver.changeColsCost(n, columns, model.cost.astype(np.float64))
    solver.changeColsIntegrality(n, columns, np.full(n, highspy.HighsVarType.kInteger))
    infinite = np.full(m, highspy.kHighsInf)
    solver.addRows(m, lower, infinite, rows.nnz, rows.indptr[:-1].astype(np.int32), rows.indices.astype(np.int32), rows.data)
    if start is not None:
        solution = highspy.HighsSolution()
        solution.col_value = start.astype(np.float64).tolist()
        solver.setSolution(solution)
    solver.run()
    status, info = solver.getModelStatus(), solver.getInfo()
    kinds = highspy.HighsModelStatus
    if status == kinds.kInfeasible:
        return BinaryAnswer(None, 0, float(cutoff) if cutoff is not None else np.inf, True)
    bound = info.mip_dual_bound if np.isfinite(info.mip_dual_bound) else -np.inf
    complete = status == kinds.kOptimal
    values = np.array(solver.getSolution().col_value)
    if values.size != n + model.n_continuous or not np.isfinite(info.objective_function_value):
        return BinaryAnswer(None, 0, bound, False)
    x = values[:n] > 0.5
    cost = int(model.cost @ x)
    values[:n] = x
    short = rows @ values < lower - 1e-5 * np.maximum(1.0, np.abs(lower))
    total = cost + (0.0 if model.continuous_cost is None else float(model.continuous_cost @ values[n:]))
    honest = not short.any() and abs(total - info.objective_function_value) < 0.5 + 1e-6 * abs(total)
    if not honest:
        return BinaryAnswer(None, 0, -np.inf, False)
    return BinaryAnswer(x, cost, min(bound, total), complete)
