"""Does the coil reach its current before the points open: the rise from the first touch on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.app.views.marks import Bars, Dots
from breakerbench.app.views.over_time import Laid, OverTime, columns_of, laid_of, rows_of
from breakerbench.app.views.picture import NO_TABLE, Picture, Table, named
from breakerbench.app.views.words import Entry
from breakerbench.edges.shown import SlowCycles, Trace
from breakerbench.judge.specification import Specification
from breakerbench.papers.subject import COIL, MEAN_TRACE, SPREAD, Subject, band_of, missing, verdict
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import LivePictures

LIMITS = Entry("area", "band", "limits of the current at the opening", "limits")


class CurrentPicture(Picture):
    key = "current"
    title = "Does the coil reach its current?"
    waiting = (
        "Waiting for current through the coil: clip the current probe round its feed, let it turn."
    )

    def build(self) -> None:
        panel = self.panels[0]
        self._marks, self._limits = OverTime(panel, "A"), panel.limits()
        self._end = panel.add(Dots(panel.plot, "ink", "d", 11.0, z=9.0))
        self._end_u = panel.add(Bars(panel.plot, "ink", 2.0, z=8.0))
        self._laid: Laid | None = None
        self._other: Laid | None = None

    def live_drawn(self, pictures: LivePictures, live: Live, spec: Specification | None) -> str:
        del live
        self._laid, self._other = laid_of(pictures.current), None
        if self._laid is None:
            return ""
        stated = None if spec is None or spec.coil is None else spec.coil.current_a
        entries = [
            Entry("line", "accent", "newest"), Entry("line", "ink", "mean"),
            Entry("area", "spread", "lowest to highest of the last hundred", "last hundred"),
        ]  # fmt: skip
        self.explain(*entries, *([LIMITS] if stated else []))
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
        entries = [
            Entry(
                "line", "ink", MEAN_TRACE if other is None else f"{MEAN_TRACE}, {named(subject)}"
            ),
            Entry("area", "spread", SPREAD, "± 2 sd"),
        ]
        if other is not None:
            entries.append(Entry("dashed", "muted", f"{MEAN_TRACE}, {named(other)}"))
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
        low, high = self._marks.draw("first touch", "current", laid, self._other)
        self._limits.set(*limits)
        every = [low, high, 0.0, *ends, *(each for each in limits if each is not None)]
        self._marks.whole(min(every), max(every), live)

    def says(self, panel: int, x: float) -> str:
        del panel
        name = "" if self.other is None else named(self.other)
        return (
            ""
            if self._laid is None
            else self._marks.says("first touch", x, self._laid, self._other, name)
        )

    def table(self) -> Table:
        runs = [each for each in (self._laid, self._other) if each is not None]
        rows = [(run + 1, *row) for run, laid in enumerate(runs) for row in rows_of(laid)]
        return (
            (("run", "time_s", *columns_of("a", self.subject is None)), rows) if rows else NO_TABLE
        )


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
