"""What the picture says: the true horizon in every frame of a clip.

Vocabulary, shared by every module of the package.

Axes
    Camera axes: x right, y down, z forward, of the pixels as they are stored in the file.
    ``up_cam`` is the unit vector that points up, in camera axes:
    ``(-sin(roll) cos(pitch), -cos(roll) cos(pitch), sin(pitch))``.
Angles
    roll > 0: right side down (the camera turned clockwise seen from behind, so the right end of
    the horizon stands higher in the picture). pitch > 0: lens up. yaw > 0: turned right (clockwise
    seen from above). Names carry the unit: ``_deg`` at every boundary, ``_rad`` inside functions.
Pixels
    (0, 0) is the centre of the top-left pixel; x grows to the right, y down.
Horizon
    The unit ray r of a pixel on the visible horizon satisfies ``r . up_cam = -sin(dip)``; ``dip_rad``
    is how far the visible horizon lies below the true level because the camera stands above it.
Time
    ``t_s``: seconds from the first shown frame, from the stream's own presentation timestamps. Where rows are
    read one after another, a frame's roll and pitch are those of its middle row; the half readout by which
    that is later than the first row is the same in all frames, and clocks are fitted with it in.
Uncertainty
    ``_sd``: standard uncertainty. Intervals shown to people are 95 %.
HorizonTrack
    DataFrame, one row per frame looked at, columns ``TRACK_COLUMNS``: ``clip`` (file name), ``frame``
    (index in the stream, from 0), ``t_s``, ``roll_deg``, ``pitch_deg``, ``roll_sd_deg``,
    ``pitch_sd_deg`` (of the true horizon: line and declared surroundings), ``quality`` (0 to 1: share of the
    visible line that was found where the fit says), ``reason``; then ``line_roll_sd_deg``,
    ``line_pitch_sd_deg`` (of the fitted line alone, its rows' times included), ``shared_roll_sd_deg``,
    ``shared_pitch_sd_deg`` (the part of the line's that all frames of one heading have in common, never to be
    divided by the root of their number), ``pitch_low_deg``, ``pitch_high_deg`` (95 % interval of the true
    pitch, uneven with haze and ridges) and ``claims`` ("roll and pitch", or "roll" where pitch is of the line
    only). A frame that could not be measured is a row with NaN and a reason, never a gap.
"""

TRACK_COLUMNS = [
    "clip",
    "frame",
    "t_s",
    "roll_deg",
    "pitch_deg",
    "roll_sd_deg",
    "pitch_sd_deg",
    "quality",
    "reason",
    "line_roll_sd_deg",
    "line_pitch_sd_deg",
    "shared_roll_sd_deg",
    "shared_pitch_sd_deg",
    "pitch_low_deg",
    "pitch_high_deg",
    "claims",
]
# What a look tells, empty where nothing was measured.
MEASURED_COLUMNS = [
    name for name in TRACK_COLUMNS if name not in ("clip", "frame", "t_s", "reason", "claims")
]
