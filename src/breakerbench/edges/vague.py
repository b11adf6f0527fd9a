"""Touches of a coil's points that left no clear sign, among others of the same lobe that did."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: A touch with a larger standard uncertainty, in samples, is vague.
VAGUE = 0.35
#: A brief touch is astray so many times the scatter of its lobe's and such a share of the dwell away.
FAR_SCATTER, FAR_SHARE = 10.0, 0.08
#: Touches of a lobe that tell, at least, and neighbours on each side of one that do.
FEWEST, AROUND = 4, 4
#: A median absolute deviation is this much of a standard deviation (normal distribution).
MAD = 0.6745


def without_vague(u: Floats, closed: Floats, lobes: int) -> Floats:
    """Standard uncertainties of touches in order, samples; NaN for the odd ones that left no sign.

    Where most touches of a lobe are placed well, one at which the ring went through closed just then
    would spoil their mean. Where most are vague that is all there is to be had. Where the touches of a
    lobe scatter more than that, those that meet the ring there are the early ones or the late ones: to
    leave them out would shift the mean further than they do.

    closed  from each touch to the opening that ends its dwell, samples
    """
    out = u.copy()
    for lobe in range(min(lobes, len(u))):
        own, lasts = u[lobe::lobes], closed[lobe::lobes]
        well = own <= VAGUE
        if 2 * int(well.sum()) > len(own):
            out[lobe::lobes] = np.where(own > max(VAGUE, _scatter(lasts[well])), np.nan, own)
    return out


def without_strays(u: Floats, closed: Floats, brief: Bools, lobes: int) -> Floats:
    """Standard uncertainties of touches in order; NaN for a brief one far from all others of its lobe.

    Where a spark goes out the ring may stand at closed for a moment just as a brief touch does. A
    contact that bounces begins within its scatter all the same.

    closed  from each touch to the opening that ends its dwell, samples
    brief   True for touches lost again at once
    """
    out = u.copy()
    for lobe in range(min(lobes, len(u))):
        lasts = closed[lobe::lobes]
        if not brief[lobe::lobes].any() or len(lasts) < FEWEST:
            continue
        away = np.abs(lasts - _local_median(lasts))
        far = away > np.maximum(FAR_SCATTER * _scatter(lasts), FAR_SHARE * lasts)
        out[lobe::lobes][far & brief[lobe::lobes]] = np.nan
    return out


def _local_median(values: Floats) -> Floats:
    """Median of each value and its neighbours, AROUND on each side: of those that drift, too."""
    padded = np.pad(values, AROUND, constant_values=np.nan)
    return np.nanmedian(np.lib.stride_tricks.sliding_window_view(padded, 2 * AROUND + 1), axis=1)


def _scatter(values: Floats) -> float:
    """Robust standard deviation of values that may drift; 0 of fewer than three."""
    if len(values) < 3:
        return 0.0
    return float(np.median(np.abs(np.diff(values)))) / (MAD * float(np.sqrt(2.0)))
