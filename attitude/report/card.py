"""``shots.html``: the test shoot as a card to print, a drawing beside each shot; no network, no script."""

from pathlib import Path

from attitude.files import write_whole
from attitude.infer import MG_PER_DEG
from attitude.protocol import Protocol
from attitude.report.advice import AIRWORTHY, LOCAL_RULES
from attitude.report.page import render

__all__ = ["CARD_NAME", "card_title", "reach_sentence", "sheet_sentence", "write_card"]

CARD_NAME = "shots.html"
RIGS = {"drone": "a drone", "handheld": "a handheld rig", "bench": "a gimbal on the bench"}


def write_card(card: Protocol, folder: Path) -> Path:
    """Write the page into ``folder``, which is made if need be, and return where it is."""
    folder.mkdir(parents=True, exist_ok=True)
    text = render(
        "card.html.j2",
        card=card,
        title=card_title(card),
        reach=reach_sentence(card),
        sheet=sheet_sentence(),
        airworthy=AIRWORTHY,
        local_rules=LOCAL_RULES,
    )
    path = folder / CARD_NAME
    write_whole(path, text.encode("utf-8"))
    return path


def card_title(card: Protocol) -> str:
    """What the card is for."""
    if not card.lacking:
        return f"Test shoot with {RIGS[card.rig_kind]}"
    return f"Still to film with {RIGS[card.rig_kind]}" if card.power_ons else "Nothing is left to film"


def reach_sentence(card: Protocol) -> str:
    """What still poses of this length lead to."""
    lean, offset = card.reach.lean_deg, card.reach.offset_deg
    return (
        f"Still poses of {card.hold_s} s lead to the lean within about ± {lean:.2f} deg and to the sensor's "
        f"offset within about ± {offset:.2f} deg ({offset * MG_PER_DEG:.1f} mg), 95 %. Nearly all of that is "
        "the picture's own error and play of the camera upside down: longer poses gain little."
    )


def sheet_sentence() -> str:
    """What goes into the sheet beside the shots."""
    return (
        "One [[log]] for each power-on and one [[clip]] for each take. A take that holds several shots needs "
        "no shot of its own; a clip that holds one says which, as written beside it."
    )
