"""Is the dwell of each lobe right: a mark for each lobe against the limits and the aim."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from breakerbench.app.views.marks import Bars, Dots
from breakerbench.app.views.over_time import known
from breakerbench.app.views.picture import NO_TABLE, Picture, Table, named, unit_name
from breakerbench.app.views.words import Entry
from breakerbench.judge.points_sets import dwell_limits
from breakerbench.judge.specification import Specification
from breakerbench.papers.subject import Band, Subject, band_of, verdict
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import LivePictures

Floats = NDArray[np.float64]

#: Less than this is not spread over the whole height, deg: noise is not to look large.
LEAST_SPAN_DEG = 2.0
#: Marks of two runs stand so far to either side of their lobe.
BESIDE = 0.14
#: Half the width of the caps of a whisker, lobes.
CAP = 0.05


class LobesPicture(Picture):
    key = "lobes"
    title = "Is the dwell of each lobe right?"
    waiting = (
        "Waiting for two whole turns: the dwell of each lobe is told by the index of the shaft."
    )

    def build(self) -> None:
        panel = self.panels[0]
        plot = panel.plot
        self._limits = panel.limits()
        self._spread = panel.add(Bars(plot, "spread", 9.0, z=3.0))
        self._newest = panel.add(Dots(plot, "accent", "d", 12.0))
        self._whiskers = panel.add(Bars(plot, "ink", 1.8, cap=CAP, z=5.0))
        self._measured = panel.add(Dots(plot, "ink", "o", 10.0))
        self._other_whiskers = panel.add(Bars(plot, "muted", 1.4, cap=CAP, z=4.0))
        self._other_dots = panel.add(Dots(plot, "muted", "s", 9.0, hollow=True, z=6.0))
        self._columns: tuple[str, ...] = ()
        self._rows: list[Floats] = []  # of each column, a figure for each lobe

    @property
    def _unit(self) -> str:
        return self.shown.unit("deg")

    def live_drawn(self, pictures: LivePictures, live: Live, spec: Specification | None) -> str:
        del live
        turns = pictures.lobe_dwell_deg * self.shown.factor("deg")
        if turns.ndim != 2 or not turns.shape[1] or not np.isfinite(turns).any():
            return ""
        newest = turns[-1]
        there = np.isfinite(turns).any(axis=0)
        low, high = np.full(turns.shape[1], np.nan), np.full(turns.shape[1], np.nan)
        low[there] = np.nanmin(turns[:, there], axis=0)
        high[there] = np.nanmax(turns[:, there], axis=0)
        lobes = np.arange(1.0, turns.shape[1] + 1.0)
        self._spread.set(lobes, low, high)
        self._newest.set(lobes, newest)
        band = Band() if spec is None else self._stated(spec)
        self._explain(
            band, Entry("d", "accent", "newest turn"),
            Entry("bar", "spread", "lowest to highest of the last hundred turns", "last hundred"),
        )  # fmt: skip
        self._axes(lobes, [low, high, newest], band, steady=True)
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
        values, us = _figures(subject)
        if not np.isfinite(values).any():
            return ""
        beside = BESIDE if other is not None else 0.0
        lobes = np.arange(1.0, len(values) + 1.0)
        self._whiskers.set(lobes - beside, values - us, values + us)
        self._measured.set(lobes - beside, values)
        name = "measured" if other is None else named(subject)
        entries = [Entry("o", "ink", f"{name}, ± uncertainty", f"{name} ± U")]
        unit = unit_name(self.shown)
        self._columns, self._rows = (f"dwell_{unit}", f"u_dwell_{unit}"), [values, us]
        seen = [values - us, values + us, values]
        if other is not None:
            second, second_us = (to_length(each, len(values)) for each in _figures(other))
            self._other_whiskers.set(lobes + beside, second - second_us, second + second_us)
            self._other_dots.set(lobes + beside, second)
            entries.append(
                Entry("s-", "muted", f"{named(other)}, ± uncertainty", f"{named(other)} ± U")
            )
            self._columns += (f"other_dwell_{unit}", f"u_other_dwell_{unit}")
            self._rows += [second, second_us]
            seen += [second - second_us, second + second_us, second]
        band = band_of(subject, "dwell.mean_deg", "deg", subject.aim_deg)
        self._explain(band, *entries)
        self._axes(lobes, seen, band, steady=False)
        mean, shown = subject.get("dwell.mean_deg"), subject.shown
        if mean is None:
            return f"Dwell of each of {len(values)} lobes, {self._unit}."
        word, _, text = verdict(subject, "dwell.mean_deg", "dwell.u_deg")
        number = f"{shown.number(mean, 'deg', subject.get('dwell.u_deg'))} {self._unit}"
        return f"Mean dwell: {word}, {text or number}."

    def instead(self, subject: Subject) -> str:
        return f"No dwell of each lobe in this result: {subject.why('dwell.per_lobe_deg')}."

    def _stated(self, spec: Specification) -> Band:
        low, high, aim = (
            None if each is None else each * self.shown.factor("deg")
            for each in dwell_limits(spec, None)
        )
        return Band(low, high, aim)

    def _explain(self, band: Band, *entries: Entry) -> None:
        more = []
        if band.low is not None or band.high is not None:
            more.append(Entry("area", "band", "inside the limits", "limits"))
        if band.aim is not None:
            more.append(Entry("dashed", "ink", f"aim {band.aim:.6g} {self._unit}"))
        self.explain(*entries, *more)

    def _axes(self, lobes: Floats, seen: Sequence[Floats], band: Band, steady: bool) -> None:
        panel = self.panels[0]
        self._limits.set(band.low, band.high, band.aim)
        panel.number_lobes(len(lobes))
        panel.label("lobe", f"dwell, {self._unit}")
        every = np.concatenate([*seen, np.asarray(band.stated(), float)])
        every = every[np.isfinite(every)]
        low, high = float(every.min()), float(every.max())
        least = LEAST_SPAN_DEG * self.shown.factor("deg")
        room = max(0.1 * (high - low), 0.5 * (least - (high - low)))
        panel.whole(
            0.5, len(lobes) + 0.5, low - room, high + room, steady="y" if steady else ""
        )  # fmt: skip

    def stops(self, panel: int) -> Sequence[float]:
        del panel
        return [float(lobe + 1) for lobe in range(len(self._rows[0]))] if self._rows else []

    def says(self, panel: int, x: float) -> str:
        del panel
        lobe = round(x) - 1
        if not self._rows or not 0 <= lobe < len(self._rows[0]):
            return ""
        row = [float(each[lobe]) for each in self._rows]
        if self.subject is None:
            newest, low, high = (shown_figure(each) for each in row)
            return f"Lobe {lobe + 1}: newest {newest}, lowest {low}, highest {high} {self._unit}"
        text = f"Lobe {lobe + 1}: {with_u(row[0], row[1])} {self._unit}"
        if self.other is not None:
            text += f"; {named(self.other)} {with_u(row[2], row[3])} {self._unit}"
        return text

    def table(self) -> Table:
        if not self._rows:
            return NO_TABLE
        columns = (known(each) for each in self._rows)
        rows = [(lobe + 1, *row) for lobe, row in enumerate(zip(*columns, strict=True))]
        return ("lobe", *self._columns), rows


def _figures(subject: Subject) -> tuple[Floats, Floats]:
    """Dwell of each lobe and its U, as displayed; nan where not known."""
    values = subject.scaled(subject.get("dwell.per_lobe_deg") or [], "deg")
    us = subject.scaled(subject.get("dwell.u_per_lobe_deg") or [], "deg")
    return np.array(values, float), to_length(np.array(us, float), len(values))


def to_length(values: Floats, length: int) -> Floats:
    out = np.full(length, np.nan)
    out[: min(length, len(values))] = values[:length]
    return out


def shown_figure(value: float) -> str:
    return f"{value:.2f}" if np.isfinite(value) else "not known"


def with_u(value: float, u: float) -> str:
    if not np.isfinite(value):
        return "not measured"
    return f"{value:.2f} ± {u:.2f}" if np.isfinite(u) else f"{value:.2f}"
