"""A result as tables for people. Takes the contract's JSON mapping, computes nothing new."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from breakerbench.cli.report_electrics import print_electrics
from breakerbench.cli.tables import MOST_SPEEDS, new_table, print_item, print_table
from breakerbench.errors import harmless
from breakerbench.measure.condenser_words import OTHER_TABLES
from breakerbench.papers.words import (
    LEAKAGE,
    SIMULATED,
    WORDS,
    Shown,
    figure,
    limits,
    name,
    named,
    not_judged,
    tally,
    unit_of,
)

__all__ = [
    "named", "new_table", "print_advice", "print_decisions", "print_item", "print_remarks",
    "print_result", "print_table", "print_title", "word",
]  # fmt: skip

#: Single figures of the summary: key, unit, key of its expanded uncertainty. Those of the circuit
#: have a table of their own.
SUMMARY = (
    ("dwell.mean_deg", "deg", "dwell.u_deg"),
    ("dwell.percent", "%", "dwell.u_percent"),
    ("dwell.variation_deg", "deg", "dwell.u_variation_deg"),
    ("dwell.meter_deg", "deg", None),
    ("scatter.deg", "deg", "scatter.u_deg"),
    ("scatter.range_deg", "deg", None),
    ("sets.first_dwell_deg", "deg", "sets.u_first_dwell_deg"),
    ("sets.second_dwell_deg", "deg", "sets.u_second_dwell_deg"),
    ("sets.mean_after_deg", "deg", "sets.u_mean_after_deg"),
    ("sets.overlap_deg", "deg", None),
    ("sets.union_dwell_deg", "deg", "sets.u_union_dwell_deg"),
    ("missed.openings", "", None),
    ("missed.closings", "", None),
    ("bounce.onset_rpm", "rpm", "bounce.u_onset_rpm"),
    ("advance.start_rpm", "rpm", "advance.u_start_rpm"),
    ("advance.max_deg", "deg", "advance.u_max_deg"),
    ("advance.hysteresis_deg", "deg", "advance.u_hysteresis_deg"),
    ("condenser.capacitance_f", "F", "condenser.u_capacitance_f"),
    ("condenser.leakage_ohm", LEAKAGE, "condenser.u_leakage_ohm"),
    ("condenser.leakage_at_least_ohm", LEAKAGE, None),
    ("condenser.series_ohm", "ohm", "condenser.u_series_ohm"),
    ("condenser.tau_s", "s", "condenser.u_tau_s"),
    ("condenser.test_v", "V", None),
)

#: Said only where there is no figure.
AT_LEAST = "condenser.leakage_at_least_ohm"


def print_title(console: Console, title: str, *, simulated: bool) -> None:
    """The heading of a report; simulated data says so before anything else."""
    if simulated:
        console.print(Text(SIMULATED, style="bold reverse"))
    console.print(Text(harmless(title), style="bold"))


def print_result(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    """All of a result; what matters most comes last, where the eye is when it stops scrolling."""
    _print_trace(console, result, shown)
    _print_summary(console, result, shown)
    _print_lobes(console, result, shown)
    _print_speeds(console, result, shown)
    _print_bounce(console, result, shown)
    _print_advance(console, result, shown)
    _print_vacuum(console, result, shown)
    _print_hand(console, result, shown)
    print_electrics(console, result, shown)
    _print_reasons(console, result, shown)
    console.print(Text(f"\n± is an expanded uncertainty, 95.45 %. {shown}"))
    print_remarks(console, result, shown)
    print_decisions(console, result, shown)


def _print_trace(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    trace, speed = result.get("trace") or {}, result.get("speed") or {}
    lost, supply, hand = (result.get(key) or {} for key in ("lost", "supply", "hand"))
    grid = Table.grid(padding=(0, 2))

    def row(what: str, text: str) -> None:
        grid.add_row(f"  {what}", Text(harmless(text)))

    if trace.get("origin"):
        row("from", str(trace["origin"]))
    if trace.get("seconds") is not None:
        rate = trace.get("sample_rate_hz")
        row("length", f"{trace['seconds']:,.1f} s" + (f" at {rate:,.6g} samples/s" if rate else ""))
    if speed.get("min_rpm") is not None:
        low, high = (speed[key] * shown.factor("rpm") for key in ("min_rpm", "max_rpm"))
        ends = dict.fromkeys(f"{end:,.0f}" for end in (low, high))  # a steady one is said once
        row("speed", f"{' to '.join(ends)} {shown.unit('rpm')}")
    if speed.get("revolutions") is not None:
        row("revolutions", f"{speed['revolutions']:,.0f} of the distributor")
    if trace.get("lobes"):
        row("lobes", str(trace["lobes"]))
    if trace.get("points_set"):
        how = figure(result, "sets.arrangement")
        row("points set", trace["points_set"] + (f", {how}" if how else ""))
    if trace.get("reference"):
        row("angle from", str(trace["reference"]))
    if supply.get("volts") is not None:
        row("supply", f"{supply['volts']:.4g} V, {supply.get('polarity') or 'polarity not known'}")
    if hand.get("state"):
        row("points", f"{hand['state']}, {hand.get('openings') or 0} openings")
    if figure(result, "condenser.state"):
        row("condenser", figure(result, "condenser.state"))
    if lost.get("frames") or lost.get("seconds"):
        row("lost", f"{lost.get('seconds') or 0:.4g} s in {lost.get('frames') or 0} frames")
    print_table(console, "Trace", grid)


def _print_summary(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    table = new_table("figure", "value", "unit", right=(1,))
    for key, unit, u_key in SUMMARY:
        value, u = figure(result, key), figure(result, u_key)
        if value is None or (key == AT_LEAST and figure(result, "condenser.leakage_ohm")):
            continue
        text = shown.number(value, unit, u)
        if unit == "deg" and u is None:  # no more digits than anybody could use
            text = f"{value * shown.factor(unit):.2f}"
        table.add_row(name(key), text, shown.unit(unit))
    print_table(console, "Measured", table)


def _print_lobes(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    dwell, spacing = result.get("dwell") or {}, result.get("spacing") or {}
    columns = (
        ("dwell", dwell.get("per_lobe_deg") or [], dwell.get("u_per_lobe_deg") or []),
        ("opens late by", spacing.get("error_deg") or [], spacing.get("u_deg")),
        (
            "next interval long by",
            spacing.get("interval_error_deg") or [],
            spacing.get("u_interval_deg"),
        ),
    )
    table = new_table("lobe", *(title for title, _, _ in columns), right=(0, 1, 2, 3))
    for lobe in range(max(len(values) for _, values, _ in columns)):
        cells = []
        for _, values, u in columns:
            value = values[lobe] if lobe < len(values) else None
            uncertainty = (u[lobe] if lobe < len(u) else None) if isinstance(u, list) else u
            cells.append(shown.number(value, "deg", uncertainty))
        table.add_row(str(lobe + 1), *cells)
    print_table(console, f"Lobe by lobe, {shown.unit('deg')}", table)
    after, u_after = (figure(result, f"sets.{key}") or [] for key in ("after_deg", "u_after_deg"))
    table = new_table("lobe", "second set opens after the first by", right=(0, 1))
    for lobe, value in enumerate(after):
        table.add_row(str(lobe + 1), shown.number(value, "deg", u_after[lobe]))
    print_table(console, f"Two sets of points, each alone, {shown.unit('deg')}", table)


def _print_speeds(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    bins = (result.get("dwell") or {}).get("by_speed") or []
    if len(bins) < 2:
        return
    step = math.ceil(len(bins) / MOST_SPEEDS)
    table = new_table(shown.unit("rpm"), shown.unit("deg"), right=(0, 1))
    for entry in bins[::step]:
        speed = f"{entry['rpm'] * shown.factor('rpm'):,.0f}"
        table.add_row(speed, shown.number(entry["deg"], "deg", entry.get("u_deg")))
    some = "" if step == 1 else f" (one in {step} of {len(bins)}; all are in the JSON)"
    print_table(console, f"Dwell by speed{some}", table)


def _print_bounce(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    bins = (result.get("bounce") or {}).get("by_speed") or []
    if not any(entry["share"] for entry in bins):
        return
    step = math.ceil(len(bins) / MOST_SPEEDS)
    table = new_table(
        shown.unit("rpm"), f"settles, {shown.unit('deg')}", "closings that bounce", right=(0, 1, 2)
    )
    for entry in bins[::step]:
        settle = shown.number(entry["settle_deg"], "deg", entry.get("u_settle_deg"))
        speed = f"{entry['rpm'] * shown.factor('rpm'):,.0f}"
        table.add_row(speed, settle, f"{entry['share']:.1%}")
    some = "" if step == 1 else f" (one in {step} of {len(bins)}; all are in the JSON)"
    print_table(console, f"Bounce by speed, median{some}", table)


def _print_advance(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    advance = result.get("advance") or {}
    for way in ("rising", "falling"):
        points = advance.get(way) or []
        # The ends of a curve are what it is about: never left out.
        rows = min(MOST_SPEEDS, len(points))
        picked = [round(k * (len(points) - 1) / max(rows - 1, 1)) for k in range(rows)]
        table = new_table(shown.unit("rpm"), shown.unit("deg"), right=(0, 1))
        for point in (points[k] for k in picked):
            speed = f"{point['rpm'] * shown.factor('rpm'):,.0f}"
            table.add_row(speed, shown.number(point["deg"], "deg", point.get("u_deg")))
        some = "" if rows == len(points) else f" ({rows} of {len(points)}; all are in the JSON)"
        print_table(console, f"Advance, speed {way}{some}", table)


def _print_vacuum(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    table = new_table("kPa", shown.unit("deg"), right=(0, 1))
    for point in (result.get("vacuum") or {}).get("points") or []:
        deg = shown.number(point["deg"], "deg", point.get("u_deg"))
        table.add_row(f"{point['kpa']:g}", deg)
    print_table(console, "Vacuum advance, step by step", table)


def _print_hand(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    hand = result.get("hand") or {}
    angles, dwell = hand.get("per_lobe_deg") or [], hand.get("dwell_per_lobe_deg") or []
    table = new_table("lobe", "opens at", "dwell", right=(0, 1, 2))
    for lobe, angle in enumerate(angles):
        held = None if lobe >= len(dwell) else dwell[lobe]
        u_held = None if lobe >= len(dwell) else hand["u_dwell_per_lobe_deg"][lobe]
        table.add_row(
            str(lobe + 1),
            shown.number(angle, "deg", hand["u_per_lobe_deg"][lobe]),
            shown.number(held, "deg", u_held),
        )
    print_table(console, f"Turned by hand, from the index, {shown.unit('deg')}", table)


def print_decisions(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    """Each decision with its limits beside the value, then what would settle the open ones."""
    decisions: Sequence[Mapping[str, Any]] = result.get("decisions") or []
    if not decisions:
        reason = (result.get("why") or {}).get("decisions")
        reason = harmless(reason) if reason else "no specification, or it states no limits"
        console.print(Text(f"\nNothing was judged: {reason}."))
        return
    table = new_table("decision", "figure", "value", "limits", "unit", right=(2,))
    for column in (0, 2, 3):
        table.columns[column].no_wrap = True
    for one in decisions:
        unit = unit_of(one["what"], one.get("unit") or "")
        table.add_row(
            word(one),
            named(one, shown),
            shown.number(one.get("value"), unit, one.get("u")),
            limits(one.get("low"), one.get("high"), unit, shown),
            shown.unit(unit),
        )
    print_table(console, "Decisions", table)
    for key, before in (("why", ""), ("settle", "to settle ")):
        shared: dict[str, list[Mapping[str, Any]]] = {}
        for one in decisions:
            if one.get(key):
                shared.setdefault(one[key], []).append(one)
        for text, those in shared.items():
            print_item(console, f"- {before}{_together(those, shown)}:", shown.sentence(text))
    silent = "; ".join(map(name, not_judged(result)))
    if silent:
        print_item(console, "- not judged, no limit stated:", silent)
    console.print(Text(f"In all: {tally(decisions)}.", style="bold"))


def _together(decisions: Iterable[Mapping[str, Any]], shown: Shown) -> str:
    """Decisions that one sentence is about; those on one curve by their places."""
    text, last, known = "", None, False
    for one in decisions:
        same, last = one["what"] == last, one["what"]
        each = named(one, shown).removeprefix(f"{name(last)} " if same else "")
        text += f"{', ' if same else '; '}{each}"
        chance = one.get("chance_inside")
        if chance is not None:
            text += f" ({chance:.0%})" if known else f" (inside with {chance:.0%} probability)"
            known = True
    return text.removeprefix("; ")


def print_advice(console: Console, texts: Iterable[str]) -> None:
    """What to do, last of all, where the eye is."""
    console.print(Text("\nWhat to do", style="bold"))
    for text in texts:
        print_item(console, "-", text)


def word(one: Mapping[str, Any]) -> Text:
    """The word for a decision."""
    text, style = WORDS.get(one["decision"], (harmless(str(one["decision"])), ""))
    return Text(text, style=style)


def _print_reasons(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    reasons: dict[str, list[str]] = {}
    for key, reason in (result.get("why") or {}).items():
        if _nobody_asks(key, result):
            continue
        if reason == OTHER_TABLES:
            continue  # nobody looks for them
        if not key.rpartition(".")[2].startswith("u_"):  # goes without saying beside its figure
            reasons.setdefault(reason, []).append(name(key))
    if reasons:
        console.print(Text("\nNot measured", style="bold"))
    for reason, keys in reasons.items():
        print_item(console, f"- {', '.join(dict.fromkeys(keys))}:", shown.sentence(reason))


def _nobody_asks(key: str, result: Mapping[str, Any]) -> bool:
    """What is missing goes without saying, because there is nothing of its kind in the trace."""
    if key == "sets":  # of one set there is nothing to compare
        return not figure(result, "trace.points_set")
    if key in ("condenser", "condenser.ring_change", "condenser.rise_change"):
        if figure(result, "trace.kind") == "condenser":
            return False
        return figure(result, "condenser.ring_hz") is None
    return key in ("spark.by_lobe", "spark.by_tower") and not figure(result, "spark.misses")


def print_remarks(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    """Warnings and notes, each with the word before it."""
    for mark, key in (("note:", "notes"), ("WARNING:", "warnings")):
        for text in result.get(key) or []:
            print_item(console, f"- {mark}", shown.sentence(text))
