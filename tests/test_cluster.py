"""The cluster: same bytes however the work is shared, broken off, or bereft of a process."""

from __future__ import annotations

import errno
import gc
import os
import pickle
import signal
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest
from distributed import LocalCluster

from data_samples.make_town import make_town, write_town
from geoplan import cluster as cluster_module
from geoplan.cluster import Cluster, write_whole
from geoplan.errors import ClusterError, NoPlanError, OutputError
from geoplan.layers import read_layers
from geoplan.model import Layers, Plan
from geoplan.plan import make_plan
from geoplan.plant import build_plant
from geoplan.project import Project, read_project
from geoplan.reports import write_plan
from geoplan.search import Aim
from geoplan.standards import load_standards
from geoplan.tile_tasks import TASKS
from geoplan.working import Here

ROOT = Path(__file__).resolve().parents[1]
ADDRESSES, TILE = 96, 25
ANY_PORT = {"dashboard_address": "127.0.0.1:0"}
SCHEDULER = """
import sys
from distributed import Client, LocalCluster
if __name__ == "__main__":
    with LocalCluster(
        n_workers=0, threads_per_worker=2, dashboard_address="127.0.0.1:0"
    ) as cluster, Client(cluster) as client:
        print(cluster.scheduler_address, flush=True)
        for line in sys.stdin:
            cluster.scale(int(line))
            client.wait_for_workers(int(line))
            print("ready", flush=True)
"""
Tell = Callable[[str, int, int], None]


class _BrokenOff(Exception):
    pass


@pytest.fixture(scope="module")
def project(scarce_project: Project) -> Project:
    return scarce_project


@pytest.fixture(scope="module")
def layers(scarce_layers: Layers) -> Layers:
    return scarce_layers


def _bytes(plan: Plan, folder: Path) -> dict[str, bytes]:
    write_plan(plan, folder, "geoparquet")
    found = {path.name: path.read_bytes() for path in sorted(folder.glob("*.parquet"))}
    assert len(found) >= 8
    return found


@pytest.fixture(scope="module")
def wanted(
    layers: Layers, project: Project, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, bytes]:
    """Files of the plan made in one process."""
    return _bytes(make_plan(layers, project), tmp_path_factory.mktemp("here"))


class _Machines:
    """A scheduler in another process, with processes of two threads each."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process, self.count = process, 0
        self.address = self._line()

    def grow(self, count: int) -> str:
        """Start processes until there are so many; return the address."""
        if count > self.count:
            assert self.process.stdin is not None
            self.process.stdin.write(f"{count}\n")
            self.process.stdin.flush()
            assert self._line() == "ready"
            self.count = count
        return self.address

    def _line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()


@pytest.fixture(scope="module")
def machines(tmp_path_factory: pytest.TempPathFactory) -> Iterator[_Machines]:
    script = tmp_path_factory.mktemp("scheduler") / "scheduler.py"
    script.write_text(SCHEDULER)
    with subprocess.Popen(
        [sys.executable, str(script)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        cwd=script.parent,
    ) as process:
        yield _Machines(process)
        assert process.stdin is not None
        process.stdin.close()


@pytest.fixture
def scheduler(machines: _Machines) -> str:
    return machines.grow(2)


@pytest.fixture
def near(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Address of a scheduler and a worker on threads of this process."""
    with LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        processes=False,
        dashboard_address=None,
        scheduler_kwargs=ANY_PORT,
    ) as cluster:
        yield cluster.scheduler_address


def _cluster(layers: Layers, project: Project, folder: Path, **more: Any) -> Cluster:
    return Cluster(
        layers, project, load_standards(project), folder, **{"tile_addresses": TILE, **more}
    )


def _shared(
    layers: Layers, project: Project, folder: Path, tell: Tell | None = None, **more: Any
) -> tuple[dict[str, bytes], Counter[str]]:
    """Plan on a cluster; return the files and how often each task was sent out."""
    cluster, done = _cluster(layers, project, folder / "work", **more), False
    sent = _counting(cluster)
    try:
        plan = make_plan(layers, project, tell, worker=cluster)
        done = True
    finally:
        cluster.close(keep=not done)
    assert not (folder / "work").exists()
    return _bytes(plan, folder / "out"), sent


