"""The test-shoot card: what is on it, how long its poses are, and what it refuses."""

import contextlib
import math
import re
import tomllib
from html.parser import HTMLParser
from pathlib import Path

import pytest

from attitude.entries import RIG_KINDS, SHOTS, slope_deg, tables
from attitude.holds import CertaintyError, hold_seconds, mean_sd_deg, offset_sd_deg, reach
from attitude.protocol import ProtocolError, protocol
from attitude.report.advice import shot_advice
from attitude.report.card import write_card
from attitude.shots import HOLD_S, WARM_AFTER_S, Lacking, describe
from attitude.terminal import card_lines
from tests.commands import run_here

DEMO = Path(__file__).parents[1] / "demo_clips" / "1_after_careless_calibration"


def card_of(rig_kind, lacking=None, certainty_deg=0.1):
    return protocol(rig_kind, certainty_deg=certainty_deg, lacking=lacking)


def names_of(card):
    return [[step.shot.name for step in one.steps] for one in card.power_ons]


def terminal_of(card):
    return " ".join(" ".join(card_lines(card, Path())).split())


# Worked out apart from this code for the derivation of the estimators: 95 % half-width of the sideways offset
# from an upright and an upside-down pose, for noise of 0.05 or 0.1 deg with a correlation time of 1 or 5 s.
@pytest.mark.parametrize(
    ("seconds", "widths"),
    [
        (5, (0.044, 0.098, 0.088, 0.196)),
        (10, (0.031, 0.069, 0.062, 0.139)),
        (15, (0.025, 0.057, 0.051, 0.113)),
        (20, (0.022, 0.049, 0.044, 0.098)),
        (30, (0.018, 0.040, 0.036, 0.080)),
    ],
)
def test_half_widths_are_those_of_the_table(seconds, widths):
    worlds = [(0.05, 1.0), (0.05, 5.0), (0.1, 1.0), (0.1, 5.0)]
    for (noise_sd_deg, correlation_s), width in zip(worlds, widths, strict=True):
        sd = offset_sd_deg(seconds, noise_sd_deg=noise_sd_deg, correlation_s=correlation_s)
        assert 1.96 * sd == pytest.approx(width, abs=0.0005)


def test_a_minute_of_usual_noise_is_worth_thirty_values():
    # n_eff = T / (2 correlation time): 60 s at 1 s make 30, and 0.05 deg become 0.009 deg.
    assert mean_sd_deg(60) == pytest.approx(0.05 / 30**0.5, rel=0.001)


def test_poses_are_as_long_as_the_certainty_needs_and_never_unsettled():
    assert hold_seconds(0.5) == hold_seconds(0.1) == HOLD_S == 5 * 5
    held_s = hold_seconds(0.099)
    assert held_s > HOLD_S
    assert reach(held_s).offset_deg <= 0.099 < reach(held_s - 5).offset_deg
    assert reach(HOLD_S).lean_deg < reach(HOLD_S).offset_deg <= 0.1


@pytest.mark.parametrize("certainty_deg", [0.098, 0.05, 0.0, -0.2, float("nan")])
def test_what_no_length_averages_away_is_refused_with_what_is_possible(certainty_deg):
    with pytest.raises(CertaintyError, match=r"0\.06 deg for the lean.* ask for 0\.099 or more") as refused:
        protocol("drone", certainty_deg=certainty_deg)
    least = float(re.search(r"ask for ([\d.]+)", str(refused.value)).group(1))
    assert hold_seconds(least) >= HOLD_S


def test_order_and_power_ons_of_a_drone():
    air, hands = names_of(card_of("drone"))
    assert air == ["wiggle", "hover", "pan", "half_turn", "turns", "tilt", "warm_up", "wiggle"]
    assert hands == ["wiggle", "upside_down", "wiggle"]
    first, second = card_of("drone").power_ons
    assert first.minutes * 60 >= WARM_AFTER_S + HOLD_S
    assert second.minutes * 60 >= WARM_AFTER_S + 2 * HOLD_S
    assert "battery" in second.title


def test_without_a_flight_battery_all_shots_share_one_power_on():
    order = ["wiggle", "hover", "pan", "upside_down", "half_turn", "turns", "tilt", "warm_up", "wiggle"]
    assert names_of(card_of("handheld")) == [order]


def test_the_bench_needs_a_line_and_ten_minutes():
    card = card_of("bench")
    assert names_of(card) == [["wiggle", "hover", "upside_down", "wiggle"], ["six_faces"]]
    assert sum(one.minutes for one in card.power_ons) <= 12
    assert WARM_AFTER_S / 60 <= card.power_ons[0].minutes <= 10
    text = terminal_of(card)
    # What to hang where, how far and how long, before it is filmed; cautions before that.
    order = ["Mind", "Hang a plumb line", "3 to 10 m", "Or a level line", "1. Wiggle", "25 s upright"]
    places = [text.index(words) for words in order]
    assert places == sorted(places)
    assert "Never look into a laser" in text
    assert all('reference = "plumb_line"' in step.sheet for step in card.power_ons[0].steps)
    assert card.instead == ()


