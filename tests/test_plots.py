import dataclasses
import re
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import lru_cache
from itertools import combinations
from multiprocessing import get_context
from pathlib import Path
from xml.etree import ElementTree

import cv2
import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex

from attitude.covariates import Covariates
from attitude.flagged import COLUMNS as FLAG_COLUMNS
from attitude.picture import footage_roll
from attitude.plans import hover, pan, tilt, turns, upside_down
from attitude.report.against_what import grid_caption
from attitude.report.drawn import COLOURS, STYLE, css_variables
from attitude.report.look import cut, finished, house_style
from attitude.report.plots import PLOTS, draw_plots, get_ready, plots_begun
from attitude.report.points import lean_range_words
from attitude.report.sketches import SKETCHES
from attitude.simulate import Rig, SensorErrors
from tests.materials import as_clip_track, material_of, shoot_of
from tests.rates import Truth, film, world

HOSTILE = (
    "<script>alert('x')<img src=x onerror=y>.mp4",
    "$\\frac{a}$ -- ]]> --!> &amp; \" '.mp4",
    "\u202egnp.\u2066right to left\u2069.mp4",
    "\N{SNOWMAN}\U0001f3a5 \u6d77\u5cb8 \x1b[31m\n.mp4",
    "W" * 300 + ".mp4",
)
SHAPES = {"svg", "g", "path", "use", "defs", "clipPath", "rect"}
SAID = {"viewBox", "style", "d", "transform", "id", "href", "clip-path", "x", "y", "width", "height"}
PHONE_PX, LEAST_PX = 358, 11  # of the page on a phone 390 px wide, and of letters that are still read
ALL = [name for name in PLOTS if name != "rig_chart"]  # which is of several shoots


def sketch(name, material):
    with house_style():
        return SKETCHES[name](material)


@lru_cache
def drawn(kind):
    return draw_plots(shoot_of(kind))


def sketches(kind):
    return [one for one in (sketch(name, shoot_of(kind)) for name in PLOTS) if one is not None]


@lru_cache
def drawn_flown():
    return draw_plots(flown())


@lru_cache
def flown():
    """Turns, a pan, a tilt and upside down, power-on told, temperature logged; the sheet names no shot."""
    rig = Rig(
        errors=SensorErrors(offset_mg=(7.0, 0.0, 0.0), warm_up_mg=(6.0, 0.0, 0.0)),
        time_constant_s=3.0,
        leak=0.03,
        temperature_c=15.0,
        temperature_rise_c_per_min=2.0,
    )
    plan = (*hover(10.0), *pan(12.0, 360.0), *upside_down(12.0), *turns(14.0), *tilt(12.0), *hover(30.0))
    one = film(
        rig,
        plan,
        np.random.default_rng(4),
        Truth((0.4, 0, 0), (0, 0, 0), 3.0),
        powered_on_s=90.0,
        without=("accel", "gyro"),
        flying={"log_rate_hz": 10.0},
        fps=5.0,
        told=False,
    )
    return material_of(one)


@lru_cache
def short_world():
    return world(4, plan=hover(8.0))


def clips_named(names, *, t_s=None, roll_deg=None, **changes):
    """A shoot without a log: a clip of that name each, all with the same frames."""
    one = short_world()
    first = one.tracks[0].track
    table = first if t_s is None else first.loc[np.repeat(0, len(t_s))].reset_index(drop=True)
    table = table.assign(
        t_s=table["t_s"] if t_s is None else t_s,
        frame=np.arange(len(table)),
        roll_deg=table["roll_deg"] if roll_deg is None else roll_deg,
    )
    clips, tracks = [], []
    for name in names:
        own = dataclasses.replace(as_clip_track(one.tracks[0]), clip=name, track=table.assign(clip=name))
        tracks.append(own)
        clips.append(dataclasses.replace(one.shoot.clips[0], files=(Path(name),), **changes))
    shoot = dataclasses.replace(one.shoot, clips=tuple(clips), logs=())
    none = pd.DataFrame(columns=FLAG_COLUMNS).astype(dict.fromkeys(FLAG_COLUMNS[1:], float))
    kept = footage_roll(tracks, shoot, None)
    return dataclasses.replace(shoot_of("no log"), tracks=tuple(tracks), shoot=shoot, kept=kept, flagged=none)


