"""The commands that measure a lens."""

import datetime as dt
from pathlib import Path
from typing import Annotated

import typer

from attitude.screen import running_stages, show, starting, text_columns
from attitude.workers import workers

__all__ = ["lenses"]

lenses = typer.Typer(rich_markup_mode=None, epilog="Example: horizon-drift lens board board.mp4")


@lenses.callback()
def lens() -> None:
    """Measure a lens: a file for the sheet, instead of a field of view that was only stated."""


@lenses.command(epilog="Example: horizon-drift lens board board.mp4")
def board(
    clip: Annotated[
        Path, typer.Argument(metavar="CLIP", help="A clip of a checkerboard, shown from many sides.")
    ],
    out: Annotated[
        Path | None, typer.Option(help="Folder for lens.toml.  [default: beside the clip]")
    ] = None,
) -> None:
    """Measure the lens with a printed checkerboard of any size.

    Show the board in every corner of the picture, near and far, tilted to each side, and hold it still for a
    second each time. Writes lens.toml, and lens.png, which shows where the board was seen and what is left
    over.
    """
    with starting():
        from attitude.lens_board import measure_lens
        from attitude.terminal_lens import board_lines

    with running_stages() as bars:
        measured, folder = measure_lens(clip, out, today=dt.date.today(), progress=bars)
    show(board_lines(measured, folder, columns=text_columns()))


@lenses.command(epilog="Example: horizon-drift lens footage shoot.toml")
def footage(
    sheet: Annotated[
        Path, typer.Argument(metavar="SHEET", help="A shoot.toml, or the folder that holds one.")
    ],
    out: Annotated[
        Path | None, typer.Option(help="Folder for lens.toml.  [default: beside the sheet]")
    ] = None,
) -> None:
    """Find the lens from horizons at several heights and tilts in a shoot, and from its log.

    The true horizon is straight: a lens that bends it is found by that, and its focal length by how far the
    horizon moves while the logged pitch does. Writes lens.toml and lens.png, or says what to film.
    """
    with starting():
        from attitude.lens_footage import lens_of_footage
        from attitude.terminal_lens import footage_lines

    with workers() as executor, running_stages() as bars:
        done, folder = lens_of_footage(sheet, out, today=dt.date.today(), executor=executor, progress=bars)
    show(footage_lines(done, folder, columns=text_columns()))
