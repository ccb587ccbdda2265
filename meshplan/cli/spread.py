"""Options that put the heavy part of a command on a cluster or on processes of this machine."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from meshplan.errors import InputError

if TYPE_CHECKING:
    from meshplan.cluster.engine import Cluster
    from meshplan.workflow.coverage import FiguresBy
    from meshplan.workflow.plan import PathsBy

Command = TypeVar("Command", bound=Callable[..., Any])


def spread_options(command: Command) -> Command:
    """Add `--cluster` and `--workers` to a command."""
    told = "Compute links, or the land, on a running Dask scheduler, such as tcp://HOST:8786; the results are the same bytes."
    command = click.option("--cluster", "address", metavar="ADDRESS", help=told)(command)
    told = "Compute links, or the land, in so many processes of this machine; the results are the same bytes."
    return click.option("--workers", type=click.IntRange(min=1, max=512), metavar="N", help=told)(command)


@contextmanager
def spread_over(address: str | None, workers: int | None, results: Path) -> Iterator[PathsBy | None]:
    """Give what computes paths on the cluster that was asked for; None, and no import of Dask, if none was."""
    with _joined(address, workers, results) as joined:
        if joined is None:
            yield None
            return
        from meshplan.cluster.paths import paths_by

        yield paths_by(*joined)


@contextmanager
def land_spread_over(address: str | None, workers: int | None, results: Path, radio: str) -> Iterator[FiguresBy | None]:
    """Give what computes the land of a coverage there; `radio` is the class that the property is prepared with, if not its own."""
    with _joined(address, workers, results) as joined:
        if joined is None:
            yield None
            return
        from meshplan.cluster.land import figures_by

        yield figures_by(*joined, radio)


@contextmanager
def _joined(address: str | None, workers: int | None, results: Path) -> Iterator[tuple[Cluster, Path] | None]:
    """Join the cluster and give it with the folder of finished parts; None if none was asked for.

    Finished parts lie beside the results while the command runs. They are removed when it has done its work, and kept when it ends
    early: the next run goes on from there.
    """
    if address is None and workers is None:
        yield None
        return
    if address is not None and workers is not None:
        raise InputError(
            "--cluster and --workers were both given", where="--cluster, --workers", fix="Give one: a scheduler, or processes here."
        )
    from meshplan.cluster.engine import joined_cluster
    from meshplan.cluster.part_files import PARTS, forget_parts

    parts = results / PARTS
    with joined_cluster(address=address, workers=workers) as cluster:
        yield cluster, parts
    forget_parts(parts)
