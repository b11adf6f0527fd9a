"""What the contact carries: closed, open, in an arc, or closed on a film that does not conduct yet.

A film on burnt points drops a constant voltage in the direction of the current; below that voltage
nothing flows. An arc does the same as points open on a current that no condenser takes over.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.ignition import Ignition
from breakerbench.bench.ignition_events import Stretch
from breakerbench.bench.ignition_modes import (
    ARC,
    CLOSED,
    CONTACT_A,
    CONTACT_V,
    OPEN,
    branch_ohm,
    condenser,
    scales,
)

Floats = NDArray[np.float64]

#: A film stops conducting at this current the other way, A: no more than rounding.
_BACK_A = 1e-4


@dataclass(frozen=True, slots=True)
class Path:
    """The way through the contact.

    contact   OPEN, CLOSED or ARC: which circuit it is
    sense     direction of film or arc, +1 or -1
    voltage   of film or arc, V; 0: there is none
    from_v    it begins to conduct at this voltage, V; None: it does not
    out_a     it stops conducting below this current, A; None: it does not
    arcs      what it waits for is an arc, in the direction of ``sense`` alone
    """

    contact: int
    sense: float = 1.0
    voltage: float = 0.0
    from_v: float | None = None
    out_a: float | None = None
    arcs: bool = False

    @staticmethod
    def of(circuit: Ignition, closed: bool, film_v: float, state: Floats | None) -> Path:
        """As the contact changes (or at the start, at rest, without a state)."""
        if closed and (film_v == 0.0 or state is None):
            return Path(CLOSED, voltage=film_v, out_a=-_BACK_A if film_v else None)
        if state is None:
            return Path(OPEN)
        scale = scales(circuit)
        current, charge_v = float(state[0] / scale[0]), float(state[1] / scale[1])
        farad, series_ohm = condenser(circuit)
        if closed:
            # the voltage across the open contact, before it touches
            volts = charge_v + series_ohm * current
            waiting = Path(OPEN, voltage=film_v, from_v=film_v, out_a=-_BACK_A)
            return waiting.changed(volts) if abs(volts) > film_v else waiting
        most_a = min(circuit.arc_v_per_s * farad, circuit.arc_step_v / series_ohm)
        if abs(current) <= max(most_a, circuit.arc_a):
            return Path(OPEN)
        # an arc begins where it carries twice what it goes out at
        from_v = circuit.arc_v + 2.0 * circuit.arc_a * branch_ohm(circuit, ARC)
        sense = float(np.sign(current))
        return Path(OPEN, sense, circuit.arc_v, from_v, circuit.arc_a, arcs=True)

    @property
    def drop_v(self) -> float:
        """Voltage of film or arc as it conducts, with its sign, V."""
        return 0.0 if self.contact == OPEN else self.sense * self.voltage

    def changes(self, at: Stretch, until_s: float) -> float | None:
        """When it begins or stops conducting, s after the begin of a stretch; None: not until then."""
        if self.contact != OPEN:
            if self.out_a is None:
                return None
            return at.first_reach(CONTACT_A, -self.sense, -self.out_a, until_s)
        if self.from_v is None:
            return None
        if self.arcs:
            return at.first_reach(CONTACT_V, self.sense, self.from_v, until_s)
        return at.first_either(CONTACT_V, self.from_v, until_s)

    def changed(self, volts: float) -> Path:
        """The path after that, with ``volts`` across the contact."""
        if self.contact == OPEN:
            if self.arcs:
                return replace(self, contact=ARC, from_v=None)
            return replace(self, contact=CLOSED, sense=float(np.sign(volts)))
        return replace(self, contact=OPEN, from_v=None if self.contact == ARC else self.voltage)
