"""The commands of ``horizon-drift history``."""

from pathlib import Path
from typing import Annotated

import typer

from attitude.screen import show, starting, text_columns

__all__ = ["HistoryFile", "records"]

HistoryFile = Annotated[
    Path | None,
    typer.Option(
        "--history",
        metavar="FILE",
        help="File of the history.  [default: HORIZON_DRIFT_HISTORY, else in your data folder]",
    ),
]
RigName = Annotated[
    str | None, typer.Argument(metavar="[RIG]", help="As its sheets name it; may be left out with only one.")
]
NAMED = "A calibration, a shoot's title or day, or its folder."
records = typer.Typer(
    rich_markup_mode=None,
    epilog="""\b
Examples:
  horizon-drift history show Wagtail
  horizon-drift history compare "in the van" "on the bench\"""",
)


@records.callback()
def history() -> None:
    """Look back: did the last calibration help, is the rig drifting, which way of calibrating is better."""


@records.command("show", epilog="Example: horizon-drift history show Wagtail")
def show_rig(
    rig: RigName = None,
    out: Annotated[Path, typer.Option(help="Folder for history.html.")] = Path(),
    history: HistoryFile = None,
) -> None:
    """One rig over its shoots, with a chart, and its calibrations.

    Did the last calibration help, is the rig drifting, was there a change that nobody marked?
    """
    with starting():
        from attitude.calibrations import read_calibrations
        from attitude.chosen import rig_named
        from attitude.history import default_file, read
        from attitude.repeatability import label
        from attitude.report.rig_page import write_rig_page
        from attitude.rig_history import rig_history
        from attitude.terminal_history import rig_lines, rigs_lines

    file = history or default_file()
    shoots, calibrations = read(file), read_calibrations(file)
    names = [*(one.rig for one in calibrations), *(one.rig for one in shoots)]
    if not names or (rig is None and len(set(names)) > 1):
        show(rigs_lines(shoots, file, calibrations, columns=text_columns()))
        return
    name = rig_named(names, rig)
    found = rig_history(shoots, name)
    own = [one for one in calibrations if label(one.rig) == label(name)]
    show(rig_lines(found, write_rig_page(found, out, own), own, columns=text_columns()))


@records.command(epilog='Example: horizon-drift history compare "in the van" "on the bench"')
def compare(
    before: Annotated[str, typer.Argument(metavar="BEFORE", help=NAMED)],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="The same, of the shoots to compare with.")],
    rig: Annotated[str | None, typer.Option(help="Where several rigs have such shoots.")] = None,
    history: HistoryFile = None,
) -> None:
    """Did it help? One calibration against another.

    Of every shoot that is named on each side.
    """
    with starting():
        from attitude.before_after import compare as compare_shoots
        from attitude.chosen import chosen
        from attitude.history import default_file, read
        from attitude.repeatability import learn
        from attitude.rig_history import between, of_rig
        from attitude.terminal_history import comparison_lines

    shoots = read(history or default_file())
    first, second = (chosen(shoots, named, rig) for named in (before, after))
    name = first[0].rig
    found = compare_shoots(first, second, learn(shoots, name), between(of_rig(shoots, name), first, second))
    show(comparison_lines(first, second, found, columns=text_columns()))


@records.command(epilog="Example: horizon-drift history methods Wagtail")
def methods(rig: RigName = None, history: HistoryFile = None) -> None:
    """Which way of calibrating scatters less.

    Every calibration counts once; where there are too few, it says how many more would tell.
    """
    with starting():
        from attitude.chosen import ChoiceError, chosen_rig
        from attitude.history import default_file, read
        from attitude.methods import compare_methods
        from attitude.repeatability import learn
        from attitude.rig_history import of_rig
        from attitude.terminal_history import methods_lines, rigs_lines

    file = history or default_file()
    shoots = read(file)
    if not shoots:
        show(rigs_lines(shoots, file, columns=text_columns()))
        return
    name = chosen_rig(shoots, rig)
    if not name:
        raise ChoiceError("these sheets name no rig, so that the shoots may be of several; write rig = ...")
    found = compare_methods(of_rig(shoots, name), learn(shoots, name))
    show(methods_lines(name, found, columns=text_columns()))


@records.command("export", epilog="Example: horizon-drift history export shoots.csv")
def export_shoots(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="To write; ends in .json or .csv.")],
    history: HistoryFile = None,
) -> None:
    """Write everything on record to a file.

    A .json holds shoots and calibrations, a .csv the shoots only.
    """
    with starting():
        from attitude.chosen import ChoiceError
        from attitude.history import default_file
        from attitude.history_exchange import CSV_ENDING, export
        from attitude.terminal_history import exported_words, said

    place = history or default_file()
    if not place.exists():
        raise ChoiceError(f"{place}: no shoot is on record there; name another file with --history")
    shoots, calibrations = export(place, file)
    left_out = file.suffix.lower() == CSV_ENDING
    show(said(exported_words(shoots, calibrations, file, left_out=left_out), columns=text_columns()))


@records.command("import", epilog="Example: horizon-drift history import shoots.json")
def import_shoots(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="That an export wrote.")],
    history: HistoryFile = None,
) -> None:
    """Put exported shoots and calibrations on record.

    Of one that is there already the later check stays.
    """
    with starting():
        from attitude.history import default_file
        from attitude.history_exchange import bring_in
        from attitude.terminal_history import said

    new, replaced = bring_in(history or default_file(), file)
    show(said(f"{new} new, {replaced} replaced by a later check.", columns=text_columns()))


@records.command(epilog='Example: horizon-drift history remove "Harbour wall, first try"')
def remove(
    shoot: Annotated[
        str, typer.Argument(metavar="SHOOT", help=f"{NAMED} Or the day and label of a calibration on record.")
    ],
    rig: Annotated[str | None, typer.Option(help="Where several rigs have such shoots.")] = None,
    history: HistoryFile = None,
) -> None:
    """Take a shoot, or a calibration with its constants, off the record.

    Its files and results stay.
    """
    with starting():
        from attitude.calibrations import calibration_name, read_calibrations, remove_calibration
        from attitude.chosen import ChoiceError, calibration_named, chosen
        from attitude.history import default_file, read
        from attitude.history import remove as take_off
        from attitude.rig_history import shoot_names
        from attitude.terminal_history import said

    file = history or default_file()
    shoots = read(file)
    one = calibration_named(shoots, read_calibrations(file, rig), shoot, rig)
    if one is not None:
        remove_calibration(file, one.key)
        show(said(f"Off the record: the calibration {calibration_name(one)}.", columns=text_columns()))
        return
    gone = chosen(shoots, shoot, rig)
    if len(gone) > 1:
        raise ChoiceError(f"{shoot!r} names {len(gone)} shoots; name one by its title, day or folder")
    take_off(file, [one.key for one in gone])
    show(said(f"Off the record: {shoot_names(gone)[0]}, {gone[0].title}.", columns=text_columns()))
