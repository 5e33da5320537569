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

import hashlib
import os
import pickle
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from geoplan import __version__
from geoplan.errors import ClusterError, MissingExtraError, OutputError
from geoplan.finishing import Finished
from geoplan.model import Layers
from geoplan.offers import Offers
from geoplan.project import Project
from geoplan.routes.segments import IntArray
from geoplan.search import Aim
from geoplan.standards import Standards
from geoplan.tile_tasks import TASKS, write_tile
from geoplan.tiles import cut_tile, layer_bounds, reach_m, split_addresses
from geoplan.working import Bounds, Tell, joined_bounds, joined_offers

if TYPE_CHECKING:
    from distributed import Client

TILE_ADDRESSES = 25_000
RETRIES = 5
"""Times a task is begun again when its process dies."""


class Cluster:
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
        tile_addresses: int = TILE_ADDRESSES,
        tell: Callable[[str, int, int], None] | None = None,
    ) -> None:
        self.folder = folder
        _prepare(folder, resume=resume)
        x = layers.addresses.geometry.x.to_numpy()
        y = layers.addresses.geometry.y.to_numpy()
        self.tile_of = split_addresses(x, y, max(tile_addresses, 1))
        self.count = int(self.tile_of.max(initial=-1)) + 1
        self.paths, self.prints = self._write_tiles(layers, project, standards, tell)
        self.client = _connect(workers, scheduler, folder)

    def _write_tiles(
        self,
        layers: Layers,
        project: Project,
        standards: Standards,
        tell: Callable[[str, int, int], None] | None,
    ) -> tuple[list[str], list[str]]:
        bounds, far = layer_bounds(layers), reach_m(layers, project, standards)
        order = np.argsort(self.tile_of, kind="stable")
        first = np.searchsorted(self.tile_of[order], np.arange(self.count + 1))
        paths, prints = [], []
        for number in range(self.count):
            owned = order[first[number] : first[number + 1]]
            path = self.folder / f"tile_{number:05d}.pickle"
            write_tile(path, cut_tile(layers, bounds, owned, far), project, standards)
            paths.append(str(path.resolve()))
            prints.append(hashlib.sha256(path.read_bytes()).hexdigest())
            if tell is not None:
                tell("tiles", number + 1, self.count)
        return paths, prints

    def close(self, *, keep: bool) -> None:
        """Let go of the processes; remove the folder unless it is to be kept."""
        cluster = self.client.cluster
        self.client.close()
        if cluster is not None:
            cluster.close()
        if not keep:
            shutil.rmtree(self.folder, ignore_errors=True)

    # -- what a worker does -------------------------------------------------------------------

    def search(self, addresses: IntArray, aim: Aim, tell: Tell) -> tuple[Offers, IntArray]:
        """Search addresses; return offers, and the price that each was searched up to."""
        groups = self._by_tile(self.tile_of[addresses])
        questions = [("search", tile, (addresses[at], aim.take(at))) for tile, at in groups]
        answers = self._ask(questions, tell)
        reached = np.zeros(len(addresses), dtype=np.int64)
        for (_, at), (_, price) in zip(groups, answers, strict=True):
            reached[at] = price
        return joined_offers([offers for offers, _ in answers]), reached

    def bounds(self, addresses: IntArray) -> Bounds:
        """Return a lower bound for every pair of these addresses that may have a route."""
        groups = self._by_tile(self.tile_of[addresses])
        return joined_bounds(self._ask([("bounds", tile, (addresses[at],)) for tile, at in groups]))

    def shift(self, offers: Offers) -> Offers:
        """Shift clamps to cheaper places; same order."""
        groups = self._by_tile(self.tile_of[offers.address])
        parts = self._ask([("shift", tile, (offers.take(at),)) for tile, at in groups])
        place = np.zeros(len(offers), dtype=np.int64)
        place[np.concatenate([place[:0], *(at for _, at in groups)])] = np.arange(len(offers))
        return joined_offers(parts).take(place)

    def finish(self, offers: Offers, tell: Tell) -> Finished:
        """Work drops out in full; sorted by address.

        All drops of a strand span go to the tile of the first of them; its layers reach that far.
        """
        tile = self.tile_of[offers.address].copy()
        clamp = np.flatnonzero(offers.span >= 0)
        _, first, group = np.unique(offers.span[clamp], return_index=True, return_inverse=True)
        tile[clamp] = tile[clamp[first]][group]
        groups = self._by_tile(tile)
        if not groups:
            groups = [(0, np.zeros(0, dtype=np.int64))]
        parts = self._ask([("finish", one, (offers.take(at),)) for one, at in groups], tell)
        done = Finished.joined(parts)
        return done.take(np.argsort(done.offers.address, kind="stable"))

    def explain(self, addresses: IntArray) -> Offers:
        """Search addresses to the end, and keep what tells why they have no route."""
        groups = self._by_tile(self.tile_of[addresses])
        offers = joined_offers(
            self._ask([("explain", tile, (addresses[at],)) for tile, at in groups])
        )
        return offers.take(np.argsort(offers.address, kind="stable"))

    # -- sharing out --------------------------------------------------------------------------

    def _by_tile(self, tile: IntArray) -> list[tuple[int, IntArray]]:
        order = np.argsort(tile, kind="stable")
        cuts = np.flatnonzero(np.diff(tile[order])) + 1
        return [(int(tile[part[0]]), part) for part in np.split(order, cuts) if len(part)]

    def _ask(
        self, questions: list[tuple[str, int, tuple[Any, ...]]], tell: Tell | None = None
    ) -> list[Any]:
        """Have tasks done; those that a former run has done already are read."""
        from distributed import as_completed

        paths = [self._answer_path(*question) for question in questions]
        open_: dict[Any, int] = {}
        for number, ((task, tile, arguments), path) in enumerate(
            zip(questions, paths, strict=True)
        ):
            if not path.exists():
                future = self.client.submit(
                    answer,
                    task,
                    self.paths[tile],
                    arguments,
                    str(path),
                    pure=False,
                    retries=RETRIES,
                )
                open_[future] = number
        done = len(questions) - len(open_)
        for future in as_completed(list(open_)):
            future.result()
            done += 1
            if tell is not None:
                tell(done, len(questions))
        return [pickle.loads(path.read_bytes()) for path in paths]  # noqa: S301

    def _answer_path(self, task: str, tile: int, arguments: tuple[Any, ...]) -> Path:
        name = hashlib.sha256(f"{__version__} {task} {self.prints[tile]} ".encode())
        name.update(pickle.dumps(arguments, protocol=5))
        return self.folder.resolve() / f"{task}_{name.hexdigest()[:40]}.pickle"


