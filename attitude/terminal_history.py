"""What the terminal says of the history: a rig's shoots, before against after, ways of calibrating."""

from collections import Counter
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

from attitude.before_after import Comparison, comparison_words
from attitude.lines import COLUMNS, Paragraph, block, cut_to, file_lines, laid_out
from attitude.methods import Methods, method_words, pair_words
from attitude.recorded import Recorded
from attitude.report.rig_table import rig_rows, rig_sentences
from attitude.rig_history import RigHistory, shoot_names

__all__ = ["comparison_lines", "methods_lines", "rig_lines", "rigs_lines", "said"]

FEWEST_LETTERS = 16  # of a title


def rigs_lines(shoots: Sequence[Recorded], file: Path, *, columns: int = COLUMNS) -> list[str]:
    """Rigs on record. file : of the history. columns : to write in, 40 or more."""
    if not shoots:
        lines = [Paragraph("No shoot is on record yet."), Paragraph()]
        lines += block("Next", ["every horizon-drift check puts its shoot on record"])
        return laid_out([*lines, *block("File", [str(file)])], columns)
    count = Counter(shoot.rig for shoot in shoots)
    lines = [Paragraph(f"{_counted(len(shoots), 'shoot')} of {_counted(len(count), 'rig')}."), Paragraph()]
    spans = []
    for rig in sorted(count):
        days = sorted(shoot.filmed[:10] for shoot in shoots if shoot.rig == rig)
        span = days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}"
        spans.append(f"{rig or '(without a name)'}: {_counted(count[rig], 'shoot')}, {span}")
    lines += block("Rigs", spans)
    lines += block("Next", ["horizon-drift history show RIG"])
    return laid_out([*lines, *block("File", [str(file)])], columns)


def rig_lines(history: RigHistory, page: Path, *, columns: int = COLUMNS) -> list[str]:
    """One rig over its shoots. page : where it was written. columns : as for :func:`rigs_lines`."""
    heading = f"{history.rig or 'Rig without a name'}: {_counted(len(history.shoots), 'shoot')}."
    lines = [Paragraph(heading), Paragraph()]
    for label, rows in groupby(rig_rows(history.shoots), key=lambda row: row[2]):
        lines += [Paragraph(f"Calibration: {label}"), *_rows(list(rows), columns), Paragraph()]
    lines += block("Found", rig_sentences(history))
    return laid_out([*lines, *file_lines(page.parent, page.name)], columns)


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


def said(sentence: str, *, columns: int = COLUMNS) -> list[str]:
    """One sentence. columns : as for :func:`rigs_lines`."""
    return laid_out([Paragraph(sentence)], columns)


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"