def shapes(svg):
    return list(ElementTree.fromstring(svg).iter())


def numbers(path):
    """Points (n, 2) of a path of straight lines."""
    return np.array(re.findall(r"-?[\d.]+", path), float).reshape(-1, 2)


def of_colour(svg, what, name):
    """Paths drawn with a colour of the palette; ``what``: fill or stroke."""
    paths = [one for one in shapes(svg) if one.tag == "path"]
    return [one.get("d") for one in paths if f"{what}:var(--plot-{name})" in one.get("style", "")]


def luminance(colour):
    """Relative luminance, WCAG 2.2 definition (from memory)."""
    channels = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one, other):
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_palette_is_the_published_one_and_named():
    """Okabe and Ito, Color Universal Design, 2008 (from memory)."""
    published = {"#000000", "#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7"}
    for name in ("upright", "upside-down", "portrait", "out"):
        assert set(COLOURS[name]) <= published
    assert "Okabe and Ito" in STYLE.read_text(encoding="utf-8")


@pytest.mark.parametrize("look", [0, 1])
def test_letters_and_marks_stand_out(look):
    """AA asks for 4.5 to 1 of text and 3 to 1 of what must be seen to understand."""
    colours = {name: both[look] for name, both in COLOURS.items()}
    for ground in ("paper", "tolerance"):
        assert contrast(colours["ink"], colours[ground]) >= 4.5
        assert contrast(colours["faint"], colours[ground]) >= 4.5
    for name in ("upright", "portrait", "out", "upside-down"):
        # The third of the palette is at the limit on white.
        assert contrast(colours[name], colours["paper"]) >= 2.95


def test_light_colours_are_those_of_the_style_file():
    styled = mpl.rc_params_from_file(STYLE, use_default_template=False)
    cycle = styled["axes.prop_cycle"].by_key()["color"]
    names = ("paper", "ink", "faint", "upright", "upside-down", "portrait", "out")
    told = [styled["figure.facecolor"], styled["text.color"], styled["axes.edgecolor"], *cycle]
    assert [COLOURS[name][0] for name in names] == [to_hex(one) for one in told]


def test_every_plot_has_its_function():
    assert tuple(SKETCHES) == PLOTS


def test_checking_loads_what_draws_only_where_it_draws():
    code = "import attitude.check, sys; raise SystemExit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_no_two_light_colours_are_one():
    light = [both[0] for both in COLOURS.values()]
    assert len(set(light)) == len(light)
    assert "#000000" not in light


def test_colours_of_the_page_are_light_dark_and_in_print_light():
    css = css_variables()
    light, dark = css.split("@media screen and (prefers-color-scheme:dark)")
    for name, (one, other) in COLOURS.items():
        assert f"--plot-{name}:{one}" in light
        assert f"--plot-{name}:{other}" in dark
    assert "print" not in css
    assert css.count("{") == css.count("}")


def test_a_shoot_has_the_plots_that_it_can_have():
    assert list(drawn_flown()) == ALL
    assert list(drawn("no log")) == ["lean_over_time"]
    # Held still and level: nothing to draw the lean against.
    assert list(drawn("open")) == ["lean_over_time", "footage_against_log"]
    assert list(drawn("a")) == ["lean_over_time", "footage_against_log", "lean_against_heading"]


def test_nothing_measured_is_no_plot():
    material = clips_named(["a.mp4"])
    assert draw_plots(dataclasses.replace(material, kept=material.kept.iloc[:0])) == {}


