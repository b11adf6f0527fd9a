"""Pictures of the circuit: coil, contact drop and spark, each from the slowest cycles of a run.

Curves beside what was recorded are drawn from the figures of the result, not fitted to the picture:
where they part, the figures do not say all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.shown import SlowCycles, Trace
from breakerbench.judge.reading import stated
from breakerbench.papers.page import TEXT_PT, footer, legend, new_page
from breakerbench.papers.panels import head, instead, points, shade, span, told, words
from breakerbench.papers.subject import (
    AT_STATED,
    BLACK,
    BURN_LINE,
    BY_FIGURES,
    COIL,
    DROP,
    GREY,
    MEAN_TRACE,
    PICTURES,
    SINGLE,
    SPARK,
    SPARK_END,
    SPREAD,
    Band,
    Subject,
    band_of,
    settling,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]

SPREAD_INK, SINGLE_INK, LINE_INK = "#b9c8d8", "#707070", "#1f5f99"
DASHES, END_DASHES = (0, (5, 3)), (0, (9, 2, 2, 2))
#: Panels of the coil's picture where they are one and not two above each other.
LEFT_WHOLE, RIGHT_WHOLE = (0.085, 0.275, 0.38, 0.425), (0.60, 0.275, 0.38, 0.425)
WIDE = (0.085, 0.275, 0.565, 0.515)
#: The mean of a drop is drawn for so many steps of the current.
STEPS = 24
#: After the touch the secondary rings on the current: not drawn over it, s.
RINGS_S = 0.4e-3
#: What is shown of the first spike, as a multiple of feed and burn line together.
SPIKE = 2.5
#: A spark is shown to its end and this share more.
BEYOND_END = 0.6


# --- coil ----------------------------------------------------------------------------------------


def coil(subject: Subject) -> Figure:
    """Current from the touch on beside what R, L and the feed make of it; the opening over speed."""
    page = new_page(PICTURES[COIL], subject)
    found = subject.cycles
    assert found is not None
    rise = page.add_axes((0.085, 0.43, 0.38, 0.27))
    left = page.add_axes((0.085, 0.275, 0.38, 0.10), sharex=rise)
    amps = page.add_axes((0.60, 0.505, 0.38, 0.195))
    joules = page.add_axes((0.60, 0.275, 0.38, 0.185), sharex=amps)
    key, u_key = _resistance(subject)
    head(rise, "Current from the first touch on", subject, key, u_key, "ohm", "coil ")
    head(amps, "At the opening, over speed", subject, "coil.current_a", "coil.u_current_a", "A")
    _rise(rise, left, subject, found)
    _over_speed(amps, joules, subject)
    legend(page, page.axes, 0.205)
    keys = ("coil.resistance_20c_ohm", "coil.resistance_ohm", "coil.current_a", "coil.ballast_ohm")
    notes = settling(subject, *keys)
    if subject.get("coil.inductance_h") is None:
        notes.append(f"Inductance not measured: {subject.why('coil.inductance_h')}")
    footer(page, subject, [_laid(found), *notes])
    return page


def _resistance(subject: Subject) -> tuple[str, str]:
    """Keys of the coil's resistance and its U: what was judged, else what is known."""
    for key in ("resistance_20c_ohm", "resistance_ohm"):
        decided = subject.decision(f"coil.{key}")
        if decided is not None and decided.get("value") is not None:
            return f"coil.{key}", f"coil.u_{key}"
    for key in ("resistance_ohm", "loop_ohm"):
        if subject.get(f"coil.{key}") is not None:
            return f"coil.{key}", f"coil.u_{key}"
    return "coil.resistance_ohm", ""


def _laid(found: SlowCycles) -> str:
    return (
        f"Mean of {found.closings} closings without bounce, one on each {1e3 * found.interval_s:.3g} ms; "
        "0 is the first touch; the current's zero is taken off."
    )


