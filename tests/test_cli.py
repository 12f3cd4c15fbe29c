"""The command as a person runs it: bad input is one line and exit status 2, and nothing is half written."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from attitude.files import write_whole
from horizon.clip import write_clip
from horizon.lens import lens_from_hfov
from horizon.synthetic import draw_planar, make_scene

SIZE = (480, 270)
FPS = 5


def run(*words: object) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own."""
    line = [sys.executable, "-c", "from attitude.cli import run; run()", *map(str, words)]
    return subprocess.run(line, capture_output=True, text=True, timeout=300, check=False)


def pose(t_s):
    """Three quick tilts, then still: something to match clocks on."""
    return 0.6 + 0 * t_s, 8 * np.exp(-(((t_s - 3) / 0.5) ** 2)) + 6 * np.exp(-(((t_s - 6.2) / 0.6) ** 2))


@pytest.fixture(scope="module")
def shoot(tmp_path_factory) -> Path:
    """A folder with a clip of 16 s and its log; the footage leans by 0.6 deg that the log does not know."""
    folder = tmp_path_factory.mktemp("shoot")
    rng = np.random.default_rng(3)
    scene = make_scene("sea", rng=rng, height_m=6, visibility_km=60, noise_sd=1.2, clouds=0.3)
    lens = lens_from_hfov(*SIZE, 65)
    t_s = np.arange(16 * FPS) / FPS
    write_clip(
        folder / "clip.mp4",
        (
            draw_planar(scene, lens, roll_deg=roll, pitch_deg=pitch, t_s=t, rng=rng)
            for t, roll, pitch in zip(t_s, *pose(t_s), strict=True)
        ),
        FPS,
        crf=22,
    )
    log_t_s = np.arange(-10, 30, 0.05)
    roll, pitch = pose(log_t_s)
    log = pd.DataFrame({"t_s": log_t_s + 50, "roll_deg": roll - 0.6, "pitch_deg": pitch, "yaw_deg": 0.0})
    log.round(4).to_csv(folder / "attitude.csv", index=False)
    return folder


def sheet_with(folder: Path, tmp_path: Path, text: str) -> Path:
    """A sheet beside copies of the shoot's files."""
    for file in ("clip.mp4", "attitude.csv"):
        (tmp_path / file).write_bytes((folder / file).read_bytes())
    path = tmp_path / "shoot.toml"
    path.write_text(text, encoding="utf-8")
    return path


HORIZON = '[horizon]\nsurface = "sea"\nheight_m = 6\n'
CAMERA = "[camera]\nhfov_deg = 65\n"
LOG = '[[log]]\nfile = "attitude.csv"\nattitude_of = "camera_sensor"\n'
CLIP = '[[clip]]\nfile = "clip.mp4"\nshot = "hover"\n'


def result_of(shoot, tmp_path, text):
    done = run("check", sheet_with(shoot, tmp_path, text))
    assert done.returncode == 0, done.stderr
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    return json.loads((tmp_path / "result" / "result.json").read_text(encoding="utf-8")), done.stdout


def test_a_full_sheet_gives_lean_clock_and_files(shoot, tmp_path):
    result, said = result_of(shoot, tmp_path, HORIZON + CAMERA + LOG + CLIP)
    lean = result["lean_deg"]
    assert lean["low"] <= 0.6 <= lean["high"]
    assert lean["value"] == pytest.approx(0.6, abs=0.1)
    assert result["clock"][0]["how"] == "motion"
    assert result["clock"][0]["offset_s"] == pytest.approx(50, abs=0.05)
    assert "right side low by" in said.splitlines()[1].lower() + said.splitlines()[0].lower()
    files = {path.name for path in (tmp_path / "result").iterdir()}
    assert {"report.html", "result.json", "frames.csv", "corrections.csv"} <= files
    assert not [name for name in files if name.endswith(".part")]
    checked = result["self_check"]
    assert checked["turned"] == 24
    assert checked["refused"] <= 6
    assert checked["scale"] == pytest.approx(1.0, abs=0.005)
    assert checked["bias_deg"] == pytest.approx(0.0, abs=0.02)
    assert "frames turned by known angles" in " ".join(said.split())
    frames = pd.read_csv(tmp_path / "result" / "frames.csv")
    assert {"clip", "frame", "t_s", "roll_deg", "pitch_deg", "log_roll_deg", "log_pitch_deg"} <= set(frames)
    assert len(frames) == result["frames"]["read"] == 16 * FPS


@pytest.mark.parametrize(
    ("text", "key"),
    [
        (HORIZON + CAMERA + CLIP, "picture_lean_deg"),
        (HORIZON + LOG + CLIP, "lean_deg"),
        (CAMERA + LOG + CLIP, "lean_deg"),
    ],
    ids=["no log", "no camera", "no horizon"],
)
def test_less_told_still_gives_the_lean_and_says_what_was_assumed(shoot, tmp_path, text, key):
    result, _ = result_of(shoot, tmp_path, text)
    assert result[key]["low"] <= 0.6 <= result[key]["high"]
    assert any(one["basis"] == "assumed" for one in result["assumptions"])
    if key == "picture_lean_deg":
        assert result["lean_deg"]["value"] is None
        assert result["verdict"]["action"] in ("leave", "open")


def one_line(done, *parts):
    assert done.returncode == 2, (done.returncode, done.stdout, done.stderr)
    assert len(done.stderr.strip().splitlines()) == 1, done.stderr
    assert "Traceback" not in done.stderr
    for part in parts:
        assert part in done.stderr, done.stderr