def test_svg_holds_outlines_only():
    ids = []
    plots = drawn_flown()
    defined = set(re.findall(r"--plot-[a-z-]+", css_variables()))
    for name, one in plots.items():
        assert one.svg.startswith("<svg ")
        assert not re.search(r"#[0-9a-fA-F]{6}|https?:|<!|<\?|data:|@", one.svg)
        assert set(re.findall(r"--plot-[a-z-]+", one.svg)) <= defined
        found = shapes(one.svg)
        assert {shape.tag for shape in found} <= SHAPES
        assert {key for shape in found for key in shape.attrib} <= SAID
        assert not any((shape.text or "").strip() or (shape.tail or "").strip() for shape in found)
        assert not {"width", "height"} & set(found[0].attrib)
        own = [shape.get("id") for shape in found if shape.get("id")]
        assert all(one_id.startswith(name.replace("_", "-")) for one_id in own)
        meant = set(re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)', one.svg))
        assert {a or b for a, b in meant} == set(own)
        ids += own
    assert len(ids) == len(set(ids))


def test_png_is_the_same_at_twice_the_pixels_and_light():
    for one in drawn("a").values():
        image = cv2.imdecode(np.frombuffer(one.png, np.uint8), cv2.IMREAD_COLOR)
        assert image.shape[:2] == pytest.approx((2 * one.height_px, 2 * one.width_px), abs=1)
        assert (image[0, 0] == 255).all()
        _, _, width, height = map(float, re.search(r'viewBox="([^"]+)"', one.svg)[1].split())
        assert width / height == pytest.approx(one.width_px / one.height_px, rel=0.005)
    assert drawn("a")["lean_over_time"].width_px == 500
    assert drawn("a")["lean_against_heading"].width_px == 320


def test_the_same_shoot_gives_the_same_drawing():
    assert draw_plots(shoot_of("a")) == drawn("a")


def test_other_processes_draw_the_same():
    with ProcessPoolExecutor(1, get_context("spawn")) as executor:
        get_ready(executor)
        assert plots_begun(shoot_of("a"), executor)() == drawn("a")


def test_settings_of_the_user_change_nothing():
    with mpl.rc_context({"font.size": 30, "axes.facecolor": "#123456", "svg.fonttype": "none"}):
        assert draw_plots(shoot_of("no log")) == drawn("no log")
        assert mpl.rcParams["font.size"] == 30


def test_hostile_names_are_drawn_as_letters():
    material = clips_named(HOSTILE)
    plot = draw_plots(material)["lean_over_time"]
    assert {shape.tag for shape in shapes(plot.svg)} <= SHAPES
    assert "script" not in plot.svg
    assert tuple(panel.clip for panel in plot.panels) == HOSTILE
    check_letters(sketch("lean_over_time", material))


def test_what_the_font_lacks_becomes_a_box():
    assert cut("a\N{SNOWMAN}\U0001f3a5\u202eb\n c", 20) == "a\N{SNOWMAN}\N{WHITE SQUARE}b c"
    assert len(cut("x" * 300, 20)) <= 20


def texts_of(fig):
    """Texts with letters, and their boxes in points."""
    fig.canvas.draw()
    found = [*fig.texts]
    for axes in fig.axes:
        found += [*axes.texts, axes.xaxis.label, axes.yaxis.label]
        for axis in (axes.xaxis, axes.yaxis):
            low, high = axis.get_view_interval()
            ticks = zip(axis.get_majorticklocs(), axis.get_majorticklabels(), strict=True)
            found += [label for place, label in ticks if low <= place <= high]
    return [(one, one.get_window_extent()) for one in found if one.get_text().strip() and one.get_visible()]


def check_letters(one):
    """No letters beyond the edge, none too small for a phone, and none upon one another."""
    edge = one.fig.bbox
    texts = texts_of(one.fig)
    scale = min(one.width_px, PHONE_PX) / edge.width
    for text, box in texts:
        assert text.get_fontsize() * scale >= LEAST_PX, text.get_text()
        assert box.x0 >= -0.5, text.get_text()
        assert box.y0 >= -0.5, text.get_text()
        assert box.x1 <= edge.width + 0.5, text.get_text()
        assert box.y1 <= edge.height + 0.5, text.get_text()
    for (text, box), (other, its) in combinations(texts, 2):
        if text.get_rotation() % 90 or other.get_rotation() % 90:
            continue
        # Boxes hold the room for tall letters: a little of it may be shared.
        across = min(box.x1, its.x1) - max(box.x0, its.x0)
        down = min(box.y1, its.y1) - max(box.y0, its.y0)
        assert across < 1 or down < 4, (text.get_text(), other.get_text())


