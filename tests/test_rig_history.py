"""One rig over its shoots: runs between changes, what is compared, what the chart and the table show."""

import dataclasses
import re

import numpy as np
import pytest

from attitude.before_after import compare
from attitude.chosen import ChoiceError, chosen, chosen_rig
from attitude.repeatability import DEFAULT, learn
from attitude.report.look import house_style
from attitude.report.rig_chart import MOST_SHOOTS, chart_of
from attitude.report.rig_page import write_rig_page
from attitude.report.rig_table import rig_rows, rig_sentences
from attitude.rig_history import between, rig_history, shoot_names
from attitude.terminal_history import comparison_lines, rig_lines, rigs_lines
from tests.recorded import recorded, series


def two_calibrations(before=0.9, after=0.1, each=4, scatter=0.05, seed=3):
    rng = np.random.default_rng(seed)
    leans = np.repeat([before, after], each) + rng.normal(0, scatter, 2 * each)
    first = series(leans[:each])
    return [*first, *series(leans[each:], each + 1, calibration="second")]


def test_last_calibration_is_compared_with_the_one_before():
    found = rig_history(two_calibrations(), "Sandpiper")
    assert found.calibrations == found.starts == (4,)
    assert found.comparison.claim == "helped"
    assert rig_history(two_calibrations(0.1, 0.9), "Sandpiper").comparison.claim == "made it worse"
    assert rig_history(two_calibrations(0.30, 0.28), "Sandpiper").comparison.claim == "no evidence"


def test_a_third_calibration_leaves_the_first_out_of_it():
    shoots = [*two_calibrations(0.9, 0.1), *series([0.12, 0.08, 0.11], 9, calibration="third")]
    found = rig_history(shoots, "Sandpiper")
    assert found.calibrations == (4, 8)
    assert found.comparison.claim == "no evidence"
    assert found.comparison.before.value == pytest.approx(0.1, abs=0.1)


@pytest.mark.parametrize("change", [{"changed": ("lens",)}, {"trim_deg": 0.4}])
@pytest.mark.parametrize("row", [2, 4, 6])
def test_what_else_was_changed_ends_a_run_and_voids_a_comparison_across_it(change, row):
    shoots = two_calibrations()
    shoots[row] = dataclasses.replace(shoots[row], **change)
    if "trim_deg" in change:  # a trim stays until it is set again
        shoots[row:] = [dataclasses.replace(shoot, **change) for shoot in shoots[row:]]
    found = rig_history(shoots, "Sandpiper")
    assert found.starts == tuple(sorted({4, row}))
    assert found.calibrations == (4,)
    # Changed together with the calibration, it may be to blame; before or after, the shoots in between tell.
    assert found.comparison.claim == ("void" if row == 4 else "helped")


def test_a_label_that_was_left_out_is_no_new_calibration():
    shoots = two_calibrations()
    shoots[5] = dataclasses.replace(shoots[5], calibration=" ")
    found = rig_history(shoots, "Sandpiper")
    assert found.calibrations == (4,)
    assert found.comparison.claim == "helped"
    assert learn(shoots, "Sandpiper") == learn(two_calibrations(), "Sandpiper")


def test_what_was_changed_between_the_sides_voids_a_comparison():
    shoots = two_calibrations()
    shoots[5] = dataclasses.replace(shoots[5], changed=("camera",))
    before, after = shoots[:4], shoots[6:]
    assert between(shoots, before, after) == shoots[4:6]
    assert compare(before, after, DEFAULT).claim == "helped"
    found = compare(before, after, DEFAULT, between(shoots, before, after))
    assert (found.claim, found.void) == (
        "void",
        ("not only the calibration was changed, but also: camera",),
    )
    assert "named first was filmed later" in " ".join(compare(after, before, DEFAULT).void)
    assert "same shoot stands on both sides" in " ".join(compare(shoots[:5], shoots[4:], DEFAULT).void)


def test_order_is_that_of_filming_and_other_rigs_are_left_out():
    shoots = two_calibrations()
    mixed = [*reversed(shoots), recorded(30, 2.0, rig="Dunlin")]
    found = rig_history(mixed, " sandPIPER ")
    assert [shoot.key for shoot in found.shoots] == [shoot.key for shoot in shoots]
    assert found.comparison.claim == "helped"


def test_a_shoot_without_a_lean_is_in_the_table_only():
    shoots = [*series([0.3, 0.35]), recorded(3, None), recorded(4, 0.31)]
    found = rig_history(shoots, "Sandpiper")
    assert len(found.shoots) == 4
    assert len(found.charted) == 3
    assert [row[3] for row in rig_rows(found.shoots)].count("not known") == 1
    nothing = rig_history([recorded(1, None)], "Sandpiper")
    assert nothing.smoothed is None
    assert chart_of(nothing, 0.5) is None
    assert rig_sentences(nothing) == []


