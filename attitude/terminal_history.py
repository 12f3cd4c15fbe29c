"""What the terminal says of the history: shoots and calibrations of a rig, before against after, ways."""

from collections import Counter
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

from attitude.before_after import Comparison, comparison_words
from attitude.lines import COLUMNS, Paragraph, block, cut_to, file_lines, laid_out
from attitude.methods import Methods, method_words, pair_words
from attitude.recorded import Recorded, RecordedCalibration
from attitude.report.rig_table import calibration_rows, rig_rows, rig_sentences
from attitude.rig_history import RigHistory, shoot_names

__all__ = [
    "comparison_lines", "exported_words", "methods_lines", "rig_lines", "rigs_lines",
    "said",
]  # fmt: skip

FEWEST_LETTERS = 16  # of a title


def rigs_lines(
    shoots: Sequence[Recorded],
    file: Path,
    calibrations: Sequence[RecordedCalibration] = (),
    *,
    columns: int = COLUMNS,
) -> list[str]:
    """Rigs on record. file : of the history. columns : to write in, 40 or more."""
    if not shoots and not calibrations:
        lines = [Paragraph("No shoot is on record yet."), Paragraph()]
        lines += block("Next", ["every horizon-drift check puts its shoot on record"])
        return laid_out([*lines, *block("File", [str(file)])], columns)
    filmed, made = Counter(one.rig for one in shoots), Counter(one.rig for one in calibrations)
    known = _shoots_and_calibrations(len(shoots), len(calibrations))
    lines = [Paragraph(f"{known} of {_counted(len(filmed | made), 'rig')}."), Paragraph()]
    spans = []
    for rig in sorted(filmed | made):
        days = [one.filmed[:10] for one in shoots if one.rig == rig]
        days += [one.made[:10] for one in calibrations if one.rig == rig]
        span = min(days) if min(days) == max(days) else f"{min(days)} to {max(days)}"
        of_rig = _shoots_and_calibrations(filmed[rig], made[rig])
        spans.append(f"{rig or '(without a name)'}: {of_rig}, {span}")
    lines += block("Rigs", spans)
    lines += block("Next", ["horizon-drift history show RIG"])
    return laid_out([*lines, *block("File", [str(file)])], columns)


def rig_lines(
    history: RigHistory,
    page: Path,
    calibrations: Sequence[RecordedCalibration] = (),
    *,
    columns: int = COLUMNS,
) -> list[str]:
    """One rig over its shoots.

    page : where it was written. calibrations : of the rig, in the order made. columns : as for
    :func:`rigs_lines`.
    """
    known = _shoots_and_calibrations(len(history.shoots), len(calibrations))
    lines = [Paragraph(f"{history.rig or 'Rig without a name'}: {known}."), Paragraph()]
    for label, rows in groupby(rig_rows(history.shoots), key=lambda row: row[2]):
        lines += [Paragraph(f"Calibration: {label}"), *_rows(list(rows), columns), Paragraph()]
    lines += _calibrations(calibrations)
    lines += block("Found", rig_sentences(history))
    return laid_out([*lines, *file_lines(page.parent, page.name)], columns)


def _calibrations(calibrations: Sequence[RecordedCalibration]) -> list[Paragraph]:
    """Day and label of each calibration, below them how it was made and what it changed."""
    if not calibrations:
        return []
    out = [Paragraph("Calibrations on record; offset along x, y, z of the board, new minus old")]
    for day, label, procedure, change, temperature in calibration_rows(calibrations):
        first = f"{day}  "
        then = " " * len(first)
        out.append(Paragraph(label, first, then))
        out.append(Paragraph(f"procedure {procedure}; temperature {temperature}", then, then))
        out.append(Paragraph(f"offset {change}", then, then))
    return [*out, Paragraph()]


def _rows(rows: Sequence[tuple[str, ...]], columns: int) -> list[Paragraph]:
    """Day, lean and title of each shoot, and its sensor offset where any of them knows one."""
    widest = max(len(row[3]) for row in rows)
    offsets = any(row[4] != "not known" for row in rows)
    out = []
    for day, title, _, lean, offset, _ in rows:
        size = f"  {'' if offset == 'not known' else offset:>13}" if offsets else ""
        first, known = f"{day}  ", f"{lean:<{widest}}{size}  "
        room = max(FEWEST_LETTERS, columns - len(first) - len(known))
        out.append(Paragraph(known + cut_to(title, room), first, " " * len(first)))
    return out


def comparison_lines(
    before: Sequence[Recorded], after: Sequence[Recorded], found: Comparison, *, columns: int = COLUMNS
) -> list[str]:
    """Shoots before against shoots after. columns : as for :func:`rigs_lines`."""
    claim, *others = comparison_words(found)
    lines = [Paragraph(f"{claim}."), Paragraph()]
    lines += block("Before", shoot_names(before))
    lines += block("After", shoot_names(after))
    return laid_out([*lines, *block("Found", others)], columns)


def methods_lines(rig: str, found: Methods, *, columns: int = COLUMNS) -> list[str]:
    """Ways of calibrating one rig. columns : as for :func:`rigs_lines`."""
    count = _counted(len(found.methods), "way")
    lines = [Paragraph(f"{rig or 'Rig without a name'}: {count} of calibrating on record."), Paragraph()]
    lines += block("Ways", [method_words(one) for one in found.methods])
    lines += block("Told", [pair_words(one) for one in found.pairs])
    left = f"{_counted(found.left_out, 'shoot')} without a known lean, calibration or method left out"
    return laid_out([*lines, *block("Notes", [left] if found.left_out else [])], columns)


def exported_words(shoots: int, calibrations: int, file: Path, *, left_out: bool) -> str:
    """What an export holds. left_out : the calibrations stayed behind."""
    kept = _shoots_and_calibrations(shoots, 0 if left_out else calibrations)
    verb = "is" if kept.startswith("1 ") and " and " not in kept else "are"
    words = f"{kept} {verb} written to {file}."
    if not left_out or not calibrations:
        return words
    missing = f"{_counted(calibrations, 'calibration')} {'is' if calibrations == 1 else 'are'} not in it"
    return f"{words} {missing}: calibrations go into .json only."


def said(sentence: str, *, columns: int = COLUMNS) -> list[str]:
    """One sentence. columns : as for :func:`rigs_lines`."""
    return laid_out([Paragraph(sentence)], columns)


def _shoots_and_calibrations(shoots: int, calibrations: int) -> str:
    """What there is of the two; no shoot is said where there is neither."""
    if not calibrations:
        return _counted(shoots, "shoot")
    parts = [_counted(shoots, "shoot")] if shoots else []
    return " and ".join([*parts, _counted(calibrations, "calibration")])


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"
