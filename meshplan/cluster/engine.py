"""The only module that imports Dask: starts or joins a cluster, looks whether its workers are alike, and runs tasks in order.

Nothing is scheduled, retried or moved here: Dask does that. Results are small (a number, a name); what is large lies in files that
all machines see. Tasks are numbered, and their results are read in that order whatever the order of completion.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from meshplan.cluster.likeness import Likeness, likeness_of, refuse_unlike
from meshplan.errors import ClusterLostError, InputError, MissingPackageError

if TYPE_CHECKING:
    from distributed import Client

JOIN_S: Final = 15
"""How long a scheduler may take to answer."""

WORKERS_S: Final = 60
"""How long it may be without any worker, which may have been started a moment ago."""

HUNG_WORKER: Final = "60s"
"""After so long without a sign a worker counts as lost; Dask waits five minutes of its own."""

MOST_DEATHS: Final = 3
"""Workers that one task may take with it before it is named instead of tried again."""

ONE_THREAD: Final = {"GDAL_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


@dataclass(frozen=True)
class Cluster:
    """A joined cluster whose workers are looked at."""

    client: Client
    workers: int

    def look_at(self, paths: Sequence[str]) -> None:
        """Refuse workers that have another package, other libraries or other files under these paths."""
        told: Mapping[str, Likeness] = self.client.run(likeness_of, list(paths))
        refuse_unlike(likeness_of(paths), {self._name_of(address): each for address, each in told.items()})

    def warm(self, work: Callable[[], Any]) -> None:
        """Run something on one worker of each host, so that routines are compiled once there and not by all at a time."""
        hosts: dict[str, str] = {}
        for address in sorted(self.client.scheduler_info(n_workers=-1)["workers"]):
            hosts.setdefault(address.rsplit(":", 1)[0], address)
        self.client.run(work, workers=list(hosts.values()))

    def run(
        self, work: Callable[..., Any], tasks: Sequence[tuple[Any, ...]], keys: Sequence[str], tell: Callable[[int, int], None]
    ) -> list[Any]:
        """Return `work(*task)` of every task, in order; `tell` is called with tasks done and tasks in all.

        Raises
        ------
        MeshplanError
            What a task raised, a task that kills its workers, by its key, or a scheduler that is gone.
        """
        from distributed import as_completed  # noqa: PLC0415 - this module alone knows Dask, and only when it is wanted
        from distributed.client import FutureCancelledError  # noqa: PLC0415
        from distributed.scheduler import KilledWorker  # noqa: PLC0415

        futures = [self.client.submit(work, *task, key=key, pure=True) for task, key in zip(tasks, keys, strict=True)]
        done = 0
        tell(done, len(futures))
        try:
            for future in as_completed(futures, loop=self.client.loop):
                if future.status == "error":
                    raise future.exception()
                if future.cancelled():
                    raise _lost(done, len(futures))
                done += 1
                tell(done, len(futures))
            return [future.result() for future in futures]
        except KilledWorker as error:
            key = getattr(error, "task", "")
            raise ClusterLostError(
                f"the task {key} ended {MOST_DEATHS + 1} workers and is not tried again",
                where="the cluster",
                fix="Give each worker more memory, or look at its log; what is finished is kept, and the next run goes on.",
            ) from error
        except RuntimeError as error:
            if "deserialization of the task graph" not in str(error):
                raise
            raise InputError(
                "the scheduler cannot read the tasks: it has no meshplan, or another one",
                where="--cluster",
                fix="Install the same meshplan where `dask scheduler` runs, too, and start it again.",
            ) from error
        except (FutureCancelledError, OSError, TimeoutError) as error:
            if isinstance(error, OSError) and self.client.status == "running":
                raise
            raise _lost(done, len(futures)) from error
        finally:
            # Queued tasks are dropped; one that runs cannot be stopped, which is why tasks are short.
            self.client.cancel([future for future in futures if not future.done()])

    def _name_of(self, address: str) -> str:
        workers = self.client.scheduler_info(n_workers=-1)["workers"]
        return str(workers.get(address, {}).get("name", address))


def _lost(done: int, total: int) -> ClusterLostError:
    return ClusterLostError(
        f"the scheduler of the cluster is gone; {done} of {total} parts of this run are done and kept",
        where="the cluster",
        fix="Start it again and run the same command: it goes on from there.",
    )


@contextmanager
def joined_cluster(*, address: str | None = None, workers: int | None = None, client: Client | None = None) -> Iterator[Cluster]:
    """Join a running scheduler, use a client that somebody has, or start some processes on this machine.

    Parameters
    ----------
    address : str, optional
        Of a scheduler, such as tcp://10.0.0.5:8786; TLS by Dask's own configuration.
    workers : int, optional
        Processes to start here; they listen on 127.0.0.1 alone.
    client : distributed.Client, optional
    """
    try:
        import dask  # noqa: PLC0415
        import distributed  # noqa: PLC0415
    except ImportError as error:
        raise MissingPackageError(
            "work on several processes needs the packages dask and distributed, which are not installed",
            where="--cluster" if address else "--workers",
            fix="Run: pip install 'meshplan[region]'",
        ) from error
    if client is not None:
        yield Cluster(client, len(client.scheduler_info(n_workers=-1)["workers"]))
        return
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    quiet = {
        "distributed.scheduler.worker-ttl": HUNG_WORKER,
        "distributed.scheduler.allowed-failures": MOST_DEATHS,
        "distributed.worker.memory.spill": False,
        "distributed.comm.timeouts.connect": f"{JOIN_S}s",
        "logging.distributed": "critical",
        "distributed.nanny.pre-spawn-environ": ONE_THREAD,
    }
    with dask.config.set(quiet):
        if address is None:
            own = distributed.LocalCluster(
                n_workers=_count_of(workers), threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
            )
            with own, distributed.Client(own, set_as_default=False) as local:
                local.wait_for_workers(_count_of(workers), timeout=120)
                yield Cluster(local, _count_of(workers))
            return
        with _client_at(address) as remote:
            try:
                remote.wait_for_workers(1, timeout=WORKERS_S)
            except TimeoutError as error:
                raise InputError(
                    f"the scheduler at {address} has had no worker for {WORKERS_S} s",
                    where="--cluster",
                    fix=f"Start some: dask worker {address}",
                ) from error
            yield Cluster(remote, len(remote.scheduler_info(n_workers=-1)["workers"]))


def _count_of(workers: int | None) -> int:
    return workers if workers else max(len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1, 1)


def _client_at(address: str) -> Client:
    from distributed import Client  # noqa: PLC0415
    from distributed.comm.core import CommClosedError  # noqa: PLC0415

    try:
        return Client(address, timeout=f"{JOIN_S}s", set_as_default=False)
    except CommClosedError as error:
        fix = "Write tls:// and name the certificates in Dask's configuration (distributed.comm.tls), as on the scheduler."
        raise InputError(f"the scheduler at {address} hung up", where="--cluster", fix=fix) from error
    except (OSError, TimeoutError) as error:
        fix = "Look whether it runs and may be reached from here: dask scheduler, then dask worker ADDRESS."
        raise InputError(f"no scheduler answers at {address}", where="--cluster", fix=fix) from error
    except TypeError as error:
        fix = "Name the certificates in Dask's configuration: distributed.comm.tls.ca-file and .client.cert, .client.key."
        raise InputError(f"{address} asks for TLS, and no certificates are configured", where="--cluster", fix=fix) from error
    except ValueError as error:
        raise InputError(
            f"'{address}' is no address of a scheduler", where="--cluster", fix="Write tcp://HOST:PORT or tls://HOST:PORT."
        ) from error