def test_the_accuracies_of_levels_on_the_card_are_those_of_their_slopes():
    """1 mm over 5 m, and 0.4 mm/m, as angles: atan of the slope."""
    text = terminal_of(card_of("bench"))
    assert f"1 mm over 5 m, {math.degrees(math.atan(0.001 / 5)):.2f} deg" in text
    assert f'"0.4 mm/m", {math.degrees(math.atan(0.0004)):.2f} deg' in text
    assert slope_deg("0.4 mm/m") == pytest.approx(math.degrees(math.atan(0.0004)))


def test_two_faces_leave_open_what_the_card_says():
    """Across the faces each reads offset plus tilt: the mean of two, in mg, 95 %."""
    open_mg = 1.96 * 1000 * math.radians(0.25) / math.sqrt(2)
    assert f"± {open_mg:.0f} mg (95 %)" in terminal_of(card_of("bench"))


def test_cautions_come_first_and_propellers_only_with_a_drone():
    for rig_kind in RIG_KINDS:
        text = terminal_of(card_of(rig_kind))
        assert text.index("Mind") < text.index("1. Wiggle")
        assert ("ropellers" in text) == (rig_kind == "drone")
        assert text.index("motors disabled") < text.index("Upside-down shot")
    for one in card_of("drone").power_ons[1].steps:
        assert "propellers off" in one.shot.caution


def test_the_card_asks_for_cautions_that_the_next_shot_gives():
    """One place for the texts: nobody who films one shot reads less than who films them all."""
    for rig_kind in RIG_KINDS:
        said = {line for group in card_of(rig_kind).cautions for line in group.lines}
        turning = () if rig_kind == "bench" else ("pan", "half_turn")
        for name in ("hover", *turning, "upside_down", "tilt", "warm_up", "wiggle"):
            assert set(shot_advice(name, rig_kind, indoors=rig_kind == "bench").cautions) <= said


def test_every_sheet_line_is_one_that_a_sheet_takes(tmp_path):
    known = tables(tmp_path)
    (tmp_path / "upright.csv").touch()
    (tmp_path / "faces.json").touch()
    for rig_kind in RIG_KINDS:
        known[""]["rig_kind"](rig_kind)
        card = card_of(rig_kind)
        lines = [step.sheet for one in card.power_ons for step in one.steps]
        for entries in (tomllib.loads("\n".join(one)) for one in [*lines, *(o.sheet for o in card.instead)]):
            for hold in entries.pop("bench", ()):
                for key, value in hold.items():
                    known["bench"][key](value)
            assert entries.get("shot", "ordinary") in SHOTS
            for key, value in entries.items():
                known["clip" if key in ("shot", "reference") else "log"][key](value)


def test_only_what_is_lacking_is_shown_between_its_wiggles():
    pan = Lacking("pan", 90.0, "the skyline may lean", "the lean within 0.08 deg")
    card = card_of("drone", [pan])
    assert names_of(card) == [["wiggle", "pan", "wiggle"]]
    assert card.power_ons[0].steps[1].shot.seconds == 90
    text = terminal_of(card)
    assert "Why: the skyline may lean. Then: the lean within 0.08 deg." in text
    assert "turned over" not in text
    warm = Lacking("warm_up", 25.0, "it was cold", "the warm lean")
    assert names_of(card_of("handheld", [warm])) == [["wiggle", "hover", "warm_up", "wiggle"]]
    over = Lacking("upside_down", 60.0, "only the sum is known", "the offset")
    assert names_of(card_of("drone", [over])) == [["wiggle", "upside_down", "wiggle"]]
    assert names_of(card_of("drone", [over, pan])) == [
        ["wiggle", "pan", "wiggle"],
        ["wiggle", "upside_down", "wiggle"],
    ]
    turns = Lacking("turns", 60.0, "not flown", "the lean in turns")
    assert names_of(card_of("bench", [turns])) == [["wiggle", "turns", "wiggle"]]
    bench = card_of("bench", [over, warm])
    assert names_of(bench) == [["wiggle", "hover", "upside_down", "warm_up", "wiggle"]]
    assert [other.drawing for other in bench.instead] == ["bench_holds"]
    assert bench.power_ons[0].steps[3].sheet[:2] == ('shot = "hover"', 'reference = "plumb_line"')


