"""``report.html``: one file that needs no network, with the review video, plots and pictures beside it.

Three parts in the order of a person's questions: does it lean, why, what next. Everything that comes from a
sheet, a log or a file name is text to the template, never markup. Without its script the page still says and
shows everything; what is lost is the time line. Pictures go into the page as smaller JPEG, so that a page of
ten minutes of footage can be mailed; as files they are whole.
"""

import base64
import hashlib
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict, astuple, dataclass
from functools import partial
from pathlib import Path

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from attitude.files import write_whole
from attitude.reference_lines import WORDS, references_words
from attitude.report import contents
from attitude.report.advice import AIRWORTHY, LOCAL_RULES, Advice, action_advice, shot_advice
from attitude.report.against_what import grid_caption
from attitude.report.drawn import Drawn, css_variables
from attitude.report.material import Material, Picture
from attitude.report.player import flagged_rows, player_of, review_s
from attitude.report.plots import PLOTS, draw_plots
from attitude.report.rig_table import HEADINGS, rig_part
from attitude.report.statistics import clock_rows, model_facts, number_rows
from attitude.residuals import clip_sheet_of
from attitude.sheet import Shoot
from attitude.words import listed, printable
from horizon.reference import PLUMB_LINE

__all__ = ["REPORT_FILES", "render", "write_report"]

HERE = Path(__file__).parent
MOST_PICTURES = 3
MOST_TURNS = MOST_FLAGGED = 200
MARKS = (
    "Long dashes: the {} as measured. Short dashes: where a level camera would have it. "
    "Rings: edge points that the measurement rests on; crosses: edge points left aside."
)
AT_REST = " A plumb line that swings is drawn where it would hang at rest."
NUMBER = re.compile(r"(\d) ± ([\d.]+) (deg|mg|s)\b")
PAGE, FRAME = "report.html", "frame_{}.jpg"
# Every file that a report may have, the page last.
REPORT_FILES = (
    *(f"{name}.png" for name in PLOTS),
    *(FRAME.format(number) for number in range(1, MOST_PICTURES + 1)),
    PAGE,
)
BASES = ("assumed", "tested", "told")


@dataclass(frozen=True)
class _Shown:
    """A picture in the page: data address, size in its own pixels, words, and its place in the review."""

    address: str
    width: int
    height: int
    caption: str
    alt: str
    words: str = ""
    clip: str = ""
    time: str = ""
    review_s: float | None = None


@dataclass(frozen=True)
class _Plot:
    """A drawing in the page; ``panels``: where time lies on it, as JSON, "" where it has none."""

    svg: Markup
    alt: str
    caption: str
    panels: str


@dataclass(frozen=True)
class _Bar:
    """One line of the lean strip: interval and value as percent of the strip's width."""

    row: contents.LeanRow
    left: float
    width: float
    at: float


def write_report(
    material: Material, folder: Path, drawn: Callable[[], Mapping[str, Drawn]] | None = None
) -> None:
    """Write ``report.html``, the plots and the pictures into ``folder``.

    ``drawn``: gives the plots, which are drawn beside what else the page needs; None draws them here. Files
    are written to a temporary name and renamed. A plot that this shoot does not have is removed, so that none
    of an earlier run stands beside the new page.
    """
    folder.mkdir(parents=True, exist_ok=True)
    pictures = material.pictures[:MOST_PICTURES]
    template, told = _template("page.html.j2"), _told(material, pictures)
    plots = draw_plots(material) if drawn is None else drawn()
    page = _page(template, told, plots).encode("utf-8")
    for name in PLOTS:
        if name in plots:
            write_whole(folder / f"{name}.png", plots[name].png)
        else:
            (folder / f"{name}.png").unlink(missing_ok=True)
    for number in range(1, MOST_PICTURES + 1):
        path = folder / FRAME.format(number)
        if number <= len(pictures):
            write_whole(path, pictures[number - 1].file)
        else:
            path.unlink(missing_ok=True)
    write_whole(folder / PAGE, page)


def render(template: str, **values: object) -> str:
    """Text of a template of this folder in the house's look; every value is text to it, never markup."""
    return _rendered(_template(template), values)


