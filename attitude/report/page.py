"""``report.html``: one file that needs no network and no script, with the plots and pictures beside it.

Three parts in the order of a person's questions: does it lean, why, what next. Everything that comes from a
sheet, a log or a file name is text to the template, never markup. Pictures go into the page as JPEG of at
most ``PAGE_PX`` across, so that a page of ten minutes of footage can be mailed; as files they are whole.
"""

import base64
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure
from numpy.typing import NDArray

from attitude.files import write_whole
from attitude.report import contents
from attitude.report.advice import AIRWORTHY, LOCAL_RULES, Advice, action_advice, shot_advice
from attitude.report.material import Material, Picture
from attitude.report.plots import LOOKS, draw_footage_against_log, draw_lean_over_time
from attitude.residuals import clip_sheet_of

__all__ = ["render", "write_report"]

HERE = Path(__file__).parent
PAGE_PX = 1280
JPEG_QUALITY = 86
MOST_PICTURES = 3
MOST_TURNS = 200
PLOTS: dict[str, Callable[..., Figure | None]] = {
    "lean_over_time": draw_lean_over_time,
    "footage_against_log": draw_footage_against_log,
}
NUMBER = re.compile(r"(\d) ± ([\d.]+) (deg|mg|s)\b")
BASES = ("assumed", "tested", "told")


@dataclass(frozen=True)
class _Shown:
    """A picture in the page: data addresses for light and dark, size in its own pixels, words."""

    light: str
    dark: str
    width: int
    height: int
    caption: str
    alt: str


@dataclass(frozen=True)
class _Bar:
    """One line of the lean strip: interval and value as percent of the strip's width."""

    row: contents.LeanRow
    left: float
    width: float
    at: float


def write_report(material: Material, folder: Path) -> None:
    """Write ``report.html``, the plots and the pictures into ``folder``.

    Files are written to a temporary name and renamed. A plot that this shoot does not have is removed, so
    that none of an earlier run stands beside the new page.
    """
    folder.mkdir(parents=True, exist_ok=True)
    drawn: dict[str, dict[str, bytes]] = {}
    for name, draw in PLOTS.items():
        images = {look: _png(draw(material, colours)) for look, colours in LOOKS.items()}
        if images["light"]:
            drawn[name] = images
            write_whole(folder / f"{name}.png", images["light"])
        else:
            (folder / f"{name}.png").unlink(missing_ok=True)
    pictures = material.pictures[:MOST_PICTURES]
    for number in range(1, MOST_PICTURES + 1):
        path = folder / f"frame_{number}.png"
        if number <= len(pictures):
            write_whole(path, _encoded(".png", pictures[number - 1].image))
        else:
            path.unlink(missing_ok=True)
    write_whole(folder / "report.html", _page(material, drawn, pictures).encode("utf-8"))