def test_a_drift_within_the_calibration_is_found_and_dated():
    rng = np.random.default_rng(5)
    leans = np.concatenate([np.zeros(10), np.linspace(0.1, 0.8, 8)]) + rng.normal(0, 0.03, 18)
    found = rig_history(series(leans), "Sandpiper")
    assert found.drift is not None
    assert 8 <= found.drift.since <= 12
    assert found.drift.change.value > 0.2
    (said,) = (one for one in rig_sentences(found) if one.startswith("Drifting"))
    assert found.charted[found.drift.since].filmed in said
    # The same creep in three calibrations is no drift: each starts afresh.
    fresh = [
        dataclasses.replace(shoot, calibration=str(k // 6))
        for k, shoot in enumerate(series(np.repeat([0.0, 0.3, 0.6], 6) + rng.normal(0, 0.03, 18)))
    ]
    assert rig_history(fresh, "Sandpiper").drift is None


def test_a_step_that_nobody_marked_is_found():
    rng = np.random.default_rng(6)
    leans = np.repeat([0.0, 0.5], 6) + rng.normal(0, 0.05, 12)
    found = rig_history(series(leans), "Sandpiper")
    assert found.change.found
    assert found.change.at == 6
    marked = [
        dataclasses.replace(s, changed=("landing",)) if k == 6 else s for k, s in enumerate(series(leans))
    ]
    assert not rig_history(marked, "Sandpiper").change.found


def test_days_with_several_shoots_are_told_apart():
    one = recorded(1, 0.1)
    other = dataclasses.replace(recorded(2, 0.2), filmed=one.filmed)
    assert shoot_names([one, other]) == [f"{one.filmed} (Shingle bank 1)", f"{one.filmed} (Shingle bank 2)"]


# --- what is shown ----------------------------------------------------------------------------------------


def drawn(shoots, key=""):
    with house_style():
        return chart_of(rig_history(shoots, "Sandpiper"), 0.5, key)


def test_chart_has_a_point_for_each_shoot_and_a_line_for_each_change():
    shoots = two_calibrations()
    sketch = drawn(shoots, shoots[-1].key)
    (axes,) = sketch.fig.axes
    points = [line for line in axes.lines if line.get_marker() == "o" and len(line.get_xdata()) == 8]
    assert [float(y) for y in points[0].get_ydata()] == [shoot.lean.value for shoot in shoots]
    upright = [line for line in axes.lines if len(set(line.get_xdata())) == 1 and len(line.get_xdata()) == 2]
    assert [line.get_xdata()[0] for line in upright] == [3.5]
    words = [text.get_text() for text in axes.texts]
    assert "first" in words
    assert "second" in words
    texts = [text.get_text() for text in sketch.fig.findobj(lambda one: hasattr(one, "get_text"))]
    assert "this shoot" in texts
    assert "right side low by" in sketch.alt


def test_long_histories_show_the_last_shoots_and_say_so():
    rng = np.random.default_rng(7)
    shoots = series(rng.normal(0.2, 0.05, 48))
    sketch = drawn([dataclasses.replace(s, key=f"{k:032x}") for k, s in enumerate(shoots)])
    (axes,) = sketch.fig.axes
    assert max(len(line.get_xdata()) for line in axes.lines if line.get_marker() == "o") == MOST_SHOOTS
    assert "8 earlier shoots are not shown" in sketch.caption


HOSTILE = '</li><script>alert(1)</script>\u202e{{ 7 * 7 }}"'


def test_page_and_terminal_show_hostile_names_as_text(tmp_path):
    shoots = [
        dataclasses.replace(s, rig=HOSTILE, title=HOSTILE, calibration=HOSTILE if k > 3 else "first")
        for k, s in enumerate(two_calibrations())
    ]
    history = rig_history(shoots, HOSTILE)
    page = write_rig_page(history, tmp_path).read_text(encoding="utf-8")
    assert "<script" not in page
    assert "\u202e" not in page
    lines = rig_lines(history, tmp_path / "history.html", columns=60)
    assert max(map(len, lines)) <= 60
    assert "\u202e" not in "".join(lines)


def test_terminal_tells_of_rigs_and_of_before_and_after(tmp_path):
    shoots = two_calibrations()
    many = [*shoots, recorded(30, 2.0, rig="Dunlin")]
    said = "\n".join(rigs_lines(many, tmp_path / "history.sqlite"))
    assert "9 shoots of 2 rigs." in said
    assert re.search(r"Dunlin: 1 shoot, 2031-\d\d-\d\d", said)
    assert "No shoot is on record yet." in rigs_lines([], tmp_path / "x")
    history = rig_history(shoots, "Sandpiper")
    lines = comparison_lines(shoots[:4], shoots[4:], history.comparison)
    assert lines[0] == "The recalibration helped."
    assert all(len(line) <= 80 for line in lines)
    rows = "\n".join(rig_lines(history, tmp_path / "history.html"))
    assert rows.count("Calibration: ") == 2
    assert all(shoot.filmed in rows for shoot in shoots)


# --- how an operator names shoots -------------------------------------------------------------------------


def test_shoots_are_named_by_calibration_title_or_day():
    shoots = two_calibrations()
    assert chosen(shoots, "  SECOND ") == tuple(shoots[4:])
    assert chosen(shoots, "shingle  bank 3") == (shoots[2],)
    assert chosen(shoots, shoots[5].filmed) == (shoots[5],)


def test_shoots_of_two_rigs_need_the_rig_named():
    shoots = [recorded(1, 0.1), recorded(2, 0.1, rig="Dunlin")]
    with pytest.raises(ChoiceError, match=r"Dunlin and Sandpiper; add --rig"):
        chosen(shoots, "first")
    assert chosen(shoots, "first", "dunlin") == (shoots[1],)
    with pytest.raises(ChoiceError, match=r"no shoot of Dunlin on record has 'second'"):
        chosen(shoots, "second", "Dunlin")
    assert chosen_rig(shoots[:1], None) == "Sandpiper"
    with pytest.raises(ChoiceError, match=r"say which rig; on record: Dunlin, Sandpiper"):
        chosen_rig(shoots, None)
    with pytest.raises(ChoiceError, match="rigs on record: Dunlin, Sandpiper"):
        chosen_rig(shoots, "Knot")
