"""A trace over time from an edge: newest, mean, how far they spread, and a second run's mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.app.views.marks import Area, Line, Rule
from breakerbench.app.views.panel import Panel
from breakerbench.edges.recent import Seen

Floats = NDArray[np.float64]

#: Shorter than this is shown in microseconds, s.
SHORT_S = 1.5e-3
#: Single events that are drawn at most.
SINGLES = 5


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """Events laid upon each other: volts or amperes over time from an edge, s, all (k,).

    low, high  lowest and highest, or two standard deviations from the mean
    newest     None of a finished run
    shown_s    what is to be seen of it, s
    singles    (time_s, values) of a few events
    """

    time_s: Floats
    mean: Floats
    low: Floats
    high: Floats
    newest: Floats | None
    n: int
    shown_s: tuple[float, float]
    singles: tuple[tuple[Floats, Floats], ...] = ()


def laid_of(seen: Seen | None) -> Laid | None:
    """What a live run has seen, as far as it is known; the whole of it is shown."""
    if seen is None:
        return None
    known = np.isfinite(seen.time_s) & np.isfinite(seen.mean)
    if np.count_nonzero(known) < 3:
        return None
    parts = (each[known] for each in (seen.time_s, seen.mean, seen.low, seen.high, seen.newest))
    t, mean, low, high, newest = parts
    return Laid(t, mean, low, high, newest, seen.n, (float(t[0]), float(t[-1])))


class OverTime:
    """The marks of such a trace in one panel. ``unit`` is V or A."""

    def __init__(self, panel: Panel, unit: str) -> None:
        plot = panel.plot
        self.panel = panel
        self._spread = panel.add(Area(plot, "spread"))
        self._singles = [panel.add(Line(plot, "muted", 1.0, z=3.0)) for _ in range(SINGLES)]
        self._mean = panel.add(Line(plot, "ink", 2.0, z=6.0))
        self._newest = panel.add(Line(plot, "accent", 1.0, z=7.0))
        self._other = panel.add(Line(plot, "muted", 2.0, dashed=True, z=5.0))
        self._edge = panel.add(Rule(plot, "muted", 1.4, dashed=True, upright=True))
        self._ground = panel.add(Rule(plot, "line", 1.0))
        self._figure_unit, self.scale, self.unit = unit, 1e6, "µs"

    def draw(self, edge: str, what: str, laid: Laid, other: Laid | None) -> tuple[float, float]:
        """Returns the lowest and the highest figure in what is shown."""
        start, end = laid.shown_s
        if other is not None:
            start, end = min(start, other.shown_s[0]), max(end, other.shown_s[1])
        self.scale, self.unit = (1e6, "µs") if end < SHORT_S else (1e3, "ms")
        self._edge.set(0.0)
        self._ground.set(0.0)
        x = laid.time_s * self.scale
        self._spread.set(x, laid.low, laid.high)
        self._mean.set(x, laid.mean)
        if laid.newest is None:
            self._newest.hide()
        else:
            self._newest.set(x, laid.newest)
        for mark, (time_s, values) in zip(self._singles, laid.singles, strict=False):
            mark.set(time_s * self.scale, values)
        inside = (laid.time_s >= start) & (laid.time_s <= end)
        seen = [each[inside] for each in (laid.low, laid.high, laid.mean)]
        if laid.newest is not None:
            seen.append(laid.newest[inside])
        if other is not None:
            self._other.set(other.time_s * self.scale, other.mean)
            seen.append(other.mean[(other.time_s >= start) & (other.time_s <= end)])
        self.panel.label(f"time from the {edge}, {self.unit}", f"{what}, {self._figure_unit}")
        self.ends = (start * self.scale, end * self.scale)
        every = np.concatenate(seen)
        every = every[np.isfinite(every)]
        return (float(every.min()), float(every.max())) if len(every) else (0.0, 1.0)

    def whole(self, low: float, high: float, steady: bool) -> None:
        """What there is to see of it, upright, with room about it."""
        room = 0.07 * max(high - low, 1e-3)
        start, end = self.ends
        end += 0.02 * (end - start)
        self.panel.whole(start, end, low - room, high + room, steady="xy" if steady else "")

    def says(self, edge: str, x: float, laid: Laid, other: Laid | None, named: str) -> str:
        """The figures at ``x`` of the axis."""
        at, unit = x / self.scale, self._figure_unit
        mean, low, high = (
            float(np.interp(at, laid.time_s, each)) for each in (laid.mean, laid.low, laid.high)
        )
        text = f"{x:+.4g} {self.unit} from the {edge}: "
        if laid.newest is not None and np.isfinite(np.interp(at, laid.time_s, laid.newest)):
            text += f"newest {np.interp(at, laid.time_s, laid.newest):.4g} {unit}, "
        text += f"mean {mean:.4g} {unit}"
        if np.isfinite(low) and np.isfinite(high):
            text += f", {low:.4g} to {high:.4g} {unit}"
        if other is not None:
            text += f"; {named} {np.interp(at, other.time_s, other.mean):.4g} {unit}"
        return text


def columns_of(unit: str, live: bool) -> tuple[str, ...]:
    """The names of the columns that ``rows_of`` gives; ``unit`` is v or a."""
    if live:
        return tuple(f"{each}_{unit}" for each in ("mean", "lowest", "highest", "newest"))
    return tuple(f"{each}_{unit}" for each in ("mean", "minus_2_sd", "plus_2_sd"))


def rows_of(laid: Laid) -> list[tuple[Any, ...]]:
    """Time and figures of each point; None where not known."""
    parts = [laid.time_s, laid.mean, laid.low, laid.high]
    if laid.newest is not None:
        parts.append(laid.newest)
    columns = (known(each) for each in parts)
    return list(zip(*columns, strict=True))


def known(values: Sequence[float] | Floats) -> list[float | None]:
    """nan is no figure."""
    return [known_figure(each) for each in np.asarray(values, float).tolist()]


def known_figure(value: float) -> float | None:
    return value if np.isfinite(value) else None