def _rise(axes: Axes, below: Axes, subject: Subject, found: SlowCycles) -> None:
    trace = found.closed["current_a"]
    sign = 1.0 if trace.mean[-1] >= 0 else -1.0
    t, mean = 1e3 * trace.time_s, sign * trace.mean
    axes.fill_between(
        t, mean - 2 * trace.std, mean + 2 * trace.std, color=SPREAD_INK, linewidth=0, label=SPREAD
    )
    axes.plot(t, mean, color=BLACK, linewidth=2.2, label=MEAN_TRACE, zorder=3)
    curve = _by_figures(subject, trace.time_s)
    below.axhline(0.0, color=GREY, linewidth=0.8, zorder=0.5)
    if curve is not None:
        axes.plot(
            t, curve, color=LINE_INK, linestyle=DASHES, linewidth=2, label=BY_FIGURES, zorder=4
        )
        apart = mean - curve
        most = 1.15 * float(np.abs(apart)[trace.time_s > RINGS_S].max(initial=1e-3))
        per, unit = (1e3, "mA") if most < 1.0 else (1.0, "A")
        below.plot(t, per * apart, color=BLACK, linewidth=1.2)
        below.set_ylim(-per * most, per * most)
        below.set_ylabel(f"apart, {unit}")
        below.locator_params(axis="y", nbins=3)
        below.grid(axis="both")
    else:
        below.remove()
        axes.set_position(LEFT_WHOLE)
    high = max(float(mean.max()), 0.0 if curve is None else float(curve.max()))
    axes.set_ylim(-0.05 * high, 1.12 * high)
    axes.set_xlim(0.0, float(t[-1]) * 1.02)
    axes.set_ylabel("current, A")
    axes.tick_params(labelbottom=curve is None)
    axes.grid(axis="both")
    (axes if curve is None else below).set_xlabel("time from the first touch, ms")
    lines = [
        f"{what} {subject.shown.number(value, unit, subject.get(f'coil.u_{key}'))} "
        f"{subject.shown.unit(unit)}"
        for what, key, unit in (
            ("loop", "loop_ohm", "ohm"), ("L", "inductance_h", "H"),
            ("at the opening", "current_a", "A"), ("engine stopped", "standing_a", "A"),
        )
        if (value := subject.get(f"coil.{key}")) is not None
    ]  # fmt: skip
    axes.text(
        0.975, 0.06, "\n".join(lines), transform=axes.transAxes, ha="right", va="bottom",
        size=TEXT_PT, linespacing=1.35, bbox={"facecolor": "white", "edgecolor": "none", "pad": 2.0},
    )  # fmt: skip


def _by_figures(subject: Subject, time_s: Floats) -> Floats | None:
    """i = V / R (1 - exp(-t R / L)) of the whole loop, by the figures; None without them."""
    ohm, henry = subject.get("coil.loop_ohm"), subject.get("coil.inductance_h")
    full = subject.get("coil.standing_a")
    if ohm is None or henry is None or full is None:
        return None
    curve: Floats = full * (1.0 - np.exp(-time_s * ohm / henry))
    return curve


def _over_speed(amps: Axes, joules: Axes, subject: Subject) -> None:
    shown, rows = subject.shown, subject.get("coil.by_speed") or []
    panels = [(amps, "current_a", "A", "current, A"), (joules, "energy_j", "J", "energy, mJ")]
    if all(row.get("energy_j") is None for row in rows):
        joules.remove()
        amps.set_position(RIGHT_WHOLE)
        del panels[1]
    if not rows:
        instead(amps, subject.why("coil.by_speed"))
        return
    speeds = [row["rpm"] * shown.factor("rpm") for row in rows]
    for axes, key, unit, what in panels:
        values = subject.scaled([row.get(key) for row in rows], unit)
        us = subject.scaled([row.get(f"u_{key}") for row in rows], unit)
        band = band_of(subject, "coil.current_a", "A") if key == "current_a" else Band()
        high = 1.05 * span(values, us, band, 0.1)[1]
        axes.set_ylim(0.0, high)
        shade(axes, band, 0.0, high, "y")
        points(axes, speeds, values, us, "y", markersize=5, capsize=3)
        axes.set_ylabel(what)
        axes.grid(axis="both")
        axes.locator_params(axis="y", nbins=5)
    amps.tick_params(labelbottom=len(panels) == 1)
    last = panels[-1][0]
    last.set_xlim(0.0, max(speeds) * 1.06)
    last.set_xlabel(f"speed, {shown.unit('rpm')}")


# --- contact drop --------------------------------------------------------------------------------


def contact_drop(subject: Subject) -> Figure:
    """Drop over current as it rises, the line of the resistance, and the limit."""
    page = new_page(PICTURES[DROP], subject)
    found = subject.cycles
    assert found is not None
    axes = page.add_axes(WIDE)
    shift_v = _drop(axes, subject, found)
    words(page, 0.815, _drop_said(subject))
    legend(page, (axes,), 0.205)
    notes = [_laid(found)]
    u = subject.get("contact.u_drop_v")
    if u is not None and abs(shift_v) > u:
        notes.append(
            f"What was recorded is shifted by {1e3 * shift_v:+.0f} mV to the drop as it was measured: "
            "the zero of the channel."
        )
    footer(page, subject, [*settling(subject, "contact.drop_v"), *notes])
    return page


