"""The figures that a coil and its feed are judged by and calculated with, each with its source.

They stand here alone: whoever has a better one changes it in one place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from breakerbench.judge.rules import COPPER_PER_K, NO_BALLAST_OHM

__all__ = ["COPPER_PER_K", "NO_BALLAST_OHM"]


@dataclass(frozen=True, slots=True)
class Band:
    """Between two values, both included; alike where the figure was told. Any unit."""

    low: float
    high: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high) and self.low <= self.high):
            raise ValueError(f"{self.low} to {self.high} is no band")

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high


def exactly(value: float) -> Band:
    """The band of a figure that was told."""
    return Band(value, value)


# --- what a coil and its feed are judged by ---------------------------------------------------

#: Volts that a battery of the nominal voltage gives, engine stopped or running; from memory.
SYSTEMS_V = {6.0: Band(4.5, 7.8), 12.0: Band(9.0, 15.6)}

#: What contacts carry, A: TM 9-8000, chapter 15.
CONTACTS_A = Band(4.0, 5.0)

#: Current of a cold circuit that is aimed at, A: 12 V over the 3 ohm of a coil without resistor, 6 V
#: over the 1.5 ohm of a 6 V coil (common practice, no source); the lower end of CONTACTS_A.
AIM_A = 4.0

#: Current through closed points at rest, at the nominal voltage, of a circuit that is right, A.
#: Above: what contacts carry at most, TM 9-8000, chapter 15. Below: common practice, no source: a
#: coil of 3.6 ohm (warm, no resistor) draws 3.3 A at 12 V, one with a resistor too many 2.7 A.
RIGHT_A = Band(3.0, 5.0)

#: A coil that takes more than RIGHT_A without a resistor, and at most this, is made for one or for
#: half the voltage; beyond, it is not for breaker points. Common practice, no source: 1.5 ohm with
#: a ballast at 12 V, 8 A without it.
NEEDS_RESISTOR_A = 12.0

#: A coil made for half the voltage takes at least this, A: 1.5 ohm within a third. Common practice,
#: no source.
HALF_VOLTAGE_A = 6.0

#: With a coil that needs no resistor, a resistor does harm where the current falls below this, A:
#: 12 V over 3.6 ohm, the warm coil without resistor. Common practice, no source.
UNHINDERED_A = 12.0 / 3.6

#: What is at least a resistor, at 12 V, and not a bad joint or long leads, ohm; in proportion at
#: other voltages. Common practice, no source. Up to NO_BALLAST_OHM it is leads and switch.
RESISTOR_OHM = 0.5

#: With a ballast, points closed, V between coil and ground, 12 V: NAVEDTRA 14329, chapter 6.
FEED_WITH_BALLAST_V = Band(4.5, 6.9)

#: Points terminal of the coil to ground, points closed, at most, V: NAVEDTRA 14329, chapter 6.
POINTS_CLOSED_V = 0.1

# --- what is assumed where nothing is told ----------------------------------------------------

#: Winding, deg C: cold, and warm from running. Common practice, no source: 3 ohm cold are 3.6 warm,
#: which is 71 deg C by copper's coefficient.
COLD_C, WARM_C = 20.0, 70.0

#: Error of "cold" where no temperature was told, K: a workshop. Common practice, no source.
COLD_WITHIN_K = 10.0
#: Error of a temperature that was told, K: of the can, and the winding inside. Common practice.
TOLD_WITHIN_K = 5.0

#: Expanded uncertainty of a figure that lies within limits, all places alike, as a share of these:
#: 2 / sqrt 3 (GUM 4.3.7).
OF_LIMITS = 2.0 / math.sqrt(3.0)

#: Limits of the errors of hand meters: leads and contacts at a few ohm, and shares of the reading.
#: Common practice, no source.
OHM_WITHIN, OHM_WITHIN_SHARE, AMPERE_WITHIN_SHARE, VOLT_WITHIN_SHARE = 0.1, 0.02, 0.03, 0.01

#: Error of a supply told as 6 or 12 V, which is a name and no reading: common practice, no source.
NOMINAL_WITHIN_SHARE = 0.05

#: Inductance of the primary over its resistance at 20 deg C, s. From memory: 3 ohm and 4.5 to 10 mH.
INDUCTANCE_S = Band(1.5e-3, 3.5e-3)

#: Share of a lobe's pitch that the points are closed: 30 of 45 deg, NAVEDTRA 14273, chapter 2 (8
#: cylinders), is the upper end; the lower, 50 of 90 deg, is common practice, no source.
DWELL_SHARE = Band(50.0 / 90.0, 30.0 / 45.0)

#: Turns of the secondary for one of the primary: 100, TM 9-8000, chapter 15; the width from memory.
TURNS_RATIO = Band(80.0, 110.0)

#: Condenser, F: the common range, from memory.
CONDENSER_F = Band(0.18e-6, 0.25e-6)

#: Capacitance of the secondary with cap, lead and plug, F: from memory.
SECONDARY_F = Band(50e-12, 100e-12)

#: Share of the coil's energy that iron, windings, leakage of the field and the points take before
#: the secondary's peak: from memory.
LOSS_SHARE = Band(0.25, 0.60)

#: What TM 9-8000, chapter 15, gives for a coil in order: 200 V in the primary, 100:1, 20 kV.
REFERENCE_SECONDARY_V = 20e3

#: A resistor is chosen for this times the heat that it takes; common practice, no source.
RATING_MARGIN = 1.25
#: Ratings that resistors are sold with, W; common practice, no source.
RATINGS_W = (5, 10, 15, 25, 50, 75, 100, 150, 200, 300, 500)

#: Preferred values of the E12 series: IEC 60063 (from memory).
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)


def nominal_v(supply_v: float) -> float:
    """The nominal voltage of the system that gives ``supply_v``: 6, 12, else what was given."""
    return next((nominal for nominal, band in SYSTEMS_V.items() if band.holds(supply_v)), supply_v)
