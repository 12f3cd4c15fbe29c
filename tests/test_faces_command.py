"""``horizon-drift faces`` from files to page, terminal and record."""

import json
import re
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest

from attitude.calibrations import read_calibrations
from attitude.findings import Estimate
from attitude.history import HISTORY_VARIABLE, record
from tests.browser import Watched, browser, needs_axe, needs_chromium, serious_violations
from tests.capture_logs import invented_log, log_columns, table_text
from tests.commands import run_here
from tests.recorded import recorded

DEMO = Path(__file__).parents[1] / "demo_clips" / "six_faces"


def faces_log(path, seed=1, **how):
    """A whole capture as an operator logs it; ``how`` goes to the invented log."""
    rng = np.random.default_rng(seed)
    path.write_text(table_text(log_columns(invented_log(rng, **how))), encoding="utf-8")
    return path


def history_file(monkeypatch, tmp_path):
    file = tmp_path / "history.sqlite"
    monkeypatch.setenv(HISTORY_VARIABLE, str(file))
    return file


def refused(*words):
    done = run_here("faces", *words)
    assert done.returncode == 2, done.stdout
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    return done.stderr


def test_what_cannot_be_is_refused_before_anything_is_written(tmp_path, monkeypatch):
    history = history_file(monkeypatch, tmp_path)
    log = faces_log(tmp_path / "cube.csv")
    (tmp_path / "taken").write_text("")
    assert "taken: is a file; name a folder for the results" in refused(log, "--out", tmp_path / "taken")
    sheet = tmp_path / "faces.toml"
    sheet.write_text('file = "cube.csv"\nrig = "Wagtail"\ndate = 2999-01-01\n', encoding="utf-8")
    assert "date = 2999-01-01 lies in the future" in refused(sheet)
    sheet.write_text('file = "cube.csv"\n[old]\noffset_mg = [1, 2, 3]\n', encoding="utf-8")
    assert "a folder; name the file in it" in refused(log, "--old", tmp_path)
    assert "put the constants before under [new]" in refused(log, "--old", sheet)
    assert not history.exists()
    assert not (tmp_path / "faces-result").exists()


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo's capture, its result folder and what was printed, after a shoot under the old constants."""
    folder = tmp_path_factory.mktemp("faces")
    history = folder / "h.sqlite"
    shoot = recorded(
        1, 0.95, rig="Wagtail", filmed="2026-04-18", title="Harbour wall", offset_mg=Estimate(15.7, 0.9)
    )
    record(history, shoot)
    done = run_here("faces", DEMO, "--out", folder / "out", "--history", history)
    assert done.returncode == 0, done.stderr
    return folder / "out", history, done.stdout


def test_the_demo_capture_finds_its_truth(demo):
    out, _, said = demo
    truth = tomllib.loads((DEMO / "truth.toml").read_text(encoding="utf-8"))
    found = json.loads((out / "faces.json").read_text(encoding="utf-8"))
    model = found["models"][0]
    for value, sd, true in zip(model["offset_mg"], model["offset_sd_mg"], truth["offset_mg"], strict=True):
        assert abs(value - true) < 3 * sd
    matrix = np.array(truth["matrix"])
    # Camera right is y, up is z: the picture leans by what y reads of z.
    lean_deg = np.degrees(matrix[1, 2] / matrix[1, 1])
    assert found["lean_deg"]["low"] < lean_deg < found["lean_deg"]["high"]
    assert found["verdict"]["good"] is True
    assert said.startswith("Good: six faces")
    assert max(map(len, said.splitlines())) <= 80


def test_the_demo_capture_takes_away_what_the_shoot_showed(demo):
    _, _, said = demo
    words = " ".join(said.split())
    assert "right side low by 0.90 ± 0.10 deg; they agree" in words
    assert "To expect on the next shoot, all else as it was: right side low by 0.1 ± 0.2 deg" in words


def test_old_and_new_constants_are_kept(demo):
    _, history, _ = demo
    (one,) = read_calibrations(history, "Wagtail")
    assert one.calibration == "April, on the bench"
    assert one.old.offset_g == pytest.approx((0.0096, -0.0379, 0.0265))
    assert one.new.offset_g == pytest.approx((0.0118, -0.0234, 0.0310), abs=0.0003)
    done = run_here("history", "show", "Wagtail", "--history", history, "--out", history.parent)
    assert "+14.5" in done.stdout


def test_a_plain_log_is_enough(tmp_path, monkeypatch):
    history = history_file(monkeypatch, tmp_path)
    done = run_here("faces", faces_log(tmp_path / "cube.csv"))
    assert done.returncode == 0, done.stderr
    words = " ".join(done.stdout.split())
    assert "Assumed: the board's x, y, z point to camera right, down, forward" in words
    assert "Not put on record: name the rig in faces.toml" in words
    assert (tmp_path / "faces-result" / "faces.json").exists()
    assert not history.exists()


