"""Batches: rendered in order, by processes that are begun anew after a while."""

from __future__ import annotations

from pathlib import Path

import pytest

from geoplan.reports.sheets import batches as module
from geoplan.reports.sheets.batches import Batch, render_batches


def _batches(folder: Path, count: int) -> list[Batch]:
    folder.mkdir()
    return [Batch(f"<p>sheet {n}</p>", (folder / f"{n}.pdf",)) for n in range(count)]


@pytest.mark.parametrize("count", [3, 4, 5])
def test_processes_begun_anew_render_the_same_in_the_same_order(tmp_path, monkeypatch, count):
    begun, told = [], []

    class Counted(module.ProcessPoolExecutor):
        def __init__(self, workers, **options):
            begun.append(workers)
            super().__init__(workers, **options)

    monkeypatch.setattr(module, "ProcessPoolExecutor", Counted)
    monkeypatch.setattr(module, "FRESH_AFTER", 1)
    sizes = [1] * count
    alone = render_batches(iter(_batches(tmp_path / "a", count)), 1, sizes, lambda *_: None)
    assert begun == []
    shared = render_batches(
        iter(_batches(tmp_path / "b", count)), 2, sizes, lambda *words: told.append(words)
    )
    assert begun == [2] * (count // 2) + [1] * (count % 2)
    assert shared == alone
    assert told == [("sheets", done, count) for done in range(count + 1)]
    for n in range(count):
        files = [(tmp_path / folder / f"{n}.pdf").read_bytes() for folder in "ab"]
        assert files[0] == files[1]