def test_missing_sheet(tmp_path):
    one_line(run("check", tmp_path / "none.toml"), "none.toml")


def test_missing_clip(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, '[[clip]]\nfile = "lost.mp4"\n')
    one_line(run("check", sheet), "shoot.toml", "lost.mp4")


def test_text_named_mp4(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, '[[clip]]\nfile = "clip.mp4"\n')
    (tmp_path / "clip.mp4").write_text("no video")
    one_line(run("check", sheet), "clip.mp4", "not a video")
    assert not (tmp_path / "result").exists()


def test_no_frame_decodes(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, CLIP)
    data = bytearray((tmp_path / "clip.mp4").read_bytes())
    start = data.index(b"mdat") + 4
    data[start:] = bytes(len(data) - start)
    (tmp_path / "clip.mp4").write_bytes(bytes(data))
    one_line(run("check", sheet), "clip.mp4", "no frame of it decodes")


def test_unknown_key(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, "[camera]\nhfov_degg = 70\n" + CLIP)
    one_line(run("check", sheet), "shoot.toml", "hfov_degg", "hfov_deg")


def test_column_that_is_not_there(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, LOG + 'roll = "rolll"\n' + CLIP)
    one_line(run("check", sheet), "attitude.csv", "rolll", "roll_deg")


def change_log(tmp_path, change):
    table = pd.read_csv(tmp_path / "attitude.csv")
    change(table).to_csv(tmp_path / "attitude.csv", index=False)


def test_time_going_backwards(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, LOG + CLIP)

    def back(table):
        table.loc[400:, "t_s"] -= 7.0
        return table

    change_log(tmp_path, back)
    one_line(run("check", sheet), "attitude.csv", "line 402")


def test_log_full_of_nan(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, LOG + CLIP)

    def holes(table):
        table.loc[::3, "roll_deg"] = np.nan
        return table

    change_log(tmp_path, holes)
    one_line(run("check", sheet), "attitude.csv", "roll_deg")


def test_log_that_cannot_be_matched(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, HORIZON + CAMERA + LOG + CLIP)

    def other(table):
        table["pitch_deg"] = 20 * np.sin(table["t_s"] * 1.7)
        return table

    change_log(tmp_path, other)
    one_line(run("check", sheet), "clip.mp4", "log_start_s")


def test_pitch_that_runs_the_other_way_is_said(shoot, tmp_path):
    text = HORIZON + CAMERA + LOG + 'pitch_positive = "down"\n' + CLIP + "log_start_s = 50.0\n"
    result, said = result_of(shoot, tmp_path, text)
    assert result["lean_deg"]["value"] is None
    assert "pitch_positive" in said


def test_truncated_clip_is_measured_as_far_as_it_goes(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, HORIZON + CAMERA + CLIP)
    data = (tmp_path / "clip.mp4").read_bytes()
    (tmp_path / "clip.mp4").write_bytes(data[: int(len(data) * 0.7)])
    done = run("check", sheet)
    assert done.returncode == 0, done.stderr
    assert "decoded" in done.stdout
    assert "of declared 16.0 s" in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["nonsense"], "nonsense"),
        (["check"], "SHEET"),
        (["measure", "x.mp4", "--hfov-deg", "wide"], "hfov-deg"),
        (["measure", "nowhere.mp4"], "nowhere.mp4"),
        (["new", "nowhere"], "nowhere"),
    ],
)
def test_wrong_requests_are_one_line(words, part):
    one_line(run(*words), part)


def test_measure_without_a_log(shoot, tmp_path):
    done = run("measure", shoot / "clip.mp4", "--hfov-deg", 65, "--out", tmp_path / "here")
    assert done.returncode == 0, done.stderr
    table = pd.read_csv(tmp_path / "here" / "frames.csv")
    assert table["roll_deg"].median() == pytest.approx(0.6, abs=0.05)


def test_new_writes_a_sheet_that_check_accepts(shoot, tmp_path):
    for file in ("clip.mp4", "attitude.csv"):
        (tmp_path / file).write_bytes((shoot / file).read_bytes())
    assert run("new", tmp_path).returncode == 0
    text = (tmp_path / "shoot.toml").read_text(encoding="utf-8")
    assert "assumed" in text
    one_line(run("new", tmp_path), "shoot.toml")
    assert (tmp_path / "shoot.toml").read_text(encoding="utf-8") == text
    done = run("check", tmp_path)
    assert done.returncode == 0, done.stderr


def test_log_of_one_row_is_refused(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, LOG + CLIP)
    change_log(tmp_path, lambda table: table.iloc[:1])
    one_line(run("check", sheet), "attitude.csv", "one attitude at most")


def test_stabilised_footage_needs_no_clock(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, "stabilised = true\n" + HORIZON + CAMERA + LOG + CLIP)
    change_log(tmp_path, lambda table: table.assign(pitch_deg=20 * np.sin(table["t_s"] * 1.7)))
    done = run("check", sheet)
    assert done.returncode == 0, done.stderr
    result = json.loads((tmp_path / "result" / "result.json").read_text(encoding="utf-8"))
    assert result["lean_deg"]["value"] is None
    assert result["picture_lean_deg"]["value"] == pytest.approx(0.6, abs=0.1)


def test_an_interrupted_write_leaves_the_old_file_and_no_part(tmp_path, monkeypatch):
    path = tmp_path / "result.json"
    write_whole(path, b"old")

    def interrupt(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("attitude.files.os.replace", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]
