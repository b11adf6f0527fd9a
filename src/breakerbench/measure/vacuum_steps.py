"""Which revolutions of a run belong to which step of the vacuum, and which of them are settled.

The steps are entered by hand, so that they may come a second early or late, and the pump takes its
time: what is settled is told from the openings themselves, and nothing is fitted across what is not.
A run with steps is held revolution by revolution (some 150 bytes each), not by samples.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Fewest settled revolutions of a step.
LEAST = 10
#: And fewest of all of its revolutions.
LEAST_SHARE = 1.0 / 3.0
#: Revolutions of the running mean by which it is told whether the openings keep still, how far off
#: it may be in any case (deg), and in units of its own noise.
RUNNING = 5
STILL_DEG = 0.03
STILL_NOISES = 3.5
#: Part of a steady step in which the level is looked for: late, but not where a pump comes early.
CORE = (0.5, 0.9)
#: A stretch is steady where its speeds lie within this share of each other, or within so many rpm.
STEADY_SHARE = 0.02
STEADY_RPM = 10.0
FEW = f"fewer than {LEAST} revolutions"


@dataclass(frozen=True, slots=True, eq=False)
class Revolutions:
    """Whole revolutions in order, m of them.

    begin_s, end_s     (m,) instants of the first and the last opening
    turn, rpm, phase   (m,) number, speed, place of the openings as a whole (deg)
    error, dwell       (m, lobes) spacing error; dwell less the first one seen, nan where not known
    lost               (m,) degrees lost to bounce, mean of the lobes
    u_open2, u_touch2  (m,) placement variances, s^2
    touch              (m, lobes) place of the touch before each opening, deg
    moving             (m,) the advance moves
    """

    begin_s: Floats
    end_s: Floats
    turn: Ints
    rpm: Floats
    phase: Floats
    error: Floats
    dwell: Floats
    lost: Floats
    u_open2: Floats
    u_touch2: Floats
    touch: Floats
    moving: Bools

    def __len__(self) -> int:
        return len(self.turn)

    def take(self, pick: slice | Bools | Ints) -> Revolutions:
        return Revolutions(*(getattr(self, f.name)[pick] for f in fields(self)))


def join_revolutions(parts: list[Revolutions]) -> Revolutions:
    if len(parts) == 1:
        return parts[0]
    names = [f.name for f in fields(Revolutions)]
    return Revolutions(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """One vacuum, held from one instant to the next; ``rows`` are its settled revolutions."""

    kpa: float
    rows: Ints
    why: str = ""


def find_steps(steps: Sequence[tuple[float, float]], r: Revolutions) -> list[Step]:
    """The settled revolutions of every step.

    steps  (seconds, kPa) as told, in order; before the first one there is no vacuum
    """
    told = list(steps)
    if told and told[0][0] > 0.0:
        told.insert(0, (0.0, 0.0))
    ends = [at for at, _ in told[1:]] + [np.inf]
    found = []
    usual = noise(r.phase) if len(r) > 1 else 0.0  # a step of few revolutions tells it badly
    for number, ((at, kpa), end) in enumerate(zip(told, ends, strict=True)):
        inside = np.flatnonzero((r.begin_s >= at) & (r.end_s < end))
        if not len(inside) and kpa == 0.0 and at == 0.0:
            continue
        first, last = number == 0, number == len(told) - 1
        begin, stop, why = _settled(r.phase[inside], r.rpm[inside], usual, first, last)
        found.append(Step(kpa, inside[begin:stop], why))
    return found


def is_steady(rpm: Floats) -> bool:
    return float(np.ptp(rpm)) <= max(STEADY_SHARE * float(np.median(rpm)), STEADY_RPM)


def _settled(
    phase: Floats, rpm: Floats, usual: float, first: bool, last: bool
) -> tuple[int, int, str]:
    """Begin and end of the settled revolutions of a step, and why there are none.

    usual        noise of one revolution in the whole run, deg
    first, last  nothing was changed before it, after it
    """
    n = len(phase)
    if n < LEAST:
        return 0, 0, FEW
    if is_steady(rpm):
        core = (int(CORE[0] * n), max(int(CORE[1] * n), int(CORE[0] * n) + RUNNING))
        begin, stop = _still_around(phase, core, usual)
        begin, stop = 0 if first else begin, n if last else stop
    else:
        # The speed moves the openings too: only where it keeps still can the vacuum's part be told.
        away = np.abs(rpm - rpm[0]) > max(STEADY_SHARE * rpm[0], STEADY_RPM)
        head = int(np.argmax(away))
        away = np.abs(rpm - rpm[-1]) > max(STEADY_SHARE * rpm[-1], STEADY_RPM)
        tail = n - int(np.argmax(away[::-1]))
        begin, stop = 0, n
        if not first:
            if head < LEAST:
                return 0, 0, "the speed changed before the openings had settled"
            begin, _ = _still_around(phase[:head], (head // 2, head), usual)
        if not last:
            rest = n - tail
            if rest >= LEAST:
                stop = tail + _still_around(phase[tail:], (0, rest // 2), usual)[1]
            elif head >= LEAST:
                stop = head  # the vacuum came while the speed changed: what was before both is good
            else:
                return 0, 0, "the vacuum changed while the speed did"
    if stop - begin < max(LEAST, LEAST_SHARE * n):
        return (
            0,
            0,
            "the openings did not come to rest: the vacuum leaks, or it was held too briefly",
        )
    return begin, stop, ""


def noise(phase: Floats) -> float:
    """Standard deviation of one revolution, from neighbours: steps and drift do not count."""
    return float(np.median(np.abs(np.diff(phase)))) / 0.6745 / float(np.sqrt(2.0))


def _still_around(phase: Floats, core: tuple[int, int], usual: float) -> tuple[int, int]:
    """The stretch around ``core`` in which the running mean stays at the core's level."""
    level = float(np.median(phase[core[0] : core[1]]))
    sums = np.cumsum(np.concatenate([[0.0], phase]))
    running = (sums[RUNNING:] - sums[:-RUNNING]) / RUNNING
    allowed = max(STILL_DEG, STILL_NOISES * max(noise(phase), usual) / float(np.sqrt(RUNNING)))
    moved = np.flatnonzero(np.abs(running - level) > allowed)
    middle = (core[0] + core[1]) // 2
    before, after = moved[moved < middle], moved[moved >= middle]
    begin = int(before[-1]) + RUNNING if len(before) else 0
    stop = int(after[0]) if len(after) else len(phase)
    return begin, max(stop, begin)


