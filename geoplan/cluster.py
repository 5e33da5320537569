"""The work shared out over processes and machines, by tiles, on Dask.

Enters: layers, settings, an address of a scheduler or a number of processes.
Leaves: `Cluster`, a `geoplan.working.Worker`.
Does not do: choose; the joint choice stays in one place.

Tiles are written to a folder that all processes see, and so is the answer of every task, under a
name made from the task, its tile and its question. A run that is taken up again finds the answers
there and does not work them out twice. A process that dies takes nothing with it but the task it
was at, which another one does again.
"""

from __future__ import annotations

import functools
import hashlib
import os
import pickle
import re
import shutil
import signal
import uuid
from collections.abc import Callable, Mapping
from concurrent.futures import CancelledError
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from geoplan.errors import ClusterError, GeoplanError, MissingExtraError, OutputError
from geoplan.layers.split_points import split_points
from geoplan.model import Layers
from geoplan.project import Project
from geoplan.standards import Standards
from geoplan.tile_tasks import TASKS, open_site, tile_bytes
from geoplan.tiled import Question, Tiled
from geoplan.tiles import cut_tile, layer_bounds, reach_m
from geoplan.working import Tell

if TYPE_CHECKING:
    from collections.abc import Iterator

    from distributed import Client

FEWEST_ADDRESSES, MOST_ADDRESSES = 2_000, 25_000
TILES_AT_LEAST = 16
DEATHS = 5
"""Processes that may die at a task before it is given up."""
WAIT_S = 15
"""How long a scheduler may take to answer and to have a process."""
LOCK, SCRATCH = "lock", "scratch"
OURS = re.compile(
    rf"{LOCK}|{SCRATCH}|tile_\d{{5,}}_[0-9a-f]{{40}}\.pickle(\.[0-9a-f]{{32}})?"
    r"|(search|bounds|shift|finish|explain)_[0-9a-f]{40}\.pickle(\.[0-9a-f]{32})?"
)
"""Names in a work folder; where there are others, it isn't one."""


