"""Do the lobes open evenly: how late each lobe opens, turn by turn, and its mean."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from breakerbench.app.views.by_lobe import LIMITS, ByLobe, Floats, shown_figure, there
from breakerbench.app.views.marks import Bars, Dots, Rule
from breakerbench.app.views.panel import Panel
from breakerbench.app.views.picture import unit_name
from breakerbench.app.views.words import Entry
from breakerbench.judge.specification import Specification
from breakerbench.papers.subject import Subject, band_of, verdict
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import LivePictures

#: The turns of a lobe stand side by side over this width, lobes: oldest left, newest right.
TURNS_WIDE, TURNS = 0.6, 100
#: Half the width of the mark of a mean, lobes.
MEAN_HALF = 0.38


class SpacingPicture(ByLobe):
    key, name = "spacing", "Spacing"
    title = "Do the lobes open evenly?"
    waiting = (
        "Waiting for two whole turns: how evenly the lobes open is told by the index of the shaft."
    )
    figure, axis = "error", "late by"
    says_of = "Lobe {} opens late by {}"

    def build_live(self, panel: Panel) -> None:
        plot = panel.plot
        self._zero = panel.add(Rule(plot, "muted", 1.0))
        self._turns = panel.add(Dots(plot, "muted", "o", 4.0, z=4.0))
        self._newest = panel.add(Dots(plot, "accent", "d", 11.0, z=8.0))
        self._means = panel.add(Bars(plot, "ink", 2.6, cap=MEAN_HALF, z=7.0))

    def live_drawn(self, pictures: LivePictures, live: Live, spec: Specification | None) -> str:
        del live
        late = pictures.lobe_late_deg * self.shown.factor("deg")
        if not there(late):
            return ""
        turns, many = late.shape
        lobes = np.arange(1.0, many + 1.0)
        mean, low, high = self._spread_of(late)
        back = (np.arange(turns) - turns + 1.0) / max(TURNS - 1, 1) + 0.5
        self._turns.set((lobes[None, :] + TURNS_WIDE * back[:, None]).ravel(), late.ravel())
        self._means.set(lobes, mean, mean)
        self._newest.set(lobes + 0.5 * TURNS_WIDE, late[-1])
        table = None if spec is None else spec.spacing
        limit = None if table is None or table.max_error_deg is None else table.max_error_deg
        entries = [
            Entry("d", "accent", "newest turn"), Entry("line", "ink", "mean"),
            Entry("dot", "muted", "last hundred turns, newest at the right", "last hundred"),
        ]  # fmt: skip
        factor = self.shown.factor("deg")
        self._against(None if limit is None else limit * factor, entries, many, [low, high], True)
        unit = unit_name(self.shown)
        self._columns = tuple(f"{each}_{unit}" for each in ("newest", "mean", "lowest", "highest"))
        self._rows = [late[-1], mean, low, high]
        worst = int(np.nanargmax(np.abs(mean)))
        return (
            f"Mean of the last {turns:,} turns: lobe {worst + 1} is furthest off, "
            f"{abs(mean[worst]):.2f} {self._unit} {'late' if mean[worst] >= 0 else 'early'}."
        )

    def result_drawn(self, subject: Subject, other: Subject | None) -> str:
        values, _ = self.of_lobes(subject)
        if not np.isfinite(values).any():
            return ""
        entries, seen = self._runs_drawn(subject, other)
        limit = band_of(subject, "spacing.error_deg", "deg", magnitude=True).high
        self._against(limit, entries, len(values), seen, False)
        return _scatter_said(subject)

    def instead(self, subject: Subject) -> str:
        return f"No spacing of the lobes in this result: {subject.why('spacing.error_deg')}."

    def of_lobes(self, subject: Subject) -> tuple[Floats, Floats]:
        values = np.array(subject.scaled(subject.get("spacing.error_deg") or [], "deg"), float)
        (u,) = subject.scaled([subject.get("spacing.u_deg")], "deg")
        return values, np.full(len(values), np.nan if u is None else u)

    def says_live(self, row: Sequence[float]) -> str:
        newest, mean, low, high = (shown_figure(each) for each in row)
        return f"newest {newest}, mean {mean}, {low} to {high}"

    def _against(
        self,
        limit: float | None,
        entries: list[Entry],
        lobes: int,
        seen: Sequence[Floats],
        steady: bool,
    ) -> None:
        """The limit to either side, its place in the legend, and the field."""
        self.explain(*entries, *([] if limit is None else [LIMITS]))
        self._limits.set(None if limit is None else -limit, limit)
        self._zero.set(0.0)
        stated = [0.0] if limit is None else [0.0, -limit, limit]
        self._axes(lobes, seen, stated, steady)


def _scatter_said(subject: Subject) -> str:
    value = subject.get("scatter.deg")
    if value is None:
        return f"Opening scatter not measured: {subject.why('scatter.deg')}."
    word, _, text = verdict(subject, "scatter.deg", "scatter.u_deg")
    return f"Opening scatter: {word}, {text}." if text else f"Opening scatter: {word}."
