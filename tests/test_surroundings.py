"""What the sheet's surroundings add to the uncertainty of the true level."""

import math
from dataclasses import replace
from pathlib import Path

import pytest

from attitude.dip import dip_rad, shore_dip_rad
from attitude.optics import KnownLens
from attitude.sheet import Camera, ClipSheet, Shoot, Surface
from attitude.surroundings import (
    USUAL_HEIGHT_M,
    lens_axis_sd_rad,
    line_height_sd_rad,
    shores_m,
    surroundings_of,
    surroundings_without_sheet,
    visible_dip_rad,
)
from horizon.fit import PITCH_FLOOR_PX
from horizon.lens import lens_from_hfov

CLIP = ClipSheet(files=(Path("a.mp4"),))


def declared(hfov_deg=70.0, camera=None, clip=CLIP, **surface):
    """Surroundings of one clip, angles in degrees."""
    shoot = Shoot(
        folder=Path(),
        path=Path("shoot.toml"),
        title="t",
        clips=(clip,),
        horizon=Surface(**{"surface": "sea", "terrain_deg": 0.0} | surface),
        camera=camera or Camera(hfov_deg=hfov_deg),
    )
    found = surroundings_of(shoot, clip, KnownLens(lens_from_hfov(1920, 1080, hfov_deg), 0.02))
    angles = {name: math.degrees(value) for name, value in vars(found).items() if name.endswith("_rad")}
    return replace(found, **angles)


# Measured once on rendered sea, camera 60 m up, 60 deg across 1920 px, three frames each: visibility in km
# and how far the line stood below the true horizon, deg.
@pytest.mark.parametrize(("visibility_km", "low_deg"), [(15, 0.105), (30, 0.009), (60, 0.005), (200, 0.003)])
def test_haze_term_bounds_what_haze_did(visibility_km, low_deg):
    haze_deg = declared(60.0, visibility_km=visibility_km, height_m=60.0).haze_rad
    # Far beyond the horizon a fraction of a pixel is left, which the fit itself allows for.
    own_deg = PITCH_FLOOR_PX * math.degrees(lens_from_hfov(1920, 1080, 60.0).pixel_rad)
    assert haze_deg + (own_deg if visibility_km > 30 else 0.0) >= low_deg
    assert haze_deg <= 2 * low_deg


def test_haze_by_hand():
    # 7 % of the contrast are left at 15 km x ln(1 / 0.07) / 3.912 = 10.196 km: 60 m / 10196 m lower, and
    # 10196 m / 2 R' for the curvature, R' = 6371 km / 0.84; the horizon is at sqrt(2 x 60 m / R').
    bent_m = 6.371e6 / 0.84
    by_hand = 60 / 10196 + 10196 / (2 * bent_m) - math.sqrt(2 * 60 / bent_m)
    haze_deg = declared(height_m=60.0, visibility_km=15.0).haze_rad
    assert haze_deg == pytest.approx(math.degrees(by_hand), rel=1e-3)


def test_haze_beyond_the_horizon_or_the_shore_hides_nothing():
    assert declared(height_m=9.0).haze_rad == 0.0  # the horizon is 11.7 km away
    assert declared(height_m=60.0).haze_rad > 0.03
    assert declared(height_m=60.0).haze_rad == declared(height_m=60.0, visibility_km=20.0).haze_rad
    lake = {"surface": "lake", "height_m": 60.0, "visibility_km": 15.0}
    assert declared(**lake, shore_m=(3000.0, 5000.0)).haze_rad == 0.0
    assert declared(visibility_km=20.0).haze_rad > declared(visibility_km=20.0, height_m=60.0).haze_rad


# Common practice, no source; the figures divide by the angle itself (70 deg = 1.222 rad), which is 6 % more
# than the 2 sin 35 deg that the rays give.
@pytest.mark.parametrize(
    ("height_m", "shore_m", "false_roll_deg"),
    [(40.0, (1800.0, 4000.0), 0.57), (1.7, (800.0, 1500.0), 0.05)],
)
def test_lake_with_shores_at_two_distances(height_m, shore_m, false_roll_deg):
    one = declared(surface="lake", height_m=height_m, shore_m=shore_m)
    assert one.shore_tilt_rad == pytest.approx(false_roll_deg, rel=0.07)


def test_shore_tilt_is_what_a_fit_through_both_shores_gives():
    from horizon.angles import angles_from_up, up_from_angles

    near, far = (shore_dip_rad(40.0, distance) for distance in (1800.0, 4000.0))
    roll = math.radians(declared(surface="lake", height_m=40.0, shore_m=(1800.0, 4000.0)).shore_tilt_rad)
    # A camera that is level reads this roll: both shores then lie alike below what it takes for level.
    up = up_from_angles(roll, 0.0)
    half = math.radians(35.0)
    ends = [
        (side * math.sin(half) * math.cos(low), math.sin(low), math.cos(half) * math.cos(low))
        for side, low in ((-1, near), (1, far))
    ]
    below = [-sum(a * b for a, b in zip(ray, up, strict=True)) for ray in ends]
    assert below[0] == pytest.approx(below[1], abs=2e-6)
    assert angles_from_up(up)[0] == pytest.approx(roll)


