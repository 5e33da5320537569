"""Groups of work done side by side: in processes split off, on threads, or here."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import pytest

from geoplan.side_by_side import processors, side_by_side

ROOT = Path(__file__).resolve().parents[1]


def alone(code: str) -> str:
    """Run code in a process without other threads, where processes are split off."""
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", textwrap.dedent(code)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert not run.stderr
    return run.stdout.strip()


def is_there(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


def test_there_is_a_processor() -> None:
    assert 1 <= processors() <= 8


@pytest.mark.parametrize("count", [1, 2, 3, 9])
def test_answers_come_in_the_order_of_the_groups_from_threads(count: int) -> None:
    done = threading.Event()
    other = threading.Thread(target=done.wait)
    other.start()
    try:
        seen = list(side_by_side(lambda group: (group, os.getpid()), range(7), count))
    finally:
        done.set()
        other.join()
    assert seen == [(group, os.getpid()) for group in range(7)]


def test_no_groups_give_no_answers() -> None:
    assert list(side_by_side(str, [], 2)) == []


@pytest.mark.skipif(sys.platform != "linux", reason="processes are split off on Linux only")
class TestProcesses:
    def test_answers_come_in_the_order_of_the_groups(self) -> None:
        told = alone("""
            import os, time
            from geoplan.side_by_side import side_by_side
            held = list(range(1000))
            def work(group):
                time.sleep(0.2 if group == 0 else 0)
                return group, os.getpid(), held[group] * 2
            seen = list(side_by_side(work, range(7), 2))
            assert [(group, twice) for group, _, twice in seen] == [(n, 2 * n) for n in range(7)]
            assert len({process for _, process, _ in seen} - {os.getpid()}) == 2
            assert [process for _, process, _ in side_by_side(work, range(1), 2)] == [os.getpid()]
            print("so")
        """)
        assert told == "so"

    def test_what_the_work_raises_is_raised_and_no_process_stays(self) -> None:
        told = alone("""
            import multiprocessing, time
            from geoplan.side_by_side import side_by_side
            def work(group):
                if group == 3:
                    raise ArithmeticError("proof 3")
                time.sleep(60 if group > 3 else 0)
            try:
                list(side_by_side(work, range(6), 3))
            except ArithmeticError as error:
                print(error, multiprocessing.active_children())
        """)
        assert told == "proof 3 []"

    def test_answers_nobody_waits_for_end_the_processes(self) -> None:
        told = alone("""
            import multiprocessing
            from geoplan.side_by_side import side_by_side
            answers = side_by_side(lambda group: bytes(1_000_000), range(40), 2)
            print(len(next(answers)), len(multiprocessing.active_children()), end=" ")
            answers.close()
            print(multiprocessing.active_children())
        """)
        assert told == "1000000 2 []"

    def test_a_process_that_is_killed_is_told_of(self) -> None:
        told = alone("""
            import os, signal
            from geoplan.errors import ClusterError
            from geoplan.side_by_side import side_by_side
            def work(group):
                if group == 2:
                    os.kill(os.getpid(), signal.SIGKILL)
                return group
            try:
                list(side_by_side(work, range(4), 2))
            except ClusterError as error:
                print(error)
        """)
        assert "ended from outside" in told

    def test_processes_end_with_the_one_they_were_split_off_from(self) -> None:
        code = """
            import os, time
            from geoplan.side_by_side import side_by_side
            def work(group):
                time.sleep(0.2)
                return os.getpid()
            for process in side_by_side(work, range(10_000), 2):
                print(process, flush=True)
        """
        run = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(code)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert run.stdout is not None
        processes = {int(run.stdout.readline()) for _ in range(4)}
        assert len(processes) == 2
        assert all(is_there(process) for process in processes)
        run.send_signal(signal.SIGKILL)
        run.wait()
        run.stdout.close()
        until = time.monotonic() + 30
        while any(is_there(process) for process in processes) and time.monotonic() < until:
            time.sleep(0.05)
        assert not any(is_there(process) for process in processes)