def _counting(cluster: Cluster) -> Counter[str]:
    plain, sent = cluster.client.submit, Counter[str]()

    def submit(work: Any, task: str, *words: Any, **more: Any) -> Any:
        sent[task] += 1
        return plain(work, task, *words, **more)

    cluster.client.submit = submit
    return sent


def _breaking_at(stage: str) -> Tell:
    def tell(now: str, done: int, total: int) -> None:
        del done, total
        if now == stage:
            raise _BrokenOff

    return tell


@pytest.mark.parametrize(("processes", "tile"), [(1, 1000), (2, 40), (4, 20)])
def test_number_of_processes_and_size_of_tiles_have_no_say(
    layers: Layers,
    project: Project,
    wanted: dict[str, bytes],
    tmp_path: Path,
    machines: _Machines,
    processes: int,
    tile: int,
) -> None:
    address = machines.grow(processes)
    found, sent = _shared(layers, project, tmp_path, scheduler=address, tile_addresses=tile)
    assert found == wanted
    assert set(sent) == set(TASKS)
    assert sent["search"] >= ADDRESSES // tile


def test_questions_are_answered_as_in_this_process_and_in_the_same_order(
    layers: Layers, project: Project, tmp_path: Path, near: str
) -> None:
    here = Here(build_plant(layers, project, load_standards(project)), project)
    told: list[tuple[int, int]] = []

    def tell(done: int, total: int) -> None:
        told.append((done, total))

    cluster = _cluster(layers, project, tmp_path / "work", scheduler=near)
    some = np.arange(0, ADDRESSES, 2, dtype=np.int64)
    assert (np.diff(cluster.tile_of[some]) < 0).any(), "tiles don't follow the rows"
    aim = Aim(some * 0, some * 100, np.ones(len(some), dtype=np.int64))
    offers, reached = cluster.search(some, aim, tell)
    known, until = here.search(some, aim, tell)
    assert reached.tolist() == until.tolist()
    assert len(set(reached.tolist())) > 10
    order = np.argsort(offers.address, kind="stable")
    assert pickle.dumps(offers.take(order)) == pickle.dumps(known.take(np.arange(len(known))))
    for mine, whole in zip(cluster.bounds(some), here.bounds(some), strict=True):
        assert mine.tolist() == whole.tolist()
    assert pickle.dumps(cluster.explain(some)) == pickle.dumps(here.explain(some))
    feasible = known.take(np.flatnonzero((known.forbidden == 0) & (known.span >= 0)))
    _, first = np.unique(feasible.address, return_index=True)
    chosen = feasible.take(first)
    assert pickle.dumps(cluster.shift(chosen)) == pickle.dumps(here.shift(chosen))
    finished, whole_finished = cluster.finish(chosen, tell), here.finish(chosen, tell)
    assert pickle.dumps(finished.offers) == pickle.dumps(whole_finished.offers)
    assert finished.final.margin_m.tobytes() == whole_finished.final.margin_m.tobytes()
    assert (cluster.count, cluster.count) in told
    cluster.close(keep=False)


def test_order_of_rows_in_the_input_has_no_say(
    project: Project, wanted: dict[str, bytes], tmp_path: Path, scheduler: str
) -> None:
    frames = make_town(ADDRESSES, scarce=True)
    rng = np.random.default_rng(3)
    town = tmp_path / "town"
    town.mkdir()
    mixed = {name: frame.iloc[rng.permutation(len(frame))] for name, frame in frames.items()}
    write_town(mixed, town)
    project = read_project(town / "project.toml")
    found, _ = _shared(read_layers(project), project, tmp_path, scheduler=scheduler)
    assert found == wanted


def test_a_changed_project_is_not_answered_from_an_old_tile(
    layers: Layers, project: Project, wanted: dict[str, bytes], tmp_path: Path, scheduler: str
) -> None:
    """The scheduler's processes live on, and so do the tiles that they keep ready."""
    found, _ = _shared(layers, project, tmp_path, scheduler=scheduler, tile_addresses=1000)
    assert found == wanted
    dearer = project.model_copy(
        update={"costs": project.costs.model_copy(update={"span_clamp": 500.0})}
    )
    here = _bytes(make_plan(layers, dearer), tmp_path / "here")
    again, _ = _shared(layers, dearer, tmp_path, scheduler=scheduler, tile_addresses=1000)
    assert here != wanted
    assert again == here


