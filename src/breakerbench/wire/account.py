"""What of a board's account of itself cannot be: figures that would make nonsense of every trace.

Each raises ValueError, which says what is wrong with which input or mode. Limits are wide: a board is not
told how it has to be built.
"""

from __future__ import annotations

import math

from breakerbench.errors import harmless
from breakerbench.trace import EDGE_NAMES, SAMPLED_UNITS
from breakerbench.wire.messages import Edge, Identity, Input, Mode, Sampled

#: Samples are carried in so many bits.
MOST_BITS = 12
#: Least and largest range of an input, and the largest zero, in its unit.
LEAST_RANGE, MOST_RANGE = 1e-6, 1e6
#: A front end is not later than this, s; the same as an import may be told.
MOST_DELAY_S = 0.01
#: Rows a second, and inputs in one.
LEAST_HZ, MOST_HZ = 1.0, 1e9
MOST_INPUTS = 3


def name_of(which: int) -> str:
    """Name of a channel. Raises ValueError where this program knows no such input."""
    try:
        return Input(which).name.lower()
    except ValueError:
        raise ValueError(
            f"the board has an input {which} that this program does not know"
        ) from None


def check_identity(i: Identity) -> None:
    """Clock and names."""
    if not i.clock_hz:
        raise ValueError("the board says that its clock stands")
    for text in (i.board, i.serial, i.build):
        if not text.isprintable():
            raise ValueError(f"a name of the board holds what is no letter ({harmless(text)})")


def check_sampled(s: Sampled) -> None:
    """One sampled input."""
    name = name_of(s.input)
    if name not in SAMPLED_UNITS:
        raise ValueError(f"the board samples {name}, which is no input to be sampled")
    if not 1 <= s.bits <= MOST_BITS:
        raise ValueError(f"{name} has counts of {s.bits} bits, the wire carries {MOST_BITS}")
    span = abs(s.scale) * ((1 << s.bits) - 1)
    if not LEAST_RANGE <= span <= MOST_RANGE:  # NaN is neither
        raise ValueError(f"{name} has a scale of {s.scale:g} a count")
    if not abs(s.zero) <= MOST_RANGE:
        raise ValueError(f"{name} has a zero of {s.zero:g}")
    _check_delay(name, s.delay_s)
    if not 0.0 <= s.u_delay_s <= MOST_DELAY_S:
        raise ValueError(f"{name} has an uncertainty of its delay of {s.u_delay_s:g} s")
    if not (math.isfinite(s.u_gain) and s.u_gain < 1.0):
        raise ValueError(f"{name} has an uncertainty of its scale of {s.u_gain:g}")
    if not (math.isfinite(s.u_zero) and s.u_zero <= MOST_RANGE):
        raise ValueError(f"{name} has an uncertainty of its zero of {s.u_zero:g}")


def check_edge(e: Edge, clock_hz: int) -> None:
    """One edge input."""
    name = name_of(e.input)
    if name not in EDGE_NAMES:
        raise ValueError(f"the board stamps edges of {name}, which is no input of edges")
    if not 1 <= e.resolution_ticks <= clock_hz:
        raise ValueError(f"{name} has time stamps of {e.resolution_ticks} ticks")
    _check_delay(name, e.delay_s)


def check_mode(m: Mode, clock_hz: int) -> None:
    """One capture mode, but for its inputs' own figures."""
    inputs = [m.first, m.second, m.third][: m.inputs]
    if not inputs or m.inputs > MOST_INPUTS or not m.row_ticks or not m.row_parts:
        raise ValueError(f"mode {m.mode} samples nothing")
    if len(set(inputs)) < len(inputs):
        raise ValueError(f"mode {m.mode} samples one input twice")
    if not LEAST_HZ <= clock_hz * m.row_parts / m.row_ticks <= min(MOST_HZ, clock_hz):
        raise ValueError(f"mode {m.mode} samples rows at no rate that can be")
    if not 0.0 <= (len(inputs) - 1) * m.step_ticks < m.row_ticks / m.row_parts:
        raise ValueError(f"mode {m.mode} samples its inputs beside their row")


def _check_delay(name: str, delay_s: float) -> None:
    if not 0.0 <= delay_s <= MOST_DELAY_S:
        raise ValueError(f"{name} has a delay of {delay_s:g} s")
