"""Processes beside this one: copies where that is safe, started anew where it is not, all ended."""

import os
import signal
import subprocess
import sys

import pytest

# Started as a program is: nothing else runs in it.
PROGRAM = """
import sys
from attitude import workers
if sys.argv[1] == "spawn":
    workers._may_fork = lambda: False
if __name__ == "__main__":
    with workers.workers() as executor:
        before = executor.running
        found = list(executor.map(abs, range(-3, 3)))
        print(before, executor.running, found, workers.at_hand(executor) is executor, workers.at_hand(None))
"""
LARGE = """
import sys
from attitude import workers
if sys.argv[1] == "spawn":
    workers._may_fork = lambda: False
if __name__ == "__main__":
    with workers.workers() as executor:
        tasks = [executor.submit(bytes, 60_000_000) for _ in range(20)]
        tasks[0].result()
        raise KeyboardInterrupt
"""


def run(tmp_path, program, how):
    path = tmp_path / "program.py"
    path.write_text(program, encoding="utf-8")
    return subprocess.run(
        [sys.executable, str(path), how],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path), "OPENBLAS_NUM_THREADS": "1"},
    )


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="a single core is not shared")
@pytest.mark.parametrize("how", ["fork", "spawn"])
def test_work_is_done_by_copies_or_by_processes_started_anew(tmp_path, how):
    done = run(tmp_path, PROGRAM, how)
    copied = how == "fork" and sys.platform == "linux"
    assert done.stderr == ""
    assert done.stdout.split() == f"{copied} True [3, 2, 1, 0, 1, 2] True None".split()


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="a single core is not shared")
@pytest.mark.parametrize("how", ["fork", "spawn"])
def test_ended_in_the_middle_of_large_answers_nobody_waits_for_the_rest(tmp_path, how):
    done = run(tmp_path, LARGE, how)
    assert done.returncode in (1, 130, -signal.SIGINT)
    assert done.stderr.rstrip().endswith("KeyboardInterrupt")