@dataclass(slots=True)
class Held:
    """All revolutions of a run with vacuum steps, kept until it is told which of them count.

    parts  revolutions as they came; None where a hole cut them
    """

    steps: Sequence[tuple[float, float]]
    parts: list[Revolutions | None] = field(default_factory=list)

    def all(self) -> Revolutions | None:
        some = [part for part in self.parts if part is not None]
        return join_revolutions(some) if some else None

    def find(self) -> list[Step]:
        rows = self.all()
        return [] if rows is None else find_steps(self.steps, rows)

    def counting(self) -> Iterator[Revolutions | None]:
        """What dwell, scatter and centrifugal advance are taken from, in order, with the cuts.

        The settled revolutions at 0 kPa; all revolutions where there are none of these.
        """
        zero = at_zero(self.find())
        begin = 0
        for part in self.parts:
            if part is None:
                yield None
                continue
            end = begin + len(part)
            if not len(zero):
                yield part
            else:
                mine = zero[(zero >= begin) & (zero < end)] - begin
                if len(mine):
                    yield part.take(mine)
            begin = end


def at_zero(steps: list[Step]) -> Ints:
    """The settled revolutions of all steps at 0 kPa."""
    found = [step.rows for step in steps if step.kpa == 0.0]
    return np.concatenate(found) if found else np.empty(0, np.int64)
