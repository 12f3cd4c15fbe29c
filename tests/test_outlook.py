"""What a shot would tell, foretold before it is filmed, against shoots that hold it."""

import dataclasses

import pytest

from attitude.infer import Witnesses, infer, solution_of
from attitude.outlook import lacking_shots, outlook
from attitude.plans import hover, pan, upside_down
from tests.rates import world

START = (*hover(20.0), *pan(6.0, 360.0))


def seen(one):
    witnesses = Witnesses(one.residuals(), one.logs, one.tracks, one.clocks)
    solution = solution_of(witnesses, one.shoot)
    return infer(witnesses, one.shoot, solution), solution, witnesses, one.shoot


@pytest.fixture(scope="module")
def start():
    return seen(world(3, plan=START, offset_deg=0.8))


def test_foretold_uncertainty_is_what_the_shot_then_brings(start):
    causes, solution, witnesses, shoot = start
    foretold = outlook("upside_down", solution, witnesses, shoot)
    then = seen(world(3, plan=(*START, *hover(25.0), *upside_down(25.0)), offset_deg=0.8))[0]
    now_mg = causes.offset_mg["sideways"].half_width
    assert then.offset_mg["sideways"].half_width < 0.2 * now_mg
    assert foretold.offset_mg == pytest.approx(then.offset_mg["sideways"].half_width, rel=0.35)
    assert foretold.lean_deg == pytest.approx(then.lean.half_width, rel=0.35)


def test_one_heading_over_land_lacks_a_pan():
    causes, solution, witnesses, shoot = seen(world(4, plan=hover(25.0), offset_deg=0.8, surface="unknown"))
    lacking = {one.shot: one for one in lacking_shots(causes, solution, witnesses, shoot)}
    assert {"pan", "upside_down", "turns", "warm_up"} <= lacking.keys()
    foretold = outlook("pan", solution, witnesses, shoot).lean_deg
    assert foretold < 0.5 * causes.lean.half_width
    then = seen(world(4, plan=(*hover(25.0), *pan(6.0, 360.0)), offset_deg=0.8, surface="unknown"))[0]
    assert foretold == pytest.approx(then.lean.half_width, rel=0.4)
    for one in lacking.values():
        assert one.seconds >= 25
        assert "±" in one.reaches
        assert one.because


def test_what_was_filmed_is_not_asked_for_again():
    plan = (*START, *hover(25.0), *upside_down(25.0))
    causes, solution, witnesses, shoot = seen(world(3, plan=plan, offset_deg=0.8))
    names = [one.shot for one in lacking_shots(causes, solution, witnesses, shoot)]
    assert "upside_down" not in names
    assert "pan" not in names
    assert "hover" not in names
    assert {"turns", "warm_up"} <= set(names)


def test_without_a_log_to_compare_with_it_asks_for_a_level_hold_and_says_why():
    one = world(3, plan=START)
    shoot = dataclasses.replace(one.shoot, stabilised=True)
    witnesses = Witnesses(one.residuals(), one.logs, one.tracks, one.clocks)
    causes = infer(witnesses, shoot, solution_of(witnesses, shoot))
    (only,) = lacking_shots(causes, None, witnesses, shoot)
    assert only.shot == "hover"
    assert "stabilised" in only.because
