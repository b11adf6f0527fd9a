"""What the live pictures are drawn from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.recent import Seen

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class AdvancePoint:
    """Advance at one speed, and whether the speed was rising."""

    rpm: float
    deg: float
    rising: bool


@dataclass(frozen=True, slots=True, eq=False)
class LivePictures:
    """None where nothing was seen; turns (at most 100) by lobes, newest last, nan where unknown."""

    opening: Seen | None
    touch: Seen | None
    current: Seen | None
    burn: Seen | None
    lobe_late_deg: Floats
    lobe_dwell_deg: Floats
    advance: tuple[AdvancePoint, ...]
