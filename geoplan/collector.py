"""The collector of cyclic garbage kept off while very many objects come to be.

Enters: nothing.
Leaves: `collector_off`.
Does not do: collect.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def collector_off() -> Iterator[None]:
    """Keep the collector off: it would visit millions of geometries again and again, in vain.

    Yields
    ------
    None
        It is put back as it was.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
