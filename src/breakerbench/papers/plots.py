"""Pictures of a result: each figure with its expanded uncertainty, against the specification.

A picture computes nothing: it shows the contract's figures as they are, doubled where the display
is switched to the crankshaft, and where there is no figure it says the reason in its place. Ink is
dark on white, and what colour says is also said in words, for grey print and colour-blind eyes.

A picture of what was not measured is not drawn: ``missing`` gives the reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from breakerbench.papers.charge import charge
from breakerbench.papers.circuits import coil, contact_drop, spark
from breakerbench.papers.curves import advance, bounce, dwell_by_lobe
from breakerbench.papers.page import HEAD_PT, TEXT_PT, footer, legend, new_page, own_style, png, svg
from breakerbench.papers.panels import head, instead, over_speed, panel_lines, rows
from breakerbench.papers.subject import (
    ADVANCE,
    BOUNCE,
    COIL,
    CONDENSER,
    CONTACT,
    DROP,
    DWELL,
    LOBES,
    PICTURES,
    SPACING,
    SPARK,
    Subject,
    band_of,
    looked_for,
    missing,
    settling,
    verdict,
)
from breakerbench.papers.traces import contact

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["pictures", "png", "svg"]


def pictures(subject: Subject) -> dict[str, Figure]:
    """Every picture that the result allows, by its name in ``PICTURES``."""
    draw = {
        DWELL: _dwell,
        LOBES: dwell_by_lobe,
        SPACING: _spacing,
        ADVANCE: advance,
        BOUNCE: bounce,
        CONTACT: contact,
        COIL: coil,
        DROP: contact_drop,
        SPARK: spark,
        CONDENSER: charge,
    }
    without = missing(subject)
    with own_style():
        wanted = (stem for stem in looked_for(subject) if stem not in without)
        return {stem: draw[stem](subject) for stem in wanted}


def _dwell(subject: Subject) -> Figure:
    page = new_page(PICTURES[DWELL], subject)
    left = page.add_axes((0.085, 0.275, 0.30, 0.425))
    right = page.add_axes((0.62, 0.275, 0.36, 0.425))
    notes = _dwell_of_lobes(left, subject)
    bins = subject.get("dwell.by_speed") or []
    key = "dwell.variation_deg"
    reason = subject.why(key) if bins else ""
    head(right, "Mean dwell over speed", subject, key, "dwell.u_variation_deg", reason=reason)
    notes += settling(subject, "dwell.mean_deg", "dwell.percent", key)
    if bins:
        over_speed(right, subject, bins)
    elif subject.get("dwell.mean_deg") is not None:
        instead(right, "fewer than ten revolutions within each 50 rpm of the distributor")
    else:
        instead(right, subject.why("dwell.by_speed"))
    legend(page, (left, right), 0.20)
    footer(page, subject, notes)
    return page


def _dwell_of_lobes(axes: Axes, subject: Subject) -> list[str]:
    """Each lobe's dwell; without an angle the share of the time closed. Returns notes."""
    shown, aim = subject.shown, subject.aim_deg
    lobes, percent = subject.get("dwell.per_lobe_deg") or [], subject.get("dwell.percent")
    if not lobes and subject.get("dwell.mean_deg") is None and percent is not None:
        if aim is not None and subject.spec is not None:
            aim *= 100.0 / subject.spec.distributor.pitch_deg
        what = "Dwell, share of the lobe pitch"
        head(axes, what, subject, "dwell.percent", "dwell.u_percent", "%")
        rows(
            axes, subject, ["all lobes"], [percent], [subject.get("dwell.u_percent")], "%",
            band_of(subject, "dwell.percent", "%", aim),
        )  # fmt: skip
        axes.set_xlabel("closed, % of the lobe pitch")
        return [f"Dwell of each lobe: not measured, {subject.why('dwell.per_lobe_deg')}."]
    head(axes, "Dwell of each lobe", subject, "dwell.mean_deg", "dwell.u_deg", what="mean ")
    if not lobes:
        instead(axes, subject.why("dwell.per_lobe_deg"))
        return []
    mean = subject.get("dwell.mean_deg")
    rows(
        axes, subject, _numbers(lobes), lobes, subject.get("dwell.u_per_lobe_deg") or [], "deg",
        band_of(subject, "dwell.mean_deg", "deg", aim, mean),
    )  # fmt: skip
    axes.set_ylabel("lobe")
    axes.set_xlabel(f"dwell, {shown.unit('deg')}")
    if None in lobes:
        return [f"Dwell of a lobe not measured: {subject.why('dwell.per_lobe_deg')}."]
    return []


def _spacing(subject: Subject) -> Figure:
    page = new_page(PICTURES[SPACING], subject)
    left = page.add_axes((0.085, 0.425, 0.27, 0.28))
    right = page.add_axes((0.585, 0.425, 0.27, 0.28))
    below = page.add_axes((0.585, 0.25, 0.27, 0.06))
    unit = subject.shown.unit("deg")
    errors = subject.get("spacing.error_deg") or []
    key = "spacing.error_deg"
    head(left, "Spacing error of each lobe", subject, key, what="largest ")
    if errors:
        us = [subject.get("spacing.u_deg")] * len(errors)
        band = band_of(subject, key, "deg", magnitude=True)
        rows(left, subject, _numbers(errors), errors, us, "deg", band)
        left.set_ylabel("lobe")
        left.set_xlabel(f"opens late by, {unit}")
    else:
        instead(left, subject.why(key))

    intervals = subject.get("spacing.interval_error_deg") or []
    key = "spacing.interval_error_deg"
    head(right, "Interval error", subject, key, what="largest ")
    if intervals:
        us = [subject.get("spacing.u_interval_deg")] * len(intervals)
        count = len(intervals)
        labels = [f"{lobe + 1} to {(lobe + 1) % count + 1}" for lobe in range(count)]
        band = band_of(subject, key, "deg", magnitude=True)
        rows(right, subject, labels, intervals, us, "deg", band)
        right.set_ylabel("lobe to lobe")
        right.set_xlabel(f"long by, {unit}")
    else:
        instead(right, subject.why(key))
    _scatter(page, below, subject)
    notes = settling(subject, "spacing.error_deg", "spacing.interval_error_deg", "scatter.deg")
    legend(page, (left, right, below), 0.185)
    footer(page, subject, notes)
    return page


def _scatter(page: Figure, axes: Axes, subject: Subject) -> None:
    """One figure against one limit: a strip, its words to its left."""
    key, unit = "scatter.deg", subject.shown.unit("deg")
    value, u = subject.get(key), subject.get("scatter.u_deg")
    word, ink, text = verdict(subject, key, "scatter.u_deg")
    page.text(0.02, 0.32, "Opening scatter", size=HEAD_PT, weight="bold", va="top")
    page.text(0.185, 0.32, word, size=HEAD_PT, weight="bold", color=ink, va="top")
    whole = subject.get("scatter.range_deg")
    about = "standard deviation of the openings of a lobe"
    if whole is not None:
        about += f"; their range {whole * subject.shown.factor('deg'):.2f} {unit}"
    lines = panel_lines(text or subject.why(key))
    if value is not None:
        lines.append(about)
    page.text(0.02, 0.287, "\n".join(lines), size=TEXT_PT, va="top", linespacing=1.35)
    if value is None:
        axes.set_axis_off()
        return
    band = band_of(subject, key, "deg")
    rows(axes, subject, [""], [value], [u], "deg", band, from_zero=True)
    axes.set_xlabel(f"scatter, {unit}")


def _numbers(values: Sequence[object]) -> list[str]:
    return [str(lobe + 1) for lobe in range(len(values))]
