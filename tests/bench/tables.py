"""The evaluation's tables, from the rows of stills and clips; 95 % bounds are exact binomial ones."""

import numpy as np
import pandas as pd
from scipy.stats import binomtest


def table(stills: pd.DataFrame, clips: pd.DataFrame) -> str:
    """Markdown: one row per kind of still, the negatives, the strips, the clips."""
    parts = [_per_kind(stills[stills["positive"] & ~stills["real"]]), _overall(stills), _refusals(stills)]
    strips = stills[stills["source"] == "strip"]
    if len(strips):
        parts.append(_strips(strips))
    if len(clips):
        parts.append(_clips(clips))
    return "\n".join(parts)


def bounds(count: int, total: int) -> str:
    """Share in per cent with its exact 95 % bounds."""
    if total == 0:
        return "-"
    low, high = binomtest(count, total).proportion_ci(0.95)
    return f"{100 * count / total:.1f} % ({100 * low:.1f}-{100 * high:.1f})"


def _median_95th(errors: pd.Series) -> str:
    size = errors.abs().dropna()
    return "-" if size.empty else f"{size.median():.4f} / {size.quantile(0.95):.3f}"


def _per_kind(drawn: pd.DataFrame) -> str:
    lines = [
        "| kind | drawn | kept of usable | wrong | roll, skyline | roll, true | pitch, true (HFOV <= 90) | "
        "roll held | pitch held | roll sd | pitch sd |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for kind, rows in drawn.groupby("source", sort=False):
        kept, usable = rows[rows["reason"] == ""], rows[rows["usable"]]
        narrow = kept[kept["hfov_deg"] <= 90]
        held = (kept["roll_error_deg"].abs() <= 1.96 * kept["roll_sd_deg"]).mean()
        cells = [
            kind,
            str(len(rows)),
            f"{100 * (usable['reason'] == '').mean():.1f} % of {len(usable)}",
            str(int(kept["wrong"].sum())),
            _median_95th(kept["skyline_roll_error_deg"]),
            _median_95th(kept["roll_error_deg"]),
            _median_95th(narrow["pitch_error_deg"]),
            f"{100 * held:.1f} %",
            f"{100 * kept['pitch_held'].astype(float).mean():.1f} %",
            f"{kept['roll_sd_deg'].median():.3f}",
            f"{kept['pitch_sd_deg'].median():.3f}",
        ]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _overall(stills: pd.DataFrame) -> str:
    positive = stills[stills["positive"]]
    kept, usable = positive[positive["reason"] == ""], positive[positive["usable"]]
    negative = stills[~stills["positive"]]
    return _counted(
        "all stills",
        {
            "kept of usable": usable["reason"] == "",
            "confidently wrong of kept": kept["wrong"],
            "drawn negatives accepted": negative[~negative["real"]]["reason"] == "",
            "real negatives accepted": negative[negative["real"]]["reason"] == "",
        },
    )


def _counted(title: str, counts: dict[str, pd.Series]) -> str:
    """A small table of how many of a column of yes and no are yes."""
    rows = [
        f"| {name} | {int(yes.sum())} of {len(yes)}: {bounds(int(yes.sum()), len(yes))} |"
        for name, yes in counts.items()
    ]
    return "\n".join(["", f"| {title} | |", "|---|---|", *rows])


def _refusals(stills: pd.DataFrame) -> str:
    usable = stills[stills["positive"] & stills["usable"] & (stills["reason"] != "")]
    lines = ["", "| why usable stills were refused | stills |", "|---|---|"]
    return "\n".join([*lines, *(f"| {why} | {n} |" for why, n in usable["reason"].value_counts().items())])


def _strips(strips: pd.DataFrame) -> str:
    kept = strips[strips["reason"] == ""]
    return _counted(
        "real strips, trusted sectors",
        {
            "kept": strips["reason"] == "",
            "wrong": kept["wrong"],
            "roll within twice the strip's own sd": kept["roll_error_deg"].abs()
            <= 2 * kept["level_roll_sd_deg"],
            "pitch within twice the strip's own sd": kept["pitch_error_deg"].abs()
            <= 2 * kept["level_pitch_sd_deg"],
        },
    )


def _clips(clips: pd.DataFrame) -> str:
    usable, kept = clips[clips["usable"]], clips[clips["reason"] == ""]
    wrong = clips.groupby("clip")["wrong"].any()
    told = clips[clips["sky"] == "picture"].groupby("clip")
    sky_wrong = pd.Series(
        {name: not rows["sky_right"].dropna().astype(bool).all() for name, rows in told}, dtype=bool
    )
    least = (
        usable.groupby("clip")["reason"].apply(lambda reasons: np.mean(reasons == "")).sort_values().head(5)
    )
    table = _counted(
        "clips of 10 s",
        {
            "clips with a look confidently wrong": wrong,
            "looks kept of usable": usable["reason"] == "",
            "looks whose roll is held": kept["roll_error_deg"].abs() <= 1.96 * kept["roll_sd_deg"],
            "clips in which the picture tells the sky": clips.groupby("clip")["sky"].first() == "picture",
            "of these, told the wrong way": sky_wrong,
        },
    )
    fewest = ", ".join(f"{name} {100 * share:.0f} %" for name, share in least.items())
    bad = ", ".join([*wrong[wrong].index, *(f"{name} (sky)" for name in sky_wrong[sky_wrong].index)])
    return f"{table}\n\nfewest kept: {fewest}\n\nwrong: {bad or 'none'}"
