"""Pages of simulated shoots in a real browser: hostile names, a missing video, a take that was cut."""

import dataclasses
import tomllib
from pathlib import Path

import numpy as np
import pytest

from attitude.plans import hover
from attitude.report import picture_of, write_report
from tests.browser import Watched, browser, needs_axe, needs_chromium, serious_violations
from tests.materials import material_of, shoot_of, with_video
from tests.rates import world

pytestmark = needs_chromium

NASTY = [
    "<script>alert(1)</script>.mp4",
    "\"'><img src=x onerror=alert(2)>.mp4",
    "</script><script>alert(3)</script>.mp4",
    "right\u202eto left\u2067.mp4",
    "long" * 75 + ".mp4",
    "{{ 7 * 7 }} ${x} & &amp; `tick` \\u003c.mp4",
    "' ]]> --> </style> </svg>.mp4",
]


@pytest.fixture(scope="module")
def chromium():
    with browser() as one:
        yield one


def file_name(name):
    return name.replace("/", "\u2215")  # no file's name holds a slash


def named(name):
    """A simulated shoot whose clip, rig, title and all other texts bear one name."""
    one = world(4, plan=hover(20.0), offset_deg=0.9)
    track, file = one.tracks[0], file_name(name)
    track.clip, track.track["clip"] = file, file
    track.track.loc[3, ["roll_deg", "reason"]] = [np.nan, name]
    clips = (dataclasses.replace(one.shoot.clips[0], files=(Path(file),)),)
    clocks = (dataclasses.replace(one.clocks[0], clip=file),)
    one = dataclasses.replace(one, shoot=dataclasses.replace(one.shoot, clips=clips), clocks=clocks)
    picture = picture_of(np.full((72, 128, 3), 90, np.uint8), name, file, 1.0, name)
    texts = {"title": name, "rig": name, "calibration": name, "notes": (f"column {name!r} is odd",)}
    material = material_of(one, pictures=[picture], damage=name, **texts)
    return with_video(dataclasses.replace(material, worst=picture))


@pytest.mark.parametrize(
    "name",
    [pytest.param(one, marks=pytest.mark.long if k % 2 else ()) for k, one in enumerate(NASTY)],
    ids=range(len(NASTY)),
)
def test_hostile_names_are_text_and_break_nothing(chromium, tmp_path, name):
    write_report(named(name), tmp_path)
    for width in (360, 1280):
        watched = Watched(chromium, tmp_path / "report.html", width=width)
        watched.unfold()
        page = watched.page
        page.click("#take")
        # A missing video is the only thing to complain of; nothing of the names ran, loaded or was cut off.
        assert [one for one in watched.complaints if "ERR_FILE_NOT_FOUND" not in one] == []
        assert watched.asked_for() == {"report.html", "review.mp4"}
        plain = "".join(c for c in name if c not in "\u202e\u2067")
        assert page.inner_text("h1") == plain
        assert file_name(plain) in page.inner_text("#left-out")
        assert tomllib.loads(page.inner_text("#left-out code"))["exclude_s"]
        assert page.evaluate("document.scripts.length") == 2
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.context.close()


def test_a_missing_video_is_said(chromium, tmp_path):
    write_report(with_video(shoot_of("a")), tmp_path)
    watched = Watched(chromium, tmp_path / "report.html")
    watched.until("!document.getElementById('no-review').hidden")
    assert "same folder as this page" in watched.page.inner_text("#no-review")


def test_without_scripts_the_page_says_everything_and_the_video_keeps_its_controls(chromium, tmp_path):
    write_report(with_video(shoot_of("a")), tmp_path)
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((tmp_path / "report.html").as_uri())
    assert page.get_attribute("#review", "controls") is not None
    assert not page.is_visible("#timeline")
    assert page.is_visible("noscript p")
    assert shoot_of("a").verdict.headline.split(":")[0] in page.inner_text(".headline").replace("\xa0", " ")
    context.close()


def test_a_cut_take_gives_one_line_in_the_time_of_the_take(chromium, tmp_path):
    one = world(3, plan=(*hover(20.0), *hover(20.0, shot="pan")), offset_deg=0.9)
    names = [track.clip for track in one.tracks]
    assert len(names) == 2
    lasts_s = [float(track.track["t_s"].iloc[-1]) + 0.1 for track in one.tracks]
    take = dataclasses.replace(
        one.shoot.clips[0], files=tuple(map(Path, names)), starts_s=(0.0, lasts_s[0]), exclude_s=((1.0, 2.0),)
    )
    one = dataclasses.replace(one, shoot=dataclasses.replace(one.shoot, clips=(take,)))
    write_report(with_video(material_of(one)), tmp_path)
    watched = Watched(chromium, tmp_path / "report.html")
    page = watched.page
    assert tomllib.loads(page.inner_text("#left-out code"))["exclude_s"] == [[1.0, 2.0]]
    box = page.locator("#timeline").bounding_box()
    for share in (0.45, 0.55):
        page.click("#timeline", position={"x": share * box["width"], "y": 20})
        page.click("#mark")
    whole = sum(lasts_s)
    first, second = tomllib.loads(page.inner_text("#left-out code"))["exclude_s"]
    assert "instead of the line that is there" in page.inner_text("#left-out li")
    assert first == [1.0, 2.0]
    assert second == pytest.approx([0.45 * whole, 0.55 * whole], abs=0.1)
    assert page.locator("#left-out li").count() == 1


def test_what_the_sheet_leaves_out_stays_to_the_digit_and_a_mark_is_removed_alone(chromium, tmp_path):
    one = world(3, plan=(*hover(20.0), *hover(20.0, shot="pan")), offset_deg=0.9)
    told = ((1.234, 2.5), (900.0, 950.0))
    clips = (dataclasses.replace(one.shoot.clips[0], exclude_s=told), *one.shoot.clips[1:])
    one = dataclasses.replace(one, shoot=dataclasses.replace(one.shoot, clips=clips))
    material = with_video(material_of(one))
    write_report(material, tmp_path)
    watched = Watched(chromium, tmp_path / "report.html", width=360)
    page = watched.page
    box = page.locator("#timeline").bounding_box()
    for share in (0.4, 0.6):
        page.click("#timeline", position={"x": share * box["width"], "y": 20})
        page.click("#mark")
    lines = [tomllib.loads(text)["exclude_s"] for text in page.locator("#left-out code").all_inner_texts()]
    assert [tuple(pair) for pair in lines[0] if tuple(pair) in told] == list(told)
    second = material.review.segments[1]
    end_s = 0.6 * (second.from_s + second.lasts_s) - second.from_s
    assert lines[1] == [[0.0, pytest.approx(end_s, abs=0.2)]]
    # The first clip's part is taken back: what the sheet says and the second clip's part stay as they are.
    page.locator("#left-out li").first.locator("button:has-text('again')").nth(1).click()
    after = [tomllib.loads(text)["exclude_s"] for text in page.locator("#left-out code").all_inner_texts()]
    assert [tuple(pair) for pair in after[0]] == list(told)
    assert after[1] == lines[1]
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


@needs_axe
def test_marks_do_not_stand_in_the_way_of_a_screen_reader(chromium, tmp_path):
    write_report(with_video(shoot_of("a")), tmp_path)
    watched = Watched(chromium, tmp_path / "report.html")
    watched.page.click("#take")
    assert watched.page.locator("#left-out li").count() == 1
    assert serious_violations(watched) == []