def _drop(axes: Axes, subject: Subject, found: SlowCycles) -> float:
    """Returns by how much what was recorded was shifted, V."""
    name = "contact_v" if "contact_v" in found.closed else "points_v"
    amps, volts = _by_current(found.closed["current_a"], found.closed[name])
    if subject.get("supply.polarity") == "positive ground":
        volts = -volts
    drop, u = subject.get("contact.drop_v"), subject.get("contact.u_drop_v")
    current, ohm = subject.get("contact.current_a"), subject.get("contact.resistance_ohm")
    shift = 0.0
    if drop is not None:
        at_opening = amps[-1] if current is None else current
        shift = drop - float(np.interp(at_opening, amps, volts))
    axes.plot(
        amps, volts + shift, color=GREY, marker="D", markersize=4, linestyle="none",
        label=MEAN_TRACE, zorder=2,
    )  # fmt: skip
    limit, at = (
        stated(subject.spec.contact if subject.applies and subject.spec is not None else None, key)
        for key in ("max_drop_v", "at_current_a")
    )
    right = max(float(amps.max()), current or 0.0, at or 0.0) * 1.06
    if drop is not None and current is not None and ohm is not None:
        ends = np.array([0.0, max(current, at or 0.0)])
        axes.plot(
            ends, drop + ohm * (ends - current), color=LINE_INK, linestyle=DASHES, linewidth=2,
            label=BY_FIGURES, zorder=3,
        )  # fmt: skip
    if drop is not None and current is not None:
        points(axes, [current], [drop], [u], "y", zorder=5)
    decided = subject.decision("contact.drop_v") or {}
    if decided.get("value") is not None and at is not None and at != current:
        points(
            axes, [at], [decided["value"]], [decided.get("u")], "y", fmt="s", label=AT_STATED,
            color=LINE_INK, markerfacecolor="white", zorder=5,
        )  # fmt: skip
    high = max(1.3 * limit if limit else 0.0, 1.15 * float((volts + shift).max()), 0.05)
    high = max(high, 1.1 * ((drop or 0.0) + (u or 0.0)))
    low = min(0.0, 1.1 * float((volts + shift).min()), 1.1 * ((drop or 0.0) - (u or 0.0)))
    axes.set_xlim(0.0, right)
    axes.set_ylim(low, high)
    shade(axes, Band(high=limit), low, high, "y")
    axes.set_xlabel("current through the contact, A")
    axes.set_ylabel(f"drop ({name}), V")
    axes.grid(axis="both")
    return shift


def _by_current(current: Trace, drop: Trace) -> tuple[Floats, Floats]:
    """Means of current and drop over steps of the current, from the end of the ring after the touch."""
    seen = drop.time_s > RINGS_S
    amps = np.interp(drop.time_s[seen], current.time_s, current.mean)
    amps = amps if amps[-1] >= 0.0 else -amps
    step = np.clip(amps * (STEPS / amps.max()), 0.0, STEPS - 1.0).astype(np.int64)
    n = np.bincount(step)
    there = n > 0
    sums = [np.bincount(step, each)[there] / n[there] for each in (amps, drop.mean[seen])]
    return sums[0], sums[1]


def _drop_said(subject: Subject) -> list[tuple[str, str, str, str]]:
    at = subject.get("contact.current_a")
    spread = subject.get("contact.spread_v")
    shown = subject.shown
    decided = (subject.decision("contact.drop_v") or {}).get("why") or ""
    if not decided and at is not None:
        number = shown.number(at, "A", subject.get("contact.u_current_a"))
        decided = f"at {number} A"
    items = [
        told(subject, "Drop", "contact.drop_v", "contact.u_drop_v", "V", shown.sentence(decided)),
        told(subject, "Resistance", "contact.resistance_ohm", "contact.u_resistance_ohm", "ohm"),
    ]
    text = subject.why("contact.spread_v")
    if spread is not None:
        text = f"standard deviation of the drop {spread:.2g} V; grows where contacts are dirty or burnt"
    items.append(("From closing to closing", "", BLACK, text))
    items.append(
        (
            "Where it is lost", "", BLACK,
            "lead, points, plate and clamp look alike here: move the probe along them, see the report",
        )
    )  # fmt: skip
    return items


# --- spark ---------------------------------------------------------------------------------------


def spark(subject: Subject) -> Figure:
    """The primary from the opening to the end of the burn and its ring."""
    page = new_page(PICTURES[SPARK], subject)
    found = subject.cycles
    assert found is not None
    assert found.opening is not None
    axes = page.add_axes(WIDE)
    notes = _spark(axes, subject, found.opening, found)
    words(page, 0.815, _spark_said(subject))
    legend(page, (axes,), 0.205)
    about = (
        f"Mean of {found.openings} openings at one speed, {1e3 * found.interval_s:.3g} ms apart. Not all "
        "sparks last alike: the mean comes down more slowly than each of them."
    )
    footer(page, subject, [*settling(subject, "spark.duration_s"), *notes, about])
    return page


