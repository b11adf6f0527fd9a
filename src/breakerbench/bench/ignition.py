"""The ignition circuit about the points: supply, coil, condenser, contact, and a gap at every tower.

    volts - inner - feed - ballast -o- coil's primary -o- terminal of the points -+
                              supply_v                                            |
            ground - clamp - body -+- plate ground - contact - lead --------------+
                                   +- condenser with its series resistance -------+

The secondary stands on its own: turns, coupling, resistance, capacitance, losses as a resistance across
it, and the gap of the tower that the rotor points to. Left out, each because it is small beside what is
measured: iron that saturates (the inductance does not fall with current), the foot of the secondary on
the primary (taken as grounded), capacitance between turns, and the rotor's own gap (part of the plug's).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

#: Of copper, per kelvin, at 20 degrees C (IEC 60028, annealed copper; from memory).
COPPER_PER_K = 0.00393

#: Where the probe of the points sits, and which part it sits across.
PROBES = ("points", "contact", "plate", "clamp")

_POSITIVE = (
    "volts", "inner_ohm", "coil_ohm_20c", "coil_h", "turns", "secondary_ohm", "secondary_f", "loss_ohm",
    "condenser_ohm", "leakage_ohm", "contact_ohm", "stray_f", "arc_v", "arc_a",
)  # fmt: skip
_NOT_NEGATIVE = (
    "feed_ohm", "ballast_ohm", "condenser_f", "film_v", "film_spread_v", "lead_ohm", "plate_ohm",
    "clamp_ohm",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Gap:
    """The plug gap at one tower of the cap, its lead and what leaks beside it.

    breakdown_v       voltage of the secondary at which it breaks down, V; None: never (lead off, open)
    breakdown_spread  standard deviation from firing to firing, as a share
    burn_v            voltage across it as it burns, at no current, V
    burn_spread       standard deviation from firing to firing, as a share
    slope_ohm         how much more for an ampere, ohm
    hold_a            current below which it goes out, A
    restrike          while it is still ionised it breaks down again at this many times ``burn_v``
    ionised_s         how long that is after it went out, s
    leak_ohm          across it (a tracked cap, a fouled plug), ohm; None: nothing leaks
    """

    breakdown_v: float | None = 9000.0
    breakdown_spread: float = 0.08
    burn_v: float = 900.0
    burn_spread: float = 0.05
    slope_ohm: float = 2000.0
    hold_a: float = 1e-3
    restrike: float = 1.6
    ionised_s: float = 60e-6
    leak_ohm: float | None = None

    def __post_init__(self) -> None:
        positive = (self.burn_v, self.slope_ohm, self.hold_a, self.restrike - 1.0)
        if min(positive) <= 0.0 or (self.leak_ohm is not None and self.leak_ohm <= 0.0):
            raise ValueError(
                "burn_v, slope_ohm, hold_a and leak_ohm are positive, restrike above 1"
            )
        if self.breakdown_v is not None and self.breakdown_v < 3.0 * self.burn_v:
            raise ValueError("a gap breaks down at three times its burn_v or more")
        if not (0.0 <= self.breakdown_spread <= 0.2 and 0.0 <= self.burn_spread <= 0.2):
            raise ValueError("spreads of a gap lie from 0 to 0.2")


@dataclass(frozen=True, slots=True)
class Ignition:
    """The circuit; resistances in ohm, the coil's at 20 degrees C.

    volts             of the supply at no current, V
    inner_ohm         within the supply
    feed_ohm          of the leads and switch up to the ballast
    ballast_ohm       before the coil, on purpose or hidden in the loom
    coil_ohm_20c      of the primary winding, copper
    coil_c            temperature of the winding, degrees C
    coil_h            inductance of the primary, the secondary open, H
    turns             of the secondary for one of the primary
    coupling          of both, 0 to 1
    secondary_ohm     of the secondary winding and what is in series with it
    secondary_f       capacitance of winding and lead, F
    loss_ohm          across the secondary: iron, and turns that are shorted
    condenser_f       across the points, F; 0: none, or open: ``stray_f`` is left
    condenser_ohm     in series with it
    leakage_ohm       across it
    contact_ohm       of the closed contact
    film_v            that a burnt contact drops besides, whatever the current, V
    film_spread_v     its standard deviation from closing to closing, V
    lead_ohm          from the terminal to the contact
    plate_ohm         from the contact over the plate to the body
    clamp_ohm         from the body to the bench's ground
    gaps              one a tower, in the order in which they fire; a shorter list goes round
    number_one_lobe   lobe that fires the first tower (lobes are numbered as the truth has them)
    positive_ground   the positive pole lies on the metal: all signs of the primary turn round
    reversed          the coil's two terminals are changed over
    stray_f           what is across the points without a condenser, F
    arc_v             voltage of an arc between the opening contacts, V
    arc_a             current below which it goes out, A
    arc_v_per_s       the contact arcs where the voltage would rise faster than this as it opens, V/s
    arc_step_v        or where it would jump by more than this, V (from memory, no source: all four)
    """

    volts: float = 12.6
    inner_ohm: float = 0.03
    feed_ohm: float = 0.05
    ballast_ohm: float = 0.0
    coil_ohm_20c: float = 3.0
    coil_c: float = 20.0
    coil_h: float = 7e-3
    turns: float = 80.0
    coupling: float = 0.96
    secondary_ohm: float = 8e3
    secondary_f: float = 50e-12
    loss_ohm: float = 3e6
    condenser_f: float = 0.22e-6
    condenser_ohm: float = 0.3
    leakage_ohm: float = 200e6
    contact_ohm: float = 0.008
    film_v: float = 0.0
    film_spread_v: float = 0.0
    lead_ohm: float = 0.004
    plate_ohm: float = 0.003
    clamp_ohm: float = 0.002
    gaps: tuple[Gap, ...] = (Gap(),)
    number_one_lobe: int = 1
    positive_ground: bool = False
    reversed: bool = False
    stray_f: float = 1e-9
    arc_v: float = 20.0
    arc_a: float = 0.4
    arc_v_per_s: float = 100e6
    arc_step_v: float = 60.0

    def __post_init__(self) -> None:
        for name in _POSITIVE:
            if not getattr(self, name) > 0.0:
                raise ValueError(f"{name} of an ignition circuit is positive")
        for name in _NOT_NEGATIVE:
            if not getattr(self, name) >= 0.0:
                raise ValueError(f"{name} of an ignition circuit is not negative")
        if not 0.0 < self.coupling < 1.0:
            raise ValueError("the coupling of a coil lies between 0 and 1")
        if not -60.0 <= self.coil_c <= 250.0:
            raise ValueError("the winding of a coil has -60 to 250 degrees C")
        if not self.gaps or self.number_one_lobe < 1:
            raise ValueError("there is a gap at one tower at least, and lobes are counted from 1")

    @property
    def sign(self) -> float:
        return -1.0 if self.positive_ground else 1.0

    @property
    def coil_ohm(self) -> float:
        """Resistance of the primary at its temperature, ohm."""
        return self.coil_ohm_20c * (1.0 + COPPER_PER_K * (self.coil_c - 20.0))

    @property
    def source_ohm(self) -> float:
        """All that lies before the coil's feed terminal, ohm."""
        return self.inner_ohm + self.feed_ohm + self.ballast_ohm

    @property
    def points_ohm(self) -> float:
        """From the terminal of the points to ground, closed, ohm; a film's voltage left out."""
        return self.lead_ohm + self.contact_ohm + self.plate_ohm + self.clamp_ohm

    @property
    def loop_ohm(self) -> float:
        """All that limits the current, ohm."""
        return self.source_ohm + self.coil_ohm + self.points_ohm

    @property
    def most_a(self) -> float:
        """Current with the points closed for long, A."""
        return max(self.volts - self.film_v, 0.0) / self.loop_ohm

    @property
    def most_secondary_v(self) -> float:
        """What the secondary would come to without any loss, from ``most_a``, V.

        All energy of the coil in both capacitances: ``L i^2 = (C / n^2 + C2) v^2``.
        """
        farad = self.secondary_f + max(self.condenser_f, self.stray_f) / self.turns**2
        return self.most_a * math.sqrt(self.coil_h / farad)

    def gap(self, tower: int) -> Gap:
        """That of a tower, counted from 0."""
        return self.gaps[tower % len(self.gaps)]
