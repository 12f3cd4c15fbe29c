import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest
from rich.cells import cell_len

from attitude.lines import Paragraph, laid_out
from attitude.plans import hover
from attitude.terminal import measure_lines, summary_lines
from tests.materials import as_clip_track, material_of, shoot_of
from tests.rates import world
from tests.test_selfcheck import checked


def joined(lines):
    return " ".join(" ".join(lines).split())


@pytest.mark.parametrize("columns", range(40, 90, 7))
def test_a_size_stays_on_one_line(columns):
    text = "The lean is " + "right side low by 0.25 ± 0.08 deg, and then 1.2 ± 0.3 mg (of x) " * 4
    lines = laid_out([Paragraph(text)], columns)
    assert " ".join(lines).split() == text.split()
    assert sum(line.count("0.25 ± 0.08 deg") for line in lines) == 4
    assert sum(line.count("1.2 ± 0.3 mg") for line in lines) == 4


@pytest.mark.parametrize("kind", ["a", "b", "c", "open", "no log"])
def test_verdict_first_files_last_in_80_columns(kind, tmp_path):
    material = shoot_of(kind)
    lines = summary_lines(material, tmp_path)
    assert max(len(line) for line in lines) <= 80
    assert joined(lines).startswith(f"{material.shoot.title}: {material.verdict.headline}")
    heads = [line.split()[0] for line in lines if line and not line.startswith(" ")]
    order = [name for name in ("Lean", "Why", "Next", "Open", "Editor", "Notes", "Files") if name in heads]
    assert [head for head in heads if head in order] == order
    assert {"Lean", "Why", "Next", "Notes", "Files"} <= set(order)
    assert "report.html" in lines[-2]  # whole, and not broken anywhere in it
    assert not re.search(r"[\x00-\x1f\x7f]", "".join(lines))
    # What a styling relies on: a name and spaces up to the text, or else a heading.
    for line in lines:
        assert re.match(r"(\S{1,7} {2,}(?<=^.{9})\S| {9,}\S|$)", line) or line in lines[:2]


def test_causes_are_named_with_their_chances():
    assert "Most probable: sensor offset (more than 99 in 100)" in joined(
        summary_lines(shoot_of("a"), Path())
    )
    text = joined(summary_lines(shoot_of("open"), Path()))
    assert re.search(r"sensor offset \(\d+ in 100\)", text)
    assert "Sensor offset sideways and mounting roll together" in text


def test_cautions_come_before_the_steps():
    text = joined(summary_lines(shoot_of("a"), Path()))
    assert text.index("Mind: Propellers off") < text.index("1. Write down the old constants")
    assert "says nothing about airworthiness" in text
    assert "Propellers" not in joined(summary_lines(shoot_of("c"), Path()))  # handheld


def test_editor_is_told_which_way_and_what_it_costs():
    text = joined(summary_lines(shoot_of("c"), Path()))
    assert re.search(r"0_hover.mp4, 0.0 to 20.0 s: turn clockwise by 0\.\d\d deg, costs \d\.\d % of", text)


def test_damage_and_notes_are_said():
    words = "decoded 300 frames to 10.0 s of declared 40.0 s"
    material = material_of(
        world(4, plan=hover(10.0)), with_log=False, damage=words, notes=("method is read but not used yet",)
    )
    text = joined(summary_lines(material, Path()))
    assert f"0_hover.mp4 is damaged: {words}" in text
    assert "method is read but not used yet" in text


def test_what_a_terminal_would_obey_is_removed():
    title = "\x1b[31mred\x07\u202e" + "long " * 60
    lines = summary_lines(titled(title), Path("out") / ("x" * 200))
    assert max(len(line) for line in lines) <= 80
    assert not re.search("[\x00-\x1f\x7f\u202e]", "".join(lines))


def titled(title):
    material = shoot_of("b")
    return dataclasses.replace(material, shoot=dataclasses.replace(material.shoot, title=title))