def usual_tile(addresses: int) -> int:
    """Return the most addresses of a tile; it depends on the region alone, for --resume.

    Parameters
    ----------
    addresses : int
        Addresses of the region.

    Returns
    -------
    int
        Enough tiles to share out, none too small to be worth it.
    """
    return min(max(addresses // TILES_AT_LEAST, FEWEST_ADDRESSES), MOST_ADDRESSES)


class Cluster(Tiled):
    """Works on tiles in other processes; close it when done."""

    def __init__(
        self,
        layers: Layers,
        project: Project,
        standards: Standards,
        folder: Path,
        *,
        workers: int = 0,
        scheduler: str | None = None,
        resume: bool = False,
        tile_addresses: int | None = None,
        tell: Callable[[str, int, int], None] | None = None,
    ) -> None:
        _check_packages()
        self.folder, self.opened = folder, ExitStack()
        self.lock = _prepare(folder, resume=resume)
        try:
            self.client = _connect(workers, scheduler, folder, self.opened)
            x = layers.addresses.geometry.x.to_numpy()
            y = layers.addresses.geometry.y.to_numpy()
            self.tile_of = split_points(x, y, tile_addresses or usual_tile(len(x)))
            self.count = int(self.tile_of.max(initial=-1)) + 1
            with _telling_faults(folder):
                self.paths = self._write_tiles(layers, project, standards, tell)
        except BaseException:
            self.close(keep=resume)
            raise

    def _write_tiles(
        self,
        layers: Layers,
        project: Project,
        standards: Standards,
        tell: Callable[[str, int, int], None] | None,
    ) -> list[str]:
        bounds, far = layer_bounds(layers), reach_m(layers, project, standards)
        order = np.argsort(self.tile_of, kind="stable")
        first = np.searchsorted(self.tile_of[order], np.arange(self.count + 1))
        paths = []
        for number in range(self.count):
            owned = order[first[number] : first[number + 1]]
            tile = tile_bytes(cut_tile(layers, bounds, owned, far), project, standards)
            name = f"tile_{number:05d}_{hashlib.sha256(tile).hexdigest()[:40]}.pickle"
            write_whole(self.folder / name, tile)
            paths.append(str((self.folder / name).resolve()))
            if tell is not None:
                tell("tiles", number + 1, self.count)
        return paths

    def close(self, *, keep: bool) -> None:
        """Let go of the processes; remove the folder unless it is to be kept."""
        self.opened.close()
        shutil.rmtree(self.folder / SCRATCH if keep else self.folder, ignore_errors=True)
        self.lock.release()

    def _ask(self, questions: list[Question], tell: Tell | None = None) -> list[Any]:
        """Have tasks done; those that a former run has done already are read."""
        from distributed import as_completed

        paths = [self._answer_path(*question) for question in questions]
        open_ = [
            self.client.submit(
                answer, task, self.paths[tile], arguments, str(path), code_print(), pure=False
            )
            for (task, tile, arguments), path in zip(questions, paths, strict=True)
            if not path.exists()
        ]
        done = len(questions) - len(open_)
        with _telling_faults(self.folder):
            for future in as_completed(open_):
                fault = future.result()
                if fault is not None:
                    kind, told = fault
                    raise kind(*told)
                done += 1
                if tell is not None:
                    tell(done, len(questions))
            return [pickle.loads(path.read_bytes()) for path in paths]  # noqa: S301

    def _answer_path(self, task: str, tile: int, arguments: tuple[Any, ...]) -> Path:
        name = hashlib.sha256(f"{code_print()} {task} {Path(self.paths[tile]).name} ".encode())
        name.update(pickle.dumps(arguments, protocol=5))
        return self.folder.resolve() / f"{task}_{name.hexdigest()[:40]}.pickle"


def answer(
    task: str, tile: str, arguments: tuple[Any, ...], out: str, code: str
) -> tuple[type[GeoplanError], tuple[str, str, str]] | None:
    """Do a task and write its answer, whole or not at all.

    Parameters
    ----------
    task : str
        A key of `geoplan.tile_tasks.TASKS`.
    tile : str
        File of the tile.
    arguments : tuple
        The question.
    out : str
        File for the answer.
    code : str
        What `code_print` gives where the question comes from.

    Returns
    -------
    tuple or None
        Class and parts of a fault that the user can mend; nothing where all went well.
    """
    try:
        if code != code_print():
            where, problem = "a process of the scheduler", "runs another geoplan than this one"
            raise ClusterError(where, problem, "Install the same on all machines, start them anew")
        write_whole(Path(out), pickle.dumps(TASKS[task](open_site(tile), *arguments), protocol=5))
    except GeoplanError as error:
        return type(error), (error.where, error.problem, error.remedy)
    return None


def dask_setup(worker: object) -> None:
    """Leave Ctrl-C to the process that began the run; called by Dask in each of the others.

    Parameters
    ----------
    worker : object
        Not used.
    """
    del worker
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@functools.cache
def code_print() -> str:
    """Return a print of geoplan's own code; answers of other code are not taken over."""
    root, found = Path(__file__).parent, hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        found.update(f"{path.relative_to(root).as_posix()} ".encode() + path.read_bytes())
    return found.hexdigest()


def write_whole(path: Path, data: bytes) -> None:
    """Write a file under its name only once it is whole and on the disk.

    Parameters
    ----------
    path : Path
        File to write.
    data : bytes
        What it is to hold.
    """
    aside = path.with_name(f"{path.name}.{uuid.uuid4().hex}")
    try:
        with aside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    except BaseException:
        aside.unlink(missing_ok=True)
        raise


@contextmanager
def _telling_faults(folder: Path) -> Iterator[None]:
    """Tell what goes wrong with the folder, processes or scheduler as faults of these."""
    from distributed import KilledWorker

    again = "Mend it and take the run up again with --resume"
    try:
        yield
    except OSError as error:
        where, problem = f"work folder '{folder}'", f"cannot be used: {error.strerror or error}"
        raise OutputError(where, problem, again) from error
    except (KilledWorker, MemoryError) as error:
        where, problem = "the processes", f"die or have too little memory for a task: {error}"
        raise ClusterError(where, problem, "Use fewer at once, with --resume") from error
    except CancelledError as error:
        where, problem = "the scheduler", "went away"
        raise ClusterError(where, problem, again) from error


def _prepare(folder: Path, *, resume: bool) -> Any:
    """Make the folder and keep other runs out of it; without `resume` it begins empty."""
    from locket import LockError, lock_file  # type: ignore[import-untyped]

    where, remedy = f"work folder '{folder}'", "Name another one with --work"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        strange = sorted(path.name for path in folder.iterdir() if not OURS.fullmatch(path.name))
        if strange:
            raise OutputError(where, f"holds other files, such as '{strange[0]}'", remedy)
        lock = lock_file(str(folder.resolve() / LOCK), timeout=0)
        try:
            lock.acquire()
        except LockError as error:
            raise OutputError(where, "is in use by another run", remedy) from error
        try:
            shutil.rmtree(folder / SCRATCH, ignore_errors=True)
            for path in folder.iterdir():
                if path.name != LOCK and not (resume and path.suffix == ".pickle"):
                    path.unlink()
        except BaseException:
            lock.release()
            raise
    except OSError as error:
        raise OutputError(where, f"cannot be used: {error.strerror}", remedy) from error
    return lock


def _check_packages() -> None:
    try:
        import distributed  # noqa: F401
        import locket  # type: ignore[import-untyped]  # noqa: F401
    except ImportError as error:
        where, remedy = "--workers, --scheduler", "pip install 'geoplan[cluster]'"
        raise MissingExtraError(where, "no package for several processes", remedy) from error


def _connect(workers: int, scheduler: str | None, folder: Path, opened: ExitStack) -> Client:
    """Reach the scheduler or start processes; `opened` undoes it."""
    import dask
    from distributed import Client, LocalCluster
    from distributed.utils import silence_logging_cmgr

    quiet: Mapping[str, Any] = {
        "distributed.worker.memory.target": False,
        "distributed.worker.memory.spill": False,
        "distributed.worker.memory.pause": False,
        "distributed.worker.memory.terminate": False,
        "distributed.scheduler.allowed-failures": DEATHS,
        "distributed.admin.large-graph-warning-threshold": "1TB",
    }
    opened.enter_context(dask.config.set(quiet))
    if scheduler is None:
        cluster = opened.enter_context(
            LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                processes=True,
                dashboard_address=None,
                scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},  # its page takes any port
                local_directory=str(folder / SCRATCH),
                silence_logs="CRITICAL",  # what goes wrong is told as a fault
                preload=[__name__],
            )
        )
        here: Client = opened.enter_context(Client(cluster))
        return here
    opened.enter_context(silence_logging_cmgr(level="CRITICAL"))  # its end is told as a fault
    where, problem = f"scheduler '{scheduler}'", "does not answer"
    try:
        client: Client = opened.enter_context(Client(scheduler, timeout=WAIT_S))
        problem = "has no process to work with"
        client.wait_for_workers(1, timeout=WAIT_S)
    except (OSError, ValueError, TypeError, RuntimeError) as error:
        raise ClusterError(where, f"{problem}: {error}", "Check that it runs") from error
    return client
