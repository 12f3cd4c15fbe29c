"""A real browser for the tests of the page: headless Chromium, steered over its own debugging protocol."""

import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
AXE = Path(__file__).parents[1] / ".browser" / "node_modules" / "axe-core" / "axe.min.js"
# It runs as root in a container, and looks for nothing outside.
SWITCHES = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update", "--mute-audio"),
)

needs_chromium = pytest.mark.skipif(
    CHROMIUM is None, reason="no Chromium here: the page is not tried in a browser (apt-get install chromium)"
)
needs_axe = pytest.mark.skipif(
    not AXE.exists(), reason="axe-core is not here: npm install --prefix .browser axe-core"
)


@contextmanager
def browser() -> Iterator[Browser]:
    """A browser with nothing stored, closed at the end."""
    with sync_playwright() as tool:
        one = tool.chromium.launch(executable_path=CHROMIUM, args=list(SWITCHES))
        try:
            yield one
        finally:
            one.close()


class Watched:
    """A page opened from disk, with all that it asked for and all that it complained of."""

    def __init__(self, one: Browser, path: Path, *, width: int = 1280, dark: bool = False) -> None:
        context = one.new_context(
            viewport={"width": width, "height": 900}, color_scheme="dark" if dark else "light"
        )
        # Without this permission a page from disk may not write what is copied.
        context.grant_permissions(["clipboard-read", "clipboard-write"])
        self.page: Page = context.new_page()
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("console", lambda message: self.complaints.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("dialog", lambda dialog: self.complaints.append(f"dialog: {dialog.message}"))
        self.page.goto(path.resolve().as_uri())

    def asked_for(self) -> set[str]:
        """Names of files asked for; a data address asks for nothing."""
        return {url.rsplit("/", 1)[-1] for url in self.requests if not url.startswith("data:")}

    def until(self, condition: str) -> None:
        """Wait for a condition; the page's policy forbids the tool's own waiting, which evaluates text."""
        deadline = time.monotonic() + 20
        while not self.page.evaluate(condition):
            assert time.monotonic() < deadline, f"never came true: {condition}"
            self.page.wait_for_timeout(30)

    def seek(self, review_s: float) -> None:
        """Bring the video to a time, as its own controls do."""
        self.page.evaluate(f"document.getElementById('review').currentTime = {review_s}")
        self.until(f"Math.abs(document.getElementById('review').currentTime - {review_s}) < 0.01")

    def unfold(self) -> None:
        """Open every folded part."""
        self.page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")


def serious_violations(watched: Watched) -> list[tuple[str, list[object]]]:
    """What axe-core calls serious or critical in the page as it stands: rule and up to three places."""
    watched.page.evaluate(AXE.read_text(encoding="utf-8"))
    found = watched.page.evaluate("axe.run()")
    assert len(found["passes"]) > 20
    return [
        (one["id"], [node["target"] for node in one["nodes"]][:3])
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
    ]
