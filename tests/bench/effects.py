"""What camera, lens and edit do to a picture: blur, drops and dirt, propellers, tone, noise, bars."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from horizon.synthetic import sample_texture
from tests.bench.tiles import cloud_tiles

__all__ = ["Effects", "Overlay", "draw_effects", "overlaid", "recorded", "through_lens"]

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]
Luma = NDArray[np.uint8]

LIGHTLY = 0.1  # chance of each side effect in a frame whose kind does not ask for it


@dataclass(frozen=True)
class Overlay:
    """Bars (share of height, share of width), a line of text at a place, a block with a mark in it."""

    bar_rows: float
    bar_columns: float
    text: str
    text_place: tuple[float, float]
    block: tuple[float, float, float, float] | None
    grey: int


@dataclass(frozen=True)
class Effects:
    """One camera's doing, steady along a clip.

    ``drops``: rows of (x, y, radius; shares of the width, blur px, grey added). ``blades``: rows of (corner
    0 left 1 right, angle rad, half width rad, reach as share of the width, cover). ``tone``: bend of the tone
    curve at middle grey, as a share. ``exposure``: rows of (time s, factor from then on).
    """

    blur_px: float
    noise_sd: float
    sharpen: float
    tone: float
    vignette: float
    motion_px: float = 0.0
    motion_rad: float = 0.0
    skew_rad: float = 0.0
    drops: Array | None = None
    blades: Array | None = None
    overlay: Overlay | None = None
    exposure: tuple[tuple[float, float], ...] = ()


def draw_effects(kind: str, rng: np.random.Generator) -> Effects:
    """Effects of a kind: its own in full, the others lightly and seldom."""
    effects = Effects(
        blur_px=float(rng.uniform(0.45, 1.1)),
        noise_sd=float(rng.uniform(3, 7) if kind == "night" else rng.uniform(1, 4)),
        sharpen=float(rng.uniform(0.4, 1.4)) if rng.random() < 0.3 else 0.0,
        tone=float(rng.uniform(-0.06, 0.1)),
        vignette=float(rng.uniform(0.2, 0.5)) if kind == "overlay" else 0.0,
    )
    if kind == "rain":
        effects = replace(effects, drops=_drops(rng, int(rng.integers(12, 45)), 1.0))
    elif rng.random() < LIGHTLY:
        effects = replace(effects, drops=_drops(rng, int(rng.integers(1, 7)), 0.6))
    if kind == "motion":
        effects = replace(
            effects, motion_px=float(rng.uniform(3, 15)), skew_rad=float(np.radians(rng.uniform(-1, 1)))
        )
    elif rng.random() < LIGHTLY:
        effects = replace(
            effects, motion_px=float(rng.uniform(2, 5)), skew_rad=float(np.radians(rng.uniform(-0.1, 0.1)))
        )
    effects = replace(effects, motion_rad=float(rng.uniform(0, np.pi)))
    if kind == "props" or rng.random() < LIGHTLY:
        effects = replace(effects, blades=_blades(rng, lightly=kind != "props"))
    if not effects.vignette and rng.random() < LIGHTLY:
        effects = replace(effects, vignette=float(rng.uniform(0.1, 0.3)))
    if kind == "overlay":
        effects = replace(effects, overlay=_overlay(rng))
    return effects


def _drops(rng: np.random.Generator, count: int, size: float) -> Array:
    return np.column_stack(
        [
            rng.uniform(0, 1, count),
            rng.uniform(0, 0.56, count),
            np.exp(rng.uniform(np.log(0.005), np.log(0.06 * size), count)),
            rng.choice([6.0, 14.0, 25.0], count),
            rng.normal(0, 14, count),
        ]
    )


def _blades(rng: np.random.Generator, *, lightly: bool) -> Array:
    count = 1 if lightly else int(rng.integers(1, 4))
    return np.column_stack(
        [
            rng.integers(0, 2, count),
            rng.uniform(0.15, 0.9, count),
            rng.uniform(0.03, 0.12, count),
            rng.uniform(0.12, 0.25 if lightly else 0.5, count),
            rng.uniform(0.3, 0.85, count),
        ]
    )


def _overlay(rng: np.random.Generator) -> Overlay:
    block = None
    if rng.random() < 0.5:
        size = rng.uniform(0.05, 0.12)
        block = (float(rng.choice([0.03, 0.97 - size])), float(rng.choice([0.05, 0.85])), size, size * 0.6)
    clock = "20{:02d}-{:02d}-{:02d} {:02d}:{:02d}:{:02d}".format(
        *rng.integers([10, 1, 1, 0, 0, 0], [40, 13, 29, 24, 60, 60])
    )
    text = clock if rng.random() < 0.5 else f"H {rng.uniform(2, 120):.1f} m  BAT {rng.integers(20, 99)} %"
    return Overlay(
        bar_rows=float(rng.choice([0.0, 0.06, 0.12])),
        bar_columns=float(rng.choice([0.0, 0.0, 0.12])),
        text=text,
        text_place=(float(rng.uniform(0.03, 0.6)), float(rng.choice([0.12, 0.5, 0.9]))),
        block=block,
        grey=int(rng.choice([235, 255])),
    )


def through_lens(picture: Array32, effects: Effects, t_s: float, rng: np.random.Generator) -> Array32:
    """The picture as lens and exposure leave it, before noise; ``rng`` only moves the propellers."""
    picture = cv2.GaussianBlur(picture, (0, 0), effects.blur_px)
    if effects.motion_px:
        picture = cv2.filter2D(picture, -1, _streak(effects.motion_px, effects.motion_rad))
    if effects.drops is not None:
        _add_drops(picture, effects.drops)
    if effects.blades is not None:
        _add_blades(picture, effects.blades, rng)
    if effects.vignette:
        height, width = picture.shape
        y, x = np.ogrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]  # type: ignore[misc]
        picture *= (1 - effects.vignette * ((x * x + y * y) / 2) ** 1.5).astype(np.float32)
    gain = [factor for start_s, factor in effects.exposure if start_s <= t_s]
    if gain:
        picture *= np.float32(gain[-1])
    np.clip(picture, 0, 255, out=picture)
    picture += np.float32(4 * effects.tone) * picture * (1 - picture * np.float32(1 / 255))
    return picture


def recorded(picture: Array32, effects: Effects, rng: np.random.Generator) -> Luma:
    """Noise, the camera's sharpening, 8 bits."""
    noisy = picture + rng.standard_normal(picture.shape, dtype=np.float32) * np.float32(effects.noise_sd)
    if effects.sharpen:
        noisy += np.float32(effects.sharpen) * (noisy - cv2.GaussianBlur(noisy, (0, 0), 1.6))
    return np.clip(noisy + np.float32(0.5), 0, 255).astype(np.uint8)


