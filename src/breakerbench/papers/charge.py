"""The picture of a condenser: its charge with what the fit leaves of it, and its hold."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from breakerbench.measure.condenser_found import Charged
from breakerbench.papers.page import HEAD_PT, footer, legend, new_page
from breakerbench.papers.panels import instead, told, words
from breakerbench.papers.subject import (
    BLACK,
    CHARGED,
    CONDENSER,
    FITTED,
    GREY,
    LEFT,
    PICTURES,
    Subject,
    settling,
)
from breakerbench.papers.words import LEAKAGE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DOTS, LINE = "#b0b0b0", "#0b3d70"


def charge(subject: Subject) -> Figure:
    """Charge above its residuals, the hold beside them, and the figures in words."""
    page = new_page(PICTURES[CONDENSER], subject)
    found = subject.charged
    assert found is not None
    above = page.add_axes((0.085, 0.45, 0.255, 0.345))
    below = page.add_axes((0.085, 0.275, 0.255, 0.15), sharex=above)
    right = page.add_axes((0.405, 0.275, 0.255, 0.52))
    # a fall that is no hold is drawn too: the report says why it is none
    held = found.hold is None or subject.get("condenser.hold_tau_s") is not None
    title = "Hold, the feed taken off" if held else "Fall after the charge"
    page.text(0.02, 0.822, "Charge", size=HEAD_PT, weight="bold", va="center")
    page.text(0.35, 0.822, title, size=HEAD_PT, weight="bold", va="center")
    _charge(above, below, found)
    _hold(right, subject, found)
    words(page, 0.835, _items(subject))
    legend(page, (above, below, right), 0.205)
    notes = settling(subject, "condenser.capacitance_f", "condenser.leakage_ohm")
    footer(page, subject, notes)
    return page


def _items(subject: Subject) -> list[tuple[str, str, str, str]]:
    volts, tau = subject.get("condenser.test_v"), subject.get("condenser.tau_s")
    shown = subject.shown
    items = [
        told(subject, "Capacitance", "condenser.capacitance_f", "condenser.u_capacitance_f", "F"),
        told(subject, "Leakage", "condenser.leakage_ohm", "condenser.u_leakage_ohm", LEAKAGE),
        told(subject, "In series", "condenser.series_ohm", "condenser.u_series_ohm", "ohm"),
    ]
    if volts is not None and tau is not None:
        u = subject.get("condenser.u_tau_s")
        text = (
            f"tested at {volts:.3g} V; time constant {shown.number(tau, 's', u)} {shown.unit('s')}, "
            f"charges used: {subject.get('condenser.charges')}"
        )
        items.append(("Test", subject.get("condenser.state") or "", BLACK, text))
    return items


def _charge(above: Axes, below: Axes, found: Charged) -> None:
    scale, unit = _unit(float(found.time_s[-1]))
    above.plot(
        found.time_s * scale, found.volts, ".", color=DOTS, markersize=5, label=CHARGED, zorder=2
    )
    above.plot(found.fit_s * scale, found.fit_v, color=LINE, linewidth=1.4, label=FITTED, zorder=3)
    above.set_ylabel("voltage, V")
    above.tick_params(axis="x", labelbottom=False)
    above.grid(axis="both")
    most = 0.0
    for k, (time_s, left) in enumerate(found.left):
        below.plot(
            time_s * scale, left * 1e3, ".", color=BLACK, markersize=2.5,
            label=LEFT if k == 0 else None,
        )  # fmt: skip
        most = max(most, float(np.abs(left).max()) * 1e3)
    below.axhline(0.0, color=GREY, linewidth=0.8, zorder=0.5)
    below.set_ylim(-1.15 * most - 1e-9, 1.15 * most + 1e-9)
    below.set_ylabel("fit leaves, mV")
    below.set_xlabel(f"time from the beginning of the charge, {unit}")
    below.grid(axis="both")
    below.locator_params(axis="y", nbins=3)
    below.locator_params(axis="x", nbins=6)


def _hold(axes: Axes, subject: Subject, found: Charged) -> None:
    hold = found.hold
    if hold is None:
        instead(axes, subject.why("condenser.leakage_ohm"))
        return
    scale, unit = _unit(float(hold.time_s[-1]))
    axes.plot(hold.time_s * scale, hold.means_v, ".", color=DOTS, markersize=5, label=CHARGED)
    axes.plot(
        found.hold_fit_s * scale,
        found.hold_fit_v,
        color=LINE,
        linewidth=1.4,
        label=FITTED,
        zorder=3,
    )
    axes.set_ylim(0.0, None)
    axes.set_xlabel(f"time from where the fall begins, {unit}")
    axes.set_ylabel("voltage, V")
    axes.grid(axis="both")
    axes.locator_params(axis="x", nbins=6)


def _unit(longest_s: float) -> tuple[float, str]:
    for scale, unit in ((1.0, "s"), (1e3, "ms")):
        if longest_s * scale >= 1.0:
            return scale, unit
    return 1e6, "µs"
