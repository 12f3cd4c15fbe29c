"""What the terminal says of a lens that was measured."""

from collections.abc import Sequence
from pathlib import Path

from scipy.special import stdtrit

from attitude.lens_board import MeasuredLens
from attitude.lens_file import LENS_CHART, LENS_FILE
from attitude.lens_footage import ShootLens
from attitude.lines import COLUMNS, Paragraph, block, cut_to, file_lines, laid_out
from attitude.words import listed, with_uncertainty
from horizon.board import HOW_TO_MOVE
from horizon.candidates import Candidate, Tried, field_of_view_deg
from horizon.lens import Lens

__all__ = ["board_lines", "footage_lines"]

TITLE_COLUMNS = 40
FEW_LOGGED = 8
MOST_ERROR = 0.0004  # of the picture's width: half a pixel of 1280
MODEL_WORDS = {"pinhole": "straight lines stay straight", "brown": "bent lines", "fisheye": "fisheye"}


def board_lines(measured: MeasuredLens, out_folder: Path, *, columns: int = COLUMNS) -> list[str]:
    """The lens first, how it was found, what to mind, the files last. columns : to write in, 40 or more."""
    found, lens = measured.calibration, measured.calibration.lens
    views = len(found.seen)
    wide = float(stdtrit(views - 1, 0.975))
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
        *_others(found.tried, _to_compare(measured)),
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
            _grid_sentence(measured),
            f"tilted by up to {max(one.tilt_deg for one in found.seen):.0f} deg",
        ],
    )
    lines += block("Covered", _coverage_sentences(measured))
    return laid_out([*lines, *_last(out_folder, [])], columns)


def footage_lines(done: ShootLens, out_folder: Path, *, columns: int = COLUMNS) -> list[str]:
    """The same of a lens that was found from horizons."""
    found, lens = done.found, done.found.lens
    wide = found.half_width
    title = cut_to(done.shoot.title or done.shoot.folder.name, TITLE_COLUMNS)
    view_words = with_uncertainty(found.hfov_deg, wide * found.hfov_sd_deg, "deg")
    lines = [Paragraph(f"{title}: the lens covers {view_words} across the picture."), Paragraph()]
    focal = with_uncertainty(lens.fx_px, wide * found.sds[0], "px")
    told = field_of_view_deg(done.told)
    before = "the sheet told of" if done.was_told else "without a stated one it was taken to cover"
    lines += block(
        "Lens",
        [
            f"model: {_model_words(found.candidate)}",
            *_term_sentences(found.candidate, lens, [wide * sd for sd in found.sds[3:]]),
            f"focal length: {focal}",
            f"{before} {told:.0f} deg across, {MODEL_WORDS[done.told.model]}",
        ],
    )
    lines += block(
        "Error",
        [
            f"{found.held_back_px:.2f} px rms on horizons held back, {found.rms_px:.2f} px on all of them",
            *_others(found.tried, {Candidate("pinhole", 0)} - {found.candidate}),
        ],
    )
    low, high = found.heights_deg
    lines += block(
        "Horizons",
        [
            f"{found.lines} used, in {listed(done.clips)}",
            f"from {abs(low):.0f} deg {'above' if low < 0 else 'below'} the middle of the picture to "
            f"{abs(high):.0f} deg {'above' if high < 0 else 'below'} it",
            *(f"left out: {one}" for one in done.left_out),
        ],
    )
    if done.shoot.camera.crop is not None:
        lines += block("Mind", ["take crop out of the sheet: the lens is of the picture as it was filmed"])
    if found.logged:
        mind = (
            "the focal length rests on how far the logged pitch moves within 20 s: a log whose pitch is 1 % "
            "too large makes it 1 % too small"
        )
        if found.logged < FEW_LOGGED:
            mind = f"only {found.logged} horizons have a logged pitch: the stated field of view weighs in"
    else:
        mind = "no logged pitch: the focal length is the stated one, only how lines bend was measured"
    return laid_out([*lines, *_last(out_folder, [mind])], columns)


def _last(out_folder: Path, minds: list[str]) -> list[Paragraph]:
    holds = "it holds for this video mode, zoom and focus, and not with stabilisation switched on"
    return [
        *block("Next", [f'in the sheet: [camera], lens = "{LENS_FILE}"']),
        *block("Mind", [*minds, holds]),
        *file_lines(out_folder, LENS_FILE, LENS_CHART),
    ]


def _term_sentences(candidate: Candidate, lens: Lens, halves: list[float]) -> list[str]:
    # OpenCV's order puts the third radial term behind the tangential ones; more than two are not tried here.
    values = lens.distortion[: candidate.radial]
    pairs = zip(candidate.terms, values, halves, strict=True)
    return [f"{name}: {with_uncertainty(value, half, '')}".rstrip() for name, value, half in pairs]


def _others(tried: Sequence[Tried], shown: set[Candidate]) -> list[str]:
    """Errors of models that were not chosen."""
    return [
        f"{_model_words(other.candidate)}: {other.held_back_px:.2f} px held back"
        for other in tried
        if other.candidate in shown
    ]


def _model_words(candidate: Candidate) -> str:
    terms = ", ".join(candidate.terms)
    return f"{candidate.model} ({terms or MODEL_WORDS[candidate.model]})"


def _to_compare(measured: MeasuredLens) -> set[Candidate]:
    """The pinhole and the model with all of Brown's terms, to show whether the choice mattered."""
    found = measured.calibration
    plain = {Candidate("pinhole", 0), Candidate("brown", 3, tangential=True)}
    return plain - {found.candidate}


def _grid_sentence(measured: MeasuredLens) -> str:
    views = [one.view for one in measured.calibration.seen]
    largest = max(views, key=lambda one: len(one.corners_px))
    grid = " x ".join(str(n) for n in sorted((largest.columns, largest.rows), reverse=True))
    if largest.at is None:
        return f"largest grid: {grid} inner corners"
    fewest = min(len(one.corners_px) for one in views)
    return (
        f"board with markers, {grid} inner corners: {fewest} to {len(largest.corners_px)} of them in a view"
    )


def _coverage_sentences(measured: MeasuredLens) -> list[str]:
    share = f"{100 * measured.coverage.share:.0f} % of the picture"
    missed = measured.coverage.missed
    if not missed:
        return [f"{share}, all four corners"]
    return [
        f"{share}; never in the corner{'s' if len(missed) > 1 else ''} {listed(missed)}",
        f"Mind: what the lens does there is guessed from the rest; to know it, {HOW_TO_MOVE}",
    ]
