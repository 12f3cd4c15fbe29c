"""Many shoots in one run: which sheets are meant, that a bad one stops no other, and the table at the end."""

import json
import shutil

import numpy as np
import pytest

from attitude.archive import Ended, sheets_of
from attitude.terminal_archive import archive_lines
from tests.commands import run_here
from tests.footage import known_lens, tilting_shoot


def test_a_folder_of_folders_means_all_sheets_below_it(tmp_path):
    for name in ("may/one", "may/two", "june", "june/result", ".hidden"):
        (tmp_path / name).mkdir(parents=True)
        (tmp_path / name / "shoot.toml").touch()
    (tmp_path / "circle").symlink_to(tmp_path, target_is_directory=True)
    meant = sheets_of([tmp_path])
    names = [one.relative_to(tmp_path).as_posix() for one in meant]
    assert names == ["june", "june/result", "may/one", "may/two"]
    # One that holds a sheet is a shoot, whatever lies below it, and each counts once.
    assert sheets_of([tmp_path / "june", tmp_path / "june" / "shoot.toml"]) == [tmp_path / "june"]
    empty = tmp_path / "empty"
    empty.mkdir()
    assert sheets_of([empty, tmp_path / "gone.toml"]) == [empty, tmp_path / "gone.toml"]


def test_the_table_fits_a_terminal_and_says_what_was_not_checked():
    ended = [
        Ended("A shoot with a long title, over the lake", "right side low by 0.61 ± 0.04 deg", "square_up"),
        Ended("Flat", "level within 0.03 deg", "leave"),
        Ended("x/shoot.toml", refused="log.csv: no column 't_s'; name it under [[log]] time"),
    ]
    for columns in (80, 40):
        lines = archive_lines(ended, columns=columns)
        assert max(map(len, lines)) <= columns
        said = " ".join(" ".join(lines).split())
        assert said.startswith("2 of 3 shoots checked.")
        assert "0.61 ± 0.04 deg" in said
        assert "x/shoot.toml: log.csv: no column 't_s'; name it under [[log]] time" in said


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """Two shoots, one of them without its log, checked together."""
    folder = tmp_path_factory.mktemp("season")
    lens, rng = known_lens(60, 320, 180), np.random.default_rng(8)
    tilting_shoot(folder / "b_good", lens, reach_deg=4.0, rng=rng, lasts_s=4.0, hfov_deg=60)
    shutil.copytree(folder / "b_good", folder / "a_bad")
    (folder / "a_bad" / "log.csv").unlink()
    return folder, run_here("check", folder, "--history", folder / "h.sqlite")


def test_one_bad_shoot_does_not_stop_the_others(season):
    folder, done = season
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "a_bad" in done.stderr
    assert "log.csv" in done.stderr
    assert "1 of 2 shoots checked." in done.stdout
    assert json.loads((folder / "b_good/result/result.json").read_text(encoding="utf-8"))["verdict"]["action"]
    assert not (folder / "a_bad" / "result").exists()


def test_one_folder_takes_the_results_of_one_sheet_only(season, tmp_path):
    folder, _ = season
    done = run_here("check", folder / "a_bad", folder / "b_good", "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "--out is for the results of one sheet, and 2 are meant" in done.stderr
    assert not (tmp_path / "out").exists()
