"""Options that put the heavy part of a command on a cluster or on processes of this machine."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from meshplan.errors import InputError

if TYPE_CHECKING:
    from meshplan.workflow.plan import PathsBy

Command = TypeVar("Command", bound=Callable[..., Any])


def spread_options(command: Command) -> Command:
    """Add `--cluster` and `--workers` to a command."""
    told = "Compute links on a running Dask scheduler, such as tcp://HOST:8786; the results are the same bytes."
    command = click.option("--cluster", "address", metavar="ADDRESS", help=told)(command)
    told = "Compute links in so many processes of this machine; the results are the same bytes."
    return click.option("--workers", type=click.IntRange(min=1, max=512), metavar="N", help=told)(command)


@contextmanager
def spread_over(address: str | None, workers: int | None, results: Path) -> Iterator[PathsBy | None]:
    """Give what computes paths on the cluster that was asked for; None, and no import of Dask, if none was.

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
    from meshplan.cluster.paths import PARTS, forget_parts, paths_by

    parts = results / PARTS
    with joined_cluster(address=address, workers=workers) as cluster:
        yield paths_by(cluster, parts)
    forget_parts(parts)
