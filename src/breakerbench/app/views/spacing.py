"""Do the lobes open evenly: how late each lobe opens, turn by turn, and its mean."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from breakerbench.app.views.lobes import BESIDE, CAP, shown_figure, to_length, with_u
from breakerbench.app.views.marks import Bars, Dots, Rule
from breakerbench.app.views.over_time import known
from breakerbench.app.views.picture import NO_TABLE, Picture, Table, named, unit_name
from breakerbench.app.views.words import Entry
from breakerbench.judge.specification import Specification
from breakerbench.papers.subject import Subject, band_of, verdict
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import LivePictures

Floats = NDArray[np.float64]

#: Less than this is not spread over the whole height, deg: noise is not to look large.
LEAST_SPAN_DEG = 1.0
#: The turns of a lobe stand side by side over this width, lobes: oldest left, newest right.
TURNS_WIDE, TURNS = 0.6, 100
#: Half the width of the mark of a mean, lobes.
MEAN_HALF = 0.38
LIMITS = Entry("area", "band", "inside the limits", "limits")


class SpacingPicture(Picture):
    key = "spacing"
    title = "Do the lobes open evenly?"
    waiting = (
        "Waiting for two whole turns: how evenly the lobes open is told by the index of the shaft."
    )

    def build(self) -> None:
        panel = self.panels[0]
        plot = panel.plot
        self._limits, self._zero = panel.limits(), panel.add(Rule(plot, "muted", 1.0))
        self._turns = panel.add(Dots(plot, "muted", "o", 4.0, z=4.0))
        self._newest = panel.add(Dots(plot, "accent", "d", 11.0, z=8.0))
        self._means = panel.add(Bars(plot, "ink", 2.6, cap=MEAN_HALF, z=7.0))
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
        late = pictures.lobe_late_deg * self.shown.factor("deg")
        if late.ndim != 2 or not late.shape[1] or not np.isfinite(late).any():
            return ""
        turns, many = late.shape
        lobes = np.arange(1.0, many + 1.0)
        there = np.isfinite(late).any(axis=0)
        mean, low, high = (np.full(many, np.nan) for _ in range(3))
        mean[there] = np.nanmean(late[:, there], axis=0)
        low[there], high[there] = (
            np.nanmin(late[:, there], axis=0), np.nanmax(late[:, there], axis=0)
        )  # fmt: skip
        back = (np.arange(turns) - turns + 1.0) / max(TURNS - 1, 1) + 0.5
        self._turns.set((lobes[None, :] + TURNS_WIDE * back[:, None]).ravel(), late.ravel())
        self._means.set(lobes, mean, mean)
        self._newest.set(lobes + 0.5 * TURNS_WIDE, late[-1])
        table = None if spec is None else spec.spacing
        limit = None if table is None or table.max_error_deg is None else table.max_error_deg
        limit = None if limit is None else limit * self.shown.factor("deg")
        entries = [
            Entry("d", "accent", "newest turn"), Entry("line", "ink", "mean"),
            Entry("dot", "muted", "last hundred turns, newest at the right", "last hundred"),
        ]  # fmt: skip
        self.explain(*entries, *([] if limit is None else [LIMITS]))
        self._axes(many, [low, high], limit, steady=True)
        unit = unit_name(self.shown)
        self._columns = tuple(f"{each}_{unit}" for each in ("newest", "mean", "lowest", "highest"))
        self._rows = [late[-1], mean, low, high]
        worst = int(np.nanargmax(np.abs(mean)))
        return (
            f"Mean of the last {turns:,} turns: lobe {worst + 1} is furthest off, "
            f"{abs(mean[worst]):.2f} {self._unit} {'late' if mean[worst] >= 0 else 'early'}."
        )

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
        seen = [values, values - us, values + us]
        unit = unit_name(self.shown)
        self._columns, self._rows = (f"error_{unit}", f"u_error_{unit}"), [values, us]
        if other is not None:
            second, second_us = (to_length(each, len(values)) for each in _figures(other))
            self._other_whiskers.set(lobes + beside, second - second_us, second + second_us)
            self._other_dots.set(lobes + beside, second)
            entries.append(
                Entry("s-", "muted", f"{named(other)}, ± uncertainty", f"{named(other)} ± U")
            )
            seen += [second, second - second_us, second + second_us]
            self._columns += (f"other_error_{unit}", f"u_other_error_{unit}")
            self._rows += [second, second_us]
        limit = band_of(subject, "spacing.error_deg", "deg", magnitude=True).high
        self.explain(*entries, *([] if limit is None else [LIMITS]))
        self._axes(len(values), seen, limit, steady=False)
        return _scatter_said(subject)

    def instead(self, subject: Subject) -> str:
        return f"No spacing of the lobes in this result: {subject.why('spacing.error_deg')}."

    def _axes(self, lobes: int, seen: Sequence[Floats], limit: float | None, steady: bool) -> None:
        panel = self.panels[0]
        self._limits.set(None if limit is None else -limit, limit)
        self._zero.set(0.0)
        panel.number_lobes(lobes)
        panel.label("lobe", f"late by, {self._unit}")
        every = np.concatenate(
            [*seen, np.array([0.0, *([] if limit is None else [-limit, limit])])]
        )
        every = every[np.isfinite(every)]
        low, high = float(every.min()), float(every.max())
        least = LEAST_SPAN_DEG * self.shown.factor("deg")
        room = max(0.1 * (high - low), 0.5 * (least - (high - low)))
        panel.whole(0.5, lobes + 0.5, low - room, high + room, steady="y" if steady else "")

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
            newest, mean, low, high = (shown_figure(each) for each in row)
            figures = f"newest {newest}, mean {mean}, {low} to {high} {self._unit}"
            return f"Lobe {lobe + 1} opens late by: {figures}"
        text = f"Lobe {lobe + 1} opens late by {with_u(row[0], row[1])} {self._unit}"
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
    """Spacing error of each lobe and its U, as displayed; nan where not known."""
    values = np.array(subject.scaled(subject.get("spacing.error_deg") or [], "deg"), float)
    (u,) = subject.scaled([subject.get("spacing.u_deg")], "deg")
    return values, np.full(len(values), np.nan if u is None else u)


def _scatter_said(subject: Subject) -> str:
    value = subject.get("scatter.deg")
    if value is None:
        return f"Opening scatter not measured: {subject.why('scatter.deg')}."
    word, _, text = verdict(subject, "scatter.deg", "scatter.u_deg")
    return f"Opening scatter: {word}, {text}." if text else f"Opening scatter: {word}."
