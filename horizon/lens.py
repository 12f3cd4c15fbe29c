"""Pixels to rays and back, through the lens.

Models: ``pinhole``; ``brown`` (radial and tangential terms k1 k2 p1 p2 k3, after D. C. Brown, "Close-range
camera calibration", 1971) and ``fisheye`` (k1..k4 in powers of the angle from the axis, after Kannala and
Brandt, 2006), both in OpenCV's order and with its meaning. Un-distortion is Newton's method to convergence:
the usual five fixed-point steps leave 0.026 deg in the corners of a 90 deg lens.
"""

import math
import sys
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeGuard

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Lens", "LensError", "lens_from_hfov", "pixels", "rays", "read_lens", "scaled"]

Array = NDArray[np.float64]

SIZE_KEYS = ("width_px", "height_px")
LARGEST_PX = 65536
MODELS = {"pinhole": (0,), "brown": (4, 5), "fisheye": (4,)}


class LensError(ValueError):
    """A lens that cannot be used: what is wrong and how to mend it."""


@dataclass(frozen=True)
class Lens:
    """Lens of a picture of ``width_px`` x ``height_px`` stored pixels.

    ``cx_px, cy_px``: principal point, (0, 0) = centre of the top-left pixel. ``distortion``: coefficients
    in OpenCV's order for ``model``. ``focal_sd``: standard uncertainty of the focal length as a share of it;
    ``centre_sd_px``: of the principal point, across and down. None where nobody measured it.
    """

    width_px: int
    height_px: int
    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    model: str = "pinhole"
    distortion: tuple[float, ...] = ()
    focal_sd: float | None = None
    centre_sd_px: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if self.model not in MODELS:
            raise LensError(f"lens model is {self.model!r}; allowed: {', '.join(MODELS)}")
        if len(self.distortion) not in MODELS[self.model]:
            wanted = " or ".join(str(n) for n in MODELS[self.model])
            raise LensError(
                f"a {self.model} lens has {wanted} distortion numbers; {len(self.distortion)} were given"
            )
        numbers = (self.fx_px, self.fy_px, self.cx_px, self.cy_px, *self.distortion)
        if not all(math.isfinite(x) for x in numbers) or min(self.fx_px, self.fy_px) <= 0:
            raise LensError("a lens needs finite numbers and focal lengths above 0")

    @property
    def matrix(self) -> Array:
        """3x3 camera matrix, pixels."""
        return np.array([[self.fx_px, 0, self.cx_px], [0, self.fy_px, self.cy_px], [0, 0, 1.0]])

    @property
    def pixel_rad(self) -> float:
        """Angle one pixel covers at the middle of the picture, rad."""
        return 1.0 / math.sqrt(self.fx_px * self.fy_px)


def lens_from_hfov(width_px: int, height_px: int, hfov_deg: float) -> Lens:
    """Pinhole lens whose field of view across the stored width is ``hfov_deg``.

    Raises
    ------
    LensError
        The angle is not between 1 and 175 deg.
    """
    if not 1.0 <= hfov_deg <= 175.0:
        raise LensError(
            f"field of view is {hfov_deg:g} deg; a pinhole picture covers 1 to 175 deg; correct it"
        )
    f_px = width_px / 2 / math.tan(math.radians(hfov_deg) / 2)
    return Lens(width_px, height_px, f_px, f_px, (width_px - 1) / 2, (height_px - 1) / 2)


def rays(lens: Lens, points_px: ArrayLike) -> Array:
    """Unit rays, shape (n, 3) in camera axes, of pixels of shape (n, 2)."""
    points = np.ascontiguousarray(points_px, dtype=np.float64).reshape(-1, 2)
    if len(points) == 0:
        return np.empty((0, 3))
    if lens.model == "fisheye":
        # An equidistant base keeps rays at and beyond 90 deg from the axis, which x/z cannot hold.
        theta = _fisheye_angle(lens, points)
        direction = (points - [lens.cx_px, lens.cy_px]) / [lens.fx_px, lens.fy_px]
        radius = np.linalg.norm(direction, axis=1)
        scale = np.where(radius > 1e-12, np.sin(theta) / np.maximum(radius, 1e-12), 1.0)
        return np.asarray(np.column_stack([direction * scale[:, None], np.cos(theta)]))
    if lens.model == "brown":
        # Where the polynomial has folded, the steps may run away; what comes of that is no ray.
        with np.errstate(over="ignore", invalid="ignore"):
            flat = _brown_straighten(
                lens.distortion, (points - [lens.cx_px, lens.cy_px]) / [lens.fx_px, lens.fy_px]
            )
    else:
        flat = (points - [lens.cx_px, lens.cy_px]) / [lens.fx_px, lens.fy_px]
    out = np.column_stack([flat, np.ones(len(flat))])
    return np.asarray(out / np.linalg.norm(out, axis=1, keepdims=True))


