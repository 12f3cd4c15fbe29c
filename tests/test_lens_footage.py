"""``horizon-drift lens footage`` as a person runs it, on a tilting shoot through a known lens."""

import re
import tomllib

import numpy as np
import pytest

from attitude.check import examine
from horizon.candidates import field_of_view_deg
from horizon.lens import read_lens
from tests.commands import run_here
from tests.footage import attitude, known_lens, tilting_shoot

LENS = known_lens(90, 480, 270)
REACH_DEG, LASTS_S = 14.4, 24.0  # 0.16 of the field of view


@pytest.fixture(scope="module")
def tilted(tmp_path_factory):
    """The sheet of a shoot through a bent lens, which it takes for a straight one."""
    folder = tmp_path_factory.mktemp("footage")
    rng = np.random.default_rng(3)
    return tilting_shoot(folder, LENS, reach_deg=REACH_DEG, rng=rng, lasts_s=LASTS_S, hfov_deg=90)


@pytest.fixture(scope="module")
def filmed(tilted):
    """The same, and the command's words on it."""
    done = run_here("lens", "footage", tilted.parent)
    assert done.returncode == 0, done.stderr
    return tilted, done.stdout


@pytest.mark.long
def test_the_lens_of_the_shoot_is_found_and_said(filmed):
    sheet, said = filmed
    assert max(len(line) for line in said.splitlines()) <= 80
    value, half = map(float, re.search(r"covers ([\d.]+) ± ([\d.]+) deg", said).groups())
    assert half <= 1.0
    assert abs(value - field_of_view_deg(LENS)) < 1.5 * half
    words = " ".join(said.split())
    assert "model: brown (k1" in words
    assert "the sheet told of 90 deg across, straight lines stay straight" in words
    assert re.search(r"\d+ used, in tilt\.mp4", words)
    assert "a log whose pitch is 1 % too large makes it 1 % too small" in words
    lens = read_lens(sheet.parent / "lens.toml")
    assert lens.fx_px == pytest.approx(LENS.fx_px, rel=0.01)
    assert lens.distortion[0] == pytest.approx(LENS.distortion[0], abs=0.005)
    table = tomllib.loads((sheet.parent / "lens.toml").read_text(encoding="utf-8"))
    assert table["source"] == ["tilt.mp4"]
    assert {"date", "hfov_sd_deg", "horizons", "principal_point_sd_px", "distortion_sd"} <= set(table)
    assert (sheet.parent / "lens.png").stat().st_size > 5000


@pytest.mark.long
def test_a_check_names_the_bent_lens_and_is_mended_by_the_file(filmed):
    """Goal: the pitch of a horizon away from the middle is ten times nearer the truth."""
    sheet, _ = filmed
    after = sheet.with_name("after.toml")
    text = sheet.read_text(encoding="utf-8").replace("hfov_deg = 90", 'lens = "lens.toml"')
    after.write_text(text, encoding="utf-8")
    worst, notes = [], []
    for one in (sheet, after):
        track = examine(one).footage.tracks[0]
        table = track.track.dropna(subset=["roll_deg"])
        true = attitude(table["t_s"].to_numpy(), LASTS_S, REACH_DEG)
        off = np.abs(table["pitch_deg"].to_numpy() - true["pitch_deg"])
        far = np.abs(true["pitch_deg"]) > 0.07 * 90
        worst.append(float(np.sqrt(np.mean(off[far] ** 2))))
        notes.append(" ".join(track.notes))
        assert np.mean(off < 1.96 * table["pitch_sd_deg"].to_numpy()) > 0.9
    assert "horizon-drift lens footage" in notes[0]
    assert "lens footage" not in notes[1]
    assert worst[1] < worst[0] / 10


def test_a_sheet_without_a_horizon_through_its_lens_is_told_so(tilted, tmp_path):
    sheet = tilted
    text = sheet.read_text(encoding="utf-8")
    for name in ("tilt.mp4", "log.csv"):
        text = text.replace(f'"{name}"', f'"{(sheet.parent / name).as_posix()}"')
    (tmp_path / "shoot.toml").write_text(f"{text}hfov_deg = 40.0\n", encoding="utf-8")
    done = run_here("lens", "footage", tmp_path)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "shoot.toml: no clip shows a horizon through the lens of [camera]; take lens and" in done.stderr
    assert not (tmp_path / "lens.toml").exists()


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ('surface = "hills"', "a skyline that is not level looks like a bent lens; film the open sea"),
        ('surface = "sea"\n', "is there already and not of this kind; give another folder, --out DIR"),
    ],
)
def test_what_cannot_be_is_said_before_anything_is_measured(tilted, tmp_path, changed, why):
    """Hills, and a lens file of a board that would be lost."""
    sheet = tilted
    text = sheet.read_text(encoding="utf-8").replace('surface = "sea"', changed)
    for name in ("tilt.mp4", "log.csv"):
        text = text.replace(f'"{name}"', f'"{(sheet.parent / name).as_posix()}"')
    (tmp_path / "shoot.toml").write_text(text, encoding="utf-8")
    board = "# A lens, measured with a checkerboard; name this file\nwidth_px = 480\n"
    (tmp_path / "lens.toml").write_text(board, encoding="utf-8")
    done = run_here("lens", "footage", tmp_path)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert why in " ".join(done.stderr.split())
    assert (tmp_path / "lens.toml").read_text(encoding="utf-8") == board
