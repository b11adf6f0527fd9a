"""The zero of the advance from a distributor turned by hand, for a run without a rest plateau."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.advance_sums import Advance

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class HandZero:
    """Where the openings stand with the weights at rest, from a distributor turned by hand.

    angles_deg  opening angle of each lobe from the index
    u_deg       standard uncertainty of their mean, deg
    rpm         how fast it was turned
    """

    angles_deg: tuple[float, ...]
    u_deg: float
    rpm: float

    def ahead(self, nominal: Floats, first_deg: float) -> float | None:
        """How much later than a run's opening phase ``first_deg`` these openings come, deg.

        nominal  (lobes,) opening angles from the first one, as in `Timing`

        Which lobe is which is told by the pattern where it is uneven, and else by the advance lying
        between a quarter of a pitch back and three quarters ahead. None: another number of lobes.
        """
        n = len(nominal)
        if len(self.angles_deg) != n:
            return None
        found = []
        for turn in range(n):
            gap = np.deg2rad(np.roll(self.angles_deg, -turn) - nominal)
            centre = float(np.angle(np.exp(1j * gap).mean()))
            miss = float(np.abs(np.exp(1j * (gap - centre)) - 1.0).max())
            ahead = (np.rad2deg(centre) - first_deg + 180.0) % 360.0 - 180.0
            found.append((miss, float(ahead)))
        best = min(miss for miss, _ in found)
        fitting = [ahead for miss, ahead in found if miss < 2.0 * best + np.deg2rad(3.0)]
        return min(fitting, key=lambda ahead: abs(ahead - 90.0 / n))


def zero_by_hand(
    a: Advance, hand: tuple[HandZero, Floats] | None
) -> tuple[float, float, float] | None:
    """Zero of the curve, its speed and standard uncertainty, by a hand-turned reading."""
    if hand is None:
        return None
    zero, nominal = hand
    # At the slowest revolutions the advance is least, so that the lobes are told best.
    n, phase = a.n.sum(axis=0), a.phase.sum(axis=0)
    lowest = int(np.flatnonzero(n)[0])
    first = float(phase[lowest] / n[lowest])
    ahead = zero.ahead(nominal, a.origin_deg + first)
    return None if ahead is None else (-first - ahead, zero.rpm, zero.u_deg)


def hand_zero(hand: Mapping[str, Any]) -> HandZero | None:
    """From the table ``hand`` of a result; None where it has no opening angles."""
    angles, u = hand["per_lobe_deg"], hand["u_zero_deg"]
    if not angles or u is None:
        return None
    return HandZero(tuple(angles), 0.5 * u, hand["rpm"])
