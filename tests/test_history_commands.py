"""Checks put on record, and the commands that look back, as a person runs them."""

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time

import numpy as np
import pytest

from attitude.history import HistoryError, read, record
from attitude.recording import footage_key
from tests.commands import CAMERA, CLIP, COMMAND, HORIZON, LOG, film_shoot, run_here
from tests.recorded import recorded, series

RIG = 'rig = "Sandpiper"\ncalibration = "first"\ntitle = "{}"\n'


def shoot_in(folder, seed, title):
    folder.mkdir()
    film_shoot(folder, seed)
    (folder / "shoot.toml").write_text(RIG.format(title) + HORIZON + CAMERA + LOG + CLIP, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A shoot that is checked, on record beside another of its rig."""
    place = tmp_path_factory.mktemp("season")
    shoot_in(place / "early", 3, "Shingle bank, early")
    record(place / "history.sqlite", recorded(1, 0.9, title="Shingle bank, before", calibration="van"))
    done = run_here("check", place / "early", "--history", place / "history.sqlite")
    assert done.returncode == 0, done.stderr
    assert "2 shoots of Sandpiper" in done.stdout
    return place


def test_a_check_is_on_record_as_its_result_says(place):
    (shoot,) = (one for one in read(place / "history.sqlite") if one.title.endswith("early"))
    assert (shoot.rig, shoot.calibration, shoot.title) == ("Sandpiper", "first", "Shingle bank, early")
    assert shoot.lean.low <= 0.6 <= shoot.lean.high
    result = json.loads((place / "early" / "result" / "result.json").read_text(encoding="utf-8"))
    # What the history keeps is what the file holds, to the last digit.
    assert json.loads(json.dumps(shoot.result)) == result
    assert shoot.lean.value == result["lean_deg"]["value"]
    assert shoot.blocks
    assert len({len(column) for column in shoot.blocks.values()}) == 1
    assert shoot.key == footage_key([place / "early" / "clip.mp4"])
    page = (place / "early" / "result" / "report.html").read_text(encoding="utf-8")
    assert "Shingle bank, early (this shoot)" in page
    assert "Shingle bank, before" in page
    assert (place / "early" / "result" / "rig_chart.png").exists()


@pytest.mark.long
def test_the_same_footage_under_another_name_replaces_its_record(place, tmp_path):
    history, moved = tmp_path / "history.sqlite", tmp_path / "renamed"
    shutil.copy(place / "history.sqlite", history)
    shutil.copytree(place / "early", moved, ignore=shutil.ignore_patterns("result"))
    (moved / "clip.mp4").rename(moved / "beach.mp4")
    sheet = (moved / "shoot.toml").read_text(encoding="utf-8").replace("early", "second look")
    (moved / "shoot.toml").write_text(sheet.replace("clip.mp4", "beach.mp4"), encoding="utf-8")
    done = run_here("check", moved, "--history", history)
    assert done.returncode == 0, done.stderr
    assert {one.title for one in read(history)} == {"Shingle bank, second look", "Shingle bank, before"}


@pytest.mark.long
def test_two_checks_at_once_are_both_on_record(tmp_path):
    shoots = [shoot_in(tmp_path / name, seed, name) for name, seed in (("one", 3), ("other", 4))]
    line, file = [sys.executable, "-c", COMMAND, "check"], ["--history", str(tmp_path / "history.sqlite")]
    both = [subprocess.Popen([*line, str(shoot), *file], stdout=subprocess.DEVNULL) for shoot in shoots]
    assert [one.wait(timeout=300) for one in both] == [0, 0]
    assert {shoot.title for shoot in read(tmp_path / "history.sqlite")} == {"one", "other"}


def test_a_history_that_cannot_be_read_stops_a_check_before_it_measures(place, tmp_path):
    broken = tmp_path / "history.sqlite"
    broken.write_bytes(b"not a database, but a diary of 1931" * 100)
    before = broken.read_bytes()
    done = run_here("check", place / "early", "--history", broken, "--out", tmp_path / "result")
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "history.sqlite" in done.stderr
    assert broken.read_bytes() == before
    assert not (tmp_path / "result").exists()


@pytest.mark.long
def test_results_are_there_when_the_record_cannot_be_written(place, tmp_path, monkeypatch):
    history = tmp_path / "history.sqlite"
    shutil.copy(place / "history.sqlite", history)
    kept = history.read_bytes()

    def full(path, _):
        raise HistoryError(f"{path}: the disk is full and nothing was changed; make room and try again")

    monkeypatch.setattr("attitude.history.record", full)
    out = tmp_path / "result"
    status, said, error = command("check", place / "early", "--history", history, "--out", out)
    assert status == 2
    assert error.splitlines() == [
        f"horizon-drift: {history}: the disk is full and nothing was changed; make room and try again"
    ]
    assert "Lean" in said
    assert json.loads((out / "result.json").read_text(encoding="utf-8"))["lean_deg"]["value"] is not None
    assert (out / "report.html").exists()
    assert history.read_bytes() == kept


# --- looking back -----------------------------------------------------------------------------------------


def command(*words):
    """Run the command in this process: status, stdout, stderr."""
    done = run_here(*words)
    return done.returncode, done.stdout, done.stderr


@pytest.fixture
def season(tmp_path):
    """Twelve shoots of one rig in two calibrations, and one of another."""
    rng = np.random.default_rng(1)
    file = tmp_path / "history.sqlite"
    before = series(0.8 + rng.normal(0, 0.05, 6), calibration="in the van")
    after = series(0.1 + rng.normal(0, 0.05, 6), 7, calibration="on the bench", method="clamped")
    for shoot in (*before, *after, recorded(20, 0.2, rig="Dunlin")):
        record(file, shoot)
    return file


def test_show_lists_rigs_and_one_rig_with_its_page(season, tmp_path):
    status, out, _ = command("history", "show", "--history", season)
    assert status == 0
    assert "13 shoots of 2 rigs." in out
    status, out, _ = command("history", "show", "sandpiper", "--history", season, "--out", tmp_path / "look")
    assert status == 0
    assert "Sandpiper: 12 shoots." in out
    assert "The recalibration helped" in out
    assert all(len(line) <= 80 for line in out.splitlines())
    page = (tmp_path / "look" / "history.html").read_text(encoding="utf-8")
    assert "<svg" in page
    assert page.count("Shingle bank") >= 12
    assert "http://" not in page.replace("http://www.w3.org", "")


def test_compare_names_the_claim_first(season):
    status, out, _ = command("history", "compare", "in the van", "on the bench", "--history", season)
    assert status == 0
    assert out.splitlines()[0] == "The recalibration helped."
    status, out, _ = command("history", "compare", "Shingle bank 1", "Shingle bank 2", "--history", season)
    assert status == 0
    assert "both sides have the same calibration" in " ".join(out.split())
    status, out, _ = command("history", "compare", "on the bench", "in the van", "--history", season)
    assert "name the earlier shoots first" in " ".join(out.split())


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("compare", "in the van", "on the moon"), "no shoot on record has 'on the moon'"),
        (("show", "Knot"), "rigs on record: Dunlin, Sandpiper"),
        (("methods",), "say which rig"),
        (("export", "shoots.xml"), "shoots.xml"),
        (("remove", "in the van"), "names 6 shoots"),
        (("remove", " "), "an empty name means no shoot"),
        (("import", "nothing.json"), "nothing.json"),
    ],
)
def test_bad_requests_are_one_line(season, words, says):
    status, _, err = command("history", *words, "--history", season)
    assert status == 2
    assert says in err
    assert len(err.splitlines()) == 1


def test_methods_say_how_many_more_would_tell(season):
    status, out, _ = command("history", "methods", "Sandpiper", "--history", season)
    assert status == 0
    assert "2 ways of calibrating" in out
    assert "nothing can be said of a method before 3" in " ".join(out.split())


@pytest.mark.parametrize("ending", ["json", "csv"])
def test_what_is_exported_comes_back_the_same(season, tmp_path, ending):
    file, other = tmp_path / f"shoots.{ending}", tmp_path / "other.sqlite"
    assert command("history", "export", file, "--history", season)[0] == 0
    status, out, _ = command("history", "import", file, "--history", other)
    assert status == 0
    assert "13 new" in out
    assert read(other) == read(season)


def test_a_shoot_is_taken_off_the_record_alone(season):
    before = read(season)
    status, out, _ = command("history", "remove", "Shingle bank 3", "--history", season)
    assert status == 0
    assert before[2].filmed in out
    assert read(season) == tuple(shoot for shoot in before if shoot.title != "Shingle bank 3")


def test_a_history_that_is_not_there_overwrites_no_export(season, tmp_path):
    file = tmp_path / "shoots.json"
    assert command("history", "export", file, "--history", season)[0] == 0
    kept = file.read_bytes()
    status, _, error = command("history", "export", file, "--history", tmp_path / "typo.sqlite")
    assert status == 2
    assert "no shoot is on record there" in error
    assert file.read_bytes() == kept


def test_the_history_is_where_the_environment_says(season, monkeypatch):
    monkeypatch.setenv("HORIZON_DRIFT_HISTORY", str(season))
    status, out, _ = command("history", "show")
    assert status == 0
    assert "13 shoots" in out


@pytest.mark.long
def test_fifty_checks_that_are_killed_leave_the_history_whole(place, tmp_path):
    """Killed at random moments; half of them about the time the record is written, which is at the end."""
    history = tmp_path / "history.sqlite"
    earlier = series([0.1, 0.2, 0.3])
    for shoot in earlier:
        record(history, shoot)
    line = [sys.executable, "-c", COMMAND, "check", str(place / "early"), "--history", str(history)]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    started = time.monotonic()
    subprocess.run([*line, "--out", str(tmp_path / "whole")], check=True, **quiet)
    lasts_s = time.monotonic() - started
    with sqlite3.connect(history) as clear:
        clear.execute("DELETE FROM shoots WHERE title LIKE 'Shingle bank, early'")
    clear.close()
    rng = np.random.default_rng(9)
    moments_s = [*rng.uniform(0, lasts_s, 25), *(lasts_s * rng.uniform(0.9, 1.1, 25))]
    for number, moment_s in enumerate(moments_s):
        out = tmp_path / f"result{number}"
        one = subprocess.Popen([*line, "--out", str(out)], start_new_session=True, **quiet)
        try:
            one.wait(timeout=moment_s)
        except subprocess.TimeoutExpired:
            os.killpg(one.pid, signal.SIGKILL)
            one.wait()
        with sqlite3.connect(history) as look:
            assert look.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        look.close()
        found = read(history)
        assert [shoot for shoot in found if shoot in earlier] == earlier
        assert {shoot.title for shoot in found if shoot not in earlier} <= {"Shingle bank, early"}
        assert not list(out.glob("*.part")) or one.returncode != 0
        shutil.rmtree(out, ignore_errors=True)
