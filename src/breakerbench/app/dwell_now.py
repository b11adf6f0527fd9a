"""The dwell while the gap is set: has it settled, which way to turn and how far. No Qt here."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from breakerbench.judge.points_sets import dwell_limits
from breakerbench.judge.specification import Specification
from breakerbench.papers.advice import turn_words
from breakerbench.papers.words import Shown
from breakerbench.result.live import Live

#: Settled: over so long, s, the mean of the later half is that of the earlier within so much, deg, and
#: all readings lie within so much: a turn of the screw moves it on, a worn bushing lets it wander about.
#: Common practice, no source.
SETTLED_S, MOVES_DEG, WANDERS_DEG = 1.6, 0.4, 5.0
#: Nearer to the aim than this there is nothing to be gained, deg.
NEAR_DEG = 0.4
#: From this much on it is said that the reading wanders, deg.
SAID_DEG = 1.0
#: A reading is old after so long, s.
OLD_S = 0.6


@dataclass(frozen=True)
class DwellNow:
    """None where it is not known.

    unit     "deg", or "%" of the lobe's pitch where nothing tells an angle
    dwell    of the last revolution; mean: of the last SETTLED_S once it has settled, else None
    low, high, aim   of the specification, in ``unit``
    spread   of the readings of that time
    turn     how far to set the gap and which way; None: leave it, or nothing can be said
    """

    unit: str = "deg"
    dwell: float | None = None
    mean: float | None = None
    low: float | None = None
    high: float | None = None
    aim: float | None = None
    spread: float = 0.0
    turn: str | None = None

    @property
    def inside(self) -> bool:
        """The settled dwell lies within the limits that there are."""
        if self.mean is None:
            return False
        above = self.low is None or self.mean >= self.low
        return above and (self.high is None or self.mean <= self.high)


class DwellWatch:
    """Takes each reading as it comes."""

    def __init__(self, spec: Specification | None, shown: Shown) -> None:
        self.spec, self.shown = spec, shown
        self._last: deque[tuple[float, float]] = deque()
        self.unit = "deg"
        #: The newest dwell that had settled, in ``unit``.
        self.settled: float | None = None

    def clear(self) -> None:
        """The screw was turned, or another trace begins."""
        self._last.clear()

    def add(self, at_s: float, live: Live) -> DwellNow:
        """at_s: when it was read, on any clock that goes on."""
        unit, dwell = _read(live, self.unit)
        if unit != self.unit:
            self.unit, self.settled = unit, None
            self.clear()
        low, high, aim = self._limits(unit)
        if dwell is None or (live.stale_s or 0.0) > OLD_S or live.first_look:
            self.clear()
            return DwellNow(unit, dwell if live.first_look else None, None, low, high, aim)
        if not self._last or self._last[-1][0] < at_s:
            self._last.append((at_s, dwell))
        while self._last[0][0] < at_s - SETTLED_S:
            self._last.popleft()
        values = [value for _, value in self._last]
        mean, spread = sum(values) / len(values), max(values) - min(values)
        if not self._stands(at_s, spread):
            return DwellNow(unit, dwell, None, low, high, aim, spread)
        self.settled = mean
        return DwellNow(unit, dwell, mean, low, high, aim, spread, self._turn(unit, mean, aim))

    def _stands(self, at_s: float, spread: float) -> bool:
        per_deg = self._per_deg(self.unit)
        begin_s = self._last[0][0]
        middle_s = 0.5 * (begin_s + at_s)
        early = [value for when, value in self._last if when < middle_s]
        late = [value for when, value in self._last if when >= middle_s]
        if at_s - begin_s < 0.85 * SETTLED_S or len(early) < 3 or len(late) < 3:
            return False
        moved = abs(sum(late) / len(late) - sum(early) / len(early))
        return moved <= MOVES_DEG * per_deg and spread <= WANDERS_DEG * per_deg

    def _turn(self, unit: str, mean: float, aim: float | None) -> str | None:
        spec = self.spec
        if spec is None or aim is None:
            return None
        per_deg = self._per_deg(unit)
        dwell_deg, aim_deg = mean / per_deg, aim / per_deg
        if abs(dwell_deg - aim_deg) < NEAR_DEG:
            return None
        return turn_words(dwell_deg, aim_deg, spec, self.shown)

    def _limits(self, unit: str) -> tuple[float | None, float | None, float | None]:
        if self.spec is None:
            return None, None, None
        low, high, aim = dwell_limits(self.spec, None)
        per_deg = self._per_deg(unit)
        scaled = [None if x is None else x * per_deg for x in (low, high, aim)]
        return scaled[0], scaled[1], scaled[2]

    def _per_deg(self, unit: str) -> float:
        """Of ``unit`` in a degree; without the lobes there are no limits, and any will do."""
        if unit == "deg" or self.spec is None:
            return 1.0
        return 100.0 / self.spec.distributor.pitch_deg


def _read(live: Live, unit: str) -> tuple[str, float | None]:
    """In degrees where there are any; in ``unit`` as before while nothing is read."""
    if live.dwell_deg is not None:
        return "deg", live.dwell_deg
    return (unit, None) if live.dwell_percent is None else ("%", live.dwell_percent)
