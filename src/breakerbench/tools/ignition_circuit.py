"""Coil, ballast resistor and points as a circuit: current, heat, energy, voltage. Closed forms.

All functions take scalars or numpy arrays that broadcast against each other, SI units. Closing
begins without current: the spark has spent what was in the coil. Contact and lead drop are left
out; whoever knows them adds them to the resistances.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from breakerbench.tools.ignition_figures import COPPER_PER_K

Floats = NDArray[np.float64]


def winding_ohm(resistance_20c_ohm: ArrayLike, temperature_c: ArrayLike) -> Floats:
    """Resistance of a copper winding at a temperature, ohm (IEC 60028, 0.00393 per K at 20 deg C)."""
    return np.multiply(resistance_20c_ohm, _warmth(temperature_c))


def winding_20c_ohm(resistance_ohm: ArrayLike, temperature_c: ArrayLike) -> Floats:
    """Resistance at 20 deg C of a copper winding measured at ``temperature_c``, ohm."""
    return np.divide(resistance_ohm, _warmth(temperature_c))


def _warmth(temperature_c: ArrayLike) -> Floats:
    factor = 1.0 + COPPER_PER_K * (np.asarray(temperature_c, dtype=float) - 20.0)
    if not np.all(factor > 0.0):
        raise ValueError("copper has no resistance left at that temperature")
    return factor


def period_s(speed_rpm: ArrayLike, lobes: int) -> Floats:
    """Time from one opening to the next, s, of a distributor with evenly spaced lobes."""
    return 60.0 / (np.asarray(speed_rpm, dtype=float) * lobes)


def current_a(
    supply_v: ArrayLike, loop_ohm: ArrayLike, l_h: ArrayLike, time_s: ArrayLike
) -> Floats:
    """Current ``time_s`` after the points closed, A: V/R (1 - exp(-t R/L)), textbook RL circuit."""
    v, r, inductance, t = _floats(supply_v, loop_ohm, l_h, time_s)
    return -v / r * np.expm1(-t * r / inductance)


def mean_a(
    supply_v: ArrayLike,
    loop_ohm: ArrayLike,
    l_h: ArrayLike,
    closed_s: ArrayLike,
    every_s: ArrayLike,
) -> Floats:
    """Mean current over a whole period, the open time included, A: integral of ``current_a``."""
    v, r, inductance, closed, every = _floats(supply_v, loop_ohm, l_h, closed_s, every_s)
    tau = inductance / r
    return v / r * (closed + tau * np.expm1(-closed / tau)) / every


def rms_a(
    supply_v: ArrayLike,
    loop_ohm: ArrayLike,
    l_h: ArrayLike,
    closed_s: ArrayLike,
    every_s: ArrayLike,
) -> Floats:
    """Root mean square of the current over a whole period, A: what heats the resistances."""
    v, r, inductance, closed, every = _floats(supply_v, loop_ohm, l_h, closed_s, every_s)
    tau = inductance / r
    x = closed / tau
    # The three terms cancel to x^3/3 for a short dwell: there the series is exact, they are not.
    exact = x + 2.0 * np.expm1(-x) - 0.5 * np.expm1(-2.0 * x)
    square = np.where(x < 1e-3, x**3 / 3.0 - x**4 / 4.0, exact)
    return v / r * np.sqrt(square * tau / every)


def energy_j(l_h: ArrayLike, current_a: ArrayLike) -> Floats:
    """Energy of the coil's field, J: L i^2 / 2."""
    inductance, i = _floats(l_h, current_a)
    return 0.5 * inductance * i**2


def secondary_v(
    energy_j: ArrayLike,
    condenser_f: ArrayLike,
    secondary_f: ArrayLike,
    turns_ratio: ArrayLike,
    loss_share: ArrayLike,
) -> Floats:
    """Peak voltage of the secondary before a gap breaks down, V, from the balance of energy.

    What is left of the coil's energy charges the condenser, seen from the secondary as C / n^2, and
    the secondary's own capacitance: (1 - loss) E = (C1 / n^2 + C2) U^2 / 2. Perfect coupling; what
    leaks of the field is part of the loss.
    """
    energy, c1, c2, n, loss = _floats(energy_j, condenser_f, secondary_f, turns_ratio, loss_share)
    return np.sqrt(2.0 * (1.0 - loss) * energy / (c1 / n**2 + c2))


def _floats(*values: ArrayLike) -> list[Floats]:
    return [np.asarray(value, dtype=float) for value in values]
