import dataclasses
import json
import re
from functools import lru_cache
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import pytest

from attitude.entries import SHOTS
from attitude.findings import Combination, Estimate, MemberRange
from attitude.lookalikes import LENS_FILE
from attitude.plans import hover
from attitude.report import contents, picture_of, write_report
from attitude.report.advice import ACTION_WORDS, action_advice, shot_advice
from attitude.report.page import HERE
from horizon.selfcheck import self_check
from tests.bench.page import ten_minutes
from tests.materials import material_of, shoot_of
from tests.rates import world
from tests.test_plots import contrast
from tests.test_selfcheck import checked

KINDS = ("a", "c", "open", "no log")
HOSTILE = "<script>alert('x')</script>\" & \u202e$\\frac{a}$ \x1b[31m" + "long" * 80
VOID = {"meta", "link", "img", "br"}


class Page(HTMLParser):
    """What a reader of the markup finds: tags with attributes, text, whether tags close."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.text, self.open, self.wrong, self.skip = [], "", [], [], 0
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.text += data

    def named(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


@lru_cache(maxsize=8)
def written(kind, folder):
    write_report(shoot_of(kind), folder)
    return (folder / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("reports")


@pytest.mark.parametrize("kind", KINDS)
def test_page_is_whole_and_needs_nothing_else(kind, folder):
    page = Page(written(kind, folder / kind))
    assert page.wrong == []
    assert page.open == []
    assert page.named("script") == [{}]
    text = written(kind, folder / kind)
    assert not re.search(r"(?:https?:)?//[a-z]", re.sub(r"data:[^\"]*", "", text))
    for tag, key in (("img", "src"), ("link", "href")):
        assert all(attrs[key].startswith("data:") for attrs in page.named(tag))
    assert all(attrs["href"].startswith("#") for attrs in page.named("a"))
    assert all(attrs.get("alt") for attrs in page.named("img"))
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(set(ids)) == len(ids)
    assert {attrs["href"][1:] for attrs in page.named("a")} <= set(ids)
    assert {attrs["aria-labelledby"] for attrs in page.named("section")} <= set(ids)
    assert len(page.named("main")) == len(page.named("h1")) == 1
    assert len(text) < 3_000_000


@pytest.mark.parametrize("kind", KINDS)
def test_three_parts_in_order_with_the_headline_before_any_number(kind, folder):
    text = " ".join(Page(written(kind, folder / kind)).text.split())
    text = text.replace("\N{NO-BREAK SPACE}", " ")
    headline = shoot_of(kind).verdict.headline
    places = [text.rindex(word) for word in ("The picture leans", "decision rests on", "What next")]
    places = [text.index(headline), *places]
    assert places[1:] == sorted(places[1:])
    assert places[0] < places[1]
    assert "frames read" in text
    assert "airworthiness" in text


def test_pictures_come_before_the_lean_and_as_files(folder):
    text = written("a", folder / "a")
    assert text.index("image/jpeg") < text.index("The picture leans")
    assert text.count("data:image/jpeg") == 3
    for number, picture in enumerate(shoot_of("a").pictures, 1):
        assert np.array_equal(cv2.imread(str(folder / "a" / f"frame_{number}.jpg")), picture.image)
    assert not [path for path in (folder / "a").iterdir() if path.suffix == ".part"]


def test_page_says_what_was_found(folder):
    text = Page(written("a", folder / "a")).text.replace("\N{NO-BREAK SPACE}", " ")
    causes = shoot_of("a").causes
    offset = causes.offset_mg["sideways"]
    assert f"{offset.value:.1f} ± {offset.half_width:.1f} mg" in text
    assert "Recalibrate the sensor of the gimbal, never that of the flight controller." in text
    assert "Propellers off" in text
    assert "Once the offset is gone" in text
    assert "clockwise by" in text
    assert "assumed" in text
    assert "told" in text
    assert "upside-down shot" in text
    assert "in turns, while warming up" in text  # not filmed


def test_open_cause_says_which_sum_is_known_and_asks_for_one_shot(folder):
    text = Page(written("open", folder / "open")).text.replace("\N{NO-BREAK SPACE}", " ")
    assert "Sensor offset sideways and mounting roll together: right side low by 0.9" in text
    assert "shows only the sums above" in text
    assert "Film one more shot: upside-down shot" in text
    assert "Never hold or turn a powered aircraft by hand" in text


def test_a_plot_of_an_earlier_run_does_not_stay(tmp_path):
    for name in ("footage_against_log.png", "frame_1.jpg"):
        (tmp_path / name).write_bytes(b"old")
    write_report(shoot_of("no log"), tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["lean_over_time.png", "report.html"]


def test_damage_is_said(tmp_path):
    words = "decoded 300 frames to 10.0 s of declared 40.0 s"
    write_report(material_of(world(4, plan=hover(10.0)), with_log=False, damage=words), tmp_path)
    assert words in Page((tmp_path / "report.html").read_text(encoding="utf-8")).text


def test_self_check_stands_in_the_why_part_with_its_statistics_folded(tmp_path):
    one = checked(np.random.default_rng(4), noise_deg=0.004)
    write_report(dataclasses.replace(shoot_of("open"), self_check=one), tmp_path)
    markup = (tmp_path / "report.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    page = Page(markup)
    assert page.wrong == []
    why = page.text[page.text.rindex("Why") : page.text.rindex("What next")]
    assert "Self-check of the measuring" in why
    assert f"turned by 0.5 deg, read {one.small_deg:.3f} ± " in why
    folded = why[why.index("Turn by turn") :]
    assert "x turned; common to all readings" in folded
    assert "12 deg" in folded
    assert "3 deg, mirrored" in folded
    bad = dataclasses.replace(shoot_of("open"), self_check=checked(np.random.default_rng(4), scale=0.97))
    write_report(bad, tmp_path)
    assert "The measuring fails it" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_a_shoot_whose_frames_could_not_be_turned_says_so():
    none = dataclasses.replace(shoot_of("open"), self_check=self_check([]))
    assert contents.self_check_sentence(none).startswith("not done: no measured frame")
    lost = dataclasses.replace(none.self_check, turned=24, lost=24)
    refused = contents.self_check_sentence(dataclasses.replace(none, self_check=lost))
    assert refused == "not done: all 24 turned pictures were refused"
    assert contents.self_check_rows(none) == []
    assert contents.self_check_size(none) == ""


def test_hostile_text_is_shown_as_text(tmp_path):
    one = world(4, plan=hover(10.0))
    name = "<img src=x onerror=1>$a$\u202e\u4e00.mp4"
    track = one.tracks[0]
    track.clip, track.track["clip"] = name, name
    track.track.loc[3, ["roll_deg", "reason"]] = [np.nan, "<b>fog"]
    clips = (dataclasses.replace(one.shoot.clips[0], files=(Path(name),)),)
    clocks = (dataclasses.replace(one.clocks[0], clip=name),)
    one = dataclasses.replace(one, shoot=dataclasses.replace(one.shoot, clips=clips), clocks=clocks)
    image = np.full((72, 128, 3), 90, np.uint8)
    material = material_of(
        one, pictures=[picture_of(image, HOSTILE, name, 1.0)], title=HOSTILE, rig=HOSTILE, notes=(HOSTILE,)
    )
    write_report(material, tmp_path)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    page = Page(text)
    assert page.wrong == []
    assert page.named("script") == [{}]
    assert not page.named("b")
    assert all("onerror" not in attrs for attrs in page.named("img"))
    assert "<script>alert('x')</script>" in page.text
    assert "<b>fog" in page.text
    assert "\u202e" not in text
    assert "\x1b" not in text


def test_nothing_measured_still_gives_a_page(tmp_path):
    one = world(4, plan=hover(10.0))
    one.tracks[0].track[["roll_deg", "pitch_deg"]] = np.nan
    one.tracks[0].track["reason"] = "sky fills the frame"
    write_report(material_of(one, with_log=False), tmp_path)
    text = Page((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert "100 (sky fills the frame)" in text
    assert "No stretch with a measured horizon" in text
    assert sorted(path.name for path in tmp_path.iterdir()) == ["report.html"]


def test_words_and_strip_agree_with_the_estimates():
    rows = contents.lean_rows(shoot_of("a"))
    assert [row.estimate for row in rows] == [
        shoot_of("a").causes.picture_lean,
        shoot_of("a").causes.known_lean,
        shoot_of("a").causes.lean,
    ]
    assert rows[2].words.startswith("right side low by 0.")


def test_sum_in_words_turns_with_its_sign():
    def words(weights, value):
        return contents.sum_sentence(Combination(weights, value, 0.02, "upside_down"))

    assert "left side low by 0.50 ± 0.04 deg" in words(
        (("sensor_offset.sideways", 1.0), ("mounting.roll", 0.98)), -0.5
    )
    pitch = (("sensor_offset.along_lens", 1.0), ("mounting.pitch", -1.0))
    assert "lens low by 0.50 ± 0.04 deg" in words(pitch, 0.5)
    mixed = (("mounting.roll", 1.0), ("ground_not_level.north", 0.5))
    assert "= -0.50 ± 0.04 deg: only the sum is known" in words(mixed, -0.5)


def test_sum_says_what_fits_and_how_each_may_lie():
    names = ("sensor_offset.sideways", "mounting.roll")
    ranges = tuple(MemberRange(name, -1.3, 1.9) for name in names)
    both = Combination(tuple((name, 1.0) for name in names), 0.612, 0.02, "upside_down", ranges)
    assert contents.sum_sentence(both) == (
        "Sensor offset sideways and mounting roll together: right side low by 0.61 ± 0.04 deg: only the sum "
        "is known, anything from (0.61, 0) to (0, 0.61) deg fits (alone: sensor offset sideways -1.3 to "
        "1.9 deg; mounting roll -1.3 to 1.9 deg). To split it, film: upside-down shot."
    )
    three = (*both.weights, ("ground_not_level.east", -1.0))
    sentence = contents.sum_sentence(dataclasses.replace(both, weights=three, film="pan", ranges=()))
    assert (
        "anything from (0.61, 0, 0), (0, 0.61, 0) to (0, 0, -0.61) deg fits. To split it, film: full pan"
        in sentence
    )
    lens = dataclasses.replace(both, weights=(("mounting.pitch", 1.0), ("focal_length", 0.7)), film=LENS_FILE)
    assert contents.sum_sentence(lens).endswith("To split it, the lens file tells.")


def test_what_is_not_determined_is_shown_as_a_range_only():
    material = shoot_of("open")
    rows = [
        *contents.offset_rows(material),
        *contents.mounting_rows(material),
        *contents.other_rows(material),
    ]
    open_rows = [row for row in rows if row.size == contents.OPEN]
    assert len(open_rows) >= 5
    for row in open_rows:
        assert re.fullmatch(r"-?[\d.]+ to [\d.]+ (mg|deg)", row.effect)
        assert "±" not in row.effect


def test_time_out_is_said_with_what_the_mean_leaves_open():
    sentence = contents.time_sentence(shoot_of("a"))
    shares = re.fullmatch(
        r"out of 0.5 deg for \d+ s: (\d+) % of the time \((\d+) to (\d+) %\); worst five seconds: "
        r"(?:left|right) side low by \d\.\d\d ± 0\.\d\d deg",
        sentence,
    )
    measured, low, high = map(int, shares.groups())
    assert low < measured < high
    level = shoot_of("b")
    assert contents.time_sentence(level).startswith("never out of 0.5 deg; ")
    seldom = dataclasses.replace(level.causes.out_of_tolerance, seconds=0.3, share=0.002)
    level = dataclasses.replace(level, causes=dataclasses.replace(level.causes, out_of_tolerance=seldom))
    assert contents.time_sentence(level).startswith("out of 0.5 deg for less than 1 s: 0 % of the time; ")


def test_board_axes_are_named_where_they_are_told():
    material = shoot_of("a")
    log = dataclasses.replace(
        material.shoot.logs[0], sensor_axes=("y", "-z", "-x"), given=frozenset({"sensor_axes"})
    )
    told = dataclasses.replace(material, shoot=dataclasses.replace(material.shoot, logs=(log,)))
    assert contents.offset_rows(told)[0].name == "sideways (board y)"
    assert contents.offset_rows(material)[0].name == "sideways"


def test_other_findings_are_said_with_their_sizes():
    material = shoot_of("a")
    causes = dataclasses.replace(
        material.causes,
        skyline_deg={"north": Estimate(-0.2, 0.05), "east": Estimate(0.0, 0.5, determined=False)},
        turns=Estimate(0.31, 0.02),
        warm_up=Estimate(0.9, 0.05),
        warm_up_s=300.0,
    )
    rows = {row.name: row for row in contents.other_rows(dataclasses.replace(material, causes=causes))}
    assert rows["Skyline towards north"].size == "rises by 0.20 ± 0.10 deg"
    assert rows["Skyline towards east"].size == contents.OPEN
    assert rows["Leaning in turns"].size == "0.31 ± 0.04 deg per m/s² sideways"
    assert rows["At power-on, besides"].size == "right side low by 0.90 ± 0.10 deg"


@pytest.mark.parametrize("rig_kind", ["drone", "handheld", "bench"])
def test_advice_exists_for_every_action_and_shot(rig_kind):
    for action in ACTION_WORDS:
        advice = action_advice(action, rig_kind)
        text = " ".join(advice.steps + advice.cautions)
        assert advice.steps or action == "open"
        assert ("Propellers" in text) <= (rig_kind == "drone")
    for shot in (*SHOTS, "warm_up"):
        assert shot_advice(shot, rig_kind).steps


def test_cautions_stand_where_hands_go():
    for advice in (shot_advice("upside_down", "drone"), *(action_advice(a, "drone") for a in (
        "recalibrate", "square_up", "balance_or_tune",
    ))):  # fmt: skip
        assert any("Propellers off and flight battery out" in caution for caution in advice.cautions)
        assert any("motors disabled" in caution for caution in advice.cautions)
    steps = action_advice("recalibrate", "drone", trim_deg=0.4).steps
    assert steps[0].startswith("Write down the old constants")
    assert any("on a stand" in step for step in steps)
    assert "0.4 deg" in steps[-1]
    assert any("rebalance" in step for step in action_advice("square_up", "drone").steps)


def test_text_is_readable_in_both_looks():
    """AA asks for 4.5 to 1 of text and 3 to 1 of what must be seen to understand."""
    css = (HERE / "style.css").read_text(encoding="utf-8")
    looks = [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block)) for block in css.split("@media")[:2]]
    assert len(looks[0]) == len(looks[1]) == 10
    for colours in looks:
        for text in ("ink", "faint", "accent"):
            assert contrast(colours[text], colours["paper"]) >= 4.5
        assert contrast(colours["warn-ink"], colours["warn-paper"]) >= 4.5
        assert contrast(colours["accent"], colours["ok"]) >= 3


def test_result_is_not_needed_beyond_its_stable_keys(folder):
    # The page is made from what result.json holds: it must survive the trip through it.
    material = shoot_of("open")
    again = dataclasses.replace(material, result=json.loads(json.dumps(material.result)))
    write_report(again, folder / "again")
    assert (folder / "again" / "report.html").read_text(encoding="utf-8") == written("open", folder / "open")


@pytest.mark.long
def test_page_of_ten_minutes_stays_small(tmp_path):
    material = ten_minutes()
    assert sum(track.facts.duration_s for track in material.tracks) >= 600
    write_report(material, tmp_path)
    assert (tmp_path / "report.html").stat().st_size < 3_000_000
