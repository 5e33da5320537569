"""Shared runs as an operator meets them: processes of their own, signals, one line for a fault."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from data_samples.make_town import make_town, write_town
from geoplan.cli import main

ROOT = Path(__file__).resolve().parents[2]
TILE = 15
TABLES = ("--tables", "geoparquet")
DRIVER = """
import os, signal, sys, time
from distributed import Client
from geoplan.cli import main
from geoplan.cluster import Cluster

def run():
    log, tile = sys.argv[1], int(sys.argv[2])
    Cluster.__init__.__kwdefaults__["tile_addresses"] = tile
    plain = Client.submit

    def submit(self, work, task, *words, **more):
        with open(log, "a") as file:
            print(task, file=file)
        if task == os.environ.get("HELD_UP_AT"):
            time.sleep(600)
        return plain(self, work, task, *words, **more)

    Client.submit = submit
    return main(sys.argv[3:])

if __name__ == "__main__":
    # what a shell starts in the background may have been told to ignore it
    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.exit(run())
"""


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("town")
    write_town(make_town(48, scarce=True), folder)
    (folder / "driver.py").write_text(DRIVER)
    return folder / "project.toml"


def _start(
    town: Path, log: Path, tile: int, *words: str, seed: str = "0", held_up_at: str = ""
) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, town.parent / "driver.py", log, str(tile), "plan", town, *words],
        env={
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "PYTHONHASHSEED": seed,
            "HELD_UP_AT": held_up_at,
        },
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def _plan(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "geoplan.cli", "plan", *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )


def _bytes(out: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(out.glob("*.parquet"))}


def _wait_for_search(work: Path, process: subprocess.Popen[str], count: int = 1) -> None:
    deadline = time.monotonic() + 60
    while len(list(work.glob("search_*.pickle"))) < count:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < deadline
        time.sleep(0.005)


def _wait_for_task(task: str, log: Path, process: subprocess.Popen[str]) -> None:
    """Wait until a task was sent out, where the run is held up."""
    deadline = time.monotonic() + 120
    while task not in log.read_text().split():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < deadline
        time.sleep(0.05)


def _assert_gone(processes: list[psutil.Process]) -> None:
    assert len(processes) >= 2
    _, alive = psutil.wait_procs(processes, timeout=15)
    assert alive == []


@pytest.fixture(scope="module")
def shared(town: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    """Folder of a shared run's results, and the tasks sent out."""
    folder = tmp_path_factory.mktemp("shared")
    out, log = folder / "out", folder / "log"
    run = _start(town, log, TILE, "--out", str(out), *TABLES, "--workers", "2")
    said, faults = run.communicate(timeout=120)
    assert (run.returncode, faults) == (0, ""), "nothing but the result is printed"
    assert "served" in said
    assert [path.name for path in folder.iterdir() if path.is_dir()] == ["out"]
    return out, log.read_text().split()


def test_processes_give_the_bytes_of_one(
    town: Path, shared: tuple[Path, list[str]], tmp_path: Path
) -> None:
    done = _plan(town, "--out", tmp_path / "out", *TABLES)
    assert (done.returncode, done.stderr) == (0, "")
    wanted = _bytes(tmp_path / "out")
    assert len(wanted) >= 8
    assert _bytes(shared[0]) == wanted


def test_a_run_whose_coordinator_is_killed_is_taken_up_again(
    town: Path, shared: tuple[Path, list[str]], tmp_path: Path
) -> None:
    out, work, log = tmp_path / "out", tmp_path / "work", tmp_path / "log"
    words = ("--out", str(out), *TABLES, "--work", str(work), "--workers")
    first = _start(town, log, TILE, *words, "2", seed="1", held_up_at="finish")
    _wait_for_search(work, first)
    helpers = psutil.Process(first.pid).children(recursive=True)
    first.kill()
    first.communicate()
    _assert_gone(helpers)
    assert not out.exists()
    done = len(list(work.glob("search_*.pickle")))
    log.unlink()
    again = _start(town, log, TILE, *words, "1", "--resume", seed="2")
    said, faults = again.communicate(timeout=120)
    assert (again.returncode, faults) == (0, ""), said
    assert _bytes(out) == _bytes(shared[0])
    assert not work.exists()
    assert log.read_text().split().count("search") == shared[1].count("search") - done


def test_stopping_a_run_leaves_no_processes_and_keeps_its_answers(
    town: Path, tmp_path: Path
) -> None:
    out, work, log = tmp_path / "out", tmp_path / "work", tmp_path / "log"
    words = ("--out", str(out), "--workers", "1", "--work", str(work))
    run = _start(town, log, TILE, *words, held_up_at="finish")
    _wait_for_search(work, run)
    _wait_for_task("finish", log, run)
    helpers = psutil.Process(run.pid).children(recursive=True)
    for helper in helpers:
        helper.send_signal(signal.SIGINT)
    time.sleep(0.5)
    assert all(helper.is_running() for helper in helpers), "it is not theirs to stop"
    os.killpg(run.pid, signal.SIGINT)  # as Ctrl-C does: all of them
    said, faults = run.communicate(timeout=60)
    assert run.returncode == 130, faults
    assert said == ""
    assert faults.startswith("geoplan: stopped")
    assert faults.count("\n") == 1
    _assert_gone(helpers)
    assert list(work.glob("search_*.pickle"))
    assert not (work / "scratch").exists()
    assert not out.exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--workers", "0"], "'0' is not a number of processes, 1 or more"),
        (["--workers", "some"], "'some' is not a number of processes, 1 or more"),
        (["--workers", "1", "--scheduler", "tcp://127.0.0.1:1"], "both are given"),
        (["--resume"], "nothing is shared out. Add --workers N"),
        (["--workers", "1", "--work", "OTHERS"], "holds other files, such as 'notes.txt'"),
        (["--workers", "1", "--work", "OTHERS", "--resume"], "holds other files"),
        (["--workers", "1", "--work", "OTHERS/notes.txt"], "cannot be used: File exists"),
    ],
)
def test_a_fault_is_told_in_one_line(
    town: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], told: str
) -> None:
    (tmp_path / "others").mkdir()
    (tmp_path / "others" / "notes.txt").write_text("mine")
    words = [word.replace("OTHERS", str(tmp_path / "others")) for word in words]
    try:
        code = main(["plan", str(town), "--out", str(tmp_path / "out"), *words])
    except SystemExit as stop:  # argparse
        code = int(stop.code or 0)
    said = capsys.readouterr()
    assert (code, said.out) == (2, "")
    assert told in said.err
    usage = "usage:" in said.err  # argparse shows how before it says what
    assert usage or said.err.count("\n") == 1
    assert "Traceback" not in said.err
    assert (tmp_path / "others" / "notes.txt").read_text() == "mine"
    assert [path.name for path in tmp_path.iterdir()] == ["others"]


def test_a_scheduler_that_does_not_answer_is_told_in_one_line(town: Path, tmp_path: Path) -> None:
    done = _plan(town, "--out", tmp_path / "out", "--scheduler", "nowhere")
    assert (done.returncode, done.stdout) == (2, "")
    assert "scheduler 'nowhere': does not answer: missing port" in done.stderr
    assert done.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