def _spark(axes: Axes, subject: Subject, trace: Trace, found: SlowCycles) -> list[str]:
    duration, u = subject.get("spark.duration_s"), subject.get("spark.u_duration_s")
    burn, feed = subject.get("spark.burn_v"), subject.get("supply.volts")
    sign = -1.0 if subject.get("supply.polarity") == "positive ground" else 1.0
    end_s = float(trace.time_s[-1])
    if duration is not None:
        end_s = min(end_s, (1.0 + BEYOND_END) * duration + 1e-3)
    start_s = max(float(trace.time_s[0]), -0.1 * end_s)
    seen = (trace.time_s >= start_s) & (trace.time_s <= end_s)
    t, mean, std = 1e3 * trace.time_s[seen], sign * trace.mean[seen], trace.std[seen]
    level = (feed or 0.0) + (burn or 0.0)
    high = min(float(mean.max()), SPIKE * level) if level > 0.0 else float(mean.max())
    low = max(float(mean.min()), -SPIKE * level) if level > 0.0 else float(mean.min())
    room = max(high - low, 1e-3)
    axes.fill_between(
        t, mean - 2 * std, mean + 2 * std, color=SPREAD_INK, linewidth=0, label=SPREAD, zorder=1
    )
    for k, (time_s, volts) in enumerate(trace.singles):
        some = (time_s >= start_s) & (time_s <= end_s)
        axes.plot(
            1e3 * time_s[some], sign * volts[some], color=SINGLE_INK, linewidth=0.8,
            label=None if k else SINGLE, zorder=2,
        )  # fmt: skip
    axes.plot(t, mean, color=BLACK, linewidth=1.8, label=MEAN_TRACE, zorder=3)
    if feed is not None:
        axes.axhline(feed, color=GREY, linewidth=1.0, zorder=1.5)
        if burn is not None:
            axes.axhline(
                level, color=LINE_INK, linestyle=DASHES, linewidth=2, label=BURN_LINE, zorder=4
            )
    axes.axvline(0.0, color=GREY, linestyle=":", linewidth=1.5, zorder=1.5)
    if duration is not None:
        least, most = (1e3 * (duration + side * (u or 0.0)) for side in (-1.0, 1.0))
        axes.axvspan(least, most, color=LINE_INK, alpha=0.35, linewidth=0, zorder=1.2)
        axes.axvline(
            1e3 * duration,
            color=BLACK,
            linewidth=1.8,
            linestyle=END_DASHES,
            label=SPARK_END,
            zorder=4,
        )
    axes.set_xlim(1e3 * start_s, 1e3 * end_s)
    axes.set_ylim(low - 0.08 * room, high + 0.1 * room)
    axes.set_xlabel("time from the opening, ms")
    axes.set_ylabel("points to ground, V")
    axes.grid(axis="both")
    notes = []
    peak = sign * float(trace.mean[np.argmax(np.abs(trace.mean))])
    if abs(peak) > high + 0.1 * room:
        notes.append(f"The first swing goes on beyond the picture, in the mean to {peak:.0f} V.")
    if found.rails_v is not None and max(abs(mean)) > 0.98 * max(map(abs, found.rails_v)):
        notes.append(f"The converter cuts the voltage off at {max(map(abs, found.rails_v)):.3g} V.")
    return notes


def _spark_said(subject: Subject) -> list[tuple[str, str, str, str]]:
    items = [told(subject, "Duration", "spark.duration_s", "spark.u_duration_s", "s")]
    burn = subject.get("spark.burn_v")
    if burn is not None:
        number = subject.shown.number(burn, "V", subject.get("spark.u_burn_v"))
        items.append(("Burn line", "", BLACK, f"{number} V above the feed"))
    misses, openings = subject.get("spark.misses"), subject.get("spark.openings")
    if misses is not None:
        text = f"{misses:,} of {openings:,} openings" if openings else f"{misses:,}"
        items.append(("Missed", "", BLACK, "; ".join([text, *_places(subject)])))
    return items


def _places(subject: Subject) -> Sequence[str]:
    """Where sparks were missed."""
    rows: Sequence[Mapping[str, Any]] = subject.get("spark.by_tower") or []
    if rows:
        return [f"tower {row['tower']}: {row['misses']:,}" for row in rows if row["misses"]]
    lobes = subject.get("spark.by_lobe") or []
    return [f"lobe {lobe + 1}: {misses:,}" for lobe, misses in enumerate(lobes) if misses]
