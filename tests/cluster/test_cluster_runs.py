"""Plans from real processes: the bytes of one machine, whatever dies on the way, or one clear message and what is finished kept."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from real_cluster import RealCluster, free_port
from small_property import lay_small_property

from meshplan.cli import EXIT_CLUSTER_LOST, EXIT_INPUT_WRONG, main
from meshplan.cluster.engine import joined_cluster
from meshplan.cluster.part_files import PARTS
from meshplan.cluster.paths import paths_by
from meshplan.errors import ClusterLostError, InputError
from meshplan.workflow.plan import plan_property, write_plan

pytestmark = pytest.mark.slow

SAMPLE_SITES = Path(__file__).resolve().parents[2] / "sample_sites"
DEMO = SAMPLE_SITES / "pellimoor_orchard"
SMALL_TASKS = 400_000
"""Samples of a task, so that a demo makes many."""


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[RealCluster]:
    (tmp_path / "cluster").mkdir()
    found = RealCluster(tmp_path / "cluster")
    found.start_scheduler()
    try:
        yield found
    finally:
        found.stop()


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return what one machine writes."""
    folder = tmp_path_factory.mktemp("alone")
    write_plan(plan_property(DEMO), folder)
    return folder


def files_of(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_workers_that_die_change_no_byte(cluster: RealCluster, alone: Path, tmp_path: Path) -> None:
    """Each of three moments, counted in finished tasks, takes one of two workers; another is started in its place."""
    cluster.start_worker("w0")
    cluster.start_worker("w1")
    names = iter([("w0", "w2"), ("w1", "w3"), ("w2", "w4")])
    moments = [3, 9, 20]

    def tell(stage: str, done: int, total: int) -> None:
        if stage == "Computing links" and moments and done * 100 >= moments[0] * total:
            moments.pop(0)
            old, new = next(names)
            cluster.kill(old)
            cluster.start_worker(new)

    with joined_cluster(address=cluster.address) as joined:
        by = paths_by(joined, tmp_path / PARTS, samples_a_task=SMALL_TASKS)
        planned = plan_property(DEMO, paths_by=by, on_progress=tell)
    assert moments == []
    write_plan(planned, tmp_path / "out")
    assert files_of(tmp_path / "out") == files_of(alone)


def test_a_lost_scheduler_ends_in_words_and_the_next_run_goes_on(
    cluster: RealCluster, alone: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cluster.start_worker("w0")
    parts = tmp_path / PARTS

    def tell(stage: str, done: int, total: int) -> None:
        if stage == "Computing links" and done * 3 > total and cluster.scheduler is not None and cluster.scheduler.poll() is None:
            cluster.kill("scheduler")

    with pytest.raises(ClusterLostError, match=r"goes on from there"), joined_cluster(address=cluster.address) as joined:
        plan_property(DEMO, paths_by=paths_by(joined, parts, samples_a_task=SMALL_TASKS), on_progress=tell)
    kept = {path.name for path in parts.iterdir()}
    assert len(kept) > 3
    assert all(name.endswith(".npz") for name in kept)

    cluster.stop()
    again = RealCluster(cluster.folder, port=free_port())
    again.start_scheduler()
    again.start_worker("v0")
    asked: list[int] = []
    try:
        with joined_cluster(address=again.address) as joined:
            run = type(joined).run
            monkeypatch.setattr(
                type(joined), "run", lambda self, work, tasks, *rest: asked.append(len(tasks)) or run(self, work, tasks, *rest)
            )
            planned = plan_property(DEMO, paths_by=paths_by(joined, parts, samples_a_task=SMALL_TASKS))
    finally:
        again.stop()
    total = len(list(parts.iterdir()))
    assert sum(asked) == total - len(kept)
    write_plan(planned, tmp_path / "out")
    assert files_of(tmp_path / "out") == files_of(alone)


def test_a_worker_with_other_files_of_the_package_is_refused(cluster: RealCluster, tmp_path: Path) -> None:
    copy = tmp_path / "other" / "meshplan"
    shutil.copytree(Path(plan_property.__code__.co_filename).parents[1], copy, ignore=shutil.ignore_patterns("__pycache__"))
    with (copy / "units.py").open("a", encoding="utf-8") as stream:
        stream.write("\n# one line more\n")
    cluster.start_worker("odd", {"PYTHONPATH": str(copy.parent)})
    with (
        pytest.raises(InputError, match="worker odd runs other files of meshplan"),
        joined_cluster(address=cluster.address) as joined,
    ):
        plan_property(DEMO, paths_by=paths_by(joined, tmp_path / PARTS))
    assert not (tmp_path / PARTS).exists()


def test_a_worker_that_sees_another_file_is_refused(cluster: RealCluster, tmp_path: Path) -> None:
    """The raster changes between the look on the worker and the look here, as it would if each machine had a copy of its own."""
    folder = tmp_path / "property"
    shutil.copytree(DEMO, folder)
    cluster.start_worker("w0")
    raster = next(path for path in folder.iterdir() if path.suffix == ".tif")
    with joined_cluster(address=cluster.address) as joined:
        look = joined.client.run

        def meanwhile(*words: object) -> object:
            told = look(*words)
            raster.write_bytes(raster.read_bytes()[:-4])
            return told

        joined.client.run = meanwhile
        with pytest.raises(InputError, match="worker w0 does not see the same file"):
            joined.look_at([str(raster)])


def test_a_task_that_kills_its_workers_is_named(cluster: RealCluster, tmp_path: Path) -> None:
    """Under `--no-nanny` a dead worker stays dead, so four are there from the start."""
    for name in ("w0", "w1", "w2", "w3", "w4"):
        cluster.start_worker(name)
    with joined_cluster(address=cluster.address) as joined:
        joined.client.wait_for_workers(5, timeout=60)
        with pytest.raises(ClusterLostError, match="the task deadly ended 4 workers and is not tried again"):
            joined.run(_ends_its_process, [()], ["deadly"], lambda done, total: None)


def _ends_its_process() -> None:
    import os

    os._exit(9)


def test_a_fault_of_a_task_keeps_its_words(cluster: RealCluster) -> None:
    cluster.start_worker("w0")
    with joined_cluster(address=cluster.address) as joined, pytest.raises(InputError, match="cells are too many") as caught:
        joined.run(_refuses, [(3,)], ["refuses"], lambda done, total: None)
    assert caught.value.where == "here"
    assert caught.value.fix == "Take fewer."


def _refuses(count: int) -> None:
    from meshplan.errors import InputError

    raise InputError(f"{count} cells are too many", where="here", fix="Take fewer.")


def test_the_command_line_starts_processes_of_its_own(tmp_path: Path, alone: Path) -> None:
    out = tmp_path / "out"
    words = ["-m", "meshplan", "plan", str(DEMO), "--out", str(out), "--workers", "2", "-q"]
    done = subprocess.run([sys.executable, *words], capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    assert done.stderr == ""
    assert files_of(out) == files_of(alone)


def test_a_coverage_of_two_processes_is_that_of_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The largest cells that the small property takes; three transmitters, so that both processes have work."""
    folder = lay_small_property(tmp_path / "property")
    told = []
    for name, more in (("one", []), ("two", ["--workers", "2"])):
        out = str(tmp_path / name)
        assert main(["plan", str(folder), "--out", out, "-q"]) in (0, 1)
        capsys.readouterr()
        names = ["--from", "House", "--from", "North post", "--from", "South post"]
        assert main(["coverage", str(folder), "--out", out, *names, "--cores", "1", "-q", *more]) == 0
        told.append(capsys.readouterr().out.replace(out, "OUT"))
    assert told[0] == told[1]
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")


def test_nobody_at_the_address_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    address = f"tcp://127.0.0.1:{free_port()}"
    assert main(["plan", str(DEMO), "--out", str(tmp_path / "out"), "--cluster", address, "-q"]) == EXIT_INPUT_WRONG
    assert f"no scheduler answers at {address}" in capsys.readouterr().err
    assert main(["plan", str(DEMO), "--out", str(tmp_path / "out"), "--cluster", "nonsense", "-q"]) == EXIT_INPUT_WRONG
    assert not (tmp_path / "out").exists()
    assert EXIT_CLUSTER_LOST not in (0, 1, 2, 3)
