"""Memory that is free but still held by the allocators, given back to the system.

Enters: nothing.
Leaves: a smaller process.
Does not do: free anything that is in use.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from functools import cache

import pyarrow as pa


def give_back() -> None:
    """Give back what the allocators of C and of Arrow hold for later.

    Notes
    -----
    A stage works on its own large arrays and millions of small ones; what it leaves free lies
    between blocks that are in use, so that the next stage takes new memory on top. Only glibc
    says how to give such pages back; elsewhere just Arrow's are.
    """
    pa.default_memory_pool().release_unused()
    _trim()(0)


@cache
def _trim() -> Callable[[int], object]:
    """Find glibc's function that gives pages back; one that does nothing where it is not."""
    try:
        found: Callable[[int], object] = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):
        return _nothing
    return found


def _nothing(keep: int) -> int:
    del keep
    return 0
