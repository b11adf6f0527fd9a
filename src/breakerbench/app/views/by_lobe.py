"""What the pictures with a figure for each lobe have in common: whiskers, a second run, their table."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from breakerbench.app.views.marks import Bars, Dots
from breakerbench.app.views.over_time import known
from breakerbench.app.views.panel import Panel
from breakerbench.app.views.picture import NO_TABLE, Picture, Table, named, unit_name
from breakerbench.app.views.words import Entry
from breakerbench.papers.subject import Subject

Floats = NDArray[np.float64]

#: Marks of two runs stand so far to either side of their lobe.
BESIDE = 0.14
#: Half the width of the caps of a whisker, lobes.
CAP = 0.05
LIMITS = Entry("area", "band", "inside the limits", "limits")


class ByLobe(Picture):
    """One figure of each lobe, in degrees. Subclasses say what it is and draw it live.

    least_span_deg  less than this is not spread over the whole height: noise is not to look large
    figure          name of it in a table; axis: what its axis says
    """

    least_span_deg = 1.0
    figure = ""
    axis = ""

    def build(self) -> None:
        panel = self.panels[0]
        plot = panel.plot
        self._limits = panel.limits()
        self._whiskers = panel.add(Bars(plot, "ink", 1.8, cap=CAP, z=5.0))
        self._measured = panel.add(Dots(plot, "ink", "o", 10.0))
        self._other_whiskers = panel.add(Bars(plot, "muted", 1.4, cap=CAP, z=4.0))
        self._other_dots = panel.add(Dots(plot, "muted", "s", 9.0, hollow=True, z=6.0))
        self._columns: tuple[str, ...] = ()
        self._rows: list[Floats] = []  # of each column, a figure for each lobe
        self.build_live(panel)

    def build_live(self, panel: Panel) -> None:
        """The marks of the live picture, once."""
        raise NotImplementedError

    def of_lobes(self, subject: Subject) -> tuple[Floats, Floats]:
        """(lobes,) figure of each and its U, as displayed; nan where not known."""
        raise NotImplementedError

    def says_live(self, row: Sequence[float]) -> str:
        """What the cursor says of a lobe; row: its figures, in the order of the columns."""
        raise NotImplementedError

    says_of = "Lobe {}: {}"

    # --- shared ---

    @property
    def _unit(self) -> str:
        return self.shown.unit("deg")

    def _spread_of(self, turns: Floats) -> tuple[Floats, Floats, Floats]:
        """Mean, lowest and highest of each lobe over the turns; nan where it was never seen."""
        there = np.isfinite(turns).any(axis=0)
        mean, low, high = (np.full(turns.shape[1], np.nan) for _ in range(3))
        mean[there] = np.nanmean(turns[:, there], axis=0)
        low[there], high[there] = (f(turns[:, there], axis=0) for f in (np.nanmin, np.nanmax))
        return mean, low, high

    def _runs_drawn(
        self, subject: Subject, other: Subject | None
    ) -> tuple[list[Entry], list[Floats]]:
        """Draws the figures of one run or two: entries of the legend, and all that is to be seen."""
        values, us = self.of_lobes(subject)
        beside = BESIDE if other is not None else 0.0
        lobes = np.arange(1.0, len(values) + 1.0)
        self._whiskers.set(lobes - beside, values - us, values + us)
        self._measured.set(lobes - beside, values)
        name, unit = "measured" if other is None else named(subject), unit_name(self.shown)
        entries = [Entry("o", "ink", f"{name}, ± uncertainty", f"{name} ± U")]
        self._columns = (f"{self.figure}_{unit}", f"u_{self.figure}_{unit}")
        self._rows = [values, us]
        seen = [values - us, values + us, values]
        if other is not None:
            second, second_us = (to_length(each, len(values)) for each in self.of_lobes(other))
            self._other_whiskers.set(lobes + beside, second - second_us, second + second_us)
            self._other_dots.set(lobes + beside, second)
            entries.append(
                Entry("s-", "muted", f"{named(other)}, ± uncertainty", f"{named(other)} ± U")
            )
            self._columns += (f"other_{self.figure}_{unit}", f"u_other_{self.figure}_{unit}")
            self._rows += [second, second_us]
            seen += [second - second_us, second + second_us, second]
        return entries, seen

    def _axes(self, lobes: int, seen: Sequence[Floats], stated: list[float], steady: bool) -> None:
        """Sets the field so that the figures and what is stated of them are in it."""
        panel = self.panels[0]
        panel.number_lobes(lobes)
        panel.label("lobe", f"{self.axis}, {self._unit}")
        every = np.concatenate([*seen, np.asarray(stated, float)])
        every = every[np.isfinite(every)]
        low, high = float(every.min()), float(every.max())
        least = self.least_span_deg * self.shown.factor("deg")
        room = max(0.1 * (high - low), 0.5 * (least - (high - low)))
        panel.whole(0.5, lobes + 0.5, low - room, high + room, steady="y" if steady else "")

    # --- as a picture ---

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
            return self.says_of.format(lobe + 1, f"{self.says_live(row)} {self._unit}")
        text = self.says_of.format(lobe + 1, f"{with_u(row[0], row[1])} {self._unit}")
        if self.other is not None:
            text += f"; {named(self.other)} {with_u(row[2], row[3])} {self._unit}"
        return text

    def table(self) -> Table:
        if not self._rows:
            return NO_TABLE
        columns = (known(each) for each in self._rows)
        rows = [(lobe + 1, *row) for lobe, row in enumerate(zip(*columns, strict=True))]
        return ("lobe", *self._columns), rows


def there(turns: Floats) -> bool:
    """Whether a live table of turns by lobes has anything to draw."""
    return turns.ndim == 2 and bool(turns.shape[1]) and bool(np.isfinite(turns).any())


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