@pytest.mark.parametrize("kind", ["a", "open", "no log"])
def test_letters_are_whole_large_enough_and_apart(kind):
    for one in sketches(kind):
        check_letters(one)


def test_letters_of_the_small_plots():
    for name in ALL:
        check_letters(sketch(name, flown()))


def test_panels_lie_where_the_clips_are_drawn():
    material = shoot_of("a")
    one = drawn("a")["lean_over_time"]
    _, _, width, height = map(float, re.search(r'viewBox="([^"]+)"', one.svg)[1].split())
    assert [panel.clip for panel in one.panels] == [track.clip for track in material.tracks]
    bars = [numbers(path) for path in of_colour(one.svg, "fill", "out")]
    for panel in one.panels:
        spans = material.flagged[material.flagged["clip"] == panel.clip]
        top, foot = panel.top * height, (panel.top + panel.height) * height
        own = [bar for bar in bars if top < bar[:, 1].mean() < foot]
        assert len(own) == len(spans)
        per_s = panel.width * width / (panel.to_s - panel.from_s)
        for bar, span in zip(own, spans.itertuples(), strict=True):
            ends = panel.left * width + (np.array([span.from_s, span.to_s]) - panel.from_s) * per_s
            assert (bar[:, 0].min(), bar[:, 0].max()) == pytest.approx(ends, abs=0.11)


def test_no_line_is_drawn_across_a_hole():
    t_s = np.concatenate([np.arange(0, 4, 0.1), np.arange(5.5, 9, 0.1)])
    whole = draw_plots(clips_named(["a.mp4"], t_s=np.arange(0, 9, 0.1), roll_deg=0.2))
    broken = draw_plots(clips_named(["a.mp4"], t_s=t_s, roll_deg=0.2))
    for plots, runs in ((whole, 1), (broken, 2)):
        (line,) = (d for d in of_colour(plots["lean_over_time"].svg, "stroke", "upright") if "L" in d)
        assert line.count("M") == runs


def test_long_clips_are_thinned_but_keep_their_extremes():
    t_s = np.arange(18_000) / 10
    material = clips_named(["a.mp4"], t_s=t_s, roll_deg=np.where(t_s == 900.0, 2.5, 0.1))
    one = sketch("lean_over_time", material)
    (axes,) = one.fig.axes
    line = next(line for line in axes.lines if line.get_color() == COLOURS["upright"][0])
    assert len(line.get_xdata()) <= 182
    top = max(path.vertices[:, 1].max() for patch in axes.collections for path in patch.get_paths())
    assert top >= 2.5
    # Where the scale ends, a mark says that there is more.
    assert axes.get_ylim()[1] < 2.5


def test_what_lies_beyond_the_scale_is_marked():
    t_s = np.arange(0, 200, 0.1)
    roll_deg = np.where(np.abs(t_s - 100) < 0.8, 9.0, 0.1)
    one = sketch("lean_over_time", clips_named(["a.mp4"], t_s=t_s, roll_deg=roll_deg))
    (axes,) = one.fig.axes
    marks = [line for line in axes.lines if line.get_marker() == "^" and len(line.get_xdata())]
    assert [float(t) for line in marks for t in line.get_xdata()] == pytest.approx([100.0], abs=1.5)


def test_slowed_down_clips_are_shown_in_the_time_of_a_player():
    material = clips_named(["a.mp4"], t_s=np.arange(0, 10, 0.1), roll_deg=0.1, time_scale=0.5)
    (panel,) = sketch("lean_over_time", material).panels
    assert panel.to_s == pytest.approx(20.0, abs=0.5)


def test_ten_clips_stay_small_and_fourteen_are_all_shown():
    t_s = np.arange(0, 60, 0.1)
    wave = 0.3 + 0.4 * np.sin(t_s) + np.random.default_rng(1).normal(0, 0.05, len(t_s))
    ten = draw_plots(clips_named([f"{k}.mp4" for k in range(10)], t_s=t_s, roll_deg=wave))["lean_over_time"]
    assert len(ten.svg) < 150_000
    fourteen = sketch("lean_over_time", clips_named([f"{k}.mp4" for k in range(14)]))
    assert len(fourteen.panels) == 14
    check_letters(fourteen)


