"""Small traces and specifications for the command line, written by hand: ideal square edges."""

from __future__ import annotations

from pathlib import Path

import numpy as np

LOBES, RPM, DWELL_DEG = 4, 900.0, 52.0
RATE_HZ = 50e3


def write_csv(
    path: Path,
    seconds: float = 1.0,
    comment: str = "",
    heading: str = "points_v",
    volts: float = 12.0,
    encoder_pulses: int = 0,
) -> Path:
    """Points of a faultless distributor, dry feed, opening at 20, 110, 200 and 290 deg.

    With an index, or with an encoder instead of it.
    """
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    angle = 7.0 + 6.0 * RPM * time_s
    pitch = 360.0 / LOBES
    is_open = np.mod(angle - 20.0, pitch) < pitch - DWELL_DEG
    index = np.mod(angle, 360.0) < 10.0
    if encoder_pulses:
        index = np.mod(angle * encoder_pulses / 360.0, 1.0) < 0.5
    points_v = volts * np.where(is_open, 1.0, 0.004)
    columns = np.column_stack([time_s, points_v, index])
    np.savetxt(
        path,
        columns,
        fmt=("%.6f", "%.5f", "%d"),
        delimiter=",",
        header=f"{comment}\ntime_s,{heading},{'encoder' if encoder_pulses else 'index'}".lstrip(),
        comments="",
    )
    return path


def write_spec(path: Path, body: str, lobes: int = LOBES) -> Path:
    path.write_text(
        f'schema = 1\n[distributor]\nname = "of the test"\nlobes = {lobes}\n'
        f'source = "invented for a test"\n{body}\n',
        encoding="utf-8",
    )
    return path