def overlaid(luma: Luma, effects: Effects) -> Luma:
    """The same picture with what an edit burns into it."""
    if effects.overlay is None:
        return luma
    overlay, (height, width) = effects.overlay, luma.shape
    out = luma.copy()
    rows, columns = round(overlay.bar_rows * height), round(overlay.bar_columns * width)
    if rows:
        out[:rows] = out[-rows:] = 16
    if columns:
        out[:, :columns] = out[:, -columns:] = 16
    place = round(overlay.text_place[0] * width), round(overlay.text_place[1] * height)
    scale = height / 700
    cv2.putText(
        out, overlay.text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, 0, max(2, height // 200), cv2.LINE_AA
    )
    cv2.putText(
        out,
        overlay.text,
        place,
        cv2.FONT_HERSHEY_SIMPLEX,
        scale,
        overlay.grey,
        max(1, height // 400),
        cv2.LINE_AA,
    )
    if overlay.block is not None:
        x, y, w, h = (round(share * width) for share in overlay.block)
        y = round(overlay.block[1] * height)
        cv2.rectangle(out, (x, y), (x + w, y + h), overlay.grey, -1)
        cv2.circle(out, (x + w // 3, y + h // 2), h // 3, 60, -1, cv2.LINE_AA)
        cv2.line(out, (x + w // 2, y + h // 3), (x + w - 6, y + h // 3), 60, max(2, h // 9))
    return out


def _streak(length_px: float, angle_rad: float) -> Array32:
    """Kernel of an even straight movement; symmetrical, so that it shifts nothing."""
    half = int(np.ceil(length_px / 2)) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    along = x * np.cos(angle_rad) + y * np.sin(angle_rad)
    across = y * np.cos(angle_rad) - x * np.sin(angle_rad)
    kernel = np.clip(length_px / 2 - np.abs(along) + 0.5, 0, 1) * np.clip(1 - np.abs(across), 0, 1)
    return (kernel / kernel.sum()).astype(np.float32)


def _patch(centre: tuple[float, float], reach: float, shape: tuple[int, int]) -> tuple[slice, slice]:
    x, y = centre
    return (
        slice(max(0, int(y - reach)), max(0, min(shape[0], int(y + reach) + 1))),
        slice(max(0, int(x - reach)), max(0, min(shape[1], int(x + reach) + 1))),
    )


def _add_drops(picture: Array32, drops: Array) -> None:
    """Water on the glass shows its surroundings blurred, with a lit and a dark rim; changed in place."""
    height, width = picture.shape
    quarter = cv2.resize(picture, (width // 4, height // 4), interpolation=cv2.INTER_AREA)
    blurred = {
        float(px): cv2.resize(cv2.GaussianBlur(quarter, (0, 0), px / 4 * width / 1920), (width, height))
        for px in np.unique(drops[:, 3])
    }
    for x_share, y_share, radius_share, blur_px, grey in drops:
        x, y, radius = x_share * width, y_share * width, radius_share * width
        rows, columns = _patch((x, y), radius * 1.5, picture.shape)
        yy, xx = np.mgrid[rows, columns].astype(np.float32)
        if not xx.size:
            continue
        dent = sample_texture(cloud_tiles()[0], (xx - x) / radius * 20 + 90 * grey, (yy - y) / radius * 20)
        off = np.hypot(xx - x, (yy - y) * 0.85) / radius + 0.08 * dent
        share = np.clip((1 - off) * 3.5, 0, 1)
        rim = np.exp(-(((off - 0.88) / 0.1) ** 2)) * np.float32(10) * np.sign(y - yy)
        part = picture[rows, columns]
        part += share * (blurred[float(blur_px)][rows, columns] + np.float32(grey) + rim - part)


def _add_blades(picture: Array32, blades: Array, rng: np.random.Generator) -> None:
    """Propeller tips reach in from the upper corners, another angle in each frame; changed in place."""
    height, width = picture.shape
    for corner, angle, half, reach, cover in blades:
        angle = angle + rng.normal(0, 0.12)
        x0, y0 = (-0.06 * width, -0.05 * width) if corner == 0 else (1.06 * width, -0.05 * width)
        side = 1.0 if corner == 0 else -1.0
        across = np.array([0.25, 0.5, 0.45, 0.3, -0.1, -0.45, -0.6, -0.3])
        along = np.array([0.0, 0.55, 0.93, 1.0, 0.99, 0.88, 0.5, 0.0])
        turns, lengths = angle + across * half, along * (reach + 0.08) * width
        points = np.column_stack([x0 + side * lengths * np.cos(turns), y0 + lengths * np.sin(turns)])
        mask = np.zeros((height // 2, width // 2), np.uint8)
        cv2.fillPoly(mask, [np.round(points * 8).astype(np.int32)], 255, cv2.LINE_AA, 4)
        share = cv2.GaussianBlur(mask, (0, 0), 2.5).astype(np.float32) * np.float32(cover / 255)
        picture *= 1 - np.float32(0.8) * cv2.resize(share, (width, height))
