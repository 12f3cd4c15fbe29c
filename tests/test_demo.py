"""The demo shoots end to end: each truth is named within the interval that is stated, and each page is tried
in a real browser, opened from disk as an operator opens it.

One file, because each shoot is checked once for all of it.
"""

import re
import tomllib
import unicodedata
from contextlib import nullcontext
from io import BytesIO
from pathlib import Path
from unittest import mock

import pytest
from pypdf import PdfReader

from attitude.before_after import compare
from attitude.check import check, examine
from attitude.repeatability import learn
from attitude.review import LookedThrough
from attitude.sheet import read_sheet
from attitude.verdict import judge
from tests.browser import Watched, browser, needs_axe, needs_chromium, serious_violations

DEMO = Path(__file__).parents[1] / "demo_clips"
SHOOTS = sorted(path.parent.name for path in DEMO.glob("*/shoot.toml"))
FIRST, SECOND, THIRD = SHOOTS
PLAYABLE = "document.getElementById('review').readyState >= 1"
AT = "document.getElementById('review').currentTime"
PHONE, DESKTOP = 360, 1280


@pytest.fixture(scope="module")
def chromium():
    with browser() as one:
        yield one


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Checks a demo shoot, once: name, whether to draw its video -> material and result folder."""
    done = {}

    def checked(name, drawn=True):
        if (name, drawn) not in done:
            past = [] if name == FIRST else [checked(FIRST)[0].recorded]
            nothing = LookedThrough(None, (), None, ())
            with nullcontext() if drawn else mock.patch("attitude.check.look_through", return_value=nothing):
                done[name, drawn] = check(DEMO / name, tmp_path_factory.mktemp(name), past=past)
        return done[name, drawn]

    return checked


# One page is tried every time, the others, which are of the same kind, with the long tests.
@pytest.fixture(params=[FIRST, *(pytest.param(name, marks=pytest.mark.long) for name in (SECOND, THIRD))])
def shoot(request, demo):
    return request.param, *demo(request.param)


def truth_of(name):
    return tomllib.loads((DEMO / name / "truth.toml").read_text(encoding="utf-8"))


def holds_truth(name, verdict, causes):
    truth = truth_of(name)
    assert verdict.action == truth["action"]
    lean, offset, mounting = causes.lean, causes.offset_mg["sideways"], causes.mounting_deg["roll"]
    assert lean.low <= truth["lean_deg"] <= lean.high
    assert lean.value == pytest.approx(truth["lean_deg"], abs=0.05)
    assert lean.half_width <= 0.15
    assert offset.determined
    assert offset.low <= truth["sideways_offset_mg"] <= offset.high
    assert offset.value == pytest.approx(truth["sideways_offset_mg"], abs=2.0)
    assert offset.half_width <= 3.0
    assert mounting.low <= truth["mounting_roll_deg"] <= mounting.high


@pytest.mark.parametrize(
    ("name", "drawn"), [(FIRST, True), pytest.param(SECOND, False, marks=pytest.mark.long)]
)
def test_demo_shoot_names_its_truth(name, drawn, demo):
    material, folder = demo(name, drawn)
    holds_truth(name, material.verdict, material.causes)
    for clock in material.result["clock"]:
        assert clock["how"] in ("given", "motion")
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "<script src" not in page
    assert "http://" not in page
    assert "https://" not in page


@pytest.mark.long
def test_demo_shoot_whose_camera_sits_crooked_names_its_truth():
    seen = examine(DEMO / THIRD)
    holds_truth(THIRD, judge(seen.causes, seen.shoot), seen.causes)


@pytest.mark.long
def test_the_second_demo_shoot_shows_that_recalibrating_helped(demo):
    (first, _), (second, folder) = demo(FIRST), demo(SECOND, drawn=False)
    found = compare([first.recorded], [second.recorded], learn([], "Wagtail"))
    assert found.claim == "helped"
    true_deg = truth_of(SECOND)["lean_deg"] - truth_of(FIRST)["lean_deg"]
    assert found.change.low <= true_deg <= found.change.high
    assert "The recalibration helped<" in (folder / "report.html").read_text(encoding="utf-8")
    assert (folder / "rig_chart.png").exists()


def test_demo_is_small():
    assert sum(path.stat().st_size for path in DEMO.rglob("*") if path.is_file()) < 20e6


def test_demo_says_that_it_is_invented():
    for sheet in DEMO.glob("*/shoot.toml"):
        assert "invented" in sheet.read_text(encoding="utf-8")


def opened(chromium, folder, **how):
    watched = Watched(chromium, folder / "report.html", **how)
    watched.until(PLAYABLE)
    return watched


@needs_chromium
def test_page_complains_of_nothing_and_asks_for_nothing_but_its_video(chromium, shoot):
    _, material, folder = shoot
    watched = opened(chromium, folder)
    page = watched.page
    assert squeezed(page.inner_text(".headline")) == squeezed(material.verdict.headline)
    page.click("#forth")
    watched.until("!document.getElementById('review').seeking")
    assert watched.complaints == []
    assert watched.asked_for() == {"report.html", "review.mp4"}


@needs_chromium
def test_video_plays_and_is_sought_from_the_time_line(chromium, shoot):
    _, material, folder = shoot
    watched = opened(chromium, folder)
    page = watched.page
    lasts_s = page.evaluate("document.getElementById('review').duration")
    assert lasts_s == pytest.approx(sum(one.lasts_s for one in material.review.segments), abs=0.3)
    box = page.locator("#timeline").bounding_box()
    page.click("#timeline", position={"x": 0.6 * box["width"], "y": 20})
    watched.until(f"Math.abs({AT} - {0.6 * lasts_s}) < 0.3")
    page.focus("#timeline")
    page.keyboard.press("Home")
    watched.until(f"{AT} < 0.1")
    page.keyboard.press("PageUp")
    page.keyboard.press("ArrowRight")
    watched.until(f"Math.abs({AT} - 11) < 0.1")
    first = material.review.segments[0]
    assert page.inner_text("#now").startswith(f"{first.clip}, 11.0 s: ")
    page.keyboard.press("Enter")
    watched.until(f"{AT} > 11.3")
    assert page.inner_text("#play") == "Pause"
    page.click("#play")
    watched.until("document.getElementById('review').paused")
    watched.until(
        f"Math.abs({AT} - Number(document.getElementById('timeline').getAttribute('aria-valuenow'))) < 0.2"
    )
    assert page.get_attribute("#timeline", "aria-valuetext").startswith(f"{first.clip}, 1")


@needs_chromium
def test_playhead_stands_where_the_plot_shows_the_moment_and_the_plot_is_a_way_to_seek(chromium, shoot):
    _, material, folder = shoot
    watched = opened(chromium, folder)
    page = watched.page
    last = material.review.segments[-1]
    watched.seek(last.from_s + 0.25 * last.lasts_s)
    watched.until("document.querySelectorAll('.drawing .head:not([hidden])').length === 1")
    drawing, head = page.locator(".drawing.seekable"), page.locator(".drawing .head:not([hidden])")
    panel = page.evaluate(
        "JSON.parse(document.querySelector('.drawing.seekable').dataset.panels)"
        f".find((one) => one.clip === {last.clip!r})"
    )
    box, bar = drawing.bounding_box(), head.bounding_box()
    share = (0.25 * last.lasts_s - panel["from_s"]) / (panel["to_s"] - panel["from_s"])
    wanted_px = box["x"] + box["width"] * (panel["left"] + share * panel["width"])
    assert bar["x"] == pytest.approx(wanted_px, abs=3)
    x = box["width"] * (panel["left"] + 0.5 * panel["width"])
    drawing.click(position={"x": x, "y": box["height"] * (panel["top"] + 0.5 * panel["height"])})
    middle_s = last.from_s + (panel["from_s"] + panel["to_s"]) / 2
    watched.until(f"Math.abs({AT} - {middle_s}) < 0.3")


@needs_chromium
def test_flagged_buttons_visit_every_flagged_stretch_and_back(chromium, shoot):
    _, material, folder = shoot
    watched = opened(chromium, folder)
    page = watched.page
    starts = []
    for _ in range(len(material.flagged) + 1):
        page.click("#forth")
        if page.inner_text("#said").startswith("No flagged stretch"):
            break
        watched.until("!document.getElementById('review').seeking")
        starts.append(page.evaluate(AT))
    place = {one.clip: one.from_s for one in material.review.segments}
    wanted = [place[row.clip] + row.from_s for row in material.flagged.itertuples()]
    assert starts == pytest.approx([s for s in wanted if s > 0.05], abs=0.05)
    if starts:
        page.click("#back")
        watched.until("!document.getElementById('review').seeking")
        earlier = [s for s in wanted if s < starts[-1] - 0.3]
        assert page.evaluate(AT) == pytest.approx(earlier[-1] if earlier else starts[-1], abs=0.05)


@needs_chromium
def test_marked_stretch_gives_the_line_that_the_sheet_takes(chromium, shoot, tmp_path):
    name, material, folder = shoot
    watched = opened(chromium, folder)
    page = watched.page
    clip = material.review.segments[-1]
    page.focus("#timeline")
    watched.seek(clip.from_s + 3.0)
    page.click("#mark")
    page.focus("#timeline")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.click("#mark")
    line = page.inner_text("#left-out code")
    ((key, pairs),) = tomllib.loads(line).items()
    assert key == "exclude_s"
    assert pairs == [pytest.approx([3.0, 5.0], abs=0.011)]
    assert clip.clip in page.inner_text("#left-out li")
    page.click("#left-out button:has-text('Copy')")
    watched.until("document.getElementById('said').textContent.startsWith('Copied')")
    assert page.evaluate("navigator.clipboard.readText()") == line
    # Pasted into the sheet under its clip it is what the sheet reads.
    for file in (DEMO / name).iterdir():
        (tmp_path / file.name).symlink_to(file)
    text = (DEMO / name / "shoot.toml").read_text(encoding="utf-8")
    (tmp_path / "shoot.toml").unlink()
    pasted = text.replace(f'file = "{clip.clip}"\n', f'file = "{clip.clip}"\n{line}\n')
    (tmp_path / "shoot.toml").write_text(pasted, encoding="utf-8")
    sheet = read_sheet(tmp_path / "shoot.toml")
    assert sheet.clips[-1].exclude_s == (tuple(pairs[0]),)
    assert page.inner_text("#left-out li p").endswith("a line of its own:")
    # And it can be taken back.
    page.click("#left-out button:has-text('again')")
    assert page.locator("#left-out li").count() == 0


@needs_chromium
def test_a_mark_across_clips_is_divided_among_them(chromium, demo):
    material, folder = demo(FIRST)
    watched = opened(chromium, folder)
    page = watched.page
    first, second = material.review.segments[:2]
    for s in (second.from_s - 2.0, second.from_s + 1.5):
        watched.seek(s)
        page.click("#mark")
    lines = [tomllib.loads(text)["exclude_s"] for text in page.locator("#left-out code").all_inner_texts()]
    assert lines[0][0] == pytest.approx([first.lasts_s - 2.0, first.lasts_s], abs=0.02)
    assert lines[1][0] == pytest.approx([0.0, 1.5], abs=0.02)


@needs_chromium
@pytest.mark.parametrize("width", [PHONE, DESKTOP])
def test_nothing_is_wider_than_the_screen(chromium, shoot, width):
    _, _, folder = shoot
    watched = opened(chromium, folder, width=width)
    watched.unfold()
    assert watched.page.evaluate("document.documentElement.scrollWidth") <= width
    cut = watched.page.evaluate(
        """[...document.querySelectorAll('main *')].filter((one) => {
             const box = one.getBoundingClientRect();
             return box.width > 0 && box.right > innerWidth + 1 && !one.closest('.wide, .clips, svg');
           }).map((one) => one.outerHTML.slice(0, 80))"""
    )
    assert cut == []


@needs_chromium
def test_print_keeps_every_part(chromium, shoot):
    _, _, folder = shoot
    page = opened(chromium, folder, dark=True).page
    pdf = PdfReader(BytesIO(page.pdf(format="A4")))
    assert all(float(one.mediabox.width) == pytest.approx(595, abs=1) for one in pdf.pages)
    printed = squeezed("".join(one.extract_text() for one in pdf.pages))
    texts = page.evaluate(
        """() => {
             const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
             while (walker.nextNode())
               if (!walker.currentNode.parentElement.closest('.player, nav, svg, script'))
                 found.push(walker.currentNode.textContent);
             return found;
           }"""
    )
    assert len(texts) > 60
    assert [text for text in texts if squeezed(text) not in printed] == []
    assert page.evaluate("[...document.querySelectorAll('details')].some((one) => !one.open)")
    pictures = sum(len(one.images) for one in pdf.pages)
    assert pictures >= page.locator("main img").count()


def squeezed(text):
    """Letters and digits only: line breaks and joined letters of the print do not count."""
    return re.sub(r"[\W_]+", "", unicodedata.normalize("NFKC", text))


@needs_chromium
@needs_axe
@pytest.mark.parametrize(
    ("name", "dark"), [(FIRST, False), pytest.param(SECOND, True, marks=pytest.mark.long)]
)
def test_nothing_serious_stands_in_the_way_of_a_screen_reader(chromium, demo, name, dark):
    _, folder = demo(name, drawn=name == FIRST)
    watched = Watched(chromium, folder / "report.html", dark=dark)
    watched.unfold()
    assert serious_violations(watched) == []


@needs_chromium
def test_everything_is_reached_by_keyboard(chromium, demo):
    _, folder = demo(FIRST)
    watched = opened(chromium, folder)
    page = watched.page
    reached = set()
    for _ in range(120):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id || document.activeElement.tagName"))
    assert {"timeline", "forth", "mark", "take", "play", "A", "SUMMARY", "BUTTON"} <= reached
