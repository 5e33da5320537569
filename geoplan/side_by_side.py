"""Groups of work done side by side.

Enters: a function, groups to call it with.
Leaves: its results in the order of the groups, whoever did them.
Does not do: know what the work is.

The groups go to processes split off from this one: they see what it holds without a copy, and don't
wait for each other's turn at the interpreter. That needs a system on which a process may safely be
split, and no other thread of this one; else the groups go to threads. The standard library's pool
of processes is not used: its processes outlive a parent that is killed.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from multiprocessing.connection import Connection, wait
from multiprocessing.sharedctypes import Synchronized
from typing import Any, TypeVar, cast

from geoplan.errors import ClusterError

MOST = 8
"""More processes at once are not split off: each needs room for its group."""
WHERE = "processes"
ENDED = "one was ended from outside, perhaps for want of memory"
REMEDY = "Run it where there is more, or allow it fewer processors"

DONE = -1
"""In place of a group: there is none left."""

T = TypeVar("T")
G = TypeVar("G")


def processors() -> int:
    """Return how many groups can be worked on at once.

    Returns
    -------
    int
        Processors that this process may use, at most `MOST`; no say in results.
    """
    if hasattr(os, "sched_getaffinity"):
        return min(len(os.sched_getaffinity(0)), MOST)
    return min(os.cpu_count() or 1, MOST)


def side_by_side(work: Callable[[G], T], groups: Sequence[G], count: int) -> Iterator[T]:
    """Do groups of work side by side.

    Parameters
    ----------
    work : callable
        Called with one group; what it gives back can be pickled.
    groups : sequence
        Begun in this order, by whoever is free; long ones at the front leave nobody idle.
    count : int
        At most so many at once; 1 does them here.

    Yields
    ------
    object
        What `work` gave, in the order of `groups`.

    Raises
    ------
    ClusterError
        If a process that was split off ended without an answer, as when it is killed.
    Exception
        What `work` raised.
    """
    count = min(count, len(groups))
    if count <= 1:
        yield from map(work, groups)
    elif _may_split():
        yield from _split_off(work, groups, count)
    else:
        with ThreadPoolExecutor(count) as threads:
            yield from threads.map(work, groups)


def _may_split() -> bool:
    """Another thread may hold a lock that nobody would open in the process split off."""
    return sys.platform == "linux" and threading.active_count() == 1


def _split_off(work: Callable[[G], T], groups: Sequence[G], count: int) -> Iterator[T]:
    context = multiprocessing.get_context("fork")
    taken = context.Value("q", 0)
    ears: list[Connection] = []
    processes = []
    for _ in range(count):
        ear, mouth = context.Pipe(duplex=False)
        ears.append(ear)
        process = context.Process(
            target=_answer, args=(work, groups, taken, mouth, list(ears)), daemon=True
        )
        with warnings.catch_warnings():
            # Newer Pythons warn of the libraries' own threads, which idle between calls.
            warnings.filterwarnings("ignore", ".*fork.*", DeprecationWarning)
            process.start()
        processes.append(process)
        mouth.close()
    try:
        yield from _heard(list(ears))
    finally:
        for ear, process in zip(ears, processes, strict=True):
            ear.close()
            process.terminate()
            process.join()
            process.close()


def _heard(ears: list[Connection]) -> Iterator[Any]:
    """Give answers in the order of the groups, until each process has said that it is done."""
    early: dict[int, Any] = {}
    due = 0
    while ears:
        for ready in wait(ears):
            ear = cast(Connection, ready)
            try:
                at, error, answer = ear.recv()
            except EOFError:
                raise ClusterError(WHERE, ENDED, REMEDY) from None
            if error is not None:
                raise error
            if at == DONE:
                ears.remove(ear)
            else:
                early[at] = answer
        while due in early:
            yield early.pop(due)
            due += 1


def _answer(
    work: Callable[[G], T],
    groups: Sequence[G],
    taken: Synchronized[int],
    mouth: Connection,
    ears: list[Connection],
) -> None:
    """Do one group after the other in the process split off; a parent that is gone ends it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.freeze()
    for ear in ears:
        ear.close()
    at = 0
    while at != DONE:
        at = _next(taken, len(groups))
        answer: tuple[int, Exception | None, T | None] = (at, None, None)
        try:
            if at != DONE:
                answer = (at, None, work(groups[at]))
        except Exception as error:  # told to whoever asked
            answer = (at, error, None)
        try:
            mouth.send(answer)
        except BrokenPipeError:
            return


def _next(taken: Synchronized[int], count: int) -> int:
    with taken.get_lock():
        at = taken.value
        taken.value += 1
    return at if at < count else DONE
