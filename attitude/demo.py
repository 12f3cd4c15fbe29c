"""The demo shoots that come with the package: put where the operator wants them."""

import shutil
from pathlib import Path

__all__ = ["DEMO_CAPTURE", "DemoError", "place_demo"]

DEMO_CAPTURE = "six_faces"
SHOOT, CAPTURE = "shoot.toml", "faces.toml"


class DemoError(ValueError):
    """The demo clips are not there; the text says what to do."""


def place_demo(folder: Path) -> list[Path]:
    """Copy the demo shoots and the six-face capture; what is there already is left as it is.

    Returns the folders of the shoots.
    """
    here = Path(__file__).resolve().parent
    carried = [here / "demo_clips", here.parent / "demo_clips"]
    source = next((path for path in carried if path.is_dir()), None)
    if source is None:
        raise DemoError("the demo clips are not part of this installation; install the package again")
    placed = []
    for one in sorted(source.iterdir()):
        sheet = next((name for name in (SHOOT, CAPTURE) if (one / name).exists()), None)
        if sheet is None:
            continue
        target = folder / one.name
        if not (target / sheet).exists():
            target.mkdir(parents=True, exist_ok=True)
            for file in sorted(one.iterdir()):
                if file.is_file():
                    shutil.copyfile(file, target / file.name)
        if sheet == SHOOT:
            placed.append(target)
    return placed
