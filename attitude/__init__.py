"""What the sensor says, and what follows from the picture and the sensor together.

Axes and signs are those of :mod:`horizon`: camera x right, y down, z forward; roll > 0 right side down,
pitch > 0 lens up, yaw > 0 turning right, 0 = "north" of the log. ``attitude`` may import ``horizon``'s
result types, never the reverse.

Attitude
    Yaw, then pitch, then roll, intrinsic, of the camera as the sensor believes it. A level camera that
    looks north has all three 0.
Residual
    Log minus footage, as a small vector in the tangent plane of the up vector:
    ``r_roll = cos(pitch) (roll_log - roll_footage)``, ``r_pitch = pitch_log - pitch_footage``.
    Residuals are averaged over blocks. ``roll_sd_deg``, ``pitch_sd_deg`` of a block: what its frames have
    each to themselves, averaged; ``shared_roll_sd_deg``, ``shared_pitch_sd_deg``: the error of the line that
    all frames of one heading share, never averaged. It is an unknown of the inference, one per heading.
Surroundings
    What the sheet declares beside the picture and no frame shows: terrain, haze, height, shores, lens
    (``horizon.level.Surroundings``).
Lean
    Footage minus log: the camera's true roll when the log says roll 0 at pitch 0, settled, warm and
    unaccelerated. ``pitch_offset_deg`` likewise.
Sensor offset
    Reading minus truth of the accelerometer, in camera axes: sideways (x), vertical (y), along_lens (z),
    in mg (thousandths of the acceleration of free fall); 1 mg leans the picture by 0.0573 deg.
Mounting
    The camera turned relative to the sensor: roll right side down +, pitch lens up +, yaw right +.
    In vectors of the derivation: minus m, where v_sensor = Exp(-m) v_camera.
AttitudeLog
    DataFrame with ``LOG_COLUMNS`` and those of ``LOG_OPTIONAL_COLUMNS`` that were logged, camera axes.
Time
    ``log_t_s = clip_t_s * rate + offset_s``.
"""

LOG_COLUMNS = ["t_s", "roll_deg", "pitch_deg", "yaw_deg"]
LOG_OPTIONAL_COLUMNS = [
    "gyro_right_dps",
    "gyro_down_dps",
    "gyro_forward_dps",
    "accel_right_g",
    "accel_down_g",
    "accel_forward_g",
    "temperature_c",
    "velocity_north_mps",
    "velocity_east_mps",
]
