"""The error family: every fault that a user can cause says what, where and how to put it right."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from difflib import get_close_matches


class MeshplanError(Exception):
    """A fault the user can mend.

    Parameters
    ----------
    problem : str
        What is wrong, with the offending value.
    where : str
        File, row, column, key or site at fault; empty if there is no such place.
    fix : str
        What the user should do, one imperative sentence; empty if nothing can be said.
    """

    def __init__(self, problem: str, *, where: str = "", fix: str = "") -> None:
        self.problem = problem
        self.where = where
        self.fix = fix
        super().__init__(str(self))

    def __str__(self) -> str:
        head = f"{self.where}: {self.problem}" if self.where else self.problem
        return f"{head}\n  {self.fix}" if self.fix else head


class InputError(MeshplanError, ValueError):
    """A file, row, field or option of the user is wrong."""


class MissingFileError(MeshplanError, FileNotFoundError):
    """A file that was named is not there."""

    __str__ = MeshplanError.__str__


class MissingPackageError(MeshplanError, ImportError):
    """An optional package is needed and not installed; `fix` is the install command."""


class TooLargeError(MeshplanError, MemoryError):
    """The work would not fit in memory; `fix` offers a coarser setting."""


class ClusterLostError(MeshplanError, RuntimeError):
    """A cluster went away, or a task takes its workers with it; what is finished is kept for the next run."""


class FaultList(MeshplanError, ValueError):  # noqa: N818 - it is a list that people read
    """All faults of one or more files, gathered before anything was done."""

    def __init__(self, faults: Iterable[MeshplanError]) -> None:
        self.faults: tuple[MeshplanError, ...] = tuple(faults)
        if not self.faults:
            raise AssertionError("a FaultList needs at least one fault")
        super().__init__("\n".join(str(fault) for fault in self.faults))


@contextmanager
def said_of(place: str) -> Iterator[None]:
    """Put a place that the user knows before the places of faults that come from a part which knows no files."""
    try:
        yield
    except FaultList as several:
        raise FaultList(_placed(fault, place) for fault in several.faults) from several
    except MeshplanError as fault:
        raise _placed(fault, place) from fault


def _placed(fault: MeshplanError, place: str) -> MeshplanError:
    return type(fault)(fault.problem, where=f"{place}, {fault.where}" if fault.where else place, fix=fault.fix)


def raise_faults(faults: Sequence[MeshplanError]) -> None:
    """Raise nothing, the only fault, or all of them together."""
    if len(faults) == 1:
        raise faults[0]
    if faults:
        raise FaultList(faults)


def nearest_name(word: str, known: Iterable[str]) -> str:
    """Return " Did you mean 'x'?" for the nearest known name, or an empty string."""
    known_by_fold = {name.casefold(): name for name in known}
    close = get_close_matches(word.casefold(), known_by_fold, n=1, cutoff=0.6)
    return f" Did you mean '{known_by_fold[close[0]]}'?" if close else ""
