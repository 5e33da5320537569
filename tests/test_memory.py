"""Memory that is free goes back to the system, and nothing that is in use is touched."""

from __future__ import annotations

import ctypes
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from geoplan import memory
from geoplan.memory import give_back

STATUS = Path("/proc/self/statm")


def _resident_mb() -> float:
    return int(STATUS.read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


@pytest.mark.skipif(
    not STATUS.exists() or not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="not glibc"
)
def test_what_lies_free_between_blocks_in_use_goes_back() -> None:
    points = shapely.points(np.arange(600_000.0), 1.0)
    kept = points[::20_000].copy()
    del points
    before = _resident_mb()
    give_back()
    assert _resident_mb() < before - 20
    assert (shapely.get_x(kept) == np.arange(0.0, 600_000.0, 20_000.0)).all()


def test_other_c_libraries_are_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    def without(name: Any) -> object:
        del name
        return object()

    monkeypatch.setattr(ctypes, "CDLL", without)
    memory._trim.cache_clear()
    try:
        give_back()
        assert memory._trim()(0) == 0
    finally:
        memory._trim.cache_clear()
