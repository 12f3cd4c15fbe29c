"""The sheet that someone would write who knows all about a folder: for testing the judge, and the folders.

Where even the right sheet did not make the logs say the truth, a folder would ask for the impossible.
"""

import json

import numpy as np

from .flights import flown
from .judge import Ran

__all__ = ["answer"]


def _value(value):
    return json.dumps(list(value) if isinstance(value, tuple) else value)


def answer(truth, *, changes=None, basis="tested", basis_of=None, said="Written.", joined=True):
    """Write the right ``shoot.toml`` and return the run that would have written it.

    changes : (table, number, key) -> value, None leaves the entry out. basis : word behind each entry, of
    which ``basis_of`` names exceptions. said : what the terminal says. joined : False lists the parts of
    a take apart.
    """
    changes, basis_of, lines = changes or {}, basis_of or {}, ['title = "answer"']
    usable = [log for log in truth.logs if log.log.role != "unusable"]

    def table(name, number, entries):
        entries = entries | {key: v for (t, n, key), v in changes.items() if (t, n) == (name, number)}
        lines.append(f"\n[[{name}]]")
        for key, value in entries.items():
            told = basis_of.get((name, number, key), basis)
            if value is None:
                lines.append(f"# {key} = 0  # {told}")
            else:
                lines.append(f"{key} = {_value(value)}  # {told}")

    for number, log in enumerate(usable, 1):
        table("log", number, {"file": log.log.file, "attitude_of": log.log.body} | log.right)
    number = 0
    for clip in truth.clips:
        for files in [clip.files] if joined else [(file,) for file in clip.files]:
            number += 1
            table("clip", number, {"files": files} | _start(truth, clip, usable))
    lines += [
        f"\n# {log.log.file} is left out: no attitude in it"
        for log in truth.logs
        if log.log.role == "unusable"
    ]
    (truth.path / "shoot.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return Ran(0, said, "")


def _start(truth, clip, usable):
    """Start of a clip in which nothing moves."""
    t_s = np.linspace(clip.from_s[0], clip.to_s, 50)
    moves = np.ptp(flown(clip.flight).flight.truth.set_index("t_s").loc[t_s[0] : t_s[-1], "pitch_deg"])
    rolls = np.ptp(flown(clip.flight).flight.truth.set_index("t_s").loc[t_s[0] : t_s[-1], "roll_deg"])
    homes = [log for log in usable if log.log.flight == clip.flight and log.log.role == "wanted"]
    if not homes or max(moves, rolls) > 1:
        return {}
    clock = homes[0].clocks[0]
    epoch_s = float(clock.t_s[0]) if clock.unit == "iso8601" else 0.0
    return {"log_start_s": round(clock.start_s + clock.rate * clip.from_s[0] - epoch_s, 2)}