def _template(name: str) -> Template:
    environment = Environment(
        loader=FileSystemLoader(HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["clean"] = printable
    return environment.get_template(name)


def _rendered(template: Template, values: Mapping[str, object]) -> str:
    style = Markup((HERE / "style.css").read_text(encoding="utf-8"))
    return template.render(values, style=style, plot_colours=Markup(css_variables()))


def _page(template: Template, told: Mapping[str, object], plots: Mapping[str, Drawn]) -> str:
    shown = {name: shown_plot(plots.get(name)) for name in PLOTS}
    against = [one for name, one in shown.items() if name.startswith("lean_against_") and one]
    text = _rendered(template, {**told, "plots": shown, "against": against})
    # A number must not part from its uncertainty and unit at the end of a line.
    return NUMBER.sub("\\1\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}\\2\N{NO-BREAK SPACE}\\3", text)


def _told(material: Material, pictures: tuple[Picture, ...]) -> dict[str, object]:
    """What the page says, without its plots."""
    shoot, verdict, causes = material.shoot, material.verdict, material.causes
    shot = Advice("", ())
    if verdict.next_shot:
        shot = shot_advice(verdict.next_shot, shoot.rig_kind, indoors=shoot.indoors)
    turns = contents.turn_rows(material)
    offsets, mountings = contents.offset_rows(material), contents.mounting_rows(material)
    given = material.result["assumptions"]
    flagged = flagged_rows(material)
    script = (HERE / "page.js").read_text(encoding="utf-8")
    return {
        # Nothing that stands in a sheet, a log or a file name can make the page load or run anything.
        "policy": _policy(script),
        "script": Markup(script),
        "shoot": shoot,
        "verdict": verdict,
        "causes": causes,
        "frames": [_frame(picture, material) for picture in pictures],
        "marks": _marks(shoot),
        "worst": _contact(material.worst),
        "player": player_of(material),
        "against_words": grid_caption(material.covariates) if material.covariates else "",
        "flagged": flagged[:MOST_FLAGGED],
        "more_flagged": max(0, len(flagged) - MOST_FLAGGED),
        "numbers": number_rows(material),
        "clocks": clock_rows(material),
        "model_facts": model_facts(material),
        "history": rig_part(material),
        "history_headings": HEADINGS,
        "bars": _bars(material),
        "scale": _scale(material),
        "chance": contents.chance_sentence(material),
        "time_out": contents.time_sentence(material),
        "references": references_words(shoot),
        "frames_sentence": contents.frames_sentence(material),
        "damage": [(track.clip, track.damage) for track in material.tracks if track.damage],
        "clips": contents.clip_rows(material),
        "cause_rows": contents.cause_rows(material),
        "offsets": [astuple(row) for row in offsets],
        "mountings": [astuple(row) for row in mountings],
        "told_apart": any(row.size != contents.OPEN for row in (*offsets, *mountings)),
        "others": [astuple(row) for row in contents.other_rows(material)],
        "reasons": contents.reasons(material),
        "self_check": contents.self_check_sentence(material),
        "self_check_size": contents.self_check_size(material),
        "self_check_rows": [astuple(row) for row in contents.self_check_rows(material)],
        "sums": [contents.sum_sentence(one) for one in causes.undetermined],
        "given": {basis: [a for a in given if a["basis"] == basis] for basis in BASES},
        "advice": action_advice(verdict.action, shoot.rig_kind, trim_deg=shoot.trim_deg),
        "shot": shot,
        "afterwards": contents.afterwards(material),
        "turns": turns[:MOST_TURNS],
        "more_turns": max(0, len(turns) - MOST_TURNS),
        "any_turn": any(row.cost for row in turns),
        "filmed": contents.conditions_filmed(material),
        "not_filmed": contents.conditions_not_filmed(material),
        "airworthy": AIRWORTHY,
        "local_rules": LOCAL_RULES,
    }


def _marks(shoot: Shoot) -> str:
    """What is drawn on the pictures."""
    kinds = list(dict.fromkeys(WORDS[clip.reference] for clip in shoot.clips))
    return MARKS.format(listed(kinds, "or")) + (AT_REST if WORDS[PLUMB_LINE] in kinds else "")


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
    clip_s = picture.t_s / clip_sheet_of(picture.clip, material.shoot).time_scale
    (width, height), address = picture.small_px, _address(picture)
    line = WORDS[clip_sheet_of(picture.clip, material.shoot).reference]
    alt = f"Frame of {picture.clip} at {clip_s:.1f} s with the measured {line} drawn: {picture.words}"
    at_s = review_s(material.review, picture.clip, clip_s)
    time = f"{clip_s:.1f} s"
    return _Shown(address, width, height, picture.caption, alt, picture.words, picture.clip, time, at_s)


def _contact(picture: Picture | None) -> _Shown | None:
    if picture is None:
        return None
    return _Shown(_address(picture), *picture.small_px, picture.caption, picture.words)


def _address(picture: Picture) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(picture.small).decode('ascii')}"


def shown_plot(drawn: Drawn | None) -> _Plot | None:
    """A plot as the templates' macro takes it."""
    if drawn is None:
        return None
    panels = [asdict(panel) for panel in drawn.panels]
    return _Plot(Markup(drawn.svg), drawn.alt, drawn.caption, json.dumps(panels) if panels else "")


def _policy(script: str) -> str:
    """What the page may load: its own script and style, pictures in it, the video beside it, nothing else."""
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    return (
        "default-src 'none'; img-src data:; media-src 'self' file:; style-src 'unsafe-inline'; "
        f"script-src 'sha256-{digest}'"
    )
