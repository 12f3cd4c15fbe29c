"""What a written sheet and the terminal say of each entry: whether it is in force, and whether it is sure."""

import re

__all__ = ["Marks"]

UNSURE = re.compile(r"assumed|unproven|not proven|not tested|not known|please check|unsure", re.IGNORECASE)
# Ways to speak of an entry without its name.
TOPICS = {
    "roll_positive": ("roll",),
    "pitch_positive": ("pitch", "tilt"),
    "yaw_positive": ("yaw", "pan", "heading"),
    "angle_order": ("order",),
    "angle_unit": ("unit",),
    "attitude_of": ("whose", "which body", "attitude of"),
    "log_start_s": ("start", "place"),
    "sensor_axes": ("axes", "mounted"),
    "files": ("take", "part", "cut"),
}


class Marks:
    """What the sheet's comments and the terminal say of each entry."""

    def __init__(self, text, out):
        self.text, self.out = text, " ".join(out.lower().split())
        self._lines, counts, table = {}, {}, ""
        above = []
        for line in text.splitlines():
            if head := re.match(r"\s*\[+([a-z]+)\]+", line):
                counts[head[1]] = counts.get(head[1], 0) + 1
                table = f"{head[1]}[{counts[head[1]]}]" if line.lstrip().startswith("[[") else head[1]
            elif entry := re.match(r"\s*(#\s*)?([a-z][a-z_0-9]*)\s*=\s*\S", line):
                key = f"{table}.{entry[2]}" if table else entry[2]
                # An entry in force counts more than the same one shown behind a #.
                if key not in self._lines or not entry[1]:
                    self._lines[key] = (not entry[1], " ".join([*above, line]))
            above = [*above, line] if line.startswith("#") and "=" not in line else []

    def marked(self, entry):
        """Whether the sheet leaves the entry out, or in force but unsure."""
        in_force, words = self._lines.get(entry, (False, ""))
        return not in_force or bool(UNSURE.search(words.partition("#")[2]))

    def said(self, entry):
        """Whether the terminal names the entry, or what it is about."""
        key = entry.rpartition(".")[2]
        words = (key, key.replace("_", " "), *TOPICS.get(key, ()))
        return any(re.search(rf"\b{re.escape(word)}\b", self.out) for word in words)

    def commented(self, file):
        """Whether a comment names a file."""
        return any(line.lstrip().startswith("#") and file in line for line in self.text.splitlines())
