"""What the newest edges of one kind looked like."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """The last ``n`` edges laid upon each other, V or A over time from the edge, s, each (k,)."""

    time_s: Floats
    mean: Floats
    low: Floats
    high: Floats
    newest: Floats
    n: int
