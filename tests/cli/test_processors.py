"""A plan in a process of its own: the same files on however many processors."""

from __future__ import annotations

import io
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from data_samples.make_town import make_town, write_town
from geoplan.cli import _Clock

ON = """
import sys
import geoplan.side_by_side, geoplan.tiled, geoplan.working
split, many = [], {many}
old = geoplan.side_by_side._split_off
def seen(work, groups, count):
    split.append(count)
    return old(work, groups, count)
geoplan.side_by_side._split_off = seen
for module in (geoplan.tiled, geoplan.working):
    module.processors = lambda: many
    module.FEWEST = 20
geoplan.tiled.InTurn.__init__.__kwdefaults__.update({tiles})
from geoplan.cli import main
code = main(sys.argv[1:])
print(max(split, default=1))
sys.exit(code)
"""


def planned(project: Path, out: Path, many: int, tiles: str = "") -> tuple[dict[str, bytes], int]:
    """Return the files of a plan, and on how many processes it was worked on."""
    words = ["plan", str(project), "--out", str(out), "--tables", "geoparquet", "--quiet"]
    run = subprocess.run(
        [sys.executable, "-c", ON.format(many=many, tiles=tiles), *words],
        check=True,
        timeout=120,
        stdout=subprocess.PIPE,
        text=True,
    )
    files = {path.name: path.read_bytes() for path in sorted(out.rglob("*.parquet"))}
    return files, int(run.stdout)


@pytest.mark.skipif(sys.platform != "linux", reason="processes are split off on Linux only")
def test_processors_and_tiles_have_no_say_in_the_files(tmp_path: Path) -> None:
    write_town(make_town(240), tmp_path)
    project = tmp_path / "project.toml"
    alone, one = planned(project, tmp_path / "alone", 1)
    shared, three = planned(project, tmp_path / "shared", 3)
    small = "tile_addresses=50, kept_addresses=100"
    tiled, two = planned(project, tmp_path / "tiled", 2, small)
    assert (one, three, two) == (1, 3, 2)
    assert len(alone) > 5
    assert shared == alone
    assert tiled == alone


def test_bars_on_a_terminal_have_no_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    before = threading.active_count()
    clock = _Clock(quiet=False, expected_layers=1)
    clock.tell("candidates", 1, 2)
    assert threading.active_count() == before
    assert "candidates" in terminal.getvalue()
    assert clock.stop().keys() == {"candidates"}
