"""What to fit to a coil's circuit: a resistor of a preferred value and its rating, or a coil."""

from __future__ import annotations

import math
from dataclasses import dataclass

from breakerbench.tools.ignition_figures import (
    AIM_A,
    E12,
    NEEDS_RESISTOR_A,
    RATING_MARGIN,
    RATINGS_W,
    RIGHT_A,
)


@dataclass(frozen=True, slots=True)
class Resistor:
    """A resistor for the feed.

    ohm        a preferred value (IEC 60063, E12)
    heat_w     what it takes with the points closed at rest, the coil cold
    rating_w   what it must be able to take
    current_a  what the circuit then draws, points closed at rest, the coil cold
    """

    ohm: float
    heat_w: float
    rating_w: int
    current_a: float


def nearest_preferred(ohm: float) -> float:
    """The E12 value nearest to ``ohm`` in ratio (IEC 60063). Raises ValueError at 0 and below."""
    if not (ohm > 0.0 and math.isfinite(ohm)):
        raise ValueError(f"no preferred value is near {ohm} ohm")
    decade = math.floor(math.log10(ohm))
    values = [base * 10.0**power for power in (decade - 1, decade, decade + 1) for base in E12]
    return float(f"{min(values, key=lambda value: abs(math.log(value / ohm))):.3g}")


def rating_w(heat_w: float) -> int:
    """The rating that a resistor needs, W: the next one sold above its heat with a margin."""
    wanted = RATING_MARGIN * heat_w
    return next((each for each in RATINGS_W if each >= wanted), math.ceil(wanted / 100.0) * 100)


def fitting_resistor(
    nominal_v: float, coil_20c_ohm: float, there_ohm: float = 0.0
) -> Resistor | None:
    """The resistor that brings a cold coil nearest to the current aimed at; None: it needs none.

    there_ohm  what stands in the feed already and stays

    None too where no preferred value gives a current that is right.
    """
    without = coil_20c_ohm + there_ohm
    wanted = nominal_v / AIM_A - without
    if nominal_v / without <= RIGHT_A.high or wanted <= 0.0:
        return None
    ohm = nearest_preferred(wanted)
    current = nominal_v / (without + ohm)
    if not RIGHT_A.holds(current):
        return None
    heat = current**2 * ohm
    return Resistor(ohm, heat, rating_w(heat), current)


def fitting_coil_ohm(nominal_v: float, feed_ohm: float = 0.0) -> float | None:
    """Ohms at 20 deg C of a coil that suits what stands in the feed; None: none made does."""
    ohm = nominal_v / AIM_A - feed_ohm
    if ohm <= 0.0 or nominal_v / ohm > NEEDS_RESISTOR_A:
        return None
    return ohm
