"""The observation model: which unknowns there are, how large they may be, and what their columns hold."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from attitude.causes import observation_model
from attitude.filter import FilterKind
from attitude.gls import Noise, effective_count, fit, log_evidence
from attitude.plans import Stage, hover, pan, turns, upside_down
from attitude.sheet import Surface
from attitude.simulate import Rig
from attitude.stretch import Setting
from horizon.angles import wrap_deg
from tests.rates import film, world

SHORT = (*hover(6.0), *pan(30.0, 360.0), *upside_down(6.0))


def model_of(one, **sizes):
    sizes = {"focal_sd": 0.012, "pitch_zero_sd_deg": 0.5, "dip_sd_deg": 0.03} | sizes
    return observation_model(one.residuals(), one.logs, one.clocks, one.shoot, one.tracks, **sizes)


def columns_of(model, tau_s):
    return model.columns([Setting(FilterKind(tau_s))])[0]


@pytest.fixture(scope="module")
def short():
    return world(0, plan=SHORT, offset_deg=0.5)


def prior_of(model, name):
    return model.unknowns[model.names.index(name)]


def test_unknowns_of_a_plain_shoot(short):
    names = set(model_of(short).names)
    assert {"offset_sideways", "mounting_roll", "gyro_roll", "skyline_north", "dip", "focal"} <= names
    assert "turns" not in names  # nobody moved over ground
    assert not any(name.startswith("warm_up") for name in names)  # power-on not told
    assert not any(name.startswith("skyline_cos") for name in names)  # open sea has no hills


def test_blocks_in_fast_roll_are_left_out(short):
    blocks = model_of(short).blocks
    assert len(blocks) < len(short.residuals().blocks)
    assert blocks["rate_dps"].max() <= 4.0


def test_static_columns_by_hand(short):
    model = model_of(short)
    columns = columns_of(model, 0.5)
    n = len(model.blocks)
    upright = np.flatnonzero(model.blocks["shot"] == "hover")
    turned = np.flatnonzero(model.blocks["shot"] == "upside_down")
    sideways, mounting = (columns[:n, model.names.index(k)] for k in ("offset_sideways", "mounting_roll"))
    # Signs of the contract: either of them leans the level picture by plus itself, so log - footage by minus.
    assert sideways[upright] == pytest.approx(-1.0, abs=0.01)
    assert mounting[upright] == pytest.approx(-1.0, abs=0.01)
    assert sideways[turned[-1]] == pytest.approx(1.0, abs=0.01)
    assert mounting[turned[-1]] == pytest.approx(-1.0, abs=0.01)
    along = columns[n:, model.names.index("offset_along_lens")]
    assert along[upright] == pytest.approx(1.0, abs=0.01)
    assert along[turned[-1]] == pytest.approx(1.0, abs=0.01)


def test_skyline_prior_follows_the_surface(short):
    def tilt(**entries):
        shoot = dataclasses.replace(short.shoot, horizon=Surface(height_m=36.0, **entries))
        return model_of(dataclasses.replace(short, shoot=shoot))

    assert prior_of(tilt(surface="sea", terrain_deg=0.0), "skyline_east").wide_sd <= 0.005
    hills = tilt(surface="hills", terrain_deg=0.6)
    assert prior_of(hills, "skyline_east").wide_sd == pytest.approx(0.6)
    assert prior_of(hills, "skyline_sin3").wide_sd < 0.6
    # A shore 1800 m away, seen from 36 m, stands 0.02 rad low: a tilt towards it, or of unknown direction.
    shore = {"surface": "lake", "terrain_deg": 0.05, "shore_m": (1800.0, 4000.0)}
    known = prior_of(tilt(**shore, shore_bearing_deg=90.0), "skyline_east")
    assert known.mean == pytest.approx(np.rad2deg(0.02))
    assert known.wide_sd < 0.5 * known.mean
    unknown = prior_of(tilt(**shore), "skyline_east")
    assert unknown.mean == 0.0
    assert unknown.wide_sd == pytest.approx(np.hypot(0.05, 0.7 * np.rad2deg(0.02)))
    # A lake of unknown shores must not pass for level: 36 m above a shore 3 km away leans by up to 0.7 deg.
    assert prior_of(tilt(surface="lake", terrain_deg=0.1), "skyline_east").wide_sd > 0.4
    beyond = {"surface": "lake", "terrain_deg": 0.1, "shore_m": (60e3, 80e3)}
    assert prior_of(tilt(**beyond), "skyline_east").wide_sd == pytest.approx(0.1)


def test_error_of_the_line_acts_as_a_skyline_that_leans_there_only(short):
    # To a camera with heading h, a skyline whose normal leans north and east leans right by
    # east cos h - north sin h and ahead by north cos h + east sin h, whichever way up the camera is.
    model = model_of(short)
    columns = columns_of(model, 0.5)
    n = len(model.blocks)
    heading = np.deg2rad(model.blocks["log_yaw_deg"].to_numpy(float))
    cos, sin = np.cos(heading), np.sin(heading)
    north, east = (columns[:, model.names.index(f"skyline_{k}")] for k in ("north", "east"))
    right, ahead = (east * np.tile(cos, 2) - north * np.tile(sin, 2))[:n], north[n:] * cos + east[n:] * sin
    shots = model.blocks["shot"].to_numpy()
    for shot in ("hover", "upside_down"):
        k = np.flatnonzero(shots == shot)
        of, share = max(model.line_share.items(), key=lambda one: one[1][k].min())
        assert share[k].min() > 0.7
        roll, pitch = (columns[:, model.names.index(f"line_{axis}:{of}")] for axis in ("roll", "pitch"))
        assert roll[k] == pytest.approx(share[k] * right[k], abs=0.01)
        assert pitch[n + k] == pytest.approx(share[k] * ahead[k], abs=0.01)
        assert np.all(roll[k] > 0.7)
        assert not roll[n:].any()
        assert not pitch[:n].any()


def test_one_heading_has_one_line_whatever_its_value(short):
    model = model_of(short)
    heading = model.blocks["log_yaw_deg"].to_numpy()
    share = np.stack(list(model.line_share.values()))
    common = share.T @ share  # correlation of the line's error between blocks
    assert np.diag(common) == pytest.approx(1.0)
    apart = np.abs(wrap_deg(heading[:, np.newaxis] - heading))
    assert common[apart < 2.0].min() > 0.99
    assert common[apart >= 60.0].max() == pytest.approx(0.0, abs=1e-12)


def test_full_turn_averages_about_twelve_lines():
    one = film(Rig(), pan(3.0, 360.0), np.random.default_rng(7), None)
    share = np.stack(list(model_of(one).line_share.values()))
    assert len(share) == 12
    # By hand: each heading's error counts in 60 deg of 360 with a mean weight of 2 / pi.
    of_mean = np.sqrt(np.sum(share.mean(axis=1) ** 2))
    assert of_mean == pytest.approx(np.sqrt(12) * 2 / np.pi * 60 / 360, rel=0.02)
    assert 1 / np.sqrt(12) < of_mean < 1.3 / np.sqrt(12)


def test_line_prior_is_what_the_frames_state_as_shared(short):
    model = model_of(film(Rig(), SHORT, np.random.default_rng(3), None, shared_sd_deg=0.05))
    one = prior_of(model, "line_roll:0")
    assert (one.cause, one.mean) == ("", 0.0)
    assert one.wide_sd == one.healthy_sd == pytest.approx(0.05, rel=1e-3)
    assert prior_of(model, "line_pitch:180").wide_sd == pytest.approx(0.05, rel=1e-3)
    log = dataclasses.replace(short.logs[0], has_yaw=False)
    blind = model_of(dataclasses.replace(short, logs=(log,)))
    lines = {name for name in blind.names if name.startswith("line_roll:")}
    assert lines == {f"line_roll:{clip}" for clip in blind.blocks["clip"].unique()}


def test_turns_need_logged_velocity():
    rng = np.random.default_rng(1)
    one = film(Rig(leak=0.1), (*hover(6.0), *turns(8.0)), rng, None)
    assert prior_of(model_of(one), "turns").cause == "turns"
    table = one.logs[0].table.drop(columns=["velocity_north_mps", "velocity_east_mps"])
    blind = dataclasses.replace(one, logs=(dataclasses.replace(one.logs[0], table=table),))
    model = model_of(blind)
    assert "turns" not in model.names
    assert set(model.blocks["shot"]) == {"hover"}  # what nobody logged would pass for an offset


def test_warm_up_needs_both_cold_and_warm_footage():
    plan = (*hover(6.0), Stage("ordinary", 260.0), *hover(6.0))
    one = film(Rig(), plan, np.random.default_rng(2), None, powered_on_s=90.0)
    assert "warm_up_sideways" in model_of(one).names
    cold = film(Rig(), hover(10.0), np.random.default_rng(2), None, powered_on_s=90.0)
    assert "warm_up_sideways" not in model_of(cold).names


def test_log_without_heading_gets_the_picture_s_pan(short):
    log = short.logs[0]
    blind_log = dataclasses.replace(log, table=log.table.assign(yaw_deg=0.0), has_yaw=False)
    blind = dataclasses.replace(short, logs=(blind_log,))
    assert "pan" not in set(model_of(blind).blocks["shot"])

    for track, clock in zip(blind.tracks, blind.clocks, strict=True):
        t_s = track.track["t_s"].to_numpy()
        yaw = np.interp(t_s + clock.offset_s, log.table["t_s"], np.unwrap(log.table["yaw_deg"], period=360.0))
        rate = np.gradient(yaw, t_s)
        track.yaw_rate = pd.DataFrame({"t_s": t_s, "yaw_rate_dps": rate, "yaw_rate_sd_dps": 0.5})
    seeing, told = model_of(blind), model_of(short)
    assert "pan" in set(seeing.blocks["shot"])
    assert any(name.startswith("skyline_north:") for name in seeing.names)
    pan_rows = np.flatnonzero(told.blocks["shot"] == "pan")
    ours, theirs = (columns_of(m, 1.0)[pan_rows, m.names.index("offset_sideways")] for m in (seeing, told))
    assert ours[3:] == pytest.approx(theirs[3:], abs=0.03)  # the first ones still carry the unknown start
    for track in blind.tracks:
        track.yaw_rate = pd.DataFrame()


def test_unknown_place_in_the_log_costs_what_the_log_varies(short):
    clocks = tuple(dataclasses.replace(clock, sd_s=None) for clock in short.clocks)
    model = model_of(dataclasses.replace(short, clocks=clocks))
    assert any(name.startswith("clip_roll:") for name in model.names)
    assert not any(name.startswith("lag:") for name in model.names)


def plain_noise(n):
    return Noise(np.arange(n, dtype=np.intp), np.zeros(n, np.intp), np.ones(n))


def straight_line(x, y):
    """Ordinary least squares: every row a piece of its own, priors too wide to matter."""
    x, y = np.array(x, float), np.array(y, float)
    A = np.column_stack([np.ones_like(x), x])
    return fit(A, y, plain_noise(len(x)), np.full(2, 1e4), usual_sd=np.ones(2), usual_dof=0.0)


# GUM (JCGM 100:2008) H.3, thermometer; numbers as the GTC documentation of MSL NZ quotes and agrees with.
H3_T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
H3_B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_gum_h3_regression():
    one = straight_line(np.array(H3_T) - 20.0, H3_B)
    y1, y2 = one.mean
    u1, u2 = np.sqrt(np.diag(one.cov))
    assert (y1, u1) == (pytest.approx(-0.1712, abs=5e-5), pytest.approx(0.0029, abs=5e-5))
    assert (y2, u2) == (pytest.approx(0.00218, abs=5e-6), pytest.approx(0.00067, abs=5e-6))
    assert one.cov[0, 1] / (u1 * u2) == pytest.approx(-0.93, abs=5e-3)
    at_30 = np.array([1.0, 10.0])
    assert at_30 @ one.mean == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(at_30 @ one.cov @ at_30) == pytest.approx(0.0041, abs=5e-5)
    assert one.sd[0] ** 2 * 9 == pytest.approx(0.000110096583109, rel=1e-4)
    assert one.dof[0] == pytest.approx(9.0, abs=1e-3)


# The same regression with an error common to all readings, u = 0.005 (H.3.6 as GTC computes it): an error
# shared by all frames enters the constant in full and the slope not at all.
def test_gum_h3_shared_error():
    x = np.array(H3_T) - 20.0
    one = straight_line(x, H3_B)
    A = np.column_stack([np.ones_like(x), x, np.ones_like(x)])
    prior = np.array([1e3, 1e3, 0.005])
    # The noise is taken from the plain fit, so that only the shared column differs.
    whitened = A / one.sd[0]
    cov = np.linalg.inv(whitened.T @ whitened + np.diag(prior**-2.0))
    shared = fit(A, np.array(H3_B), plain_noise(11), prior, usual_sd=np.full(2, one.sd[0]), usual_dof=1e6)
    assert shared.cov[:2, :2] == pytest.approx(cov[:2, :2], rel=1e-3)
    assert np.sqrt(shared.cov[0, 0]) == pytest.approx(0.00576893138292676, rel=1e-3)
    assert np.sqrt(shared.cov[1, 1]) == pytest.approx(0.0006679387732278323, rel=1e-3)


# NIST StRD Norris (36 observations), certified values as quoted in a second source's test files.
NORRIS = """
0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6
778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6
557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1
888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2
0.5
"""


def test_norris_regression():
    y, x = np.array(NORRIS.split(), float).reshape(-1, 2).T
    one = straight_line(x, y)
    assert one.mean == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-6)
    assert np.sqrt(np.diag(one.cov)) == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-6)
    assert one.sd[0] == pytest.approx(0.884796396144373, rel=1e-6)


# Neff = N (1 - r1) / (1 + r1): Zwiers and von Storch 1995, p. 336 ff., as NCL's equiv_sample_size states it.
def test_effective_count_is_what_the_mean_scatters_by():
    assert effective_count(100, 0.5) == pytest.approx(100 / 3)
    assert effective_count(100, -0.4) == 100
    rng, n, rho = np.random.default_rng(3), 200, 0.6
    steps = rng.normal(0, np.sqrt(1 - rho**2), (4000, n))
    series = np.empty_like(steps)
    series[:, 0] = rng.normal(size=4000)
    for k in range(1, n):
        series[:, k] = rho * series[:, k - 1] + steps[:, k]
    assert series.mean(axis=1).std() == pytest.approx(effective_count(n, rho) ** -0.5, rel=0.04)


def test_correlated_blocks_widen_the_mean_honestly():
    rng, n, rho = np.random.default_rng(4), 40, 0.5
    noise = Noise(np.zeros(n, np.intp), np.zeros(n, np.intp), np.ones(n))
    z = []
    for _ in range(400):
        y = np.empty(n)
        y[0] = rng.normal()
        for k in range(1, n):
            y[k] = rho * y[k - 1] + rng.normal(0, np.sqrt(1 - rho**2))
        one = fit(np.ones((n, 1)), y, noise, np.array([1e3]), usual_sd=np.ones(2))
        z.append(one.mean[0] / np.sqrt(one.cov[0, 0]))
    assert np.std(z) == pytest.approx(1.0, abs=0.15)  # counted as independent it would be 1.7


def test_evidence_equals_the_density_of_the_data():
    from scipy.stats import multivariate_normal

    rng = np.random.default_rng(6)
    A, y, prior = rng.normal(size=(6, 3)), rng.normal(size=6), np.array([0.5, 2.0, 1.0])
    noise = Noise(np.array([0, 0, 0, 1, 1, 1]), np.array([0, 0, 0, 1, 1, 1]), np.ones(6))
    rho, sd = np.array([0.4, 0.0]), np.array([0.7, 1.1])
    innovations = np.linalg.inv(noise.whiten(np.eye(6), rho, sd))
    cov = innovations @ innovations.T + A @ np.diag(prior**2) @ A.T
    density = multivariate_normal(np.zeros(6), cov).logpdf(y)
    assert log_evidence(A, y, noise, prior, rho, sd) == pytest.approx(density + 3 * np.log(2 * np.pi))