def render(template: str, **values: object) -> str:
    """Text of a template of this folder in the house's look; every value is text to it, never markup."""
    environment = Environment(
        loader=FileSystemLoader(HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["clean"] = contents.printable
    style = Markup((HERE / "style.css").read_text(encoding="utf-8"))
    return environment.get_template(template).render(style=style, **values)


def _page(material: Material, drawn: Mapping[str, Mapping[str, bytes]], pictures: tuple[Picture, ...]) -> str:
    shoot, verdict, causes = material.shoot, material.verdict, material.causes
    open_shot = verdict.next_shot
    turns = contents.turn_rows(material)
    offsets, mountings = contents.offset_rows(material), contents.mounting_rows(material)
    given = material.result["assumptions"]
    text = render(
        "template.html.j2",
        material=material,
        shoot=shoot,
        verdict=verdict,
        causes=causes,
        frames=[_frame(picture, material) for picture in pictures],
        lean_plot=_plot(drawn, "lean_over_time", _lean_alt(material)),
        log_plot=_plot(drawn, "footage_against_log", _log_alt(material)),
        bars=_bars(material),
        scale=_scale(material),
        chance=contents.chance_sentence(material),
        time_out=contents.time_sentence(material),
        frames_sentence=contents.frames_sentence(material),
        damage=[(track.clip, track.damage) for track in material.tracks if track.damage],
        clips=contents.clip_rows(material),
        cause_rows=contents.cause_rows(material),
        offsets=offsets,
        mountings=mountings,
        told_apart=any(row.size != contents.OPEN for row in (*offsets, *mountings)),
        others=contents.other_rows(material),
        reasons=contents.reasons(material),
        self_check=contents.self_check_sentence(material),
        self_check_size=contents.self_check_size(material),
        self_check_rows=contents.self_check_rows(material),
        sums=[contents.sum_sentence(one) for one in causes.undetermined],
        given={basis: [a for a in given if a["basis"] == basis] for basis in BASES},
        advice=action_advice(verdict.action, shoot.rig_kind, trim_deg=shoot.trim_deg),
        shot=shot_advice(open_shot, shoot.rig_kind) if open_shot else Advice("", ()),
        afterwards=contents.afterwards(material),
        turns=turns[:MOST_TURNS],
        more_turns=max(0, len(turns) - MOST_TURNS),
        any_turn=any(row.cost for row in turns),
        filmed=contents.conditions_filmed(material),
        not_filmed=contents.conditions_not_filmed(material),
        airworthy=AIRWORTHY,
        local_rules=LOCAL_RULES,
    )
    # A number must not part from its uncertainty and unit at the end of a line.
    return NUMBER.sub("\\1\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}\\2\N{NO-BREAK SPACE}\\3", text)


def _bars(material: Material) -> list[_Bar]:
    """Lines of the lean strip that have something to draw."""
    half = _half_scale(material)
    place = partial(_percent, half=half)
    found = []
    for row in contents.lean_rows(material):
        one = row.estimate
        if one is None:
            found.append(_Bar(row, 0.0, 0.0, 0.0))
        else:
            left, right = place(one.low), place(one.high)
            found.append(_Bar(row, left, max(right - left, 0.4), place(one.value)))
    return found


def _scale(material: Material) -> dict[str, float]:
    """Ends of the strip in deg, and where the tolerance lies on it, percent."""
    half, tolerance = _half_scale(material), material.verdict.tolerance_deg
    left = _percent(-tolerance, half=half)
    return {"half": half, "left": left, "width": 100 - 2 * left}


def _half_scale(material: Material) -> float:
    known = [row.estimate for row in contents.lean_rows(material) if row.estimate is not None]
    most = max((max(abs(one.low), abs(one.high)) for one in known), default=0.0)
    # In steps of half a degree: the ends are written beside the strip.
    return float(np.ceil(2 * max(1.5 * material.verdict.tolerance_deg, min(1.1 * most, 20.0))) / 2)


def _percent(angle_deg: float, *, half: float) -> float:
    return float(np.clip(50 + 50 * angle_deg / half, 0, 100))


def _frame(picture: Picture, material: Material) -> _Shown:
    height, width = picture.image.shape[:2]
    scale = min(1.0, PAGE_PX / width)
    size = (round(width * scale), round(height * scale))
    small = cv2.resize(picture.image, size, interpolation=cv2.INTER_AREA) if scale < 1 else picture.image
    address = _address("jpeg", _encoded(".jpg", np.asarray(small, np.uint8)))
    clip_s = picture.t_s / clip_sheet_of(picture.clip, material.shoot).time_scale
    caption = f"{picture.caption}: {picture.clip}, {clip_s:.1f} s"
    alt = f"Frame of {picture.clip} at {clip_s:.1f} s with the measured horizon drawn as a broken line"
    return _Shown(address, address, *size, caption, alt)


def _plot(drawn: Mapping[str, Mapping[str, bytes]], name: str, alt: str) -> _Shown | None:
    if name not in drawn:
        return None
    light, dark = drawn[name]["light"], drawn[name]["dark"]
    # Width and height stand in the header of every PNG (its first chunk, IHDR).
    width, height = (int.from_bytes(light[k : k + 4], "big") for k in (16, 20))
    return _Shown(_address("png", light), _address("png", dark), width // 2, height // 2, "", alt)


def _lean_alt(material: Material) -> str:
    words = "; ".join(f"{row.clip}: {row.lean}" for row in contents.clip_rows(material)[:10])
    return f"Plot of the footage's lean over the time of each clip. {words}"


def _log_alt(material: Material) -> str:
    return (
        "Plot of the roll of the footage against the roll that the log says, upright and upside down apart. "
        f"{material.verdict.headline}"
    )


def _png(fig: Figure | None) -> bytes:
    if fig is None:
        return b""
    out = BytesIO()
    fig.savefig(out, format="png", facecolor=fig.get_facecolor(), metadata={"Software": None})
    return out.getvalue()


def _encoded(ending: str, image: NDArray[np.uint8]) -> bytes:
    options = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY] if ending == ".jpg" else []
    done, data = cv2.imencode(ending, image, options)
    if not done:
        raise OSError(f"a picture of shape {image.shape} cannot be written as {ending}")
    return bytes(data)


def _address(kind: str, data: bytes) -> str:
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"
