"""What the shapes of a mode do, apart from the program's own way of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.ring_modes import Mode


def rates(mode: Mode) -> NDArray[np.float64]:
    """(2, 2): shapes' = rates @ shapes, 1/ms."""
    return np.array([[-mode.d, mode.d**2 - mode.w2], [1.0, -mode.d]])