def test_lake_of_unknown_shores_gets_the_usual_ones():
    assert shores_m(Surface(surface="lake")) == (3000.0, math.inf)
    assert shores_m(Surface(surface="plain")) is None
    lake, sea = declared(surface="lake", height_m=20.0), declared(height_m=20.0)
    lower_deg = math.degrees(shore_dip_rad(20.0, 3000.0) - dip_rad(20.0))
    assert lake.shore_tilt_rad == pytest.approx(lower_deg / (2 * math.sin(math.radians(35.0))), rel=1e-3)
    assert lake.dip_sd_rad == pytest.approx(math.hypot(sea.dip_sd_rad, lower_deg / 2))
    assert sea.shore_tilt_rad == 0.0
    unstated = declared(surface="lake").shore_tilt_rad
    assert unstated == pytest.approx(declared(surface="lake", height_m=USUAL_HEIGHT_M).shore_tilt_rad)


def test_dip_by_height():
    assert declared().dip_sd_rad == pytest.approx(0.15)
    # By hand at 100 m: dip 0.294 deg; its height known to 11 m, its root to 5.5 %; refraction 0.16 +- 0.04,
    # the root of 0.84 +- 0.04 to 2.4 %; swell 0.02 deg.
    by_hand = math.hypot(0.055 * 0.294, 0.024 * 0.294, 0.02)
    assert declared(height_m=100.0).dip_sd_rad == pytest.approx(by_hand, rel=0.01)
    assert visible_dip_rad(Surface()) == 0.0
    assert visible_dip_rad(Surface(height_m=30.0)) == dip_rad(30.0)
    assert visible_dip_rad(Surface(height_m=30.0, shore_m=(900.0, 1100.0))) == shore_dip_rad(30.0, 1000.0)


def test_line_height_puts_dip_and_haze_together():
    surface = Surface(surface="sea", terrain_deg=0.0, height_m=60.0, visibility_km=15.0)
    one = declared(height_m=60.0, visibility_km=15.0)
    # Anything between none and the bound, all alike: its root mean square is the bound over root 3.
    together = math.hypot(one.dip_sd_rad, one.haze_rad / math.sqrt(3))
    assert math.degrees(line_height_sd_rad(surface)) == pytest.approx(together)


def test_terrain_and_lens_are_carried_over():
    one = declared(surface="hills", terrain_deg=0.6)
    assert one.terrain_rad == pytest.approx(0.6)
    assert one.focal_sd == 0.02


LENS = """\
width_px = 1920
height_px = 1080
fx_px = 1400.0
fy_px = 1400.0
cx_px = 959.5
cy_px = 539.5
"""


@pytest.mark.parametrize(
    ("camera", "clip", "axis_sd_deg"),
    [
        (Camera(hfov_deg=70.0), CLIP, 0.5),
        (Camera(lens=Path("lens.toml")), CLIP, 0.05),
        (Camera(), replace(CLIP, lens=Path("lens.toml")), 0.05),
        # A clip with a field of view of its own was not filmed with the camera's calibrated lens setting.
        (Camera(lens=Path("lens.toml")), replace(CLIP, hfov_deg=50.0), 0.5),
    ],
)
def test_lens_axis_is_known_by_a_lens_file(camera, clip, axis_sd_deg, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("lens.toml").write_text(LENS, encoding="utf-8")
    assert declared(camera=camera, clip=clip).axis_sd_rad == pytest.approx(axis_sd_deg)
    shoot = Shoot(folder=Path(), path=Path("s"), title="t", clips=(clip,), camera=camera)
    assert math.degrees(lens_axis_sd_rad(shoot, clip)) == pytest.approx(axis_sd_deg)


def test_a_lens_file_says_how_well_its_axis_is_known(tmp_path):
    path = tmp_path / "lens.toml"
    path.write_text(f"{LENS}principal_point_sd_px = [2.0, 7.0]\n", encoding="utf-8")
    shoot = Shoot(folder=Path(), path=Path("s"), title="t", clips=(CLIP,), camera=Camera(lens=path))
    # By hand: 7 px of a focal length of 1400 px, beside what every file is good to.
    assert math.degrees(lens_axis_sd_rad(shoot, CLIP)) == pytest.approx(math.hypot(0.05, math.degrees(0.005)))


def test_without_a_sheet_nothing_is_taken_for_known():
    one = surroundings_without_sheet(KnownLens(lens_from_hfov(1920, 1080, 75.0), 0.1))
    assert math.degrees(one.terrain_rad) == pytest.approx(0.3)
    assert math.degrees(one.dip_sd_rad) == pytest.approx(0.15)
    assert math.degrees(one.axis_sd_rad) == pytest.approx(0.5)
    assert one.haze_rad > 0.0
    assert one.focal_sd == 0.1
