"""A capture judged as a whole: what is refused, what is to be held again, and the last shoot beside it."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from attitude.capture import FACES, Capture, CaptureError, CaptureSheet
from attitude.constants import constants_of
from attitude.face_check import FacesFound, PairFound, check_capture
from attitude.face_record import against_record, last_shoot
from attitude.face_result import FacesReport, faces_result
from attitude.face_words import (
    against_words,
    before_words,
    headline,
    lean_sentence,
    level_words,
    note_words,
    procedure_rows,
    suits_sentence,
    use_words,
)
from attitude.findings import Estimate
from attitude.lines import columns_of
from attitude.terminal_faces import faces_lines
from tests.captures import Board, capture, hold, invented_board, up_of
from tests.recorded import recorded

AXES = ("y", "-z", "-x")
SHEET = CaptureSheet(Path("cube.csv"), (), sensor_axes=AXES)
MG_PER_DEG = 1000 * np.pi / 180


def held(*, seed=1, tilts_deg=None, faces=FACES, board=None, **how):
    rng = np.random.default_rng(seed)
    board = board or invented_board(rng)
    if tilts_deg is None:
        tilts_deg = np.zeros((len(faces), 2))
    return capture(rng, board, tilts_deg, faces=faces, **how)


def refused(one, sheet=SHEET):
    with pytest.raises(CaptureError) as stop:
        check_capture(sheet, one)
    text = str(stop.value)
    assert "\n" not in text
    return text


# --- what is refused ---


def test_a_missing_face_is_named_by_its_side():
    text = refused(held(faces=FACES[:5]))
    assert text.startswith("cube.csv: no hold with camera upside down (-z); there are +x, -x, +y, -y and +z:")


def test_a_missing_face_is_named_in_the_operators_words():
    assert "no hold with pins up (-z)" in refused(
        held(faces=FACES[:5]), replace(SHEET, words={"-z": "pins up"})
    )


def test_a_face_held_twice_in_place_of_another():
    text = refused(held(faces=("+x", "-x", "+y", "+y", "+z", "-z")))
    assert "right side up (+y) was held 2 times (face +y and face +y), left side up (-y) not at all" in text


@pytest.mark.parametrize("label", ["-y", "minus_y", "y-", "NegY"])
def test_a_face_that_is_called_another(label):
    one = held()
    holds = list(one.holds)
    holds[2] = replace(holds[2], label=label)
    text = refused(Capture(tuple(holds)))
    assert text.startswith("face +y: is called -y but reads ")
    assert "the face +y; correct its name, or hold the face again" in text


def test_all_faces_the_other_way_round_are_a_matter_of_sign():
    turned = {"+": "-", "-": "+"}
    holds = [replace(one, label=turned[f[0]] + f[1]) for one, f in zip(held().holds, FACES, strict=True)]
    assert 'accelerometer_sign = "up_reads_minus"' in refused(Capture(tuple(holds)))


def test_labels_in_the_operators_words_are_left_alone():
    holds = [replace(one, label=f"side {k}") for k, one in enumerate(held().holds)]
    assert isinstance(check_capture(SHEET, Capture(tuple(holds))), FacesFound)


# --- which hold counts ---


def test_of_two_holds_of_a_face_the_later_counts():
    one = held(seed=2)
    again = held(seed=2, board=invented_board(np.random.default_rng(2)), faces=("+y",))
    found = check_capture(SHEET, Capture((*one.holds, replace(again.holds[0], name="second try"))))
    assert found.faces[2].hold.name == "second try"
    assert any("second try counts" in note for note in found.notes)


@pytest.mark.parametrize("first", [True, False])
def test_a_rest_on_a_table_out_of_level_is_no_face(first):
    rng = np.random.default_rng(3)
    board = invented_board(rng)
    one = capture(rng, board, np.zeros((6, 2)))
    rest = hold(rng, board, up_of("+z", (3.0, -2.0)), name="rest", lasts_s=4.0)
    holds = (rest, *one.holds) if first else (*one.holds, rest)
    found = check_capture(SHEET, Capture(holds))
    assert found.faces[4].hold.name == "face +z"
    assert not found.again


# --- what is to be held again ---


def test_a_good_capture_is_good():
    found = check_capture(SHEET, held())
    assert not found.again
    assert headline(found) == "Good: six faces, held still and level as far as the bubble tells"


def test_a_face_off_level_and_one_that_moved_are_to_be_held_again():
    rng = np.random.default_rng(4)
    board = invented_board(rng)
    tilts_deg = np.zeros((6, 2))
    tilts_deg[FACES.index("-y")] = (0.0, 2.5)
    holds = list(capture(rng, board, tilts_deg).holds)
    holds[0] = hold(rng, board, up_of("+x"), move_mg=lambda t: np.outer(0.4 * t, [0, 1, 0]))
    found = check_capture(SHEET, Capture(tuple(holds)))
    assert [one.face for one in found.again] == ["+x", "-y"]
    assert headline(found) == "Hold again: lens down (+x), left side up (-y)"
    assert "+z side high" in level_words(found.faces[3])
    assert "drifted by 0.2" in found.faces[0].again[0]


@pytest.mark.parametrize(
    ("procedure", "harm"), [(None, "takes no harm"), ("level_face", "hold all of them again")]
)
def test_faces_that_all_scatter_are_a_matter_of_the_bubble(procedure, harm):
    tilts_deg = np.array([[1, 0], [1, 1], [0, -1], [-1, -1], [1, 1], [1, 0]]) * 0.5
    found = check_capture(replace(SHEET, bubble_deg=0.03, procedure=procedure), held(tilts_deg=tilts_deg))
    assert headline(found) == "Six faces, but they scatter more than the bubble allows"
    assert "the bubble allows 0.03 deg" in found.warnings[0]
    assert harm in found.warnings[0]
    assert not found.again


def test_a_board_that_warms_up_meanwhile_is_warned_of():
    holds = [replace(one, temperature_c=np.full(500, 20.0 + k)) for k, one in enumerate(held().holds)]
    found = check_capture(SHEET, Capture(tuple(holds)))
    assert "20 to 25 °C" in found.warnings[0]
    assert found.temperature_c == pytest.approx(22.5)


def test_averages_alone_say_what_they_cannot_tell():
    holds = [replace(one, readings_g=one.mean_g[None], period_s=None) for one in held().holds]
    found = check_capture(SHEET, Capture(tuple(holds)))
    assert "whether the board was still cannot be told" in found.warnings[0]
    assert headline(found) == "Good: six faces, there and level as far as the bubble tells"


# --- two faces ---


def test_two_opposite_faces_are_a_bench_hold():
    board = Board(np.array([0.010, -0.020, 0.030]), np.ones(3), np.zeros((3, 3)))
    found = check_capture(SHEET, held(faces=("+z", "-z"), board=board))
    assert isinstance(found, PairFound)
    for one, truth_mg in zip(found.offset_mg, (10, -20, 30), strict=True):
        assert one.value == pytest.approx(truth_mg, abs=0.3)
    # Across the faces the bubble counts, of two faces: 0.25 deg / sqrt(2) = 3.1 mg; along them hardly.
    assert found.offset_mg[0].sd == pytest.approx(0.25 * MG_PER_DEG / np.sqrt(2), rel=0.01)
    assert found.offset_mg[2].sd < 0.1
    assert json.loads(json.dumps(faces_result(found, "", None, None)))["constants"] is None


# --- how it is worked out ---


@pytest.mark.parametrize(
    ("procedure", "half_deg"),
    [("offset_and_scale", 0.35), ("level_face", 0.35), ("matrix", 0.35)],
)
def test_the_lean_left_is_known_as_far_as_the_bubble(procedure, half_deg):
    """Two faces bear on it: 1.96 x 0.25 deg / sqrt(2), whichever way the constants are worked out."""
    found = check_capture(replace(SHEET, procedure=procedure), held())
    assert found.stored_lean[0].half_width == pytest.approx(half_deg, abs=0.01)


def test_what_a_tilted_face_does_depends_on_the_procedure():
    """2.0 deg of the face that is up in flight: nothing, whole, or two thirds (sensor at cross-axis 0)."""
    board = Board(np.array([0.01, 0.02, 0.03]), np.ones(3), np.zeros((3, 3)))
    tilts_deg = np.zeros((6, 2))
    tilts_deg[FACES.index("+z")] = (0.0, 2.0)
    leans = {}
    for procedure in ("offset_and_scale", "level_face", "matrix"):
        found = check_capture(replace(SHEET, procedure=procedure), held(board=board, tilts_deg=tilts_deg))
        assert [one.face for one in found.again] == ["+z"]
        leans[procedure] = found.stored_lean[0].value
    # y was high, y is camera right: what is believed level hangs left.
    assert leans["offset_and_scale"] == pytest.approx(0.0, abs=0.15)
    assert leans["level_face"] == pytest.approx(-2.0, abs=0.15)
    assert leans["matrix"] == pytest.approx(-4 / 3, abs=0.15)


def test_constants_that_the_gimbal_stored_are_what_is_judged():
    board = Board(np.array([0.01, 0.02, 0.03]), np.ones(3), np.zeros((3, 3)))
    wrong = constants_of([0.01, 0.025, 0.03], np.eye(3))
    found = check_capture(replace(SHEET, new=wrong), held(board=board))
    # 5 mg too much taken off camera right: the reading at level is -5 mg, so the camera hangs left.
    assert found.stored_lean[0].value == pytest.approx(-5 / MG_PER_DEG, abs=0.02)
    assert lean_sentence(found).startswith("The constants given leave the camera with its left side low")


def test_which_way_suits_is_said_with_its_sizes():
    said = suits_sentence(check_capture(replace(SHEET, procedure="level_face"), held()))
    assert "± 0.49 deg where one face" in said
    assert said.endswith("here no way is clearly better")
    # A bubble ten times as good, and one axis that reads 1 % of another: there faces beat 1 g at rest.
    board = Board(np.zeros(3), np.ones(3), np.array([[0, 0, 0.01], [0, 0, 0], [0, 0.01, 0]]))
    fine = replace(SHEET, bubble_deg=0.02, procedure="offset_and_scale")
    said = suits_sentence(check_capture(fine, held(board=board)))
    assert said.endswith("would suit it better than your way, offset and scale only")
    said = suits_sentence(check_capture(replace(fine, procedure="matrix"), held(board=board)))
    assert said.endswith(": full matrix suits it")


def test_a_level_face_that_does_not_fly_up_is_spoken_of():
    own = check_capture(replace(SHEET, procedure="level_face", level_face="+z"), held())
    other = check_capture(replace(SHEET, procedure="level_face", level_face="+x"), held())
    assert not any("is up in flight" in one for one in own.warnings)
    assert other.warnings[0].startswith(
        "Level is taken from lens down (+x), but camera level (+z) is up in flight"
    )
    # The bubble's 0.25 deg, and twice what one axis reads of another and a sensor turned on its board.
    assert procedure_rows(other)[1].level_deg == pytest.approx(
        1.96 * np.sqrt(0.25**2 + 2 * (np.degrees(0.006) ** 2 + 0.5**2)), rel=1e-6
    )


def test_constants_given_that_are_not_of_these_faces_are_in_the_verdict():
    board = Board(np.array([0.01, 0.02, 0.03]), np.ones(3), np.zeros((3, 3)))
    for away_mg, says in ((0.5, "Good: six faces"), (10.0, "Six faces, held still, but the constants given")):
        given = constants_of([0.01, 0.02 + away_mg / 1000, 0.03], np.eye(3))
        assert headline(check_capture(replace(SHEET, new=given), held(board=board))).startswith(says)


def test_whether_constants_may_be_used_although_a_face_is_off():
    tilts = np.zeros((6, 2))
    tilts[2] = 1.75, 0.0
    off = held(tilts_deg=tilts)
    told = replace(SHEET, procedure="level_face")
    assert use_words(check_capture(SHEET, held())) == ""
    assert use_words(check_capture(SHEET, off)).startswith("For use only where the gimbal works out offset")
    assert use_words(check_capture(told, off)) == "Not for use yet: hold the faces again first"


def test_a_face_too_far_off_is_named_as_missing():
    tilts = np.zeros((6, 2))
    tilts[4] = 22.0, 0.0
    text = refused(held(tilts_deg=tilts))
    assert text.startswith("face +z: 22 deg off camera level (+z), and no other hold has that face up")


def test_faces_that_lack_are_listed():
    text = refused(held(faces=FACES[:3]))
    assert "no hold with left side up (-y), camera level (+z) and camera upside down (-z); there" in text


def test_the_change_between_two_given_constants_is_certain():
    board = Board(np.zeros(3), np.ones(3), np.zeros((3, 3)))
    old, new = constants_of([0.001, 0, 0], np.eye(3)), constants_of([0.004, 0, 0], np.eye(3))
    found = check_capture(replace(SHEET, new=new), held(board=board))
    report = FacesReport(found, old, True, None, {}, None)
    assert before_words(report)[0].endswith("by x 3.0 mg, y 0.0 mg, z 0.0 mg")


def test_the_other_sign_of_a_log_is_spoken_of():
    found = check_capture(replace(SHEET, accelerometer_sign="up_reads_minus"), held())
    assert any("every offset has the other sign" in one for one in note_words(report_of(found)))
    assert not any("other sign" in one for one in note_words(report_of(check_capture(SHEET, held()))))


def report_of(found):
    return FacesReport(found, None, False, None, {}, None)


# --- the last shoot ---

BOARD = Board(np.array([0.012, 0.030, -0.008]), np.array([1.01, 0.99, 1.0]), np.zeros((3, 3)))


def old_constants(off_mg):
    """Constants under which camera right (y) reads ``off_mg`` too much."""
    return constants_of(BOARD.offset_g - [0, off_mg / 1000 * 0.99, 0], np.diag(BOARD.scale))


def shoot(lean_deg=0.95, offset_mg=15.7, **more):
    offset = None if offset_mg is None else Estimate(offset_mg, 0.9)
    return recorded(1, lean_deg, sd_deg=0.03, rig="Wagtail", offset_mg=offset, **more)


def against(of, off_mg, sheet=SHEET, temperature_c=None):
    one = held(board=BOARD)
    if temperature_c is not None:
        one = Capture(tuple(replace(h, temperature_c=np.full(500, temperature_c)) for h in one.holds))
    return against_record(check_capture(sheet, one), old_constants(off_mg), of, 0.07)


def test_an_offset_that_the_footage_showed_and_the_faces_take_away():
    found = against(shoot(), 15.5)
    assert found.agrees
    assert found.removes_deg.value == pytest.approx(15.5 / MG_PER_DEG, abs=0.01)
    assert found.left_deg.value == pytest.approx(0.95 - 15.5 / MG_PER_DEG, abs=0.01)
    assert found.cause == ""
    # Two shoots differ by sqrt(2) times what one does.
    assert found.left_deg.sd == pytest.approx(np.hypot(0.03, 0.07 * np.sqrt(2)), abs=0.005)
    assert "they agree" in " ".join(against_words(found))


def test_a_lean_that_stays_is_the_camera():
    found = against(shoot(lean_deg=1.6), 15.5)
    assert found.agrees
    assert found.cause == "mounting"


def test_without_a_known_offset_the_lean_is_compared():
    found = against(shoot(offset_mg=None), 15.5)
    assert not found.of_offset
    assert found.agrees


@pytest.mark.parametrize(
    ("causes", "cause", "footage"),
    [
        ([{"name": "turns", "probability": 0.8}], "footage", "turns"),
        ([{"name": "turns", "probability": 0.2}, {"name": "none", "probability": 0.8}], "constants", ""),
        ([], "constants", ""),
    ],
)
def test_a_change_that_does_not_fit_names_what_remains(causes, cause, footage):
    found = against(shoot(result={"causes": causes}), 2.0)
    assert found.agrees is False
    assert (found.cause, found.footage_cause) == (cause, footage)


def test_a_colder_flight_may_explain_the_difference():
    found = against(shoot(temperature_c=0.0), 8.0, temperature_c=25.0)
    assert found.warmer_c == pytest.approx(-25.0)
    assert found.agrees or found.cause == "temperature"
    assert against(shoot(temperature_c=24.0), 8.0, temperature_c=25.0).cause == "constants"


def test_where_a_face_defines_level_its_tilt_is_allowed_for():
    sheet = replace(SHEET, procedure="level_face")
    assert against(shoot(), 8.0, sheet).agrees
    assert against(shoot(), 8.0).cause == "constants"


def test_without_old_constants_nothing_is_compared():
    found = against_record(check_capture(SHEET, held()), None, shoot(), 0.07)
    assert found.agrees is None
    assert "--old FILE" in against_words(found)[-1]


def test_the_last_shoot_is_one_before_the_calibration_with_a_lean():
    some = [recorded(k, None if k == 3 else 0.1 * k, rig="Wagtail") for k in (1, 2, 3, 4)]
    some.append(recorded(5, 0.1, rig="Knot"))
    assert last_shoot(some, "wagtail ", "2031-01-23").title == "Shingle bank 2"
    assert last_shoot(some, "Wagtail").title == "Shingle bank 4"
    assert last_shoot(some, "") is None
    assert last_shoot(some, "Dunlin") is None


# --- what is said ---


@pytest.mark.parametrize("columns", [80, 50, 40])
@pytest.mark.parametrize("count", [6, 2])
def test_no_line_is_wider_than_the_terminal(columns, count):
    found = check_capture(SHEET, held(faces=FACES[-count:]))
    report = FacesReport(found, None, False, None, {}, None)
    lines = faces_lines(report, Path("faces-result"), columns=columns)
    assert max(map(columns_of, lines)) <= columns
    assert lines[0].startswith("Good: ")


def test_the_result_is_plain_and_finite():
    found = check_capture(replace(SHEET, rig="Wagtail"), held())
    plain = json.loads(
        json.dumps(faces_result(found, headline(found), old_constants(3), None), allow_nan=False)
    )
    assert plain["format"] == "horizon-drift faces"
    assert len(plain["faces"]) == 6
    assert [one["name"] for one in plain["models"]] == ["norm", "pairs", "level_face", "matrix"]
    assert plain["constants"]["offset_mg"] == plain["models"][0]["offset_mg"]
    assert plain["sensor_axes"] == {"value": list(AXES), "basis": "told"}


def test_a_shoot_under_this_very_calibration_is_not_the_one_before():
    some = [
        recorded(1, 0.9, rig="Wagtail", calibration="old"),
        recorded(2, 0.1, rig="Wagtail", calibration="new"),
    ]
    assert last_shoot(some, "Wagtail", calibration="New ").title == "Shingle bank 1"
    assert last_shoot(some, "Wagtail").title == "Shingle bank 2"


def test_scatter_that_harms_makes_no_sound_constants():
    tilts_deg = np.array([[1, 0], [1, 1], [0, -1], [-1, -1], [1, 1], [1, 0]]) * 0.5
    for procedure, sound in ((None, True), ("matrix", False)):
        sheet = replace(SHEET, bubble_deg=0.03, procedure=procedure)
        assert check_capture(sheet, held(tilts_deg=tilts_deg)).sound is sound