def answer(task: str, tile: str, arguments: tuple[Any, ...], out: str) -> None:
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
    """
    result = pickle.dumps(TASKS[task](tile, *arguments), protocol=5)
    aside = Path(f"{out}.{os.getpid()}")
    aside.write_bytes(result)
    aside.replace(out)


def _prepare(folder: Path, *, resume: bool) -> None:
    """Make the folder; without `resume` it begins empty."""
    try:
        if folder.exists() and not resume:
            strange = [path for path in folder.iterdir() if path.suffix != ".pickle"]
            if strange:
                raise OutputError(
                    f"work folder '{folder}'", "holds other files", "name another one with --work"
                )
            shutil.rmtree(folder)
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"work folder '{folder}'",
            f"cannot be made: {error.strerror}",
            "name another one with --work",
        ) from error


def _connect(workers: int, scheduler: str | None, folder: Path) -> Client:
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError as error:
        where, remedy = "--workers, --scheduler", "pip install 'geoplan[cluster]'"
        raise MissingExtraError(where, "no package for several processes", remedy) from error
    quiet: Mapping[str, Any] = {
        "distributed.worker.memory.target": False,
        "distributed.worker.memory.spill": False,
        "distributed.worker.memory.pause": False,
        "distributed.worker.memory.terminate": False,
        "distributed.scheduler.allowed-failures": RETRIES,
    }
    dask.config.set(quiet)
    if scheduler is not None:
        try:
            return Client(scheduler, timeout="15s")
        except (OSError, ValueError) as error:
            raise ClusterError(
                f"scheduler '{scheduler}'", f"does not answer: {error}", "check that it runs"
            ) from error
    cluster = LocalCluster(
        n_workers=workers,
        threads_per_worker=1,
        processes=True,
        dashboard_address=None,
        local_directory=str(folder),
        silence_logs="ERROR",
    )
    return Client(cluster)
