"""How far a long stage is, told to whoever started it.

A stage says what it does in words that can stand on a screen ("measuring hover.mp4") and the share of it that
is done, 0 to 1, or None while that cannot be known. It has ended when it says 1.0. Nothing follows from what
is told: a stage gives the same result whether anybody listens or not.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

__all__ = ["Progress", "Share", "part", "stage"]

Progress = Callable[[str, float | None], None]
Share = Callable[[float | None], None]


@contextmanager
def stage(progress: Progress | None, text: str, *, of: Share | None = None) -> Iterator[Share]:
    """One stage, as a function of its share alone: begun with a share that is not known, ended with 1.0.

    progress : who is told; None when nobody listens. of : a longer stage that this one is a part of, as
    :func:`part` gives it. A stage that an error ends is not said to be done.
    """

    def tell(share: float | None) -> None:
        if progress is not None:
            progress(text, share)
        if of is not None:
            of(share)

    tell(None)
    yield tell
    tell(1.0)


def part(whole: Share, begins: float, ends: float) -> Share:
    """A part of a stage, as a function of the part's own share: from ``begins`` to ``ends`` of the whole."""

    def tell(share: float | None) -> None:
        whole(begins + (share or 0.0) * (ends - begins))

    return tell