def _fisheye_angle(lens: Lens, points: Array) -> Array:
    """Angle from the axis, rad, of fisheye pixels (n, 2): Newton on theta(1 + k1 theta^2 + ...)."""
    k1, k2, k3, k4 = lens.distortion
    flat = (points - [lens.cx_px, lens.cy_px]) / [lens.fx_px, lens.fy_px]
    bent = np.linalg.norm(flat, axis=1)
    theta = bent.copy()
    for _ in range(40):
        t2 = theta * theta
        value = theta * (1 + t2 * (k1 + t2 * (k2 + t2 * (k3 + t2 * k4)))) - bent
        slope = 1 + t2 * (3 * k1 + t2 * (5 * k2 + t2 * (7 * k3 + t2 * 9 * k4)))
        step = value / np.where(np.abs(slope) < 1e-6, 1e-6, slope)
        theta = np.clip(theta - step, 0.0, math.pi)
        if np.max(np.abs(step)) < 1e-13:
            break
    return np.asarray(theta)


def pixels(lens: Lens, rays_cam: ArrayLike) -> Array:
    """Pixels, shape (n, 2), of rays (n, 3) in camera axes; NaN where the lens cannot see the ray."""
    ray = np.asarray(rays_cam, float).reshape(-1, 3)
    if len(ray) == 0:
        return np.empty((0, 2))
    across = np.hypot(ray[:, 0], ray[:, 1])
    if lens.model == "fisheye":
        k1, k2, k3, k4 = lens.distortion
        theta = np.arctan2(across, ray[:, 2])
        t2 = theta * theta
        bent = theta * (1 + t2 * (k1 + t2 * (k2 + t2 * (k3 + t2 * k4))))
        scale = np.where(across > 1e-12, bent / np.maximum(across, 1e-12), 1.0)
        slope = 1 + t2 * (3 * k1 + t2 * (5 * k2 + t2 * (7 * k3 + t2 * 9 * k4)))
        flat = ray[:, :2] * scale[:, None]
        unseen = slope <= 0
    else:
        unseen = ray[:, 2] <= 1e-9
        flat = ray[:, :2] / np.where(unseen, 1.0, ray[:, 2])[:, None]
        if lens.model == "brown":
            flat, folded = _brown_bend(lens.distortion, flat)
            unseen = unseen | folded
    out = flat * [lens.fx_px, lens.fy_px] + [lens.cx_px, lens.cy_px]
    out[unseen] = np.nan
    return np.asarray(out)


