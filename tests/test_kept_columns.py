"""Columns of the model are kept by all that they are made of, and by nothing else."""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pytest
from scipy.sparse import csr_array

from attitude.causes import ObservationModel
from attitude.filter import FilterKind
from attitude.infer import Witnesses, model_of
from attitude.kept_columns import content_of, kept_columns
from attitude.kept_tracks import CACHE_VARIABLE
from attitude.plans import hover, pan, turns, upside_down
from attitude.simulate import Rig
from attitude.stretch import Setting
from attitude.unknowns import Unknown
from tests.rates import Truth, film

SETTINGS = [Setting(FilterKind(1.0)), Setting(FilterKind(3.0, integral_s=30.0))]


@lru_cache
def filmed():
    """The model of a short shoot that has accelerometer and temperature in its log."""
    plan = (*hover(10.0), *pan(8.0), *turns(10.0, speed_mps=8.0, rate_dps=30.0), *upside_down(10.0))
    rig, truth = Rig(time_constant_s=2.0), Truth((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), 2.0)
    one = film(rig, plan, np.random.default_rng(3), truth, fps=5.0, powered_on_s=90.0, without=())
    return model_of(Witnesses(one.residuals(), one.logs, one.tracks, one.clocks), one.shoot)


@pytest.fixture(autouse=True)
def own(tmp_path, monkeypatch):
    """A folder of this test's own."""
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "tracks"))


def key(model):
    return content_of(model.rests_on())


def test_what_was_kept_is_what_would_be_made_and_is_not_made_again(monkeypatch):
    made = filmed().columns(SETTINGS)
    assert all(np.array_equal(a, b) for a, b in zip(kept_columns(filmed(), SETTINGS), made, strict=True))
    monkeypatch.setattr(ObservationModel, "columns", None)
    again = kept_columns(filmed(), SETTINGS)
    assert all(np.array_equal(a, b) for a, b in zip(again, made, strict=True))


def test_columns_hang_on_nothing_else():
    model = filmed()
    names = ["clip", "roll_rate_dps", "pitch_rate_dps"]
    other = replace(
        model,
        blocks=model.blocks[names],
        piece=np.zeros(0, np.intp),
        unknowns=tuple(Unknown(one.name, "", 9.0, 9.0) for one in model.unknowns),
    )
    assert key(other) == key(model)
    pairs = zip(other.columns(SETTINGS), model.columns(SETTINGS), strict=True)
    assert all(np.array_equal(a, b) for a, b in pairs)


@pytest.mark.parametrize(
    "changed",
    [
        lambda model: replace(
            model, blocks=model.blocks.assign(roll_rate_dps=model.blocks["pitch_rate_dps"])
        ),
        lambda model: replace(model, blocks=model.blocks.assign(clip="other.mp4")),
        lambda model: replace(model, blocks=model.blocks.iloc[:-1]),
        lambda model: replace(model, unknowns=model.unknowns[:-1]),
        lambda model: replace(model, by_hand=("hover.mp4",)),
        lambda model: replace(model, lines=("hover.mp4",)),
        lambda model: replace(model, still=None),
        lambda model: replace(model, line_share={}),
        lambda model: replace(model, stretches=()),
        lambda model: replace(model, stretches=(replace(model.stretches[0], starts=(7,)),)),
        lambda model: replace(model, stretches=(replace(model.stretches[0], felt=None),)),
        lambda model: replace(
            model,
            stretches=(replace(model.stretches[0], block_of_grid=2 * model.stretches[0].block_of_grid),),
        ),
        lambda model: replace(
            model,
            stretches=(replace(model.stretches[0], motion=replace(model.stretches[0].motion, step_s=0.041)),),
        ),
    ],
)
def test_another_model_is_known_as_another(changed):
    model = filmed()
    assert model.still is not None
    assert model.stretches[0].felt is not None
    assert key(changed(model)) != key(model)


def test_other_settings_are_kept_apart():
    kept_columns(filmed(), SETTINGS)
    [alone] = kept_columns(filmed(), SETTINGS[:1])
    assert np.array_equal(alone, filmed().columns(SETTINGS[:1])[0])
    [slower] = kept_columns(filmed(), [Setting(FilterKind(1.001))])
    assert not np.array_equal(slower, alone)


@dataclass(frozen=True)
class _One:
    a: object
    b: object


@dataclass(frozen=True)
class _Other(_One):
    pass


def test_no_two_values_read_alike():
    array = np.array([1.0, 2.0])
    values = [
        None,
        "None",
        "",
        0,
        0.0,
        -0.0,
        False,
        "1",
        1,
        1j,
        ["a", "b"],
        ["ab"],
        ["a", ["b"]],
        [["a"], "b"],
        [],
        {"a": "b", "c": 1},
        {"a": "b", "c": 2},
        array,
        array.astype(np.float32),
        array.view(np.int64),
        array[:, np.newaxis],
        array[np.newaxis],
        np.array(["a", "bc"], object),
        np.array(["ab", "c"], object),
        csr_array(np.diag(array)),
        csr_array(np.diag(array)[::-1]),
        _One(1, 2),
        _One(2, 1),
        _Other(1, 2),
    ]
    assert len({content_of(value) for value in values}) == len(values)


def test_content_is_that_of_the_values_however_they_lie():
    array = np.arange(12.0).reshape(3, 4)
    assert content_of(array.T) == content_of(np.ascontiguousarray(array.T))


def test_what_cannot_be_looked_into_is_refused():
    with pytest.raises(TypeError, match="generator"):
        content_of([1, (k for k in range(2))])
