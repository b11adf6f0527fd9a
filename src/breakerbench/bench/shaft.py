"""Shaft and bushings: what the turning of the cam adds to its geometry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Shaft:
    """The shaft in its bushings.

    scatter_deg          standard deviation of opening angles from all but the bushings: contact,
                         rubbing block, looseness of the arm
    play_mm              diametral play of the bushings; at each opening the shaft lies elsewhere in
                         it, with a standard deviation of a quarter of the play towards the block
    closing_share        scatter of closings as a share of that of openings, 0 to 1
    eccentricity_mm      distance of the axis of the cam from that of the shaft (a bent shaft):
                         once a revolution it lifts the block and shifts the lobes
    eccentricity_deg     shaft angle at which that distance points to the rubbing block
    lean_mm_per_1000rpm  how much the gap widens as the shaft leans over in its bushings with speed
    """

    scatter_deg: float = 0.08
    play_mm: float = 0.0
    closing_share: float = 0.8
    eccentricity_mm: float = 0.0
    eccentricity_deg: float = 0.0
    lean_mm_per_1000rpm: float = 0.0

    def __post_init__(self) -> None:
        if min(self.scatter_deg, self.play_mm, self.eccentricity_mm) < 0:
            raise ValueError("scatter, play and eccentricity cannot be negative")
        if not 0.0 <= self.closing_share <= 1.0:
            raise ValueError("closing_share is a share from 0 to 1")

    def deviation_deg(self, shift_deg_per_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Standard deviation of opening angles, deg, where the block moves an edge that much."""
        total: NDArray[np.float64] = np.hypot(
            self.scatter_deg, self.play_mm / 4.0 * shift_deg_per_mm
        )
        return total