def test_a_capture_to_be_held_again_is_not_put_on_record(tmp_path, monkeypatch):
    history = history_file(monkeypatch, tmp_path)
    bent = lambda t_s: np.outer(2.0 * t_s, [1.0, 1.0, 1.0])  # noqa: E731
    faces_log(tmp_path / "cube.csv", move_mg=bent)
    (tmp_path / "faces.toml").write_text('file = "cube.csv"\nrig = "Knot"\n', encoding="utf-8")
    done = run_here("faces", tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("Hold again: ")
    assert "Mind: propellers off" in done.stdout
    assert not history.exists()


def test_an_earlier_result_serves_as_old_constants(demo, tmp_path, monkeypatch):
    history_file(monkeypatch, tmp_path)
    out, _, _ = demo
    done = run_here("faces", DEMO, "--old", out / "faces.json", "--out", tmp_path / "out")
    words = " ".join(done.stdout.split())
    assert re.search(r"against the constants given by x 0\.00 ± [\d.]+ mg, y 0\.00", words)


def test_the_last_calibration_on_record_serves_as_old_constants(demo, tmp_path):
    _, history, _ = demo
    here = tmp_path / "h.sqlite"
    shutil.copy(history, here)
    faces_log(tmp_path / "cube.csv", seed=3)
    (tmp_path / "faces.toml").write_text('file = "cube.csv"\nrig = "wagtail"\n', encoding="utf-8")
    done = run_here("faces", tmp_path, "--history", here)
    assert "of the last calibration on record" in " ".join(done.stdout.split())


# --- bad input ---


def test_a_missing_face_is_one_line(tmp_path):
    faces_log(tmp_path / "cube.csv", faces=("+x", "-x", "+y", "-y", "+z"))
    assert "no hold with -z side up" in refused(tmp_path / "cube.csv")
    assert not (tmp_path / "faces-result").exists()


def test_a_face_held_twice_is_one_line(tmp_path):
    faces_log(tmp_path / "cube.csv", faces=("+x", "-x", "+y", "+y", "+z", "-z"))
    assert "+y side up was held " in refused(tmp_path / "cube.csv")


def test_a_swapped_face_is_one_line(tmp_path):
    rows = ["face,ax,ay,az", "+x,1,0,0", "-x,-1,0,0", "+y,0,-1,0", "-y,0,1,0", "+z,0,0,1", "-z,0,0,-1", ""]
    (tmp_path / "six.csv").write_text("\n".join(rows), encoding="utf-8")
    assert "is called +y but reads +0, -1000, +0 mg along x, y, z, the face -y" in refused(
        tmp_path / "six.csv"
    )


def test_counts_without_a_range_are_one_line(tmp_path):
    rows = ["face,ax,ay,az", "+x,8192,0,0", "-x,-8192,0,0", "+y,0,8192,0", "-y,0,-8192,0", "+z,0,0,8192"]
    (tmp_path / "six.csv").write_text("\n".join([*rows, "-z,0,0,-8192", ""]), encoding="utf-8")
    assert "full_scale_g = 4" in refused(tmp_path / "six.csv")


def test_readings_at_their_limit_are_one_line(tmp_path):
    rng = np.random.default_rng(2)
    columns = log_columns(invented_log(rng))
    names = [name for name in columns if name.startswith("a")]
    for name in names:
        columns[name] = [f"{min(float(one), 0.98):.4f}" for one in columns[name]]
    (tmp_path / "cube.csv").write_text(table_text(columns), encoding="utf-8")
    assert "range" in refused(tmp_path / "cube.csv")


@pytest.mark.parametrize(
    ("old", "says"),
    [("nothing.toml", "nothing.toml"), ("empty.toml", "empty.toml"), ("broken.json", "broken.json")],
)
def test_old_constants_that_cannot_be_read_are_one_line(tmp_path, old, says):
    (tmp_path / "empty.toml").write_text("", encoding="utf-8")
    (tmp_path / "broken.json").write_text("{", encoding="utf-8")
    assert says in refused(DEMO, "--old", tmp_path / old, "--out", tmp_path / "out")
    assert not (tmp_path / "out").exists()


# --- the page ---


@pytest.fixture(scope="module")
def chromium():
    with browser() as one:
        yield one


def pages(demo, tmp_path):
    """The good page, and one with much to say against it."""
    bad = tmp_path / "bad"
    bad.mkdir()
    faces_log(bad / "cube.csv", seed=5, move_mg=lambda t_s: np.outer(2.0 * t_s, [1.0, 1.0, 1.0]))
    nasty = '<script>alert(1)</script>\\" {{ 7 * 7 }} \u202eright'
    sheet = f'file = "cube.csv"\nrig = "{nasty}"\ncalibration = "{nasty}"\n[words]\n"+x" = "{nasty}"\n'
    (bad / "faces.toml").write_text(sheet, encoding="utf-8")
    assert run_here("faces", bad).returncode == 0
    return [demo[0] / "faces.html", bad / "faces-result" / "faces.html"]


@needs_chromium
@needs_axe
def test_the_page_reads_well_at_every_width(chromium, demo, tmp_path):
    for page in pages(demo, tmp_path):
        for width in (360, 1280):
            watched = Watched(chromium, page, width=width, dark=width == 360)
            assert not serious_violations(watched)
            assert watched.page.evaluate("document.documentElement.scrollWidth") <= width
            assert watched.page.locator(".faces li").count() == 6
            assert "propellers off" in watched.page.locator("main > *").first.inner_text().lower()
            assert not watched.complaints
            assert watched.asked_for() == {"faces.html"}