def _brown_bend(distortion: tuple[float, ...], flat: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Brown-Conrady distortion of x/z, y/z (n, 2); True where the radial polynomial has folded back."""
    k1, k2, p1, p2, k3 = (*distortion, *([0.0] * (5 - len(distortion))))
    x, y = flat[:, 0], flat[:, 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    bent_x = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    bent_y = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    folded = 1 + r2 * (3 * k1 + r2 * (5 * k2 + r2 * 7 * k3)) <= 0
    return np.column_stack([bent_x, bent_y]), folded


def _brown_straighten(distortion: tuple[float, ...], bent: Array) -> Array:
    """Inverse of ``_brown_bend`` by Newton's method, to 1e-13 wherever the polynomial has not folded."""
    k1, k2, p1, p2, k3 = (*distortion, *([0.0] * (5 - len(distortion))))
    flat = bent.copy()
    for _ in range(50):
        x, y = flat[:, 0], flat[:, 1]
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        growth = k1 + r2 * (2 * k2 + 3 * k3 * r2)
        error = _brown_bend(distortion, flat)[0] - bent
        xx = radial + 2 * x * x * growth + 2 * p1 * y + 6 * p2 * x
        xy = 2 * x * y * growth + 2 * p1 * x + 2 * p2 * y
        yy = radial + 2 * y * y * growth + 6 * p1 * y + 2 * p2 * x
        det = xx * yy - xy * xy
        det = np.where(np.abs(det) < 1e-9, 1e-9, det)
        step_x = (yy * error[:, 0] - xy * error[:, 1]) / det
        step_y = (xx * error[:, 1] - xy * error[:, 0]) / det
        flat = flat - np.column_stack([step_x, step_y])
        if max(np.max(np.abs(step_x)), np.max(np.abs(step_y))) < 1e-13:
            break
    return flat


def _is_number(value: object) -> TypeGuard[float]:
    """Whether it is a number that a float can hold."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return isinstance(value, float) or abs(value) <= sys.float_info.max


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def read_lens(path: Path) -> Lens:
    """Lens from a lens file (TOML: width_px, height_px, fx_px, fy_px, cx_px, cy_px, model, distortion).

    ``focal_sd`` and ``principal_point_sd_px`` may stand there too; what else does is for people.

    Raises
    ------
    LensError
        The file is missing, is not TOML, or a key is missing or of the wrong type.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise LensError(f"{path.name}: no such lens file; mend the path in the sheet") from None
    except OSError as error:
        raise LensError(f"{path.name}: cannot be read ({error.strerror}); check the file") from None
    except (ValueError, RecursionError) as error:
        # Not TOML, not UTF-8, or what TOML allows and its reader does not (endless numbers and brackets).
        raise LensError(
            f"{path.name}: not a readable TOML file ({error}); write key = value, as in the README"
        ) from None
    values: dict[str, float] = {}
    for key in (*SIZE_KEYS, "fx_px", "fy_px", "cx_px", "cy_px"):
        value = table.get(key)
        if not _is_number(value):
            raise LensError(f"{path.name}: {key} is {_shown(value)}; write a number of pixels")
        values[key] = float(value)
    for key in SIZE_KEYS:
        if not values[key].is_integer() or not 1 <= values[key] <= LARGEST_PX:
            raise LensError(
                f"{path.name}: {key} is {_shown(table[key])}; write a whole number of pixels, "
                f"from 1 to {LARGEST_PX}"
            )
    distortion = table.get("distortion", [])
    if not isinstance(distortion, list) or not all(_is_number(k) for k in distortion):
        raise LensError(f"{path.name}: distortion is {_shown(distortion)}; write a list of numbers")
    focal_sd = table.get("focal_sd")
    if focal_sd is not None and (not isinstance(focal_sd, float) or not 0 < focal_sd < 1):
        raise LensError(
            f"{path.name}: focal_sd is {_shown(focal_sd)}; write the sd as a share of the focal length, "
            "as 0.004"
        )
    try:
        lens = Lens(
            int(values["width_px"]),
            int(values["height_px"]),
            values["fx_px"],
            values["fy_px"],
            values["cx_px"],
            values["cy_px"],
            str(table.get("model", "pinhole" if not distortion else "brown")),
            tuple(float(k) for k in distortion),
            focal_sd,
            _centre_sd_px(path, table),
        )
    except LensError as error:
        raise LensError(f"{path.name}: {error}") from None
    right, bottom = lens.width_px - 1, lens.height_px - 1
    with np.errstate(over="ignore", invalid="ignore"):
        corners_px = np.array([[0, 0], [right, 0], [0, bottom], [right, bottom]])
        off_px = pixels(lens, rays(lens, corners_px)) - corners_px
    # Of a nonsensical one the numbers run over on the way there or back.
    if not (np.abs(off_px) < 1).all():
        raise LensError(
            f"{path.name}: no ray belongs to the corners of its picture; correct distortion, fx_px and fy_px"
        )
    return lens


def _centre_sd_px(path: Path, table: dict[str, object]) -> tuple[float, float] | None:
    sds = table.get("principal_point_sd_px")
    if sds is None:
        return None
    if not isinstance(sds, list) or len(sds) != 2 or not all(_is_number(sd) and 0 <= sd < 1e5 for sd in sds):
        raise LensError(
            f"{path.name}: principal_point_sd_px is {_shown(sds)}; write two numbers of pixels, or none"
        )
    return float(sds[0]), float(sds[1])


def scaled(lens: Lens, width_px: int, height_px: int, crop: float | None = None) -> Lens:
    """The same lens for a picture of another size but the same aspect, or of a part of it.

    crop : the picture shows this part, 1 / crop, of the lens's width, about its middle, whatever its aspect;
    None: not told, then the aspect must be the same.

    Raises
    ------
    LensError
        The aspect differs by more than 1 % and a pixel, and the crop is not told; or more would be shown than
        the lens's picture has.
    """
    if crop is not None:
        return _cropped(lens, width_px, height_px, crop)
    ratio_x, ratio_y = width_px / lens.width_px, height_px / lens.height_px
    rounded = abs(height_px - lens.height_px * ratio_x) <= 1.0
    if abs(ratio_x / ratio_y - 1) > 0.01 and not rounded:
        raise LensError(
            f"the lens is for {lens.width_px} x {lens.height_px} pixels, the clip has {width_px} x "
            f"{height_px}: another aspect; use a lens file made for this video mode, or state crop under "
            "[camera]: 1.0 where it shows the whole width"
        )
    return _resized(lens, width_px, height_px, ratio_x, ratio_y)


def _cropped(lens: Lens, width_px: int, height_px: int, crop: float) -> Lens:
    ratio = crop * width_px / lens.width_px
    # A pixel or a hundredth too many is rounding.
    if crop < 0.99 or height_px > 1.01 * ratio * lens.height_px + 1:
        raise LensError(
            f"a picture of {width_px} x {height_px} pixels with crop = {crop:g} shows more than the "
            f"{lens.width_px} x {lens.height_px} of the lens file; correct crop"
        )
    return _resized(lens, width_px, height_px, ratio, ratio)


def _resized(lens: Lens, width_px: int, height_px: int, ratio_x: float, ratio_y: float) -> Lens:
    """The lens magnified by the ratios, its picture cut to a size about the middle."""
    sds_px = lens.centre_sd_px
    aside_x, aside_y = ((width_px - lens.width_px * ratio_x) / 2, (height_px - lens.height_px * ratio_y) / 2)
    return replace(
        lens,
        width_px=width_px,
        height_px=height_px,
        fx_px=lens.fx_px * ratio_x,
        fy_px=lens.fy_px * ratio_y,
        cx_px=(lens.cx_px + 0.5) * ratio_x - 0.5 + aside_x,
        cy_px=(lens.cy_px + 0.5) * ratio_y - 0.5 + aside_y,
        centre_sd_px=None if sds_px is None else (sds_px[0] * ratio_x, sds_px[1] * ratio_x),
    )
