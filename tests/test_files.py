"""Files are whole or absent, go where they were asked for, and nothing waits for ever."""

import errno
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from attitude import files
from attitude.files import waiting_folder, whole_file, write_whole

HOLDS_ONE = """
import sys, time
from pathlib import Path
from attitude.files import waiting_folder
with waiting_folder(Path(sys.argv[1])) as waiting:
    (waiting / "half.png").write_bytes(b"half")
    print(waiting, flush=True)
    time.sleep(60)
"""
WORKS = """
import time
from attitude.workers import workers
if __name__ == "__main__":
    with workers() as executor:
        print(*{executor.submit(__import__("os").getpid).result() for _ in range(8)}, flush=True)
        time.sleep(60)
"""


@pytest.fixture
def elsewhere(tmp_path):
    """A folder that nothing may be written to, and one for results."""
    kept, out = tmp_path / "kept", tmp_path / "out"
    kept.mkdir()
    out.mkdir()
    (kept / "letter.txt").write_text("dear")
    yield kept, out
    assert [path.name for path in kept.iterdir()] == ["letter.txt"]
    assert (kept / "letter.txt").read_text() == "dear"


def test_links_in_the_folder_are_replaced_and_not_followed(elsewhere):
    kept, out = elsewhere
    for name in ("report.html", ".report.html.part", "review.mp4", ".review.mp4.part"):
        (out / name).symlink_to(kept / "letter.txt")
    (out / ".waiting-x").symlink_to(kept, target_is_directory=True)
    write_whole(out / "report.html", b"page")
    with whole_file(out / "review.mp4") as waiting:
        waiting.write_bytes(b"film")
    with waiting_folder(out):
        pass
    assert not (out / "report.html").is_symlink()
    assert (out / "report.html").read_bytes() == b"page"
    assert (out / "review.mp4").read_bytes() == b"film"
    assert sorted(path.name for path in out.iterdir()) == [".waiting-x", "report.html", "review.mp4"]


def test_what_a_killed_run_left_is_overwritten(tmp_path):
    (tmp_path / ".a.csv.part").write_bytes(b"half of")
    write_whole(tmp_path / "a.csv", b"whole\n")
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


def test_a_full_disk_names_the_file_and_leaves_the_old_one(tmp_path, monkeypatch):
    target = tmp_path / "a.csv"
    target.write_bytes(b"old\n")

    class Full:
        def __enter__(self):
            return self

        def __exit__(self, *_):
            return False

        def write(self, data):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "open", lambda *_: Full())
    with pytest.raises(OSError, match="No space left") as caught:
        write_whole(target, b"new\n")
    monkeypatch.undo()
    assert caught.value.filename == str(target)
    assert target.read_bytes() == b"old\n"
    assert list(tmp_path.iterdir()) == [target]


def started(code, *words):
    line = [sys.executable, "-c", code, *map(str, words)]
    return subprocess.Popen(line, stdout=subprocess.PIPE, text=True)


def test_a_waiting_folder_is_left_alone_while_its_run_lives_and_removed_once_it_was_killed(tmp_path):
    run = started(HOLDS_ONE, tmp_path)
    theirs = Path(run.stdout.readline().strip())
    with waiting_folder(tmp_path):
        assert (theirs / "half.png").exists()
    run.kill()
    run.communicate()
    assert theirs.exists()
    with waiting_folder(tmp_path) as ours:
        assert [path.name for path in tmp_path.iterdir()] == [ours.name]
    assert not list(tmp_path.iterdir())


def test_a_waiting_folder_without_a_lock_goes_once_it_is_old(tmp_path):
    left = tmp_path / f"{files.WAITING}old"
    left.mkdir()
    with waiting_folder(tmp_path):
        assert left.exists()
    before = time.time() - 2 * files.WITHOUT_LOCK_S
    os.utime(left, (before, before))
    with waiting_folder(tmp_path):
        assert not left.exists()


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="tells the processes that are left")
def test_workers_end_when_their_parent_is_killed():
    run = started(WORKS)
    pids = [int(word) for word in run.stdout.readline().split()]
    if not pids:
        pytest.skip("one core: no workers")
    os.kill(run.pid, signal.SIGKILL)
    run.communicate()
    until = time.monotonic() + 10
    while (left := [pid for pid in pids if Path(f"/proc/{pid}").exists()]) and time.monotonic() < until:
        time.sleep(0.05)
    assert not left
