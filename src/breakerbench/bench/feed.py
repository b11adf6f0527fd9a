"""The dry feed: volts through a resistor to the points, no coil; and anything across the points.

Between two changes of the contact the circuit is linear with one time constant, so that voltage and
current are exactly ``level + excess * exp(-(t - start) / tau)``: this module yields those pieces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.contact import Contact

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Feed:
    """The circuit and its supply.

    volts               of the supply, positive
    series_ohm          between supply and points
    contact_ohm         of the closed contact with its leads and plate
    condenser_f         across the points, F; 0: none connected
    positive_ground     True where the positive pole lies on the metal: all signs turn round
    drift_share_per_s   change of the supply a second, as a share of ``volts``
    pick_up_v           amplitude of what the points lead picks up from the mains, V
    pick_up_a           the same of the current probe, A
    pick_up_hz          frequency of the mains
    """

    volts: float = 12.0
    series_ohm: float = 47.0
    contact_ohm: float = 0.02
    condenser_f: float = 0.0
    positive_ground: bool = False
    drift_share_per_s: float = 0.0
    pick_up_v: float = 0.0
    pick_up_a: float = 0.0
    pick_up_hz: float = 50.0

    def __post_init__(self) -> None:
        if self.volts <= 0 or self.series_ohm <= 0 or self.contact_ohm < 0 or self.condenser_f < 0:
            raise ValueError(
                "volts and series_ohm are positive, contact_ohm and condenser_f not negative"
            )

    @property
    def sign(self) -> float:
        return -1.0 if self.positive_ground else 1.0

    @property
    def closed_v(self) -> float:
        """Magnitude of the drop over the closed contact, V."""
        return self.volts * self.contact_ohm / (self.series_ohm + self.contact_ohm)

    @property
    def closed_a(self) -> float:
        """Magnitude of the current through the closed contact, A."""
        return self.volts / (self.series_ohm + self.contact_ohm)

    @property
    def open_tau_s(self) -> float:
        """Time constant of the rise after an opening, s."""
        return self.series_ohm * self.condenser_f

    @property
    def closed_tau_s(self) -> float:
        """Time constant of the fall after a closing, s."""
        both = self.series_ohm + self.contact_ohm
        return self.series_ohm * self.contact_ohm / both * self.condenser_f


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """A signal as pieces of ``level + excess * exp(-(t - start_s) / tau_s)``, one row each.

    The first piece has settled: it begins at minus infinity and its excess is 0. Where the excess
    is 0, ``tau_s`` may be 0.
    """

    start_s: Floats
    level: Floats
    excess: Floats
    tau_s: Floats


def points_voltage(feed: Feed, contact: Contact) -> Pieces:
    """Voltage across the points to ground, V, at the supply's voltage of time 0."""
    closed = np.concatenate(([contact.closed_at_start], contact.closed))
    level = np.where(closed, feed.closed_v, feed.volts)
    tau = np.where(closed, feed.closed_tau_s, feed.open_tau_s)
    start = np.concatenate(([-np.inf], contact.time_s))
    excess = np.zeros_like(level)
    if feed.condenser_f:
        # the condenser holds the voltage over each change
        left = 0.0
        lasts = np.diff(start[1:], append=np.inf).tolist()
        for row, lasting in enumerate(lasts, start=1):
            excess[row] = level[row - 1] + left - level[row]
            left = excess[row] * _decay(lasting, tau[row])
    return Pieces(start, feed.sign * level, feed.sign * excess, tau)


def feed_current(feed: Feed, points: Pieces) -> Pieces:
    """Current out of the supply, A: what the series resistor passes at that voltage."""
    level = (feed.sign * feed.volts - points.level) / feed.series_ohm
    return Pieces(points.start_s, level, -points.excess / feed.series_ohm, points.tau_s)


def supply_share(feed: Feed, time_s: Floats) -> Floats:
    """Voltage of the supply as a share of ``volts``; it changes slowly against all edges."""
    return 1.0 + feed.drift_share_per_s * time_s


def _decay(time_s: float, tau_s: float) -> float:
    return float(np.exp(-time_s / tau_s)) if tau_s > 0.0 else 0.0