def test_more_clips_than_fit_are_counted():
    one = sketch("lean_over_time", clips_named([f"{k}.mp4" for k in range(30)]))
    assert len(one.fig.axes) == 24
    assert "6 more clips" in one.fig.axes[-1].get_xlabel()


def test_shots_are_those_told_or_those_found():
    told = sketch("lean_over_time", shoot_of("a"))
    assert any("(upside-down shot)" in text.get_text() for axes in told.fig.axes for text in axes.texts)
    found = sketch("lean_over_time", flown())
    words = [text.get_text() for axes in found.fig.axes for text in axes.texts]
    assert any("(full pan)" in text for text in words)
    assert not any("ordinary" in text for text in words)


def test_several_shots_of_one_take_are_named_over_their_time():
    material = shoot_of("a")
    clip = material.tracks[1].clip
    frames = material.residuals.frames
    late = frames["shot"].mask(frames["clip"] == clip, np.where(frames["t_s"] < 25, "hover", "pan"))
    clips = tuple(
        dataclasses.replace(sheet, shot="ordinary") if sheet.files[0].name == clip else sheet
        for sheet in material.shoot.clips
    )
    material = dataclasses.replace(
        material,
        shoot=dataclasses.replace(material.shoot, clips=clips),
        residuals=dataclasses.replace(material.residuals, frames=frames.assign(shot=late)),
    )
    one = sketch("lean_over_time", material)
    named = {text.get_text(): text.xy[0] for text in one.fig.axes[1].texts if hasattr(text, "xy")}
    assert named["hold"] == pytest.approx(12.5, abs=1)
    assert named["pan"] == pytest.approx(42.5, abs=1)
    check_letters(one)


def test_a_footage_that_the_log_knows_lies_on_the_diagonal():
    one = sketch("footage_against_log", shoot_of("a"))
    (axes,) = one.fig.axes
    points = [line for line in axes.lines if line.get_marker() in ("o", "v") and len(line.get_xdata()) > 2]
    upright, over = (np.array(line.get_ydata()) for line in points)
    # An offset: the log says level, the picture leans, upside down to the other side.
    assert np.median(upright) > 0.4
    assert np.median(over) < -0.4
    assert axes.get_xlim() == pytest.approx(axes.get_ylim())
    assert "right side low" in drawn("a")["footage_against_log"].alt


def test_a_log_of_another_picture_is_said_to_be_one():
    material = shoot_of("a")
    other = dataclasses.replace(material.residuals, belongs="the log is of another flight")
    material = dataclasses.replace(material, residuals=other, covariates=None)
    assert "the log is of another flight" in sketch("footage_against_log", material).caption
    assert sketch("lean_against_heading", material) is None


def test_what_the_causes_found_predict_is_drawn_through_the_points():
    (axes,) = sketch("lean_against_sideways_acceleration", flown()).fig.axes
    predicted = [line for line in axes.lines if line.get_color() == COLOURS["ink"][0]]
    upright = max(predicted, key=lambda line: len(line.get_xdata()))
    x, y = np.array(upright.get_xdata(), float), np.array(upright.get_ydata(), float)
    rest, pulled = y[np.abs(x) < 0.5], y[np.abs(x) > 3.5]
    assert abs(np.nanmean(pulled) - np.nanmean(rest)) > 0.2
    points = next(line for line in axes.lines if line.get_marker() == "o" and line.get_markersize() == 4)
    measured = np.array([points.get_xdata(), points.get_ydata()])
    far = measured[:, np.abs(measured[0]) > 3.5]
    assert far[1].mean() == pytest.approx(np.nanmean(pulled), abs=0.15)


def test_plots_against_something_share_their_lean_axis():
    names = [name for name in PLOTS if name.startswith("lean_against")]
    limits = [sketch(name, flown()).fig.axes[0].get_ylim() for name in names]
    assert all(one == pytest.approx(limits[0]) for one in limits)


