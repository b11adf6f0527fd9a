"""The panels of the pictures: rows of points with their uncertainty, limits as a shaded band."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from breakerbench.errors import harmless
from breakerbench.papers.page import HEAD_PT, SMALL_PT, TEXT_PT
from breakerbench.papers.subject import (
    BLACK,
    GREY,
    INSIDE,
    MEASURED,
    NO_U,
    Band,
    Subject,
    band_of,
    verdict,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BAND = "#d9e0e8"
#: Less than this is not spread over the whole width of a panel, deg: noise is not to look large.
LEAST_SPAN_DEG = 0.5
#: Characters that a line over a panel can hold.
PANEL_CHARACTERS = 62


def head(
    axes: Axes,
    title: str,
    subject: Subject,
    key: str,
    u_key: str = "",
    unit: str = "deg",
    what: str = "",
    reason: str = "",
) -> None:
    """Over a panel: what it shows, the decision about it, and the figure that was judged.

    reason  said where there is neither figure nor decision
    """
    word, ink, text = verdict(subject, key, u_key, unit, what)
    page = axes.get_figure(root=True)
    assert page is not None
    box = axes.get_position()
    left, top = (0.02 if box.x0 < 0.5 else box.x0 - 0.07), box.y1 + 0.125
    page.text(left, top, title, size=HEAD_PT, weight="bold", va="top")
    if key == "dwell.variation_deg":
        word = f"variation: {word}"
    page.text(left, top - 0.036, word, size=HEAD_PT, weight="bold", color=ink, va="top")
    lines = panel_lines(text or harmless(reason))
    page.text(left, top - 0.072, "\n".join(lines), size=TEXT_PT, va="top")


def panel_lines(text: str, width: int = PANEL_CHARACTERS, most: int = 2) -> list[str]:
    """Text in lines; what does not go into as many is left out, and three points say so."""
    return textwrap.wrap(text, width, max_lines=most, placeholder=" ...")


def rows(
    axes: Axes,
    subject: Subject,
    labels: Sequence[str],
    figures: Sequence[float | None],
    us: Sequence[float | None],
    unit: str,
    band: Band,
    *,
    from_zero: bool = False,
) -> None:
    """A row for each figure, from the top: a point with its uncertainty, the number beside it."""
    values, bars = subject.scaled(figures, unit), subject.scaled(us, unit)
    bars = [*bars, *[None] * (len(values) - len(bars))]
    low, high = span(values, bars, band, subject.shown.factor(unit) * LEAST_SPAN_DEG)
    if from_zero:  # no value below can be; a bar that goes there is seen nonetheless
        low = min([0.0, *(v - u for v, u in zip(values, bars, strict=True) if v and u)])
    axes.set_xlim(low, high)
    axes.set_ylim(len(values) - 0.5, -0.5)
    shade(axes, band, low, high, "x")
    rows = [float(row) for row in range(len(values))]
    points(axes, rows, values, bars, "x")
    axes.set_yticks(rows, labels)
    axes.tick_params(axis="y", length=0)
    axes.locator_params(axis="x", nbins=6)
    axes.grid(axis="x")
    size = TEXT_PT if len(values) <= 8 else SMALL_PT
    axes.tick_params(axis="y", labelsize=size)
    beside = axes.get_yaxis_transform()
    for row, value in enumerate(figures):
        u = us[row] if row < len(us) else None
        text = "not measured" if value is None else subject.shown.number(value, unit, u)
        axes.text(1.03, row, text, transform=beside, va="center_baseline", size=size)


def span(
    values: Sequence[float | None], us: Sequence[float | None], band: Band, least: float
) -> tuple[float, float]:
    """Ends of an axis that shows every figure with its uncertainty, the limits and the aim."""
    seen = band.stated()
    for value, u in zip(values, us, strict=True):
        if value is not None:
            seen += [value - (u or 0.0), value + (u or 0.0)]
    if not seen:
        return -least, least
    low, high = min(seen), max(seen)
    margin = max(0.08 * (high - low), 0.5 * (least - (high - low)), 0.0)
    return low - margin, high + margin


def shade(axes: Axes, band: Band, low: float, high: float, along: str) -> None:
    """The limits as a shaded band, to the end of the axis where one side has none."""
    span, line = (axes.axvspan, axes.axvline) if along == "x" else (axes.axhspan, axes.axhline)
    if band.low is not None or band.high is not None:
        ends = (low if band.low is None else band.low, high if band.high is None else band.high)
        span(*ends, facecolor=BAND, edgecolor="none", zorder=0, label=INSIDE)
    for limit in (band.low, band.high):
        if limit is not None:
            line(limit, color=GREY, linewidth=1.6, zorder=1, label="limit")
    if band.aim is not None:
        line(band.aim, color=BLACK, linewidth=1.5, linestyle=(0, (6, 4)), zorder=1, label="aim")
    if band.mean is not None:
        line(band.mean, color=BLACK, linewidth=1.5, linestyle=":", zorder=1, label="mean")


def points(
    axes: Axes,
    places: Sequence[float],
    values: Sequence[float | None],
    us: Sequence[float | None],
    along: str,
    **other: Any,
) -> None:
    """Points with their expanded uncertainty; no bar where it is not known.

    other  marker, colour, label, other than the usual ones
    """
    look: dict[str, Any] = {"color": BLACK, "markersize": 7, "zorder": 3, "linestyle": "none"}
    look |= {"fmt": "o", "label": MEASURED, "capsize": 5} | other
    mark, label, cap = (look.pop(key) for key in ("fmt", "label", "capsize"))
    known = [
        (place, value, u)
        for place, value, u in zip(places, values, us, strict=True)
        if value is not None
    ]
    for has_u in (True, False):
        some = [each for each in known if (each[2] is not None) is has_u]
        if not some:
            continue
        place, value, u = (list(column) for column in zip(*some, strict=True))
        x, y = (value, place) if along == "x" else (place, value)
        if has_u:
            bar: dict[str, Any] = {f"{along}err": u}
            axes.errorbar(
                x, y, fmt=mark, capsize=cap, elinewidth=2, label=label, **bar, **look
            )  # fmt: skip
        else:
            axes.plot(x, y, marker="X", label=NO_U, **look)


def over_speed(axes: Axes, subject: Subject, bins: Sequence[Mapping[str, Any]]) -> None:
    """Mean dwell of each speed: one row of ``dwell.by_speed`` a point."""
    shown = subject.shown
    band = band_of(subject, "dwell.mean_deg", "deg", subject.aim_deg)
    speeds = [x for x in subject.scaled([row["rpm"] for row in bins], "rpm") if x is not None]
    values = subject.scaled([row["deg"] for row in bins], "deg")
    us = subject.scaled([row.get("u_deg") for row in bins], "deg")
    low, high = span(values, us, band, shown.factor("deg") * LEAST_SPAN_DEG)
    axes.set_ylim(low, high)
    shade(axes, band, low, high, "y")
    points(axes, speeds, values, us, "y")
    axes.set_xlim(0.0, max(speeds) * 1.08)
    axes.set_xlabel(f"speed, {shown.unit('rpm')}")
    axes.set_ylabel(f"mean dwell, {shown.unit('deg')}")
    axes.grid(axis="y")
    axes.locator_params(axis="x", nbins=6)


def instead(axes: Axes, reason: str) -> None:
    """The reason in the place of a figure that could not be measured."""
    axes.set_xticks([])
    axes.set_yticks([])
    text = "\n".join(panel_lines(harmless(reason), 36, 8))
    axes.text(
        0.5, 0.5, f"not measured:\n{text}", transform=axes.transAxes, ha="center", va="center"
    )  # fmt: skip


#: Where the words beside a wide panel begin, and the characters that a line of them can hold.
COLUMN, COLUMN_CHARACTERS = 0.695, 40


def told(
    subject: Subject, title: str, key: str, u_key: str = "", unit: str = "deg", more: str = ""
) -> tuple[str, str, str, str]:
    """What ``words`` says of a figure: title, decision, its ink, the figure; the reason if none."""
    word, ink, text = verdict(subject, key, u_key, unit)
    if not text:
        text = subject.why(key)
    return title, word, ink, "; ".join(part for part in (text, more) if part)


def words(page: Figure, top: float, items: Sequence[tuple[str, str, str, str]]) -> None:
    """A column of words to the right of a wide panel: a title, a decision, what is to be said."""
    for title, word, ink, text in items:
        look: dict[str, Any] = {"size": HEAD_PT, "weight": "bold", "va": "top"}
        line = page.text(COLUMN, top, title, **look)
        after = line.get_window_extent().x1 / page.bbox.width + 0.012
        page.text(after, top, word, color=ink, **look)
        lines = panel_lines(harmless(text), COLUMN_CHARACTERS, 3)
        page.text(COLUMN, top - 0.034, "\n".join(lines), size=TEXT_PT, va="top", linespacing=1.25)
        top -= 0.052 + 0.027 * len(lines)


def above(axes: Axes, x: float, text: str) -> None:
    """Words over the panel at ``x`` of its axis, kept within its width."""
    low, high = axes.get_xlim()
    share = (x - low) / (high - low)
    side = "left" if share < 0.3 else "right" if share > 0.7 else "center"
    axes.text(
        x, 1.015, text, transform=axes.get_xaxis_transform(), ha=side, va="bottom", size=TEXT_PT
    )  # fmt: skip