def test_a_process_that_is_killed_changes_nothing(
    layers: Layers, project: Project, wanted: dict[str, bytes], tmp_path: Path, scheduler: str
) -> None:
    cluster = _cluster(layers, project, tmp_path / "work", scheduler=scheduler, tile_addresses=12)
    before = cluster.client.run(os.getpid)
    killed: list[int] = []

    def kill_one_at_work() -> None:
        while not killed:
            for address, tasks in cluster.client.processing().items():
                if tasks:
                    os.kill(before[address], signal.SIGKILL)
                    killed.append(before[address])
                    return

    killer = threading.Thread(target=kill_one_at_work, daemon=True)
    killer.start()
    try:
        plan = make_plan(layers, project, worker=cluster)
        killer.join(timeout=10)
        cluster.client.wait_for_workers(len(before), timeout=20)
        after = set(cluster.client.run(os.getpid).values())
    finally:
        cluster.close(keep=False)
    assert len(killed) == 1
    assert killed[0] not in after
    assert len(after) == len(before)
    assert _bytes(plan, tmp_path / "out") == wanted


@pytest.fixture(scope="module")
def tasks_in_all(
    layers: Layers,
    project: Project,
    machines: _Machines,
    tmp_path_factory: pytest.TempPathFactory,
) -> Counter[str]:
    folder = tmp_path_factory.mktemp("whole")
    return _shared(layers, project, folder, scheduler=machines.grow(2))[1]


@pytest.mark.parametrize("stage", ["choice", "final"])
def test_a_run_taken_up_again_does_nothing_twice(
    layers: Layers,
    project: Project,
    wanted: dict[str, bytes],
    tmp_path: Path,
    scheduler: str,
    tasks_in_all: Counter[str],
    stage: str,
) -> None:
    work = tmp_path / "again" / "work"
    cluster = _cluster(layers, project, work, scheduler=scheduler)
    before = _counting(cluster)
    with pytest.raises(_BrokenOff):
        make_plan(layers, project, _breaking_at(stage), worker=cluster)
    cluster.close(keep=True)
    times = {path: path.stat().st_mtime_ns for path in work.glob("search_*.pickle")}
    assert len(times) == before["search"] >= ADDRESSES // TILE
    kept: dict[Path, int] = {}

    def tell(now: str, done: int, total: int) -> None:
        del done, total
        if now == "tables":
            kept.update({path: path.stat().st_mtime_ns for path in times})

    found, after = _shared(
        layers, project, tmp_path / "again", tell, scheduler=scheduler, resume=True
    )
    assert found == wanted
    assert kept == times
    assert before + after == tasks_in_all


