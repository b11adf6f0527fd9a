"""Touches of a coil's points that left no clear sign, among others of the same lobe that did."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: A touch with a larger standard uncertainty, in samples, is vague.
VAGUE = 0.35
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


def _scatter(values: Floats) -> float:
    """Robust standard deviation of values that may drift; 0 of fewer than three."""
    if len(values) < 3:
        return 0.0
    return float(np.median(np.abs(np.diff(values)))) / (MAD * float(np.sqrt(2.0)))
