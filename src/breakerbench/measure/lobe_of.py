"""Which lobe made each opening of a run, by its number in the trace: for what is counted lobe by lobe."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Openings at the lowest speeds, as a share of all, that tell which lobe is the first.
SLOW_SHARE = 0.1
#: An opening farther from every lobe than this share of the pitch is of none.
OFF_SHARE = 0.35


def lobe_of_opening(open_deg: Floats, time_s: Floats, lobes: int) -> Ints:
    """(n,) lobe of each opening, 0 for lobe 1; -1 where its angle is not known.

    open_deg  (n,) angles, continuous, NaN where not known; time_s: (n,) instants

    Each opening is so many pitches after the one before, rounded: so that advance, which moves all
    lobes slowly, does not count. Lobe 1 opens first after angle 0 at the lowest speed.
    """
    lobe = np.full(len(open_deg), -1, np.int64)
    known = np.flatnonzero(np.isfinite(open_deg))
    if not len(known) or lobes < 1:
        return lobe
    pitch = 360.0 / lobes
    deg, at = open_deg[known], time_s[known]
    steps = np.diff(deg) / pitch
    whole = np.rint(steps)
    count = np.concatenate([[0.0], np.cumsum(whole)])
    with np.errstate(divide="ignore", invalid="ignore"):
        speed = np.concatenate([[np.nan], np.diff(deg) / np.diff(at)])
    ranked = np.argsort(np.where(np.isfinite(speed), speed, np.inf), kind="stable")
    slow = ranked[: max(int(SLOW_SHARE * len(deg)), min(len(deg), 4 * lobes))]
    # Angle of the opening counted 0, from those at the lowest speed.
    turned = np.deg2rad(lobes * (deg[slow] - count[slow] * pitch))
    phase = np.mod(np.rad2deg(np.angle(np.exp(1j * turned).mean())) / lobes, pitch)
    # Which lobe that is: pitches from angle 0 to it.
    first = np.rint(np.mod(np.median(deg[slow] - count[slow] * pitch - phase), 360.0) / pitch)
    off = np.abs(steps - whole) > OFF_SHARE
    lobe[known] = np.mod(count + first, lobes).astype(np.int64)
    lobe[known[np.concatenate([[False], off])]] = -1
    return lobe
