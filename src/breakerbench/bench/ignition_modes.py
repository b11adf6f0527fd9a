"""The ignition circuit between two events: linear, and so a sum of exponentials, exactly.

State ``z``: primary current, condenser voltage, secondary current, secondary voltage, each scaled to the
root of twice its energy (``i sqrt(L)``, ``v sqrt(C)``), which keeps the matrix well balanced: its
eigenvalues run from some hundred to 1e9 per second. Inputs ``u``: supply, film or arc of the contact,
burning gap, V. With ``z' = A z + B u`` and ``A = V diag(lam) V^-1``

    z(t) = rest + V exp(lam t) V^-1 (z(0) - rest),    rest = -A^-1 B u

and every signal is ``level + sum(Re(a_k exp(lam_k t)))``; of two conjugate modes one is kept, twice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.ignition import Gap, Ignition

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

OPEN, CLOSED, ARC = 0, 1, 2

#: Rows of ``Modes.outputs``: signals to ground with the probe at each place, and inner quantities.
POINTS_V, CURRENT_A, SUPPLY_V, CONTACT_V, PLATE_V, CLAMP_V, CONTACT_A, SECONDARY_V, GAP_A = range(9)

#: A resistance that is never undercut where one must be there, ohm.
_LEAST_OHM = 1e-4
#: Eigenvectors worse than this are pulled apart by changing the circuit by a millionth.
_WORST = 1e6
#: Resistance of the arc between opening contacts, ohm.
_ARC_OHM = 0.5
#: Without a condenser the strays are in series with this, ohm.
_STRAY_OHM = 20.0

GRID = 128


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """One kind of state of the circuit.

    rates    (4,) complex, 1/s; those of modes that are not there are 0
    vectors  (4, 4) complex: state by mode
    inverse  (4, 4) complex: mode by state
    rest     (4, 3): state at rest by inputs
    outputs  (9, 4), inputs (9, 3): signals by state and by inputs
    shown    (9, 4) complex: signals by mode, ``outputs @ vectors``
    levels   (9, 3): signals at rest by inputs
    step_s   distance of the grid on which events are looked for, s
    grid     (4, GRID + 1) complex: the exponentials on it; sizes: their magnitudes
    bends    (4,) how far a mode of amplitude 1 may leave its chord between two points of the grid
    """

    rates: Complexes
    vectors: Complexes
    inverse: Complexes
    rest: Floats
    outputs: Floats
    inputs: Floats
    shown: Complexes
    levels: Floats
    step_s: float
    grid: Complexes
    sizes: Floats
    bends: Floats


def scales(circuit: Ignition) -> Floats:
    """Of the state: what a current or voltage of 1 is in it."""
    farad = condenser(circuit)[0], circuit.secondary_f
    henry = circuit.coil_h, circuit.coil_h * circuit.turns**2
    return np.array([math.sqrt(x) for x in (henry[0], farad[0], henry[1], farad[1])])


def condenser(circuit: Ignition) -> tuple[float, float]:
    """Capacitance across the points, F, and the resistance in series with it, ohm."""
    if circuit.condenser_f <= circuit.stray_f:
        return circuit.stray_f, max(_STRAY_OHM, circuit.condenser_ohm)
    return circuit.condenser_f, max(circuit.condenser_ohm, _LEAST_OHM)


def branch_ohm(circuit: Ignition, contact: int) -> float:
    """From the terminal of the points to the body, the contact CLOSED or in an ARC, ohm."""
    branch = circuit.lead_ohm + circuit.contact_ohm + circuit.plate_ohm
    return max(branch + (_ARC_OHM if contact == ARC else 0.0), _LEAST_OHM)


def modes(circuit: Ignition, contact: int, burning: bool, gap: Gap) -> Modes:
    """The circuit with the contact OPEN, CLOSED or in an ARC, and a gap that burns or not."""
    matrix, forced, outputs, inputs = _equations(circuit, contact, burning, gap)
    scale = scales(circuit)
    matrix = scale[:, None] * matrix / scale
    forced = scale[:, None] * forced
    outputs = outputs / scale
    rates, vectors = np.linalg.eig(matrix)
    nudge = 1e-6
    while np.linalg.cond(vectors) > _WORST and nudge < 1e-3:
        matrix = matrix + np.diag(nudge * np.array([1.0, -0.7, 0.4, 1.3]) * np.diag(matrix))
        rates, vectors = np.linalg.eig(matrix)
        nudge *= 4.0
    inverse = np.linalg.inv(vectors).astype(np.complex128)
    rates = np.asarray(rates, np.complex128)
    kept = np.flatnonzero(rates.imag >= 0.0)
    twice = np.where(rates[kept].imag > 0.0, 2.0, 1.0)
    some = np.zeros(4, np.complex128)
    some[: kept.size] = rates[kept]
    columns = np.zeros((4, 4), np.complex128)
    columns[:, : kept.size] = vectors[:, kept] * twice
    rows = np.zeros((4, 4), np.complex128)
    rows[: kept.size] = inverse[kept]
    rest = np.asarray(-np.linalg.solve(matrix, forced), np.float64)
    swift = float(np.max(np.abs(some.imag)))
    slow = float(np.min(-some[: kept.size].real))
    step_s = 2.0 * np.pi / (16.0 * swift) if swift > 16.0 * slow else 0.1 / slow
    grid = np.exp(some[:, None] * step_s * np.arange(GRID + 1))
    return Modes(
        rates=some,
        vectors=columns,
        inverse=rows,
        rest=rest,
        outputs=outputs,
        inputs=inputs,
        shown=outputs @ columns,
        levels=outputs @ rest + inputs,
        step_s=step_s,
        grid=grid,
        sizes=np.abs(grid),
        bends=bends(some, step_s),
    )


def bends(rates: Complexes, step_s: float) -> Floats:
    """Most that exp(rate t) of each rate leaves its chord over a step, as a share of its start.

    ``h^2 / 8`` times the second derivative, and never more than both ends and itself allow.
    """
    return np.asarray(np.minimum(np.abs(rates) ** 2 * step_s**2 / 8.0, 2.0), np.float64)


def _equations(
    circuit: Ignition, contact: int, burning: bool, gap: Gap
) -> tuple[Floats, Floats, Floats, Floats]:
    """Matrix, input matrix, outputs by state and outputs by inputs, in A, V and ohm.

    Kirchhoff's laws about the terminal of the points; ``v_b`` is its voltage to the body.
    """
    farad, series = condenser(circuit)
    current, charge, second, high = np.eye(4)
    supply, film, burn = np.eye(3)
    none4, none3 = np.zeros(4), np.zeros(3)
    if contact == OPEN:
        v_b, v_b_in = charge + series * current, none3
        through, through_in = none4, none3
    else:
        branch = branch_ohm(circuit, contact)
        both = 1.0 / (1.0 / branch + 1.0 / series)
        v_b, v_b_in = both * (current + charge / series), both / branch * film
        through, through_in = v_b / branch, (v_b_in - film) / branch
    points, points_in = v_b + circuit.clamp_ohm * current, v_b_in
    primary = -(circuit.source_ohm + circuit.coil_ohm) * current - points
    primary_in = supply - points_in
    charging = (v_b - charge) / series - charge / circuit.leakage_ohm
    secondary = -circuit.secondary_ohm * second - high
    leak = 1.0 / circuit.loss_ohm + (1.0 / gap.leak_ohm if gap.leak_ohm else 0.0)
    spark = (high / gap.slope_ohm if burning else none4) + 0.0
    spark_in = -burn / gap.slope_ohm if burning else none3
    filling = second - leak * high - spark
    coil_h = circuit.coil_h
    mutual = circuit.coupling * circuit.turns * coil_h
    coils = np.linalg.inv(
        np.array([[coil_h, mutual], [mutual, coil_h * circuit.turns**2]]),
    )
    matrix = np.stack(
        (
            coils[0, 0] * primary + coils[0, 1] * secondary,
            charging / farad,
            coils[1, 0] * primary + coils[1, 1] * secondary,
            filling / circuit.secondary_f,
        )
    )
    forced = np.stack(
        (
            coils[0, 0] * primary_in,
            v_b_in / series / farad,
            coils[1, 0] * primary_in,
            -spark_in / circuit.secondary_f,
        )
    )
    if contact == OPEN:
        across, across_in = v_b, none3
    else:
        across, across_in = circuit.contact_ohm * through, circuit.contact_ohm * through_in + film
        if contact == ARC:
            across, across_in = across + _ARC_OHM * through, across_in + _ARC_OHM * through_in
    outputs = np.stack(
        (
            points,
            current,
            -circuit.source_ohm * current,
            across,
            circuit.plate_ohm * through,
            circuit.clamp_ohm * current,
            through,
            high,
            spark,
        )
    )
    inputs = np.stack(
        (
            points_in,
            none3,
            supply,
            across_in,
            circuit.plate_ohm * through_in,
            none3,
            through_in,
            none3,
            spark_in,
        )
    )
    return matrix, forced, outputs, inputs
