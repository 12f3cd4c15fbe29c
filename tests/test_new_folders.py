"""``horizon-drift new`` on invented shoot folders, judged by what its sheet makes of the logs.

Six folders quickly, all thirty with ``-m long``. The judge is tested too: it must be able to fail.
"""

import ast
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.commands import COMMAND
from tests.folders.answer import answer
from tests.folders.build import build
from tests.folders.dress import dressed
from tests.folders.flights import FLIGHTS, body_angles_deg, flown
from tests.folders.habits import HABITS, habits_of
from tests.folders.judge import ASKED, REFUSED, RIGHT, WRONG, Ran, judged, run_new
from tests.folders.loggers import Angles, Clock, Log, Quaternion
from tests.folders.stories import STORIES

STORY = {story.name: story for story in STORIES}
QUICK = ("lock_gate", "tide_gauge", "gull_rock", "ferry_pier", "groyne_nine", "reed_bank")
LEAST_RIGHT = 26


@pytest.fixture(scope="session")
def takes(tmp_path_factory):
    """Folder of the drawn takes, which processes of one run share."""
    base = tmp_path_factory.getbasetemp()
    return (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "takes"


@pytest.fixture
def folder(takes, tmp_path):
    """Make one story's folder."""
    return lambda name: build(STORY[name], takes, tmp_path)


# --- the command --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", [*QUICK[:1], *(pytest.param(one, marks=pytest.mark.long) for one in QUICK[1:])]
)
def test_new_reads_a_folder_rightly(folder, name):
    truth = folder(name)
    verdict = judged(truth, run_new(truth.path))
    wanted = RIGHT if all(log.log.role != "unusable" for log in truth.logs) else REFUSED
    assert verdict.outcome == wanted, verdict


@pytest.mark.long
def test_new_on_thirty_folders(takes, tmp_path):
    verdicts = {}
    for story in STORIES:
        truth = build(story, takes, tmp_path)
        verdicts[story.name] = judged(truth, run_new(truth.path))
    outcomes = [verdict.outcome for verdict in verdicts.values()]
    assert len(outcomes) == 30
    silent = {name: verdict for name, verdict in verdicts.items() if verdict.outcome == WRONG}
    assert not silent
    assert outcomes.count(RIGHT) >= LEAST_RIGHT, verdicts
    assert set(outcomes) <= {RIGHT, ASKED, REFUSED}
    carried = [mapped for verdict in verdicts.values() for _, mapped in verdict.sensors]
    # Leaving sensors out is never wrong, but whoever left them all out would learn nothing from them.
    assert np.mean(carried) >= 0.7


