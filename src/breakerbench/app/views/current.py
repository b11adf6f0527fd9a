"""Does the coil reach its current before the points open: the rise from the first touch on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.app.views.marks import Bars, Dots
from breakerbench.app.views.one_trace import LIVE_ENTRIES, OneTrace, run_entries
from breakerbench.app.views.over_time import Laid, OverTime, laid_of
from breakerbench.app.views.words import Entry
from breakerbench.edges.shown import SlowCycles, Trace
from breakerbench.judge.specification import Specification
from breakerbench.papers.subject import COIL, Subject, band_of, missing, verdict
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import LivePictures

LIMITS = Entry("area", "band", "limits of the current at the opening", "limits")


class CurrentPicture(OneTrace):
    key, name = "current", "Current"
    title = "Does the coil reach its current?"
    waiting = (
        "Waiting for current through the coil: clip the current probe round its feed, let it turn."
    )
    edge, unit = "first touch", "A"

    def build(self) -> None:
        panel = self.panels[0]
        self._marks, self._limits = OverTime(panel, self.unit), panel.limits()
        self._end = panel.add(Dots(panel.plot, "ink", "d", 11.0, z=9.0))
        self._end_u = panel.add(Bars(panel.plot, "ink", 2.0, z=8.0))

    def live_drawn(self, pictures: LivePictures, live: Live, spec: Specification | None) -> str:
        del live
        self._laid, self._other = laid_of(pictures.current), None
        if self._laid is None:
            return ""
        stated = None if spec is None or spec.coil is None else spec.coil.current_a
        self.explain(*LIVE_ENTRIES, *([LIMITS] if stated else []))
        self._draw(self._laid, stated or (None, None), True, [])
        newest = self._laid.newest
        said = (
            f"Last {self._laid.n:,} closed times: the mean reaches {_most(self._laid.mean):.3g} A"
        )
        if newest is None or not np.isfinite(newest).any():
            return f"{said}."
        return f"{said}, the newest {_most(newest):.3g} A."

    def result_drawn(self, subject: Subject, other: Subject | None) -> str:
        self._laid = _of_cycles(subject.cycles)
        self._other = None if other is None else _of_cycles(other.cycles)
        if self._laid is None:
            return ""
        band = band_of(subject, "coil.current_a", "A")
        current, u = subject.get("coil.current_a"), subject.get("coil.u_current_a")
        entries = run_entries(subject, other, None)
        if current is not None:
            entries.append(Entry("d", "ink", "at the opening, ± uncertainty", "at the opening"))
        self.explain(*entries, *([LIMITS] if band.stated() else []))
        ends = [] if current is None else [current - (u or 0.0), current + (u or 0.0)]
        self._draw(self._laid, (band.low, band.high), False, ends)
        said = f"Mean of {self._laid.n:,} closed times at the slowest speed"
        if current is None or subject.cycles is None:
            return f"{said}. Current at the opening not measured: {subject.why('coil.current_a')}."
        x = [subject.cycles.closed_s * self._marks.scale]
        self._end.set(x, [current])
        if u is not None:
            self._end_u.set(x, [current - u], [current + u])
        word, _, text = verdict(subject, "coil.current_a", "coil.u_current_a", "A")
        return f"At the opening: {word}, {text or subject.shown.number(current, 'A', u) + ' A'}. {said}."

    def instead(self, subject: Subject) -> str:
        why = (
            missing(subject).get(COIL)
            or subject.get("why.coil")
            or "it was not kept with the result"
        )
        return f"No picture of the current: {subject.shown.sentence(why)}."

    def _draw(
        self, laid: Laid, limits: tuple[float | None, float | None], live: bool, ends: list[float]
    ) -> None:
        low, high = self._marks.draw(self.edge, "current", laid, self._other)
        self._limits.set(*limits)
        every = [low, high, 0.0, *ends, *(each for each in limits if each is not None)]
        self._marks.whole(min(every), max(every), live)


def _of_cycles(cycles: SlowCycles | None) -> Laid | None:
    trace = None if cycles is None else cycles.closed.get("current_a")
    if cycles is None or trace is None or len(trace.mean) < 3:
        return None
    # A probe turned round shows it negative.
    return of_trace(trace, cycles.closings, 1.0 if trace.mean[-1] >= 0.0 else -1.0)


def of_trace(trace: Trace, n: int, sign: float) -> Laid:
    """A mean with two standard deviations to either side."""
    mean, spread = sign * trace.mean, 2.0 * trace.std
    singles = tuple((time_s, sign * values) for time_s, values in trace.singles)
    ends = (float(trace.time_s[0]), float(trace.time_s[-1]))
    return Laid(
        trace.time_s,
        mean,
        mean - spread,
        mean + spread,
        None,
        n,
        (min(ends[0], 0.0), ends[1]),
        singles,
    )


def _most(amperes: NDArray[np.float64]) -> float:
    """The largest of these, with its sign: where the points open."""
    return float(amperes[np.nanargmax(np.abs(amperes))])
