"""Size of the page of a ten-minute shoot, and how soon it answers: ``python -m tests.bench.page``.

Ten clips of a minute each of a simulated shoot. Times are the browser's own, from the start of the
navigation, given as multiples of what the same browser takes for an empty page in the same run: the median of
five loads.
"""

import statistics
import tempfile
from pathlib import Path

from attitude.plans import hover
from attitude.report import write_report
from tests.browser import Watched, browser
from tests.materials import as_clip_track, drawn_pictures, material_of, with_video
from tests.rates import world

CLIPS, CLIP_S = 10, 60.0
LOADS = 5
READY = "performance.getEntriesByType('navigation')[0].domInteractive"


def ten_minutes():
    """A shoot of ten minutes with everything its page can show but the video itself."""
    shots = ("hover", "pan")
    plan = tuple(stage for k in range(CLIPS) for stage in hover(CLIP_S, shot=shots[k % 2]))
    one = world(3, offset_deg=0.9, plan=plan)
    material = material_of(one, pictures=drawn_pictures([as_clip_track(track) for track in one.tracks]))
    return with_video(material)


def main():
    """Print size and times."""
    with tempfile.TemporaryDirectory() as folder, browser() as one:
        page, empty = Path(folder) / "report.html", Path(folder) / "empty.html"
        material = ten_minutes()
        write_report(material, Path(folder))
        empty.write_text("<!doctype html><title>empty</title>", encoding="utf-8")
        seconds = {path: [] for path in (page, empty)}
        for _ in range(LOADS):
            for path, times in seconds.items():
                watched = Watched(one, path)
                times.append(watched.page.evaluate(READY) / 1000)
                watched.page.context.close()
        lasts_s = sum(track.facts.duration_s for track in material.tracks)
        print(f"{lasts_s / 60:.0f} min in {len(material.tracks)} clips: {page.stat().st_size / 1e6:.2f} MB")
        ready = {path: statistics.median(times) for path, times in seconds.items()}
        print(f"ready for use after {ready[page]:.2f} s, {ready[page] / ready[empty]:.1f} x an empty page")


if __name__ == "__main__":
    main()
