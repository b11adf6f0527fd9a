"""The line of an advance curve: broken, and straight between its breaks in a power of the speed.

Books draw the curve as straight pieces over the speed. Weights and springs make other ones: the
pull of the weights goes with the square of the speed (centrifugal governor, textbook mechanics), so
that each piece is about straight in the square of it, and somewhat hollow even then, because the
weights pull harder the farther out they swing. A line that is straight over the speed would put the
start of such a curve late, by tens of rpm. Which power of the speed the pieces are straight in is
therefore told from the curve, by Schwarz's criterion, as the number of breaks is; exp of half its
difference weighs the powers against each other (A. E. Raftery, Bayesian model selection in social
research, Sociological Methodology 25 (1995) 111-163; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.broken_line import BrokenLine, broken_line, refined
from breakerbench.measure.uncertainty import rectangular

Floats = NDArray[np.float64]

#: Powers of the speed that are tried.
POWERS = (1.0, 1.5, 2.0, 2.5, 3.0)
#: A curve of weights and springs is straight in none of the powers. Its start then lies within this
#: share of the way to that of the next power (checked on random weights and springs in the tests).
FORM_SHARE = 1.0
#: Speed at which a power of the speed counts as much as the speed itself, rpm.
SCALE_RPM = 1000.0


def _raised(rpm: Floats, power: float) -> Floats:
    return np.asarray(SCALE_RPM * (rpm / SCALE_RPM) ** power)


@dataclass(frozen=True, slots=True, eq=False)
class AdvanceLine:
    """A broken line in a power of the speed, seen over the speed.

    straight   the line over SCALE_RPM (rpm / SCALE_RPM) ** power
    power      one of POWERS
    top_rpm    highest speed
    u_form_rpm standard uncertainty of the first break by the form of the pieces not being known
    """

    straight: BrokenLine
    power: float
    top_rpm: float
    u_form_rpm: float

    @property
    def level(self) -> float:
        """Before the first break."""
        return self.straight.level

    @property
    def widened(self) -> float:
        return self.straight.widened

    @property
    def breaks(self) -> Floats:
        """(k,) speeds of the breaks, rising, rpm."""
        return _raised(self.straight.breaks, 1.0 / self.power)

    def _over(self, rpm: Floats) -> Floats:
        return _raised(np.maximum(rpm, 0.0), self.power)

    def _steepness(self, rpm: float) -> float:
        return float(self.power * (rpm / SCALE_RPM) ** (self.power - 1.0))

    def at(self, rpm: Floats) -> Floats:
        return self.straight.at(self._over(rpm))

    def u_at(self, rpm: float, above_level: bool = False) -> float:
        """Standard uncertainty of the line at a speed, or of it less the level."""
        return self.straight.u_at(float(self._over(np.array(rpm))), above_level)

    @property
    def u_level(self) -> float:
        return self.straight.u(0)

    @property
    def u_start_rpm(self) -> float:
        """Standard uncertainty of the first break, rpm."""
        u = self.straight.u(1 + len(self.straight.breaks))
        return float(np.hypot(u / self._steepness(float(self.breaks[0])), self.u_form_rpm))

    def slopes(self) -> list[tuple[float, float, float, float]]:
        """From, to (rpm), mean slope and its standard uncertainty (deg/rpm) after each break."""
        ends = np.append(self.breaks, self.top_rpm)
        steep = np.diff(self._over(ends)) / np.maximum(np.diff(ends), 1e-9)
        slopes = np.cumsum(self.straight.bends) * steep
        return [
            (
                float(ends[k]),
                float(ends[k + 1]),
                float(slopes[k]),
                self.straight.u_slope(k) * steep[k],
            )
            for k in range(len(slopes))
        ]


def advance_line(
    rpm: Floats, deg: Floats, u_deg: Floats, least_deg: float, power: float | None = None
) -> AdvanceLine:
    """Fit the line to points of rising speed.

    rpm, deg, u_deg  (n,) points and the standard uncertainties of deg, n of 3 or more
    least_deg        a break counts only where it moves the line somewhere by this much
    power            the power, where it is known

    Raises FitError where the points do not determine even a level.
    """
    tried: dict[float, tuple[BrokenLine, float]] = {}

    def trial(p: float) -> tuple[BrokenLine, float]:
        if p not in tried:
            x = _raised(rpm, p)
            line = broken_line(x, deg, u_deg, least_deg, fine=False)
            tried[p] = line, float((((deg - line.at(x)) / u_deg) ** 2).sum())
        return tried[p]

    def line_of(p: float, u_form_rpm: float = 0.0) -> AdvanceLine:
        line = refined(trial(p)[0], _raised(rpm, p), deg, u_deg)
        return AdvanceLine(line, p, float(rpm[-1]), u_form_rpm)

    def start_of(p: float) -> float | None:
        breaks = trial(p)[0].breaks
        return float(_raised(breaks, 1.0 / p)[0]) if len(breaks) else None

    if power is not None:
        return line_of(power)
    if not len(trial(1.0)[0].breaks):
        return line_of(1.0)
    trial(2.0)
    while True:
        scores = _scores(tried, len(rpm))
        best = min(scores, key=lambda p: (scores[p], p))
        place = POWERS.index(best)
        beside = [p for p in POWERS[max(place - 1, 0) : place + 2] if p != best]
        fresh = [p for p in beside if p not in tried]
        if not fresh:
            break
        for p in fresh:
            trial(p)
    start = start_of(best)
    if best == 1.0 or start is None:
        return line_of(best)
    apart = max((abs(s - start) for p in beside if (s := start_of(p)) is not None), default=0.0)
    # Where noise leaves it open which power it is, the start may be that of any of them.
    chances = {p: float(np.exp(0.5 * (scores[best] - score))) for p, score in scores.items()}
    starts = {p: s for p in tried if (s := start_of(p)) is not None}
    open_ = sum(chances[p] * (s - start) ** 2 for p, s in starts.items()) / sum(chances.values())
    return line_of(best, float(np.hypot(rectangular(FORM_SHARE * apart), np.sqrt(open_))))


def _scores(tried: dict[float, tuple[BrokenLine, float]], n: int) -> dict[float, float]:
    """Schwarz's criterion of each power: squares, and the number of breaks."""
    parameters = {p: 1 + 2 * len(line.breaks) for p, (line, _) in tried.items()}
    scale = max(1.0, min(s / max(n - parameters[p], 1) for p, (_, s) in tried.items()))
    return {p: s / scale + parameters[p] * float(np.log(n)) for p, (_, s) in tried.items()}
