"""What the terminal says of a lens that was measured."""

from pathlib import Path

from scipy.stats import t as students_t

from attitude.lens_board import LENS_CHART, LENS_FILE, MeasuredLens
from attitude.lines import COLUMNS, Paragraph, block, cut_to, file_lines, laid_out
from attitude.words import listed, with_uncertainty
from horizon.board import HOW_TO_MOVE
from horizon.calibrate import Candidate

__all__ = ["lens_lines"]

TITLE_COLUMNS = 40
MOST_ERROR = 0.0004  # of the picture's width: half a pixel of 1280
MODEL_WORDS = {"pinhole": "straight lines stay straight", "brown": "bent lines", "fisheye": "fisheye"}


def lens_lines(measured: MeasuredLens, out_folder: Path, *, columns: int = COLUMNS) -> list[str]:
    """The lens first, how it was found, what to mind, the files last. columns : to write in, 40 or more."""
    found, lens = measured.calibration, measured.calibration.lens
    views = len(found.seen)
    wide = float(students_t.ppf(0.975, views - 1))
    view_words = with_uncertainty(found.hfov_deg, wide * found.hfov_sd_deg, "deg")
    clip = cut_to(measured.facts.path.name, TITLE_COLUMNS)
    lines = [Paragraph(f"{clip}: the lens covers {view_words} across the picture."), Paragraph()]
    focal = (
        with_uncertainty(f, wide * sd, "px")
        for f, sd in zip((lens.fx_px, lens.fy_px), found.sds, strict=False)
    )
    lines += block(
        "Lens",
        [f"model: {_model_words(found.candidate)}", f"focal length: {' and '.join(focal)} (across, down)"],
    )
    errors = [
        f"{found.held_back_px:.2f} px rms on views held back, {found.fitted_px:.2f} px on all of them",
        *(
            f"{_model_words(other.candidate)}: {other.held_back_px:.2f} px held back"
            for other in found.tried
            if other.candidate in _to_compare(measured)
        ),
    ]
    if found.held_back_px > MOST_ERROR * lens.width_px:
        errors.append(
            "Mind: good boards leave a few tenths of a pixel; look for a bent board, blur, a board in motion"
        )
    lines += block("Error", errors)
    wrong = f"; {found.wrong} left out, which fit no board" if found.wrong else ""
    lines += block(
        "Views",
        [
            f"{views} used that differ, of {measured.sharp_views} sharp ones{wrong}",
            f"largest grid: {_largest_grid(measured)} inner corners",
            f"tilted by up to {max(one.tilt_deg for one in found.seen):.0f} deg",
        ],
    )
    lines += block("Covered", _coverage_sentences(measured))
    lines += block("Next", [f'in the sheet: [camera], lens = "{LENS_FILE}"'])
    lines += block(
        "Mind", ["it holds for this video mode, zoom and focus, and not with stabilisation switched on"]
    )
    lines += file_lines(out_folder, LENS_FILE, LENS_CHART)
    return laid_out(lines, columns)


def _model_words(candidate: Candidate) -> str:
    terms = ", ".join(candidate.terms)
    return f"{candidate.model} ({terms or MODEL_WORDS[candidate.model]})"


def _to_compare(measured: MeasuredLens) -> set[Candidate]:
    """The pinhole and the model with all of Brown's terms, to show whether the choice mattered."""
    found = measured.calibration
    plain = {Candidate("pinhole", 0), Candidate("brown", 3, tangential=True)}
    return plain - {found.candidate}


def _largest_grid(measured: MeasuredLens) -> str:
    views = [one.view for one in measured.calibration.seen]
    largest = max(views, key=lambda one: one.columns * one.rows)
    return " x ".join(str(n) for n in sorted((largest.columns, largest.rows), reverse=True))


def _coverage_sentences(measured: MeasuredLens) -> list[str]:
    share = f"{100 * measured.coverage.share:.0f} % of the picture"
    missed = measured.coverage.missed
    if not missed:
        return [f"{share}, all four corners"]
    return [
        f"{share}; never in the corner{'s' if len(missed) > 1 else ''} {listed(missed)}",
        f"Mind: what the lens does there is guessed from the rest; to know it, {HOW_TO_MOVE}",
    ]