def test_answers_of_other_code_are_not_taken_over(
    layers: Layers, project: Project, tmp_path: Path, near: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    some = np.arange(3, dtype=np.int64)
    cluster = _cluster(layers, project, tmp_path / "work", scheduler=near)
    cluster.bounds(some)
    cluster.close(keep=True)
    for code, again in ((None, 0), ("other", 1)):
        if code is not None:
            monkeypatch.setattr(cluster_module, "code_print", lambda: "other")
        cluster = _cluster(layers, project, tmp_path / "work", scheduler=near, resume=True)
        sent = _counting(cluster)
        cluster.bounds(some)
        cluster.close(keep=True)
        assert (sent["bounds"] > 0) == bool(again)


def test_a_process_with_another_geoplan_is_refused(
    layers: Layers,
    project: Project,
    tmp_path: Path,
    scheduler: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(cluster_module, "code_print", lambda: "of another version")
    cluster = _cluster(layers, project, tmp_path / "work", scheduler=scheduler)
    with pytest.raises(ClusterError, match="Install the same on all machines"):
        cluster.bounds(np.arange(3))
    cluster.close(keep=False)


def test_without_resume_nothing_is_taken_over(
    layers: Layers, project: Project, tmp_path: Path, near: str
) -> None:
    for _ in range(2):
        cluster = _cluster(layers, project, tmp_path / "work", scheduler=near)
        sent = _counting(cluster)
        cluster.bounds(np.arange(3))
        cluster.close(keep=True)
        assert sent["bounds"] > 0


# -- faults ---------------------------------------------------------------------------------------


def _fail_with(error: Exception) -> Callable[..., Any]:
    def task(*words: object) -> None:
        del words
        raise error

    return task


def test_a_fault_of_the_user_in_a_task_comes_back_as_it_is(
    layers: Layers, project: Project, tmp_path: Path, near: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    error = NoPlanError("pole P-1", "is made of air", "Set a pole of wood")
    monkeypatch.setattr("geoplan.cluster.TASKS", {"bounds": _fail_with(error)})
    cluster = _cluster(layers, project, tmp_path / "work", scheduler=near)
    with pytest.raises(NoPlanError, match=r"^pole P-1: is made of air. Set a pole of wood$"):
        cluster.bounds(np.arange(3))
    cluster.close(keep=False)


@pytest.mark.parametrize("kind", [ArithmeticError, LookupError])
def test_a_defect_in_a_task_comes_back_as_it_is(
    layers: Layers,
    project: Project,
    tmp_path: Path,
    near: str,
    monkeypatch: pytest.MonkeyPatch,
    kind: type[Exception],
) -> None:
    monkeypatch.setattr("geoplan.cluster.TASKS", {"bounds": _fail_with(kind("no proof"))})
    cluster = _cluster(layers, project, tmp_path / "work", scheduler=near)
    with pytest.raises(kind, match="no proof"):
        cluster.bounds(np.arange(3))
    cluster.close(keep=False)


def test_too_little_memory_in_a_task_is_told_with_a_remedy(
    layers: Layers, project: Project, tmp_path: Path, near: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("geoplan.cluster.TASKS", {"bounds": _fail_with(MemoryError("4 TiB"))})
    cluster = _cluster(layers, project, tmp_path / "work", scheduler=near)
    with pytest.raises(ClusterError, match=r"too little memory.*4 TiB.*Use fewer at once"):
        cluster.bounds(np.arange(3))
    cluster.close(keep=False)


def test_a_task_that_kills_every_process_is_given_up(
    layers: Layers, project: Project, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster_module, "DEATHS", 0)
    monkeypatch.setattr(cluster_module, "answer", lambda *words: os._exit(1))
    cluster = _cluster(layers, project, tmp_path / "work", workers=1)
    with pytest.raises(ClusterError, match="the processes: die or have too little memory"):
        cluster.bounds(np.arange(3))
    cluster.close(keep=False)


def test_a_tile_that_a_process_cannot_read_is_told_once(
    layers: Layers, project: Project, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    cluster = _cluster(layers, project, tmp_path / "work", workers=1)
    for path in cluster.paths:
        Path(path).unlink()
    with pytest.raises(OutputError, match=r"work folder .*: cannot be used: No such file"):
        cluster.bounds(np.arange(3))
    cluster.close(keep=False)
    assert capfd.readouterr() == ("", "")


def test_an_answer_that_the_disk_has_no_room_for_is_told(
    layers: Layers, project: Project, tmp_path: Path, near: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    cluster = _cluster(layers, project, tmp_path / "work", scheduler=near)

    def full(number: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("geoplan.cluster.os.fsync", full)
    with pytest.raises(OutputError, match=r"No space left on device.*--resume"):
        cluster.bounds(np.arange(3))
    assert [path for path in cluster.folder.iterdir() if "bounds" in path.name] == []
    cluster.close(keep=False)


def test_a_tile_that_the_disk_has_no_room_for_is_told(
    layers: Layers, project: Project, tmp_path: Path, near: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(number: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("geoplan.cluster.os.fsync", full)
    with pytest.raises(OutputError, match="No space left on device"):
        _cluster(layers, project, tmp_path / "work", scheduler=near)
    assert not (tmp_path / "work").exists()


def test_a_file_is_written_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "answer"
    write_whole(path, b"first")

    def fail(number: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("geoplan.cluster.os.fsync", fail)
    with pytest.raises(KeyboardInterrupt):
        write_whole(path, b"second")
    assert path.read_bytes() == b"first"
    assert list(tmp_path.iterdir()) == [path]


# -- the work folder ------------------------------------------------------------------------------


def test_two_runs_cannot_share_a_work_folder(
    layers: Layers, project: Project, tmp_path: Path, near: str
) -> None:
    first = _cluster(layers, project, tmp_path / "work", scheduler=near)
    held = sorted(path.name for path in first.folder.iterdir())
    for resume in (False, True):
        with pytest.raises(OutputError, match=r"in use by another run. Name another one"):
            _cluster(layers, project, tmp_path / "work", scheduler=near, resume=resume)
    assert sorted(path.name for path in first.folder.iterdir()) == held
    first.close(keep=True)
    _cluster(layers, project, tmp_path / "work", scheduler=near).close(keep=False)
    assert not (tmp_path / "work").exists()


@pytest.mark.parametrize("name", ["thesis.pickle", "tile_1.pickle", "notes.txt", "photos/a"])
@pytest.mark.parametrize("resume", [False, True])
def test_a_folder_with_files_of_others_is_left_alone(
    layers: Layers, project: Project, tmp_path: Path, name: str, resume: bool
) -> None:
    file, shown = tmp_path / "work" / name, Path(name).parts[0]
    file.parent.mkdir(parents=True)
    file.write_text("mine")
    with pytest.raises(OutputError, match=f"such as '{shown}'.*--work"):
        _cluster(layers, project, tmp_path / "work", workers=1, resume=resume)
    assert file.read_text() == "mine"
    assert sorted((tmp_path / "work").iterdir()) == [tmp_path / "work" / shown]


def test_what_a_run_left_that_was_killed_is_cleared(
    layers: Layers, project: Project, tmp_path: Path, near: str
) -> None:
    work = tmp_path / "work"
    (work / "scratch" / "dask-scratch-space" / "worker-x").mkdir(parents=True)
    (work / "lock").touch()
    left = [f"search_{'0' * 40}.pickle", f"search_{'1' * 40}.pickle.{'a' * 32}"]
    for name in left:
        (work / name).write_bytes(b"half an ans")
    cluster = _cluster(layers, project, work, scheduler=near)
    names = {path.name for path in work.iterdir()}
    assert not names & {*left, "scratch"}
    cluster.close(keep=False)
    assert not work.exists()


def test_a_folder_that_cannot_be_made_is_told(
    layers: Layers, project: Project, tmp_path: Path
) -> None:
    (tmp_path / "file").touch()
    for folder in (tmp_path / "file", tmp_path / "file" / "work"):
        with pytest.raises(OutputError, match=r"cannot be used: .*Name another one with --work"):
            _cluster(layers, project, folder, workers=1)


# -- schedulers and processes ---------------------------------------------------------------------


@pytest.mark.parametrize("address", ["nonsense", "tls://127.0.0.1:1", "tcp://127.0.0.1:1"])
def test_an_address_without_a_scheduler_is_told(
    layers: Layers,
    project: Project,
    tmp_path: Path,
    address: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(cluster_module, "WAIT_S", 1)
    with pytest.raises(ClusterError, match=f"scheduler '{address}': does not answer"):
        _cluster(layers, project, tmp_path / "work", scheduler=address)
    gc.collect()  # what a client that failed leaves must not hold up the next one
    assert not (tmp_path / "work").exists()


def test_a_scheduler_without_processes_is_told(
    layers: Layers, project: Project, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster_module, "WAIT_S", 1)
    with (
        LocalCluster(
            n_workers=0, processes=False, dashboard_address=None, scheduler_kwargs=ANY_PORT
        ) as empty,
        pytest.raises(ClusterError, match="has no process to work with"),
    ):
        _cluster(layers, project, tmp_path / "work", scheduler=empty.scheduler_address)


def test_closing_ends_all_processes_and_settings(
    layers: Layers, project: Project, tmp_path: Path
) -> None:
    import dask

    before = dask.config.get("distributed.scheduler.allowed-failures")
    me = psutil.Process()
    old = set(me.children(recursive=True))
    cluster = _cluster(layers, project, tmp_path / "work", workers=1)
    at_work = set(me.children(recursive=True)) - old
    cluster.close(keep=True)
    gone, alive = psutil.wait_procs(at_work, timeout=10)
    assert not [process for process in alive if "spawn_main" in " ".join(process.cmdline())]
    assert gone
    assert dask.config.get("distributed.scheduler.allowed-failures") == before
    assert not (tmp_path / "work" / "scratch").exists()


def test_a_region_without_addresses_makes_no_tasks(
    layers: Layers, project: Project, tmp_path: Path, near: str
) -> None:
    nobody = replace(layers, addresses=layers.addresses.iloc[:0])
    cluster = _cluster(nobody, project, tmp_path / "work", scheduler=near)
    assert cluster.count == 0
    assert len(cluster.explain(np.zeros(0, dtype=np.int64))) == 0
    assert [len(part) for part in cluster.bounds(np.zeros(0, dtype=np.int64))] == [0, 0, 0]
    cluster.close(keep=False)