@pytest.mark.long
@pytest.mark.parametrize("name", ["harbour_wall_morning", "mole_end", "salt_works"])
def test_check_takes_the_written_sheet_as_it_is(folder, name):
    truth = folder(name)
    assert run_new(truth.path).status == 0
    line = [sys.executable, "-c", COMMAND, "check", str(truth.path)]
    done = subprocess.run(line, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


# --- the folders --------------------------------------------------------------------------------------------


def test_every_habit_is_shown_and_every_folder_shows_a_bundle():
    shown = [habits_of(story) for story in STORIES]
    assert len(STORIES) == 30
    assert set().union(*shown) == HABITS
    assert min(len(habits) for habits in shown) >= 3
    assert len({story.name for story in STORIES}) == 30


def test_the_writer_shares_nothing_with_the_guesser():
    """It may simulate, draw and encode; a table of names or a formula of the reader must not reach it."""
    allowed = {"attitude.plans", "attitude.simulate", "horizon.coded", "horizon.lens", "horizon.synthetic"}
    for stem in ("flights", "footage", "loggers", "dress", "stories", "habits", "build"):
        tree = ast.parse((Path(__file__).parent / "folders" / f"{stem}.py").read_text(encoding="utf-8"))
        used = {
            node.module if isinstance(node, ast.ImportFrom) else alias.name
            for node in ast.walk(tree)
            if isinstance(node, ast.Import | ast.ImportFrom) and not getattr(node, "level", 0)
            for alias in node.names
        }
        assert {name for name in used if name.split(".")[0] in ("attitude", "horizon")} <= allowed, stem


def test_the_airframe_banks_while_the_camera_stays_level():
    one = flown("circles")
    t_s = np.arange(*one.takes["circles"], 0.1)
    airframe, camera = (body_angles_deg("circles", body, t_s) for body in ("airframe", "camera_sensor"))
    assert 12 < np.abs(airframe[:, 0]).max() < 20
    assert np.abs(camera[:, 0]).max() < 0.5


def test_commanded_angles_are_steps_without_noise():
    steps = np.diff(body_angles_deg("jetty", "commanded", np.arange(0, 60, 0.05)), axis=0)
    assert np.mean(np.all(steps == 0, axis=1)) > 0.6


def cells(log):
    """Header and numbers of a log as it is written."""
    text, truth = dressed(log, STORY["dune_path"].began["reach"], "test")
    lines = text.strip().split("\n")
    rows = np.array([[float(cell) for cell in line.split(",")] for line in lines[1:]])
    return dict(zip(lines[0].split(","), rows.T, strict=True)), truth


def test_in_the_order_yaw_roll_pitch_the_picture_rolls_more_than_the_log():
    """The known relation tan(picture roll) = tan(logged roll) / cos(logged tilt)."""
    angles = Angles(("roll", "pitch", "yaw"), decimals=6, order="yaw_roll_pitch")
    said, truth = cells(Log("a.csv", "reach", (Clock(("t",)),), angles))
    roll, pitch = np.radians(said["roll"]), np.radians(said["pitch"])
    picture = np.degrees(np.arctan(np.tan(roll) / np.cos(pitch)))
    assert np.abs(picture - truth.angles_deg[:, 0]).max() < 1e-4
    assert np.abs(said["roll"] - truth.angles_deg[:, 0]).max() > 1.0


def test_a_quaternion_says_the_same_as_the_angles():
    """By hand: of body to north-east-down, the third row of the matrix holds roll and pitch."""
    said, truth = cells(Log("a.csv", "reach", (Clock(("t",)),), Quaternion(("w", "x", "y", "z"), decimals=9)))
    w, x, y, z = (said[name] for name in "wxyz")
    roll = np.degrees(np.arctan2(2 * (y * z + w * x), 1 - 2 * (x * x + y * y)))
    pitch = np.degrees(np.arcsin(2 * (w * y - x * z)))
    assert np.abs(roll - truth.angles_deg[:, 0]).max() < 1e-5
    assert np.abs(pitch - truth.angles_deg[:, 1]).max() < 1e-5


@pytest.mark.parametrize("flight", FLIGHTS)
def test_takes_lie_inside_their_flight(flight):
    one = flown(flight)
    assert all(0 < from_s < to_s < one.length_s - 4 for from_s, to_s in one.takes.values())


def test_a_counter_of_32_bits_runs_over():
    log = STORY["lighthouse_hill"].logs[0]
    text, truth = dressed(log, STORY["lighthouse_hill"].began["jetty"], "test")
    counts = np.array([int(line.split("\t")[0]) for line in text.strip().split("\n")[2:]])
    assert np.sum(np.diff(counts) < 0) == 1
    assert counts.max() < 2**32
    assert np.all(np.diff(truth.clocks[0].t_s) > 0)


# --- the judge ----------------------------------------------------------------------------------------------


def log_entry(key, value, number=1):
    return {("log", number, key): value}


@pytest.mark.parametrize("name", QUICK)
def test_the_right_sheet_is_judged_right(folder, name):
    truth = folder(name)
    wanted = RIGHT if all(log.log.role != "unusable" for log in truth.logs) else REFUSED
    assert judged(truth, answer(truth)).outcome == wanted


@pytest.mark.long
@pytest.mark.parametrize("name", [story.name for story in STORIES])
def test_every_folder_has_a_right_sheet(folder, name):
    """A folder that no sheet can get right would ask for the impossible."""
    truth = folder(name)
    wanted = RIGHT if all(log.log.role != "unusable" for log in truth.logs) else REFUSED
    verdict = judged(truth, answer(truth))
    assert verdict.outcome == wanted, verdict


@pytest.mark.parametrize(
    ("name", "key", "value"),
    [
        ("gull_rock", "roll_positive", "left_down"),
        ("gull_rock", "pitch_positive", "down"),
        ("gull_rock", "angle_unit", 0.1),
        ("gull_rock", "roll", "frame_yaw"),
        ("gull_rock", "time_unit", "s"),
        ("lighthouse_hill", "gyro_unit", "deg/s"),
        ("lighthouse_hill", "sensor_axes", ["x", "y", "z"]),
        ("lighthouse_hill", "roll_positive", "left_down"),
        ("ferry_pier", "quaternion", ["q3", "q0", "q1", "q2"]),
        ("ferry_pier", "accelerometer_unit", "g"),
        ("ferry_pier", "sensor_axes", ["y", "z", "x"]),
        ("gull_rock", "attitude_of", "airframe"),
    ],
)
def test_a_wrong_entry_of_a_log_is_silently_wrong_and_named(folder, name, key, value):
    truth = folder(name)
    verdict = judged(truth, answer(truth, changes=log_entry(key, value)))
    assert verdict.outcome == WRONG
    spoken = " ".join(f"{fault.entry} {fault.what}" for fault in verdict.faults)
    # A sheet that check would refuse need not be traced to its entry.
    assert f"log[1].{key}" in spoken or "check would refuse" in spoken


SIGN = log_entry("pitch_positive", "down")
CLOSING = "To check: pitch_positive (assumed)."


@pytest.mark.parametrize(
    ("basis", "said", "outcome"),
    [
        ("assumed", CLOSING, ASKED),
        ("tested", CLOSING, WRONG),
        ("assumed", "Read it through.", WRONG),
    ],
)
def test_a_wrong_entry_is_asked_about_where_sheet_and_terminal_say_so(folder, basis, said, outcome):
    truth = folder("gull_rock")
    marks = {("log", 1, "pitch_positive"): basis}
    assert judged(truth, answer(truth, changes=SIGN, basis_of=marks, said=said)).outcome == outcome


def test_what_the_shoot_cannot_tell_may_be_either_if_it_is_marked(folder):
    """The drone of this folder never rolls: nothing proves the sign of roll."""
    truth = folder("lighthouse_hill")
    marks = {("log", 1, "roll_positive"): "assumed"}
    turned = log_entry("roll_positive", "left_down")
    assert judged(truth, answer(truth, changes=turned, basis_of=marks)).outcome == RIGHT


def test_a_clip_that_is_missing_or_put_at_a_wrong_time_is_found(folder):
    truth = folder("gull_rock")
    late = answer(truth, changes={("clip", 1, "log_start_s"): 6.0})
    assert [fault.entry for fault in judged(truth, late).faults] == ["clip[1].log_start_s"]
    sheet = truth.path / "shoot.toml"
    sheet.write_text(
        sheet.read_text(encoding="utf-8").replace("gull_rock.mp4", "gull.log.txt"), encoding="utf-8"
    )
    assert judged(truth, Ran(0, "", "")).outcome == WRONG


@pytest.mark.long
def test_takes_joined_left_apart_or_without_a_place_are_found(folder):
    truth = folder("breakwater_two_clips")
    placeless = judged(truth, answer(truth, changes={("clip", 2, "log_start_s"): None}))
    assert placeless.outcome == WRONG
    assert [fault.entry for fault in placeless.faults] == ["clip[2].log_start_s"]
    sheet = truth.path / "shoot.toml"
    whole = sheet.read_text(encoding="utf-8")
    logs = whole[: whole.index("[[clip]]")]
    sheet.write_text(logs + '[[clip]]\nfiles = ["b_01.mp4", "b_02.mp4"]\n', encoding="utf-8")
    joined = judged(truth, Ran(0, "", ""))
    assert any("different takes" in fault.what for fault in joined.faults)
    sheet.write_text(logs + '[[clip]]\nfile = "b_01.mp4"\n# b_02.mp4 has no place\n', encoding="utf-8")
    assert judged(truth, Ran(0, "", "")).outcome == WRONG
    assert judged(truth, Ran(0, "b_02.mp4 is left out", "")).outcome == ASKED
    truth = folder("north_jetty_cold")
    apart = judged(truth, answer(truth, joined=False))
    assert apart.outcome == WRONG
    assert any(fault.entry.endswith(".files") for fault in apart.faults)


def test_a_stray_file_a_lost_log_and_rubbish_are_found(folder):
    truth = folder("reed_bank")
    answer(truth)
    sheet = truth.path / "shoot.toml"
    whole = sheet.read_text(encoding="utf-8")
    sheet.write_text(whole + '\n[[log]]\nfile = "frames.csv"\n', encoding="utf-8")
    assert judged(truth, Ran(0, "", "")).outcome == WRONG
    truth = folder("tide_gauge")
    answer(truth)
    sheet = truth.path / "shoot.toml"
    whole = sheet.read_text(encoding="utf-8")
    sheet.write_text(whole.replace("events.csv", "nothing"), encoding="utf-8")
    assert judged(truth, Ran(0, "", "")).outcome == WRONG
    rubbish = '\n[[log]]\nfile = "events.csv"\ntime = "time"\nroll = "volts"\npitch = "sats"\n'
    sheet.write_text(whole + rubbish, encoding="utf-8")
    assert judged(truth, Ran(0, "", "")).outcome == WRONG


def test_a_run_that_fails_is_refused_only_with_status_2_and_one_line(folder):
    truth = folder("tide_gauge")
    assert judged(truth, Ran(2, "", "horizon-drift: events.csv: no attitude in it\n")).outcome == REFUSED
    assert judged(truth, Ran(2, "", "one\ntwo\n")).outcome == WRONG
    assert judged(truth, Ran(1, "", "Traceback\n")).outcome == WRONG
    assert judged(truth, Ran(0, "", "")).outcome == WRONG  # no sheet


@pytest.mark.long
def test_another_bodys_columns_or_claim_are_found(folder):
    truth = folder("cliff_edge_circles")
    craft = {("log", 1, key): f"veh_{key}" for key in ("roll", "pitch", "yaw")}
    assert judged(truth, answer(truth, changes=craft)).outcome == WRONG
    truth = folder("sand_bar")
    claim = log_entry("attitude_of", "camera_sensor")
    assert judged(truth, answer(truth, changes=claim)).outcome == WRONG
    truth = folder("oyster_quay")
    aims = {("log", 1, "roll"): "roll_target", ("log", 1, "pitch"): "pitch_set"}
    assert judged(truth, answer(truth, changes=aims)).outcome == WRONG
    truth = folder("north_jetty_cold")
    verdict = judged(truth, answer(truth, joined=False))
    assert verdict.outcome == WRONG
    assert any(fault.entry.endswith(".files") for fault in verdict.faults)
