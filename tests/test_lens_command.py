"""``horizon-drift lens board`` as a person runs it, and its file as a check reads it."""

import re
import tomllib

import cv2
import numpy as np
import pytest

from attitude.optics import CALIBRATED_FOCAL_SD, lens_of
from attitude.sheet import Camera
from horizon.candidates import field_of_view_deg
from horizon.clip import probe
from horizon.coded import with_colour_planes, write_clip
from horizon.lens import Lens, read_lens, scaled
from tests.boards import film_board, poses
from tests.commands import run_here

LENS = Lens(640, 360, 347.8, 347.8, 323.0, 177.0, "brown", (-0.08, 0.0, 0.0, 0.0, 0.0))


@pytest.fixture(scope="module")
def filmed(tmp_path_factory):
    """A clip of a board, the command's words on it, and its folder."""
    folder = tmp_path_factory.mktemp("lens")
    rng = np.random.default_rng(11)
    film_board(folder / "board.mp4", LENS, poses(LENS, 14, rng, near=1.2), rng)
    done = run_here("lens", "board", folder / "board.mp4")
    assert done.returncode == 0, done.stderr
    return folder, done.stdout


def test_the_command_tells_the_field_of_view_with_its_uncertainty(filmed):
    _, said = filmed
    assert max(len(line) for line in said.splitlines()) <= 80
    value, half = map(float, re.search(r"covers ([\d.]+) ± ([\d.]+) deg", said).groups())
    assert half < 0.6
    assert abs(value - field_of_view_deg(LENS)) < 1.5 * half
    words = " ".join(said.split())
    assert "model: brown (k1" in words
    assert re.search(r"0\.\d\d px rms on views held back", words)
    assert "9 x 6 inner corners" in words
    assert "% of the picture" in words


def test_the_lens_file_is_what_a_check_takes(filmed):
    folder, _ = filmed
    lens = read_lens(folder / "lens.toml")
    assert lens.fx_px == pytest.approx(LENS.fx_px, rel=0.005)
    facts = probe(folder / "board.mp4")
    known = lens_of(facts, Camera(lens=folder / "lens.toml"), None)
    assert known.lens == lens
    assert known.focal_sd == lens.focal_sd != CALIBRATED_FOCAL_SD
    assert scaled(lens, 1280, 720).fx_px == pytest.approx(2 * lens.fx_px)
    table = tomllib.loads((folder / "lens.toml").read_text(encoding="utf-8"))
    assert table["source"] == "board.mp4"
    assert table["views"] >= 8
    assert {"date", "hfov_sd_deg", "held_back_px", "principal_point_sd_px", "distortion_sd"} <= set(table)


def test_a_lens_file_that_does_not_tell_its_uncertainty_keeps_the_usual_one(filmed, tmp_path):
    folder, _ = filmed
    text = (folder / "lens.toml").read_text(encoding="utf-8")
    (tmp_path / "lens.toml").write_text(re.sub(r"focal_sd.*\n", "", text), encoding="utf-8")
    known = lens_of(probe(folder / "board.mp4"), Camera(lens=tmp_path / "lens.toml"), None)
    assert known.focal_sd == CALIBRATED_FOCAL_SD


def test_the_picture_shows_every_corner_of_the_board(filmed):
    folder, _ = filmed
    drawn = cv2.imread(str(folder / "lens.png"))
    assert drawn.shape[1] == 1280
    blue = (drawn[..., 0].astype(int) - drawn[..., 2] > 60).sum()
    assert blue > 2000
    assert not list(folder.glob("*.part"))


def test_no_board_is_one_line_and_writes_nothing(tmp_path):
    rng = np.random.default_rng(6)
    blank = [np.uint8(np.clip(rng.normal(120, 20, (180, 320)), 0, 255)) for _ in range(4)]
    write_clip(tmp_path / "wall.mp4", map(with_colour_planes, blank), 5)
    done = run_here("lens", "board", tmp_path / "wall.mp4", "--out", tmp_path / "out")
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
    assert "wall.mp4: no checkerboard is seen in it; film a flat" in done.stderr
    assert not (tmp_path / "out").exists()


def test_too_few_views_are_one_line(tmp_path):
    rng = np.random.default_rng(12)
    film_board(tmp_path / "board.mp4", LENS, poses(LENS, 3, rng) * 3, rng)
    done = run_here("lens", "board", tmp_path / "board.mp4")
    assert done.returncode == 2
    assert re.search(r"board\.mp4: .* only \d differ, and 8 are needed; show the board in every", done.stderr)
    assert not (tmp_path / "lens.toml").exists()
