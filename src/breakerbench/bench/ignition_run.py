"""The ignition circuit over a run: from event to event, each stretch in closed form.

Events: the contact opens and closes (given); an arc between opening contacts goes out; the gap breaks
down, goes out, and breaks down once more while it is ionised.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.contact import Contact
from breakerbench.bench.ignition import Gap, Ignition
from breakerbench.bench.ignition_events import Stretch
from breakerbench.bench.ignition_modes import CONTACT_V, GAP_A, SECONDARY_V, Modes, modes
from breakerbench.bench.ignition_path import Path
from breakerbench.bench.randomness import stream

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Complexes = NDArray[np.complex128]

#: Before the run the circuit stood this long as it is at its first moment, s.
_BEFORE_S = 1.0
#: Breakdowns of one gap between two changes of the contact; after so many it is left alone.
_MOST_BREAKDOWNS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """What happened, as stretches (n), phases of the contact (m) and breakdowns (b).

    kinds      the kinds of state there were
    start_s    (n,) when each stretch begins; the first well before the run
    kind       (n,) index into ``kinds``
    phase      (n,) phase that it lies in
    weights    (n, 4) complex amplitudes of its modes at its start
    inputs     (n, 3) supply, film or arc, gap, V
    closing    (n,) it begins with the contact closing
    begin_s    (m,) when each phase begins: the first before the run, then at each change
    closed     (m,) the contact is closed
    lobe       (m,) lobe (0, 1, ...) of the opening that it is, or that came before
    tower      (m,) tower that the rotor points to then, from 0 in the order of firing
    proper     (m,) an opening by a lobe, not a bounce or chatter
    spark_end_s   (m,) last end of a gap's current that began in the phase; NaN: it never broke down,
                  infinite: it burns yet as the run ends
    spark_cut     (m,) the contact closed before that
    breakdown_s, breakdown_v, breakdown_phase  (b,) of every breakdown: when, at which voltage of the
                  secondary (with its sign), in which phase
    """

    kinds: tuple[Modes, ...]
    start_s: Floats
    kind: Ints
    phase: Ints
    weights: Complexes
    inputs: Floats
    closing: Bools
    begin_s: Floats
    closed: Bools
    lobe: Ints
    tower: Ints
    proper: Bools
    spark_end_s: Floats
    spark_cut: Bools
    breakdown_s: Floats
    breakdown_v: Floats
    breakdown_phase: Ints

    def at(self, signal: int, time_s: Floats, before: bool = False) -> Floats:
        """A signal (a row of ``Modes.outputs``) at times; ``before``: just before an event there."""
        row = np.searchsorted(self.start_s, time_s, side="left" if before else "right") - 1
        row = np.maximum(row, 0)
        found = np.empty(len(row))
        for number in np.unique(self.kind[row]):
            pick = self.kind[row] == number
            kind, rows = self.kinds[number], row[pick]
            since = (time_s[pick] - self.start_s[rows])[:, None]
            swing = (self.weights[rows] * kind.shown[signal] * np.exp(kind.rates * since)).real
            found[pick] = swing.sum(axis=1) + self.inputs[rows] @ kind.levels[signal]
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Turns:
    """What belongs to each phase of a contact (its first state, then each change): see ``Run``."""

    lobe: Ints
    tower: Ints
    proper: Bools


def run_ignition(
    circuit: Ignition, contact: Contact, turns: Turns, drift_per_s: float, seed: int
) -> Run:
    """The circuit under a contact.

    drift_per_s  change of the supply a second, as a share; it is taken over at each change of the contact
    """
    return _Solver(circuit, contact, turns, drift_per_s, seed).run()


class _Solver:
    def __init__(
        self, circuit: Ignition, contact: Contact, turns: Turns, drift_per_s: float, seed: int
    ) -> None:
        self._circuit = circuit
        self._turns = turns
        self._drift = drift_per_s
        self._closed = np.concatenate(([contact.closed_at_start], contact.closed)).astype(bool)
        first = min(0.0, float(contact.time_s[0])) if contact.time_s.size else 0.0
        self._begin = np.concatenate(([first - _BEFORE_S], contact.time_s))
        phases = self._begin.size
        chance = stream(seed, "film").standard_normal(phases)
        self._film = np.maximum(circuit.film_v + circuit.film_spread_v * chance, 0.0)
        chance = stream(seed, "gap").standard_normal((phases, 2))
        self._breakdown_chance, self._burn = np.clip(chance, -3.0, 3.0).T
        # what is drawn for an opening holds until the next one by a lobe
        self._firing = np.maximum.accumulate(np.where(turns.proper, np.arange(phases), 0))
        self._known: dict[tuple[int, bool, Gap], int] = {}
        self._kinds: list[Modes] = []
        # by stretch, see Run; plain bytes, as there may be a million
        self._start, self._number = array("d"), array("q")
        self._phases, self._closing = array("q"), array("b")
        self._weights, self._inputs = array("d"), array("d")
        self._breakdowns: list[tuple[float, float, int]] = []
        self._spark_end = np.full(phases, np.nan)
        self._spark_cut = np.zeros(phases, bool)
        # what goes on over the changes of the contact: the state, and what the gap does
        self._state: Floats | None = None
        self._burning = 0.0  # direction of its current; 0: it does not burn
        self._spark_phase = 0
        self._ionised_to = -np.inf

    def run(self) -> Run:
        ends = np.append(self._begin[1:], np.inf).tolist()
        for phase, end_s in enumerate(ends):
            self._phase(phase, end_s)
        broke = self._breakdowns
        return Run(
            kinds=tuple(self._kinds),
            start_s=np.array(self._start),
            kind=np.array(self._number),
            phase=np.array(self._phases),
            weights=np.array(self._weights).view(np.complex128).reshape(-1, 4),
            inputs=np.array(self._inputs).reshape(-1, 3),
            closing=np.array(self._closing, bool),
            begin_s=self._begin,
            closed=self._closed,
            lobe=self._turns.lobe,
            tower=self._turns.tower,
            proper=self._turns.proper,
            spark_end_s=self._spark_end,
            spark_cut=self._spark_cut,
            breakdown_s=np.array([row[0] for row in broke]),
            breakdown_v=np.array([row[1] for row in broke]),
            breakdown_phase=np.array([row[2] for row in broke], np.int64),
        )

    def _phase(self, phase: int, end_s: float) -> None:
        """All stretches from one change of the contact to the next."""
        tower = int(self._turns.tower[phase])
        gap = self._circuit.gap(tower)
        now = float(self._begin[phase])
        if self._burning and tower != self._turns.tower[phase - 1]:
            # The rotor has come to the next tower: what burned at the last one is over.
            self._gap_out(now)
        closed = bool(self._closed[phase])
        path = Path.of(self._circuit, closed, float(self._film[phase]), self._state)
        closing, breakdowns = closed and phase > 0, 0
        while True:
            at = self._begin_stretch(now, path, phase, closing)
            closing = False
            wait, event = end_s - now, ""
            changes = path.changes(at, wait)
            if changes is not None:
                wait, event = changes, "path"
            if self._burning:
                out = at.first_reach(GAP_A, -self._burning, -gap.hold_a, wait)
                if out is not None:
                    wait, event = out, "gap out"
            elif gap.breakdown_v is not None and breakdowns < _MOST_BREAKDOWNS:
                out = self._breakdown(at, gap, phase, now, wait)
                if out is not None:
                    wait, event = out, "gap"
            if not event and not np.isfinite(end_s):
                return
            self._state = at.state(wait)
            if not event:
                return
            now += wait
            if event == "path":
                path = path.changed(at.value(CONTACT_V, wait))
            elif event == "gap out":
                self._gap_out(now)
                self._ionised_to = now + gap.ionised_s
            else:
                breakdowns += 1
                high = at.value(SECONDARY_V, wait)
                self._burning = float(np.sign(high))
                self._spark_phase = phase
                self._spark_end[phase] = np.inf
                self._breakdowns.append((now, high, phase))

    def _begin_stretch(self, now: float, path: Path, phase: int, closing: bool) -> Stretch:
        """Put down the stretch that begins now; the very first is at rest."""
        key = path.contact, self._burning != 0.0, self._circuit.gap(int(self._turns.tower[phase]))
        if key not in self._known:
            self._known[key] = len(self._kinds)
            self._kinds.append(modes(self._circuit, *key))
        number = self._known[key]
        kind = self._kinds[number]
        supply = self._circuit.volts * (1.0 + self._drift * max(float(self._begin[phase]), 0.0))
        inputs = np.array([supply, path.drop_v, self._burning * self._burn_v(phase)])
        rest = kind.rest @ inputs
        if self._state is None:
            self._state = rest
        weights = kind.inverse @ (self._state - rest)
        self._start.append(now)
        self._number.append(number)
        self._phases.append(phase)
        self._closing.append(closing)
        self._weights.frombytes(weights.tobytes())
        self._inputs.frombytes(inputs.tobytes())
        return Stretch(kind, weights, inputs)

    def _burn_v(self, phase: int) -> float:
        """Voltage that the gap burns at in a phase, at no current, V."""
        gap = self._circuit.gap(int(self._turns.tower[phase]))
        return gap.burn_v * (1.0 + gap.burn_spread * float(self._burn[self._firing[phase]]))

    def _breakdown(
        self, at: Stretch, gap: Gap, phase: int, now: float, wait: float
    ) -> float | None:
        """When the gap breaks down within a stretch, s after its begin."""
        assert gap.breakdown_v is not None
        chance = float(self._breakdown_chance[self._firing[phase]])
        limit = gap.breakdown_v * (1.0 + gap.breakdown_spread * chance)
        ionised = min(self._ionised_to - now, wait)
        if ionised <= 0.0:
            return at.first_either(SECONDARY_V, limit, wait)
        again = min(gap.restrike * self._burn_v(phase), limit)
        found = at.first_either(SECONDARY_V, again, ionised)
        if found is not None or ionised == wait:
            return found
        return at.first_either(SECONDARY_V, limit, wait, ionised)

    def _gap_out(self, now: float) -> None:
        self._burning = 0.0
        phase = self._spark_phase
        self._spark_end[phase] = now
        self._spark_cut[phase] = phase + 1 < self._begin.size and now > self._begin[phase + 1]