@pytest.mark.parametrize("columns", [40, 50, 80])
@pytest.mark.parametrize("title", ["x" * 300, "\u6d77\u306e\u6c34\u5e73\u7dda" * 60, "Ha\u0308ngt es? " * 20])
def test_lines_fit_a_narrow_terminal_whatever_the_letters(title, columns):
    lines = summary_lines(titled(title), Path("out") / title, columns=columns)
    assert max(map(cell_len, lines)) <= columns
    assert max(map(cell_len, lines)) >= columns - 2
    assert lines[0].startswith(title[:15])
    # The headline's title is cut, the folder's name is not.
    assert "...: " in joined(lines)
    assert "".join(title.split()) in "".join("".join(lines).split())


def test_a_sentence_begins_with_a_capital_but_a_file_keeps_its_name():
    material = shoot_of("no log")
    clip = material.tracks[0].clip
    verdict = dataclasses.replace(material.verdict, reasons=("the cause is open", f"{clip}: no look"))
    lines = summary_lines(dataclasses.replace(material, verdict=verdict), Path())
    assert "Why      The cause is open" in lines
    assert f"         {clip}: no look" in lines


def test_self_check_is_one_sentence():
    material = shoot_of("a")
    assert "Checked" not in joined(summary_lines(material, Path()))
    rng = np.random.default_rng(4)
    good = dataclasses.replace(material, self_check=checked(rng, noise_deg=0.004))
    text = joined(summary_lines(good, Path()))
    read = f"turned by 0.5 deg, read {good.self_check.small_deg:.3f} ± "
    assert f"Checked 4 frames turned by known angles and measured afresh: {read}" in text
    assert "none of 24 pictures refused" in text
    bad = dataclasses.replace(material, self_check=checked(rng, noise_deg=0.004, scale=1.02))
    assert "do not rely on these numbers: turns are read +2.0 % off" in joined(summary_lines(bad, Path()))


def track_of(**changes):
    one = world(4, plan=hover(20.0))
    one.tracks[0].track.loc[5, ["roll_deg", "reason"]] = [np.nan, "sky fills the frame"]
    return dataclasses.replace(as_clip_track(one.tracks[0]), **changes)


def test_one_clip_without_a_log():
    lines = measure_lines(track_of(), Path("out"), None)
    assert max(len(line) for line in lines) <= 80
    assert lines[0].startswith("0_hover.mp4: ")
    assert "side low by" in lines[0]
    text = joined(lines)
    assert re.search(
        r"nine tenths of the frames: from left side low by 0\.0\d deg to right side low by 0\.0\d deg", text
    )
    assert "600 read, 200 looked at, 199 measured" in text
    assert "1 not measured: sky fills the frame" in text
    assert "assumed; tell it with --hfov-deg" in text
    assert "60 deg across the picture" in joined(measure_lines(track_of(), Path("out"), 60.0))


def test_one_clip_upside_down_damaged_or_without_a_horizon():
    over = track_of()
    over = dataclasses.replace(
        over, track=over.track.assign(roll_deg=over.track["roll_deg"] + 180), sky="unknown"
    )
    text = joined(measure_lines(over, Path(), 60.0))
    assert "filmed upside down" in text
    assert "may be upside down" in text
    assert "damaged: torn" in joined(measure_lines(track_of(damage="torn"), Path(), 60.0))
    blind = track_of()
    blind = dataclasses.replace(blind, track=blind.track.assign(roll_deg=np.nan, reason=""))
    text = joined(measure_lines(blind, Path(), 60.0))
    assert "no horizon was measured" in text
    assert "200 not measured: no reason given" in text


def test_a_spread_on_one_side_of_level_names_it_once():
    track = track_of()
    roll_deg = np.linspace(0.3, 0.5, len(track.track))
    table = track.track.assign(roll_deg=roll_deg, pitch_low_deg=-1.5, pitch_high_deg=2.0)
    text = joined(measure_lines(dataclasses.replace(track, track=table), Path(), 60.0))
    assert "nine tenths of the frames: right side low by 0.31 to 0.49 deg" in text
    assert "pitch, 95 %: from lens down by 1.5 deg to lens up by 2.0 deg" in text
    table = table.assign(roll_deg=-roll_deg)
    text = joined(measure_lines(dataclasses.replace(track, track=table), Path(), 60.0))
    assert "nine tenths of the frames: left side low by 0.31 to 0.49 deg" in text
