"""Speed, dwell, spacing and scatter of a run."""

from __future__ import annotations

from typing import Any

from breakerbench.edges.brief import Brief
from breakerbench.edges.events import Instrument
from breakerbench.edges.run import EdgeRun
from breakerbench.judge.points_sets import lobes_differ
from breakerbench.measure.figures import (
    dwell_figures,
    spacing_figures,
    speed_figures,
    summarize,
)
from breakerbench.measure.places import places_by_speed
from breakerbench.measure.scatter import scatter_figures
from breakerbench.measure.timing import Timing
from breakerbench.result.empty import blank, empty_timing

UNSEEN = (
    "the first touch of at least one lobe leaves no sign: the coil rings at that moment and the "
    "converter cuts it off; a channel that also shows negative voltages would"
)
HALF_UNSEEN = (
    "half the first touches or more leave no sign: those that do are no fair sample; a channel that "
    "also shows negative voltages would"
)

TOO_BRIEF = (
    "the contact bounces with first touches so brief that many leave no sign between two samples, or in "
    "the noise of a wide range: sample faster, or choose a narrower range of the points voltage"
)

MEETS_CLOSED = (
    "the contact bounces, and at many first touches the coil's ring stands so near closed that these "
    "leave no sign: measure at a lower speed, where the points bounce less"
)


def hidden_bounce(brief: Brief) -> str:
    """Why first touches that bounce cannot be told, where that is so; else empty."""
    return TOO_BRIEF if brief.lost else MEETS_CLOSED if brief.meets_closed else ""


def timing_figures(
    e: EdgeRun, t: Timing | None, why: dict[str, str], other: int | None, half_unseen: bool
) -> dict[str, Any]:
    """Tables by name; reasons go to ``why``.

    other        lobes that the trace shows, where they are not those of the specification
    half_unseen  half the first touches or more left no sign
    """
    figures = empty_timing()
    if t is None or t.revolutions < 2:
        reason = e.why or "fewer than two whole revolutions"
        if other is not None and e.told_lobes is not None:
            reason = lobes_differ(other, e.told_lobes)
        for name in figures:
            why[name] = reason
        return figures
    t.finish()
    tool: Instrument = e.instrument()
    summary = summarize(t, tool)
    figures["speed"] = speed_figures(t)
    figures["dwell"] = dwell_figures(t, tool, summary)
    figures["spacing"] = spacing_figures(t, tool, summary)
    figures["spacing"]["by_speed"] = places_by_speed(t, tool, summary) if e.has_index else []
    if not e.has_index:
        why["spacing.by_speed"] = "no index channel"
    scatter = scatter_figures(t.windows, tool)
    if isinstance(scatter, str):
        why["scatter"] = scatter
    else:
        figures["scatter"] = scatter
    if half_unseen:
        figures["dwell"] = blank(figures["dwell"])
        why["dwell"] = HALF_UNSEEN
    elif hidden := hidden_bounce(e.brief):
        figures["dwell"] = blank(figures["dwell"])
        why["dwell"] = hidden
    else:
        _missing_dwell(figures["dwell"], why)
    if e.reference == "none":
        _without_angle(e, figures, why)
    elif not e.has_index and (e.told_lobes is None or other is not None):
        reason = "no index channel, and no specification that tells the number of lobes"
        if other is not None and e.told_lobes is not None:
            reason = lobes_differ(other, e.told_lobes)
        _without_lobes(figures, why, reason)
    return figures


def no_angle_of_lobes(e: EdgeRun, t: Timing | None, why: dict[str, str], other: int | None) -> str:
    """Why the openings have no angle that could be followed over the run; empty: they have."""
    if e.reference == "none":
        return "no index channel"
    if t is None or t.revolutions < 2 or other is not None:
        return why.get("spacing", e.why or "fewer than two whole revolutions")
    if not e.has_index and e.told_lobes is None:
        return why["spacing"]
    if not e.has_index and e.lost.seconds > 0.0:
        return "no index channel: an encoder alone loses its zero in a gap of the trace"
    return ""


def _without_angle(e: EdgeRun, figures: dict[str, Any], why: dict[str, str]) -> None:
    """Without index and encoder only shares of time are measured, not degrees of the shaft."""
    reason = "no index or encoder channel"
    dwell = figures["dwell"]
    kept = {key: dwell[key] for key in ("percent", "u_percent")}
    figures["dwell"] = blank(dwell) | kept
    why |= {f"dwell.{key}": reason for key in dwell if key not in kept}
    figures["scatter"] = blank(figures["scatter"])
    why["scatter"] = reason
    if e.told_lobes is None:
        figures["speed"] = blank(figures["speed"])
        why["speed"] = reason + ", and no specification that tells the number of lobes"
        figures["spacing"] = blank(figures["spacing"])
        why["spacing"] = why["speed"]


def _without_lobes(figures: dict[str, Any], why: dict[str, str], reason: str) -> None:
    """An encoder alone gives degrees, but not which openings make up a revolution of the cam."""
    figures["speed"]["revolutions"] = None
    why["speed.revolutions"] = reason
    dwell = figures["dwell"]
    for key in ("percent", "u_percent", "variation_deg", "u_variation_deg"):
        dwell[key] = None
        why[f"dwell.{key}"] = reason
    for each in (dwell, *dwell["by_speed"]):
        each["per_lobe_deg"], each["u_per_lobe_deg"] = [], []
    why["dwell.per_lobe_deg"] = reason
    for table in ("spacing", "scatter"):
        figures[table] = blank(figures[table])
        why[table] = reason


def _missing_dwell(dwell: dict[str, Any], why: dict[str, str]) -> None:
    """The reasons for what is not in the dwell."""
    if None in dwell["per_lobe_deg"]:
        why["dwell.per_lobe_deg"] = UNSEEN
    if dwell["mean_deg"] is None:
        for key in ("mean_deg", "u_deg", "percent", "u_percent", "meter_deg"):
            why[f"dwell.{key}"] = UNSEEN
    if dwell["variation_deg"] is None:
        why["dwell.variation_deg"] = (
            "needs two speeds, 50 rpm apart, with ten revolutions each or more"
        )
