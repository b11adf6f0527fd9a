"""Is the dwell of each lobe right: a mark for each lobe against the limits and the aim."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from breakerbench.app.views.by_lobe import LIMITS, ByLobe, Floats, shown_figure, there, to_length
from breakerbench.app.views.marks import Bars, Dots
from breakerbench.app.views.panel import Panel
from breakerbench.app.views.picture import unit_name
from breakerbench.app.views.words import Entry
from breakerbench.judge.points_sets import dwell_limits
from breakerbench.judge.specification import Specification
from breakerbench.papers.subject import Band, Subject, band_of, verdict
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import LivePictures


class LobesPicture(ByLobe):
    key, name = "lobes", "Dwell of lobes"
    title = "Is the dwell of each lobe right?"
    waiting = (
        "Waiting for two whole turns: the dwell of each lobe is told by the index of the shaft."
    )
    least_span_deg = 2.0
    figure, axis = "dwell", "dwell"

    def build_live(self, panel: Panel) -> None:
        self._spread = panel.add(Bars(panel.plot, "spread", 9.0, z=3.0))
        self._newest = panel.add(Dots(panel.plot, "accent", "d", 12.0))

    def live_drawn(self, pictures: LivePictures, live: Live, spec: Specification | None) -> str:
        del live
        turns = pictures.lobe_dwell_deg * self.shown.factor("deg")
        if not there(turns):
            return ""
        newest = turns[-1]
        _, low, high = self._spread_of(turns)
        lobes = np.arange(1.0, turns.shape[1] + 1.0)
        self._spread.set(lobes, low, high)
        self._newest.set(lobes, newest)
        entries = [
            Entry("d", "accent", "newest turn"),
            Entry("bar", "spread", "lowest to highest of the last hundred turns", "last hundred"),
        ]
        band = Band() if spec is None else self._stated(spec)
        self._against(band, entries, len(lobes), [low, high, newest], steady=True)
        unit = unit_name(self.shown)
        self._columns = (f"newest_{unit}", f"lowest_{unit}", f"highest_{unit}")
        self._rows = [newest, low, high]
        if not np.isfinite(newest).any():
            return f"Last {len(turns):,} turns; the newest is not known."
        said = f"Newest turn: mean {np.nanmean(newest):.2f} {self._unit}"
        if len(lobes) > 1:
            said += f", lobes {np.nanmin(newest):.2f} to {np.nanmax(newest):.2f} {self._unit}"
        return f"{said}. Last {len(turns):,} turns."

    def result_drawn(self, subject: Subject, other: Subject | None) -> str:
        values, _ = self.of_lobes(subject)
        if not np.isfinite(values).any():
            return ""
        entries, seen = self._runs_drawn(subject, other)
        band = band_of(subject, "dwell.mean_deg", "deg", subject.aim_deg)
        self._against(band, entries, len(values), seen, steady=False)
        mean, shown = subject.get("dwell.mean_deg"), subject.shown
        if mean is None:
            return f"Dwell of each of {len(values)} lobes, {self._unit}."
        word, _, text = verdict(subject, "dwell.mean_deg", "dwell.u_deg")
        number = f"{shown.number(mean, 'deg', subject.get('dwell.u_deg'))} {self._unit}"
        return f"Mean dwell: {word}, {text or number}."

    def instead(self, subject: Subject) -> str:
        return f"No dwell of each lobe in this result: {subject.why('dwell.per_lobe_deg')}."

    def of_lobes(self, subject: Subject) -> tuple[Floats, Floats]:
        values = subject.scaled(subject.get("dwell.per_lobe_deg") or [], "deg")
        us = subject.scaled(subject.get("dwell.u_per_lobe_deg") or [], "deg")
        return np.array(values, float), to_length(np.array(us, float), len(values))

    def says_live(self, row: Sequence[float]) -> str:
        newest, low, high = (shown_figure(each) for each in row)
        return f"newest {newest}, lowest {low}, highest {high}"

    def _stated(self, spec: Specification) -> Band:
        low, high, aim = (
            None if each is None else each * self.shown.factor("deg")
            for each in dwell_limits(spec, None)
        )
        return Band(low, high, aim)

    def _against(
        self, band: Band, entries: list[Entry], lobes: int, seen: Sequence[Floats], steady: bool
    ) -> None:
        """The limits and the aim, their place in the legend, and the field."""
        if band.low is not None or band.high is not None:
            entries.append(LIMITS)
        if band.aim is not None:
            entries.append(Entry("dashed", "ink", f"aim {band.aim:.6g} {self._unit}"))
        self.explain(*entries)
        self._limits.set(band.low, band.high, band.aim)
        self._axes(lobes, seen, band.stated(), steady)