def test_any_rig_may_stand_before_a_line_and_the_bench_under_the_sky():
    drone = protocol("drone", certainty_deg=0.1, indoors=True)
    assert names_of(drone) == names_of(card_of("bench"))
    said = terminal_of(drone)
    assert "ropellers off" in said
    assert "spotter" not in said
    assert "tide" not in said
    hold = Lacking("hover", 25.0, "it was short", "the lean")
    more = terminal_of(protocol("drone", certainty_deg=0.1, indoors=True, lacking=[hold]))
    # The rolls first and last are by hand.
    assert "Propellers off and flight battery out" in more
    assert "Hang a plumb line" not in terminal_of(protocol("bench", certainty_deg=0.1, indoors=False))


def test_nothing_lacking_is_said():
    card = card_of("drone", [])
    assert card.power_ons == ()
    assert "Nothing that filming could settle is open" in terminal_of(card)


def test_unknown_rig_is_refused_with_the_known_ones():
    with pytest.raises(
        ProtocolError, match="'boat' is not a kind of rig; it is one of drone, handheld, bench"
    ):
        card_of("boat")


def test_poses_of_a_shot_are_held_as_long_as_asked():
    assert describe("hover", "drone", hold_s=50).seconds == 50
    assert "50 s upright, then 50 s upside down" in describe("upside_down", "handheld", hold_s=50).how
    card = card_of("drone", certainty_deg=0.099)
    shots = {step.shot.name: step.shot for one in card.power_ons for step in one.steps}
    assert shots["hover"].seconds == shots["warm_up"].seconds == card.hold_s == 50


class Page(HTMLParser):
    """Tags left open, addresses outside the page, drawings and the words in order."""

    VOID = ("meta", "link", "path", "br")

    def __init__(self, text):
        super().__init__()
        self.open, self.outside, self.drawings, self.words = [], [], 0, []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        self.outside += [v for k, v in attrs if k in ("src", "href") and not v.startswith(("#", "data:"))]
        self.drawings += values.get("role") == "img" and bool(values["aria-label"])
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words += data.split()


@pytest.mark.parametrize("rig_kind", RIG_KINDS)
def test_page_stands_alone_and_draws_every_move(rig_kind, tmp_path):
    card = card_of(rig_kind)
    path = write_card(card, tmp_path / "new")
    assert path == tmp_path / "new" / "shots.html"
    assert [file.name for file in path.parent.iterdir()] == ["shots.html"]
    text = path.read_text(encoding="utf-8")
    page = Page(text)
    assert page.open == []
    assert page.outside == []
    assert "<script" not in text
    steps = [step for one in card.power_ons for step in one.steps]
    assert page.drawings == len(steps) + len(card.instead)
    plain = (
        '<path class="body" d="M-24'  # a camera from behind alone, as for a shot without a drawing of its own
    )
    drawings = re.findall(r'<svg class="sketch".*?</svg>', text, re.DOTALL)
    assert len(set(drawings)) == len({step.drawing for step in steps}) + len(card.instead)
    assert all('class="move' in one or "still" in one or plain not in one for one in drawings[: len(steps)])
    words = " ".join(page.words)
    for step in steps:
        assert " ".join(step.shot.how.split()) in words
    for group in card.cautions:
        assert words.index(group.lines[0]) < words.index("For every shot")


def test_words_of_a_lacking_shot_are_text_and_no_markup(tmp_path):
    card = card_of("drone", [Lacking("pan", 60.0, "<b>x</b>", "y & z")])
    text = write_card(card, tmp_path).read_text(encoding="utf-8")
    assert "&lt;b&gt;x&lt;/b&gt;" in text
    assert "y &amp; z" in text


def run(*words, cwd):
    with contextlib.chdir(cwd):
        return run_here("shots", *words)


def test_command_without_a_sheet_writes_here_and_says_so(tmp_path):
    done = run(cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "shots.html").exists()
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert done.stdout.splitlines()[-1] == "Files    shots.html"
    assert "Test shoot with a drone" in done.stdout


@pytest.mark.long
def test_command_with_a_sheet_takes_its_rig(tmp_path):
    done = run(DEMO, "--out", tmp_path / "card", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "handheld rig" in done.stdout
    assert (tmp_path / "card" / "shots.html").exists()


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["--certainty-deg", "0.05"], "0.099 deg"),
        (["--rig-kind", "boat"], "drone, handheld, bench"),
        (["nowhere.toml"], "nowhere.toml"),
        ([DEMO, "--rig-kind", "bench"], "--rig-kind"),
    ],
)
def test_command_refuses_in_one_line(words, part, tmp_path):
    done = run(*words, cwd=tmp_path)
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
    assert part in done.stderr
    assert list(tmp_path.iterdir()) == []
