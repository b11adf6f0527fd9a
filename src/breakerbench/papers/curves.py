"""Pictures over speed: centrifugal advance, contact bounce, the dwell of each lobe."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil
from typing import TYPE_CHECKING, Any

from breakerbench.judge.reading import stated
from breakerbench.measure.bounce import LATE_SHARE, SETTLE_DEG
from breakerbench.measure.timing import BIN_RPM
from breakerbench.papers.page import SMALL_PT, TEXT_PT, footer, legend, new_page
from breakerbench.papers.panels import (
    BAND,
    LEAST_SPAN_DEG,
    above,
    points,
    shade,
    span,
    told,
    words,
)
from breakerbench.papers.subject import (
    ADVANCE,
    BLACK,
    BOUNCE,
    FALLING,
    GREY,
    INSIDE,
    INSIDE_FALLING,
    LOBES,
    PICTURES,
    RISING,
    SHARE,
    Band,
    Subject,
    band_of,
    settling,
)
from breakerbench.papers.words import Shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Rows = Sequence[Mapping[str, Any]]
Limits = Sequence[tuple[float, float, float]]

#: A blue that is told from black in print, by eyes that see no red, and from the band behind it.
BLUE = "#2b6cb0"
DASHES, DOTS = (0, (6, 4)), (0, (1.5, 2.5))
WIDE = (0.085, 0.275, 0.565, 0.515)
#: Columns of the small panels, by their number.
COLUMNS = {1: 1, 2: 2, 3: 3, 4: 2, 5: 3, 6: 3}


# --- advance -------------------------------------------------------------------------------------


def advance(subject: Subject) -> Figure:
    """Advance over speed, rising and falling, against the band; its points in words."""
    page = new_page(PICTURES[ADVANCE], subject)
    axes = page.add_axes(WIDE)
    up, down = (subject.get(f"advance.{way}") or [] for way in ("rising", "falling"))
    table = subject.spec.advance if subject.applies and subject.spec is not None else None
    limits, falling = (stated(table, key) or () for key in ("points", "falling"))
    _advance_axes(axes, subject, up, down, (*limits, *falling))
    _polygon(axes, subject, limits, INSIDE, facecolor=BAND, edgecolor=GREY, linewidth=1.4)
    _polygon(
        axes, subject, falling, INSIDE_FALLING,
        facecolor="none", edgecolor=GREY, linewidth=1.6, linestyle=DASHES,
    )  # fmt: skip
    looks: tuple[dict[str, Any], ...] = (
        {"fmt": "o", "color": BLACK, "label": RISING},
        {"fmt": "s", "color": BLUE, "label": FALLING, "markerfacecolor": "white"},
    )
    for rows, look, line in zip((up, down), looks, ("-", DASHES), strict=True):
        x, y, u = _columns(subject, rows, "deg")
        axes.plot(x, y, color=look["color"], linestyle=line, linewidth=1.4, zorder=2)
        points(axes, x, y, u, "y", capsize=3, **look)
    _marks(axes, subject)
    words(page, 0.815, _said(subject, bool(limits), bool(falling)))
    legend(page, (axes,), 0.205)
    keys = ("advance.points", "advance.falling", "advance.hysteresis_deg")
    footer(page, subject, settling(subject, *keys))
    return page


def _advance_axes(axes: Axes, subject: Subject, up: Rows, down: Rows, limits: Limits) -> None:
    shown = subject.shown
    per_rpm, per_deg = shown.factor("rpm"), shown.factor("deg")
    speeds = [row["rpm"] for row in (*up, *down)] + [row[0] for row in limits]
    seen = [0.0, *(each for row in limits for each in row[1:])]
    for row in (*up, *down):
        seen += [row["deg"] - (row.get("u_deg") or 0.0), row["deg"] + (row.get("u_deg") or 0.0)]
    low, high = min(seen), max(seen)
    room = max(high - low, 2.0 * LEAST_SPAN_DEG)
    axes.set_ylim((low - 0.10 * room) * per_deg, (low + 1.08 * room) * per_deg)
    axes.set_xlim(0.0, max(speeds) * 1.04 * per_rpm)
    axes.set_xlabel(f"speed, {shown.unit('rpm')}")
    axes.set_ylabel(f"advance from rest, {shown.unit('deg')}")
    axes.grid(axis="both")


def _polygon(axes: Axes, subject: Subject, limits: Limits, label: str, **look: Any) -> None:
    """A band as rows of speed, low, high: the low side out, the high side back."""
    if not limits:
        return
    per_rpm, per_deg = subject.shown.factor("rpm"), subject.shown.factor("deg")
    corners = [(rpm, low) for rpm, low, _ in limits]
    corners += [(rpm, high) for rpm, _, high in reversed(limits)]
    x, y = ([each[k] * per for each in corners] for k, per in ((0, per_rpm), (1, per_deg)))
    axes.fill(x, y, label=label, zorder=0.5, **look)


def _marks(axes: Axes, subject: Subject) -> None:
    """Rest, start and largest advance where they are, in words."""
    shown = subject.shown
    low, high = axes.get_ylim()
    axes.axhline(0.0, color=GREY, linewidth=1.2, zorder=1)
    axes.text(
        0.99, -0.012 * (high - low), "0: weights at rest", transform=axes.get_yaxis_transform(),
        ha="right", va="top", size=TEXT_PT,
    )  # fmt: skip
    start, most = subject.get("advance.start_rpm"), subject.get("advance.max_deg")
    if start is not None:
        x = start * shown.factor("rpm")
        axes.axvline(x, color=GREY, linestyle=DOTS, linewidth=1.6, zorder=1)
        text = shown.number(start, "rpm", subject.get("advance.u_start_rpm"))
        above(axes, x, f"start {text} {shown.unit('rpm')}")
    # Where the weights hardly move the line would lie among the points: the words say it then.
    if most is not None and most * shown.factor("deg") > 0.3 * (high - low):
        y = most * shown.factor("deg")
        axes.axhline(y, color=GREY, linestyle=DOTS, linewidth=1.6, zorder=1)
        text = shown.number(most, "deg", subject.get("advance.u_max_deg"))
        axes.text(
            0.012, y, f"largest {text} {shown.unit('deg')}", transform=axes.get_yaxis_transform(),
            ha="left", va="bottom", size=TEXT_PT,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
        )  # fmt: skip


def _place(decided: Mapping[str, Any], shown: Shown) -> str:
    """Where on the curve the worst decision stands."""
    if decided.get("at") is None or decided.get("value") is None:
        return shown.sentence(str(decided.get("why") or ""))
    unit = str(decided.get("at_unit") or "")
    return (
        f"the worst point, at {decided['at'] * shown.factor(unit):,.0f} {shown.unit(unit)}".rstrip()
    )


def _said(subject: Subject, limits: bool, falling: bool) -> list[tuple[str, str, str, str]]:
    """The decisions on the curves, and the figures of the fitted line."""
    items = []
    for title, key, path, judged in (
        ("Speed rising", "advance.points", "advance.rising", limits),
        ("Speed falling", "advance.falling", "advance.falling", falling),
    ):
        decided = subject.decision(key) if judged else None
        items.append(
            told(subject, title, path)
            if decided is None
            else told(subject, title, key, more=_place(decided, subject.shown))
        )
    items.append(told(subject, "Hysteresis", "advance.hysteresis_deg", "advance.u_hysteresis_deg"))
    for title, key, u_key, unit in (
        ("Start", "advance.start_rpm", "advance.u_start_rpm", "rpm"),
        ("Largest", "advance.max_deg", "advance.u_max_deg", "deg"),
    ):
        value = subject.get(key)
        text = subject.why(key)
        if value is not None:
            number = subject.shown.number(value, unit, subject.get(u_key))
            text = f"{number} {subject.shown.unit(unit)}"
        items.append((title, "", BLACK, text))
    return items


def _columns(
    subject: Subject, rows: Rows, key: str
) -> tuple[list[float], list[float], list[float | None]]:
    """Speed, figure and its uncertainty, as displayed."""
    factor, per_rpm = subject.shown.factor("deg"), subject.shown.factor("rpm")
    speeds = [row["rpm"] * per_rpm for row in rows]
    values = [row[key] * factor for row in rows]
    return speeds, values, subject.scaled([row.get(f"u_{key}") for row in rows], "deg")


# --- bounce --------------------------------------------------------------------------------------


def bounce(subject: Subject) -> Figure:
    """How long the contact takes to settle, and how often it bounces, over speed."""
    page = new_page(PICTURES[BOUNCE], subject)
    upper, lower = (
        page.add_axes((0.085, 0.53, 0.565, 0.26)),
        page.add_axes((0.085, 0.275, 0.565, 0.19)),
    )
    shown, rows = subject.shown, subject.get("bounce.by_speed")
    table = subject.spec.bounce if subject.applies and subject.spec is not None else None
    limit = stated(table, "settle_deg") or SETTLE_DEG
    bounced = [row for row in rows if row["settle_deg"] is not None]
    x, y, u = _columns(subject, bounced, "settle_deg")
    band = Band(high=limit * shown.factor("deg"))
    _, high = span(y, u, band, 0.0)
    high = max(high, 1.3 * limit * shown.factor("deg"))
    none_below, onset = stated(table, "none_below_rpm"), subject.get("bounce.onset_rpm")
    right = max([row["rpm"] for row in rows] + [each for each in (none_below, onset) if each])
    for axes in (upper, lower):
        axes.set_xlim(0.0, right * 1.04 * shown.factor("rpm"))
        axes.grid(axis="both")
    upper.set_ylim(0.0, high)
    shade(upper, band, 0.0, high, "y")
    points(upper, x, y, u, "y")
    if not bounced:
        upper.text(0.5, 0.5, "no closing bounced", transform=upper.transAxes, ha="center")
    upper.set_ylabel(f"settling, {shown.unit('deg')}")
    upper.tick_params(labelbottom=False)
    speeds = [row["rpm"] * shown.factor("rpm") for row in rows]
    lower.set_ylim(-7.0, 107.0)  # a mark at either end is seen whole
    lower.set_yticks([0, 50, 100])
    lower.plot(
        speeds, [100.0 * row["share"] for row in rows], color=BLUE, marker="D", markersize=6,
        linestyle=DASHES, linewidth=1.4, label=SHARE,
    )  # fmt: skip
    lower.set_ylabel("bounce, %\nof closings")
    lower.set_xlabel(f"speed, {shown.unit('rpm')}")
    for axes, rpm, style, text in (
        (upper, none_below, "-", "none allowed below {}"),
        (lower, onset, DASHES, "bounce from {}"),
    ):
        if rpm is None:
            continue
        for each in (upper, lower):
            place = rpm * shown.factor("rpm")
            each.axvline(place, color=BLACK, linestyle=style, linewidth=1.6, zorder=1)
        above(axes, place, text.format(f"{place:,.0f} {shown.unit('rpm')}"))
    words(page, 0.815, _bounce_said(subject, limit))
    legend(page, (upper, lower), 0.205)
    footer(page, subject, settling(subject, "bounce.onset_rpm"))
    return page


def _bounce_said(subject: Subject, limit: float) -> list[tuple[str, str, str, str]]:
    shown = subject.shown
    limit_text = f"{limit * shown.factor('deg'):.3g} {shown.unit('deg')}"
    looked = subject.get("bounce.looked_to_rpm")
    items = [
        told(subject, "Bounce", "bounce.onset_rpm", "bounce.u_onset_rpm", "rpm"),
        (
            "Settling", "", BLACK,
            "from first touch to last re-closing, of the closings that bounce: their median",
        ),
        (
            "Onset", "", BLACK,
            f"where {LATE_SHARE:.0%} of the closings settle later than {limit_text}",
        ),
    ]  # fmt: skip
    if looked is not None:
        text = shown.speed_words(looked)
        if looked + BIN_RPM < (subject.get("speed.max_rpm") or 0.0):
            text += "; faster, a loss of contact may leave no sign"
        items.append(("Looked up to", "", BLACK, text))
    return items


# --- dwell of each lobe --------------------------------------------------------------------------


def dwell_by_lobe(subject: Subject) -> Figure:
    """A small panel for each lobe: its dwell over speed, all to one scale."""
    page = new_page(PICTURES[LOBES], subject)
    shown, rows = subject.shown, subject.get("dwell.by_speed")
    lobes = len(rows[0]["per_lobe_deg"])
    across = COLUMNS.get(lobes, 4)
    down = ceil(lobes / across)
    band = band_of(subject, "dwell.mean_deg", "deg", subject.aim_deg)
    speeds, mean, _ = _columns(subject, rows, "deg")
    values = [subject.scaled([row["per_lobe_deg"][k] for row in rows], "deg") for k in range(lobes)]
    us = [subject.scaled([row["u_per_lobe_deg"][k] for row in rows], "deg") for k in range(lobes)]
    every, every_u = ([x for lobe in part for x in lobe] for part in (values, us))
    low, high = span(every, every_u, band, shown.factor("deg") * LEAST_SPAN_DEG)
    left, bottom, width, height, gap = 0.085, 0.275, 0.895, 0.56, 0.016
    wide, high_each = width / across, height / down
    panels = []
    for k in range(lobes):
        row, column = divmod(k, across)
        box = (
            left + column * wide, bottom + (down - 1 - row) * high_each,
            wide - gap, high_each - 0.05,
        )  # fmt: skip
        axes = page.add_axes(box)
        panels.append(axes)
        axes.set_xlim(0.0, max(speeds) * 1.08)
        axes.set_ylim(low, high)
        shade(axes, band, low, high, "y")
        axes.plot(speeds, mean, color=GREY, linestyle=":", linewidth=1.5, label="mean", zorder=1)
        points(axes, speeds, values[k], us[k], "y", markersize=5, capsize=3)
        axes.grid(axis="y")
        axes.locator_params(axis="both", nbins=5)
        axes.tick_params(labelsize=SMALL_PT, labelleft=column == 0, labelbottom=k + across >= lobes)
        axes.text(
            0.0, 1.02, f"lobe {k + 1}", transform=axes.transAxes, weight="bold", size=TEXT_PT
        )  # fmt: skip
    middle = left + 0.5 * (width - gap)
    page.text(middle, 0.207, f"speed, {shown.unit('rpm')}", ha="center", size=TEXT_PT)
    page.text(
        0.013, bottom + 0.5 * height, f"dwell, {shown.unit('deg')}", rotation=90, va="center",
        size=TEXT_PT,
    )  # fmt: skip
    legend(page, panels, 0.195)
    footer(page, subject, settling(subject, "dwell.mean_deg"))
    return page
