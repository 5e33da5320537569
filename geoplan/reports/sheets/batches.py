"""Sheets rendered batch by batch, on one process or several, with bounded memory.

Enters: a `SheetSource`, a folder.
Leaves: one PDF per batch or per sheet, and on which page each sheet starts.
Does not do: join; choose drops.

Batches are of one size and in order whatever the number of processes, so the bytes are too.
"""

from __future__ import annotations

import multiprocessing
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from geoplan.errors import OutputError
from geoplan.reports.pdf import Rendered, render_each, render_pdf

BATCH = 25
"""Sheets laid out together; memory of a process grows with it."""

WAITING = 2
"""Batches handed out per process, so that none waits and few are held."""

FRESH_AFTER = 60
"""Batches after which processes are begun anew: what a renderer keeps grows by 20 kB a sheet."""

Tell = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Batch:
    """One document to render: to one file, or each sheet to its own."""

    html: str
    targets: tuple[Path, ...]
    is_each: bool = False


def render_batch(batch: Batch) -> Rendered:
    """Render one batch; runs in any process."""
    if batch.is_each:
        return render_each(batch.html, batch.targets)
    return render_pdf(batch.html, batch.targets[0])


def render_batches(
    batches: Iterator[Batch], workers: int, sizes: Sequence[int], tell: Tell
) -> list[Rendered]:
    """Render all batches in order.

    Parameters
    ----------
    batches : iterator of Batch
        Made one after the other, as they are needed.
    workers : int
        Processes; 1 renders in this one.
    sizes : sequence of int
        Sheets in each batch, for progress.
    tell : callable
        Told ``("sheets", done, total)``.

    Returns
    -------
    list of Rendered
        In the order of the batches.

    Raises
    ------
    OutputError
        If a process ended before its work was done.
    """
    total = sum(sizes)
    done: list[Rendered] = []
    tell("sheets", 0, total)

    def take(rendered: Rendered) -> None:
        done.append(rendered)
        tell("sheets", sum(sizes[: len(done)]), total)

    if workers == 1 or len(sizes) == 1:
        for batch in batches:
            take(render_batch(batch))
        return done
    stretch = workers * FRESH_AFTER
    for first in range(0, len(sizes), stretch):
        some = min(stretch, len(sizes) - first)
        _render_stretch(islice(batches, some), min(workers, some), take)
    return done


def _render_stretch(
    batches: Iterator[Batch], workers: int, take: Callable[[Rendered], None]
) -> None:
    """Render some batches in order, in processes of their own."""
    waiting: deque[Future[Rendered]] = deque()
    pool = ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))
    try:
        for batch in batches:
            waiting.append(pool.submit(render_batch, batch))
            if len(waiting) >= workers * WAITING:
                take(waiting.popleft().result())
        while waiting:
            take(waiting.popleft().result())
    except BrokenProcessPool as error:
        where, problem = "sheets", "a process ended before its work was done"
        raise OutputError(where, problem, "Use fewer --workers; memory may be short") from error
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
