"""A rig's shoot-to-shoot repeatability: what counts as a run, and how well it is learned."""

import numpy as np
import pytest
from scipy.stats import chi2

from attitude.findings import REPEAT_SD_DEG
from attitude.repeatability import DEFAULT, in_order, label, learn, repeat_words
from tests.recorded import recorded


def shoot(number, lean_deg, sd_deg=0.03, **more):
    return recorded(number, lean_deg, sd_deg=sd_deg, **more)


def shoots(leans_deg, sd_deg=0.03, **more):
    return [shoot(k, lean, sd_deg, **more) for k, lean in enumerate(leans_deg)]


LEANS_DEG = [0.21, 0.08, 0.15, 0.02, 0.12, 0.19]


def test_the_default_has_the_interval_of_three_degrees_of_freedom():
    assert DEFAULT.sd_deg == REPEAT_SD_DEG
    interval = DEFAULT.sd_deg * np.sqrt(DEFAULT.dof / chi2.ppf([0.975, 0.025], DEFAULT.dof))
    assert [DEFAULT.low_deg, DEFAULT.high_deg] == pytest.approx(interval, rel=0.01)


def test_exact_measurements_give_the_pooled_variance():
    """Gelman et al., section 2.6 (from memory): a conjugate prior of 3 degrees at 0.07 deg."""
    runs = [shoot(k, lean, 1e-6) for k, lean in enumerate(LEANS_DEG)]
    runs += [shoot(k + 10, lean + 3, 1e-6, calibration="second") for k, lean in enumerate([0.1, 0.2, 0.3])]
    found = learn(runs, "sandpiper")
    dof = 3 + 5 + 2
    squares = 3 * 0.07**2 + 5 * np.var(LEANS_DEG, ddof=1) + 2 * 0.1**2
    assert found.dof == pytest.approx(dof, rel=0.01)
    assert found.sd_deg**2 == pytest.approx(squares / (dof - 2), rel=0.01)
    assert [found.low_deg, found.high_deg] == pytest.approx(
        np.sqrt(squares / chi2.ppf([0.975, 0.025], dof)), rel=0.01
    )
    assert found.shoots == 9
    assert found.learned


def test_what_measuring_scatters_is_not_the_rigs():
    exact, rough = (learn(shoots(LEANS_DEG, sd), "sandpiper") for sd in (0.01, 0.06))
    assert rough.sd_deg < exact.sd_deg
    assert rough.dof < exact.dof


def test_fewer_than_five_give_the_default():
    assert learn(shoots(LEANS_DEG[:4]), "sandpiper") == DEFAULT
    assert learn(shoots(LEANS_DEG[:5]), "sandpiper").shoots == 5


@pytest.mark.parametrize(
    "change",
    [{"changed": ("camera",)}, {"calibration": "second"}, {"trim_deg": 0.2}],
    ids=["changed", "calibration", "trim"],
)
def test_a_change_breaks_the_run(change):
    later = {key: value for key, value in change.items() if key != "changed"}
    rows = [
        shoot(k, lean, **(change if k == 3 else later if k > 3 else {})) for k, lean in enumerate(LEANS_DEG)
    ]
    found = learn(rows, "sandpiper")
    assert found.shoots == 6
    moved = [
        shoot(k, lean + 5 * (k >= 3), **(change if k == 3 else later if k > 3 else {}))
        for k, lean in enumerate(LEANS_DEG)
    ]
    assert learn(moved, "sandpiper").sd_deg == pytest.approx(found.sd_deg)
    assert learn(rows[:5], "sandpiper") == DEFAULT  # three and two: three degrees of freedom


def test_a_change_at_a_shoot_of_unknown_lean_still_breaks_the_run():
    rows = shoots([0.1, 0.1, 0.1, None, 0.9, 0.9, 0.9])
    whole = learn(rows, "sandpiper")
    rows[3] = shoot(3, None, changed=("landing",))
    assert learn(rows, "sandpiper").sd_deg < 0.5 * whole.sd_deg


def test_labels_differ_by_more_than_capitals_and_spaces():
    rows = [shoot(k, lean, calibration=" First " if k % 2 else "first") for k, lean in enumerate(LEANS_DEG)]
    assert learn(rows, "SANDPIPER ").shoots == 6
    assert label("  Six \t faces ") == "six faces"


def test_other_rigs_and_those_without_a_name_teach_nothing():
    assert learn(shoots(LEANS_DEG), "crane") == DEFAULT
    assert learn(shoots(LEANS_DEG, rig=""), "") == DEFAULT


def test_the_order_is_that_of_filming():
    rows = shoots(LEANS_DEG)
    assert in_order(rows[::-1]) == rows
    assert learn(rows[::-1], "sandpiper") == learn(rows, "sandpiper")


@pytest.mark.parametrize("true_deg", [0.05, 0.1])
def test_the_interval_holds_what_it_says(true_deg):
    """Over 300 seeded rigs; a prior of 0.07 deg helps at its own place and must not hurt beside it."""
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(300):
        found = learn(shoots(rng.normal(0.3, np.hypot(true_deg, 0.03), 8)), "sandpiper")
        inside += found.low_deg < true_deg < found.high_deg
    assert inside / 300 > 0.93


def test_words_say_whether_it_was_learned():
    said = repeat_words(DEFAULT)
    assert "0.07 deg" in said
    assert "not learned" in said
    said = repeat_words(learn(shoots(LEANS_DEG), "sandpiper"))
    assert "from 6 shoots" in said
    assert " to " in said
