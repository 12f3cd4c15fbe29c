"""Make the README's pictures from the demo: ``python demo_clips/make_pictures.py``.

The first demo shoot is checked with the command as a user types it, in a terminal of 80 columns; page, frame
and terminal are then photographed in headless Chromium, so that the pictures show what the tool does today.
Needs the developers' extra and Chromium.
"""

import os
import pty
import shutil
import subprocess
import sys
import tempfile
from io import StringIO
from pathlib import Path

import cv2
import numpy as np
from playwright.sync_api import Browser, sync_playwright
from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

HERE = Path(__file__).parent
SHOOT = HERE / "1_after_careless_calibration"
PICTURES = HERE / "pictures"
WIDTH_PX = 1000
COLUMNS, LINES = 80, 30
CHROMIUM = ("chromium", "chromium-browser")
SWITCHES = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--hide-scrollbars")
COMMAND = "horizon-drift check harbour_wall"
# Paper and ink of the page in its dark look; every colour is shown as the sky blue of Okabe and Ito.
PAPER, INK, BLUE = (23, 27, 31), (230, 234, 237), (86, 180, 233)
THEME = TerminalTheme(PAPER, INK, [BLUE] * 8)


def checked(shoot: Path) -> str:
    """What ``check`` writes to a terminal of 80 columns, with its styles."""
    code = "from attitude.cli import run; run()"
    master, slave = pty.openpty()
    done = subprocess.Popen(
        [sys.executable, "-c", code, "check", shoot.name],
        cwd=shoot.parent,
        env=os.environ | {"PYTHONPATH": str(HERE.parent), "COLUMNS": str(COLUMNS), "TERM": "xterm-256color"},
        stdout=slave,
        stderr=subprocess.DEVNULL,
    )
    os.close(slave)
    parts = []
    while True:
        try:
            part = os.read(master, 65536)
        except OSError:  # how a terminal whose program has ended answers
            break
        if not part:
            break
        parts.append(part)
    if done.wait() != 0:
        raise SystemExit(f"check ended with status {done.returncode}")
    return b"".join(parts).decode("utf-8").replace("\r\n", "\n")


def terminal_page(output: str) -> str:
    """The first lines of the output as a page."""
    shown = output.splitlines()[:LINES]
    console = Console(record=True, width=COLUMNS, file=StringIO(), force_terminal=True)
    console.print(Text.from_ansi("\n".join([f"$ {COMMAND}", *shown, "..."])), soft_wrap=True)
    body = console.export_html(theme=THEME, inline_styles=True, code_format="<pre>{code}</pre>")
    style = (
        "body { margin: 0; background: #171b1f; color: #e6eaed } "
        "pre { margin: 0; padding: 18px 22px; display: inline-block; "
        "font: 15px/1.45 'DejaVu Sans Mono', monospace }"
    )
    return f"<!doctype html><meta charset='utf-8'><style>{style}</style>{body}"


def photograph(browser: Browser, address: str, path: Path, *, until: str | None = None) -> None:
    """Picture of a page: of its first ``pre``, or of all above the element ``until``."""
    page = browser.new_page(viewport={"width": WIDTH_PX, "height": 700}, device_scale_factor=1.2)
    page.goto(address)
    if until is None:
        page.locator("pre").screenshot(path=path)
    else:
        page.locator(".jump").first.click()  # shows the video where the first frame is from
        page.wait_for_timeout(1000)
        page.evaluate("scrollTo(0, 0)")
        box = page.locator(until).bounding_box()
        assert box is not None
        page.screenshot(
            path=path, full_page=True, clip={"x": 0, "y": 0, "width": WIDTH_PX, "height": box["y"] - 12}
        )
    page.close()


def smaller(path: Path) -> None:
    """The same picture, packed as tightly as the format can."""
    image = cv2.imread(str(path))
    cv2.imwrite(str(path), np.asarray(image), [cv2.IMWRITE_PNG_COMPRESSION, 9])


def main() -> None:
    """Write the pictures."""
    chromium = next(filter(None, map(shutil.which, CHROMIUM)), None)
    if chromium is None:
        raise SystemExit("no Chromium here: install it first")
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as place, sync_playwright() as tool:
        shoot = Path(place) / "harbour_wall"
        shutil.copytree(SHOOT, shoot)
        terminal = Path(place) / "terminal.html"
        terminal.write_text(terminal_page(checked(shoot)), encoding="utf-8")
        browser = tool.chromium.launch(executable_path=chromium, args=list(SWITCHES))
        photograph(browser, terminal.as_uri(), PICTURES / "terminal.png")
        photograph(
            browser, (shoot / "result" / "report.html").as_uri(), PICTURES / "page.png", until=".left-out"
        )
        browser.close()
        frame = cv2.imread(str(shoot / "result" / "frame_1.jpg"))
        cv2.imwrite(str(PICTURES / "frame.png"), frame)
    for path in sorted(PICTURES.glob("*.png")):
        smaller(path)
        print(path.name, path.stat().st_size // 1000, "kB")


if __name__ == "__main__":
    main()