def test_a_heading_about_north_is_one_stretch():
    material = flown()
    blocks = material.covariates.blocks
    north = blocks.assign(heading_deg=np.linspace(330, 390, len(blocks)) % 360)
    one = dataclasses.replace(material.covariates, blocks=north)
    sketched = sketch("lean_against_heading", dataclasses.replace(material, covariates=one))
    low, high = sketched.fig.axes[0].get_xlim()
    assert high - low < 70
    ticks = {text.get_text() for text in sketched.fig.axes[0].get_xticklabels()}
    assert "0" in ticks
    assert not any(float(text) >= 360 for text in ticks)
    assert "at 330 to 350 deg" in sketched.alt


def test_long_shoots_are_thinned_and_say_so():
    material = flown()
    found = material.covariates
    times = -(-2000 // len(found.blocks))

    def often(table):
        return pd.concat([table] * times, ignore_index=True)

    many = Covariates(often(found.blocks), {name: often(table) for name, table in found.alone.items()})
    material = dataclasses.replace(material, covariates=many)
    one = finished("lean_against_heading", sketch("lean_against_heading", material))
    assert len(one.svg) < 120_000
    assert "is drawn" in one.caption
    assert "is drawn" not in drawn_flown()["lean_against_heading"].caption


def test_words_for_who_cannot_see_them():
    for one in drawn_flown().values():
        assert one.alt.startswith("Plot of ")
        assert "±" in one.alt
        assert "side low by" in one.alt
        assert "-0" not in one.alt
        assert one.caption.endswith(".")
        assert len(one.caption) < 330
    assert "95 %" in grid_caption(flown().covariates)


def test_leans_in_words():
    assert lean_range_words([0.3123, 0.52], 0.05) == "right side low by 0.31 to 0.52 deg"
    assert lean_range_words([-0.3123, -0.52], 0.05) == "left side low by 0.31 to 0.52 deg"
    assert lean_range_words([-0.1, 0.2], 0.3) == "left side low by 0.1 deg to right side low by 0.2 deg"
    assert lean_range_words([0.201, 0.199], 0.05) == "right side low by 0.20 deg"
    assert lean_range_words([-0.001, 0.001], 0.05) == "level to 0.05 deg"
    assert lean_range_words([-0.3, -0.001], 0.05) == "left side low by 0.00 to 0.30 deg"


def test_what_the_sheet_leaves_out_is_hatched_in_the_time_of_a_player():
    spans = ((1.0, 2.5), (6.0, 7.0))
    material = clips_named(["a.mp4", "b.mp4"], t_s=np.arange(0, 10, 0.1), roll_deg=0.1, exclude_s=spans)
    one = sketch("lean_over_time", material)
    for axes in one.fig.axes:
        hatched = [
            patch.get_extents().transformed(axes.transData.inverted())
            for patch in axes.patches
            if patch.get_hatch()
        ]
        assert [(box.x0, box.x1) for box in hatched] == [pytest.approx(span) for span in spans]
    assert "Hatched: left out" in one.caption
    plain = sketch("lean_over_time", clips_named(["a.mp4"]))
    assert "Hatched" not in plain.caption
    pattern = draw_plots(material)["lean_over_time"].svg.split("<pattern")[1].split("</pattern>")[0]
    # In the page's own colours, so that it shows in the dark as well.
    assert "var(--" in pattern
    assert not re.search(r"#[0-9a-f]{6}", pattern)


def test_the_way_into_a_turn_on_purpose_counts_neither():
    """Rolled by 30 deg/s to 30 deg and back: the frames below 3 deg at either end are part of that move."""
    t_s = np.arange(0, 20, 0.04)
    roll_deg = np.clip(np.minimum(30 * (t_s - 8), 30 * (12 - t_s)), 0, 30)
    kept = clips_named(["a.mp4"], t_s=t_s, roll_deg=roll_deg).kept
    assert kept["tilt_deg"].abs().max() < 0.01
    assert (len(t_s) - len(kept)) * 0.04 == pytest.approx(4.0 + 2 * 0.9, abs=0.1)
