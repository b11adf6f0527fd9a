"""The picture of the contact itself: the averaged voltage around first touches and openings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.average import Averaged, Shape
from breakerbench.papers.page import HEAD_PT, TEXT_PT, footer, legend, new_page
from breakerbench.papers.subject import (
    BLACK,
    CONTACT,
    GREY,
    MEAN_TRACE,
    PICTURES,
    SINGLE,
    SPREAD,
    Subject,
)
from breakerbench.papers.window import window

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]

SPREAD_INK, SINGLE_INK = "#b9c8d8", "#707070"


def contact(subject: Subject) -> Figure:
    """First touch and opening side by side, each with a scale of its own."""
    page = new_page(PICTURES[CONTACT], subject)
    found = subject.contact
    assert found is not None
    left = page.add_axes((0.085, 0.275, 0.375, 0.455))
    right = page.add_axes((0.595, 0.275, 0.385, 0.455))
    closed = found.closed_s if np.isfinite(found.closed_s) else 0.5 * found.interval_s
    opened = max(found.interval_s - closed, 0.1 * found.interval_s)
    panels, notes = [], []
    for axes, title, what, shape, room in (
        (left, "First touch", "first touches", found.touch, (0.5 * opened, 0.5 * closed)),
        (right, "Opening", "openings", found.opening, (0.5 * closed, 0.5 * opened)),
    ):
        x0 = 0.02 if axes is left else 0.525
        page.text(x0, 0.83, title, size=HEAD_PT, weight="bold", va="top")
        if shape is None:
            axes.set_axis_off()
            text = "First touches leave no sign in this trace: there is nothing to average."
            page.text(x0, 0.79, text, size=TEXT_PT, va="top")
            continue
        page.text(x0, 0.79, _about(subject, found, shape, what), size=TEXT_PT, va="top")
        sample_s = shape.singles[0][0][1] - shape.singles[0][0][0]
        seen = window(
            shape.time_s, shape.mean_v, 2.0 * shape.std_v, sample_s, room, axes is right
        )  # fmt: skip
        _draw(axes, shape, seen, what)
        panels.append(axes)
        notes += _cut_off(found, shape)
    legend(page, panels, 0.20)
    about = (
        "Voltage as the front end shows it; 0 is the edge as it was placed. Straight lines between "
        "samples; the spread is of the events about their mean."
    )
    footer(page, subject, [*dict.fromkeys(notes), about])
    return page


def _about(subject: Subject, found: Averaged, shape: Shape, what: str) -> str:
    lobes = subject.get("trace.lobes")
    text = f"mean of {shape.n:,} {what}"
    if lobes:
        shown = subject.shown
        rpm = 60.0 / (lobes * found.interval_s)
        degree_us = 1e6 / (6.0 * rpm) / shown.factor("deg")
        speed = shown.speed_words(rpm)
        text += f" at about {speed};\n1 {shown.unit('deg')} lasts {degree_us:,.0f} µs"
    return text


def _draw(axes: Axes, shape: Shape, window: tuple[float, float], what: str) -> None:
    scale, unit = (1e6, "µs") if window[1] < 1.5e-3 else (1e3, "ms")
    start, end = window
    seen = (shape.time_s >= start) & (shape.time_s <= end)
    t, mean, spread = shape.time_s[seen] * scale, shape.mean_v[seen], 2.0 * shape.std_v[seen]
    # No sample lies beyond these, so neither is the spread drawn beyond them.
    low, high = (
        np.clip(each, shape.least_v, shape.most_v) for each in (mean - spread, mean + spread)
    )
    axes.fill_between(t, low, high, color=SPREAD_INK, linewidth=0, label=SPREAD, zorder=1)
    seen_v = [float(low.min()), float(high.max()), 0.0]
    for k, (time_s, volts) in enumerate(shape.singles):
        some = (time_s >= start) & (time_s <= end)
        axes.plot(
            time_s[some] * scale, volts[some], color=SINGLE_INK, linewidth=0.7,
            label=SINGLE if k == 0 else None, zorder=2,
        )  # fmt: skip
        seen_v += [float(volts[some].min()), float(volts[some].max())] if some.any() else []
    axes.plot(t, mean, color=BLACK, linewidth=2.2, label=MEAN_TRACE, zorder=3)
    axes.axvline(0.0, color=GREY, linestyle=":", linewidth=1.5, zorder=1.5)
    axes.axhline(0.0, color=GREY, linewidth=0.8, zorder=0.5)
    axes.set_xlim(start * scale, end * scale)
    room = max(max(seen_v) - min(seen_v), 1e-3)
    axes.set_ylim(min(seen_v) - 0.06 * room, max(seen_v) + 0.06 * room)
    axes.set_xlabel(f"time from the {'first touch' if 'touch' in what else 'opening'}, {unit}")
    axes.set_ylabel("points, V")
    axes.grid(axis="both")


def _cut_off(found: Averaged, shape: Shape) -> list[str]:
    """What the converter cannot show, where the trace reaches its end."""
    if found.rails_v is None:
        return []
    low, high = found.rails_v
    near = 1e-6 * (high - low)
    ends = [f"{high:.3g} V"] if shape.most_v >= high - near else []
    if low < -near and shape.least_v <= low + near:
        ends.append(f"{low:.3g} V")
    return [f"The converter cuts the voltage off at {' and '.join(ends)}."] if ends else []
