"""What goes wrong in a coil ignition, as changes of the circuit that ngspice solves.

    c, circuit = ignition_conditions(7)
    made = ignition_made(c, with_fault(circuit, "condenser open"))

gap never fires     every gap needs more than the coil gives: a cable off its plug, far from anything
secondary open      the same, and what is left of the winding's capacitance is small
condenser open      stray capacitance alone: the points arc at each opening, which ends the rise at once
condenser shorted   five hundredths of an ohm across the points: they never rise
condenser leaky     20 kohm: it holds no charge
"""

from __future__ import annotations

from dataclasses import replace

from .ignition import NEVER_V, Circuit

IGNITION_FAULTS = (
    "gap never fires",
    "secondary open",
    "condenser open",
    "condenser shorted",
    "condenser leaky",
)


def with_fault(circuit: Circuit, name: str) -> Circuit:
    if name == "gap never fires":
        return replace(circuit, breakdown_v=(NEVER_V,))
    if name == "secondary open":
        return replace(circuit, breakdown_v=(NEVER_V,), secondary_f=15e-12, loss_ohm=20e6)
    if name == "condenser open":
        return replace(circuit, condenser_f=300e-12, arc_v=300.0)
    if name == "condenser shorted":
        return replace(circuit, leak_ohm=0.05)
    if name == "condenser leaky":
        return replace(circuit, leak_ohm=20e3)
    raise ValueError(name)
