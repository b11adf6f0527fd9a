"""A result as tables for people. Takes the contract's JSON mapping, computes nothing new."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from breakerbench.cli.main import harmless
from breakerbench.measure.uncertainty import round_for_print

#: Decision words as they are shown: never by colour alone.
WORDS = {
    "pass": ("pass", "green"),
    "fail": ("FAIL", "bold red"),
    "undecided": ("too close to call", "yellow"),
    "not measured": ("not measured", "yellow"),
}

#: What the figures of the contract are called in a table.
NAMES = {
    "dwell.mean_deg": "dwell",
    "dwell.percent": "dwell, share of the lobe pitch",
    "dwell.variation_deg": "dwell variation over speed",
    "dwell.meter_deg": "dwell as an averaging meter shows it",
    "dwell.per_lobe_deg": "dwell of a lobe",
    "spacing.error_deg": "spacing error, largest",
    "spacing.interval_error_deg": "interval error, largest",
    "scatter.deg": "opening scatter",
    "scatter.range_deg": "opening scatter, range",
    "missed.openings": "missed openings",
    "missed.closings": "missed closings",
    "bounce.onset_rpm": "bounce from",
    "advance.start_rpm": "advance starts at",
    "advance.max_deg": "advance, largest",
    "advance.points": "advance, worst speed",
    "advance.falling": "advance falling, worst speed",
    "vacuum.points": "vacuum advance, worst step",
    "advance.hysteresis_deg": "advance hysteresis",
    "contact.drop_v": "contact drop",
    "contact.resistance_ohm": "contact resistance",
    "coil.resistance_ohm": "coil resistance",
    "coil.resistance_20c_ohm": "coil resistance at 20 deg C",
    "coil.inductance_h": "coil inductance",
    "coil.current_a": "coil current",
    "coil.energy_j": "coil energy",
    "coil.ballast_ohm": "ballast",
    "condenser.capacitance_f": "condenser capacitance",
    "condenser.leakage_ohm": "condenser leakage resistance",
    "condenser.series_ohm": "condenser series resistance",
    "spark.duration_s": "spark duration",
    "spark.misses": "sparks missed",
}

#: Single figures of the summary: key, unit, key of its expanded uncertainty.
SUMMARY = (
    ("dwell.mean_deg", "deg", "dwell.u_deg"),
    ("dwell.percent", "%", "dwell.u_percent"),
    ("dwell.variation_deg", "deg", "dwell.u_variation_deg"),
    ("dwell.meter_deg", "deg", None),
    ("scatter.deg", "deg", "scatter.u_deg"),
    ("scatter.range_deg", "deg", None),
    ("missed.openings", "", None),
    ("missed.closings", "", None),
    ("bounce.onset_rpm", "rpm", None),
    ("advance.start_rpm", "rpm", None),
    ("advance.max_deg", "deg", None),
    ("advance.hysteresis_deg", "deg", None),
    ("contact.drop_v", "V", "contact.u_drop_v"),
    ("contact.resistance_ohm", "ohm", "contact.u_resistance_ohm"),
    ("coil.resistance_ohm", "ohm", "coil.u_resistance_ohm"),
    ("coil.resistance_20c_ohm", "ohm", None),
    ("coil.inductance_h", "H", "coil.u_inductance_h"),
    ("coil.current_a", "A", None),
    ("coil.energy_j", "J", None),
    ("coil.ballast_ohm", "ohm", None),
    ("condenser.capacitance_f", "F", "condenser.u_capacitance_f"),
    ("condenser.leakage_ohm", "ohm", None),
    ("condenser.series_ohm", "ohm", None),
    ("spark.duration_s", "s", "spark.u_duration_s"),
    ("spark.misses", "", None),
)

#: Units that are too large for the figures of a distributor, and what is displayed for them.
SMALL_UNITS = {"F": (1e6, "µF"), "H": (1e3, "mH"), "J": (1e3, "mJ"), "s": (1e3, "ms")}

#: Rows of a table by speed, at most.
MOST_SPEEDS = 12


@dataclass(frozen=True)
class Shown:
    """Which shaft's degrees and which shaft's rpm are displayed: two separate choices.

    A crankshaft turns twice for one turn of the distributor (four-stroke), so both are doubled.
    """

    degrees: str = "distributor"
    speed: str = "distributor"

    def _doubled(self, unit: str) -> bool:
        bases = {"deg": self.degrees, "deg per mm": self.degrees, "rpm": self.speed}
        return bases.get(unit) == "crankshaft"

    def factor(self, unit: str) -> float:
        """What a figure in ``unit`` is multiplied by for display."""
        return 2.0 if self._doubled(unit) else SMALL_UNITS.get(unit, (1.0, ""))[0]

    def unit(self, unit: str) -> str:
        """The unit that is displayed for ``unit``."""
        return f"crank {unit}" if self._doubled(unit) else SMALL_UNITS.get(unit, (1.0, unit))[1]

    def number(self, value: float | None, unit: str, u: float | None = None) -> str:
        """Value with its expanded uncertainty where it is known, rounded by GUM 7.2.6."""
        if value is None:
            return "-"
        value *= self.factor(unit)
        if u is None:
            return plain_number(value)
        rounded, uncertainty = round_for_print(value, u * self.factor(unit))
        return f"{rounded} ± {uncertainty}"

    def __str__(self) -> str:
        return f"Degrees are {self.degrees} degrees, speeds are {self.speed} rpm."


def plain_number(value: float) -> str:
    """A number without an uncertainty: whole, or to four figures."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else str(value)
    if float(value).is_integer() and abs(value) < 1e9:
        return f"{value:,.0f}"
    return f"{value:.4g}"


def name(key: str) -> str:
    """What people call the figure ``key`` of the contract."""
    return NAMES.get(key, harmless(key.replace(".", " ").replace("_", " ")))


def figure(result: Mapping[str, Any], key: str | None) -> Any:
    """The figure at a dotted key, or None."""
    found: Any = result
    for part in (key or "").split("."):
        found = found.get(part) if isinstance(found, Mapping) else None
    return found


def new_table(*columns: str, right: Sequence[int] = ()) -> Table:
    """An empty table; columns that hold numbers stand ``right``."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False)
    for place, column in enumerate(columns):
        table.add_column(column, justify="right" if place in right else "left", overflow="fold")
    return table


def print_table(console: Console, title: str, table: Table) -> None:
    """A table under its title, nothing where it has no rows."""
    if table.row_count:
        console.print(Text(f"\n{title}", style="bold"))
        console.print(table)


def print_title(console: Console, title: str, *, simulated: bool) -> None:
    """The heading of a report; simulated data says so before anything else."""
    if simulated:
        console.print(Text("SIMULATED: no real distributor was measured.", style="bold reverse"))
    console.print(Text(harmless(title), style="bold"))


def print_result(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    """All of a result; what matters most comes last, where the eye is when it stops scrolling."""
    _print_trace(console, result, shown)
    _print_summary(console, result, shown)
    _print_lobes(console, result, shown)
    _print_speeds(console, result, shown)
    _print_reasons(console, result)
    console.print(Text(f"\n± is an expanded uncertainty, 95.45 %. {shown}"))
    print_remarks(console, result)
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
        row("speed", f"{low:,.0f} to {high:,.0f} {shown.unit('rpm')}")
    if speed.get("revolutions") is not None:
        row("revolutions", f"{speed['revolutions']:,.0f} of the distributor")
    if trace.get("lobes"):
        row("lobes", str(trace["lobes"]))
    if trace.get("reference"):
        row("angle from", str(trace["reference"]))
    if supply.get("volts") is not None:
        row("supply", f"{supply['volts']:.4g} V, {supply.get('polarity') or 'polarity not known'}")
    if hand.get("state"):
        row("points", f"{hand['state']}, {hand.get('openings') or 0} openings")
    if lost.get("frames") or lost.get("seconds"):
        row("lost", f"{lost.get('seconds') or 0:.4g} s in {lost.get('frames') or 0} frames")
    print_table(console, "Trace", grid)


def _print_summary(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    table = new_table("figure", "value", "unit", right=(1,))
    for key, unit, u_key in SUMMARY:
        value = figure(result, key)
        if value is not None:
            table.add_row(
                name(key), shown.number(value, unit, figure(result, u_key)), shown.unit(unit)
            )
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


def limits(low: float | None, high: float | None, unit: str, shown: Shown) -> str:
    """Limits in words, in the displayed basis."""
    below, above = (None if x is None else f"{x * shown.factor(unit):.6g}" for x in (low, high))
    if below is not None and above is not None:
        return f"{below} to {above}"
    if above is not None:
        return f"at most {above}"
    return "-" if below is None else f"at least {below}"


def print_decisions(console: Console, result: Mapping[str, Any], shown: Shown) -> None:
    """Each decision with its limits beside the value, then what would settle the open ones."""
    decisions: Sequence[Mapping[str, Any]] = result.get("decisions") or []
    if not decisions:
        reason = (result.get("why") or {}).get("decisions")
        reason = harmless(reason) if reason else "no specification, or it states no limits"
        console.print(Text(f"\nNothing was judged: {reason}."))
        return
    table = new_table("decision", "figure", "value", "limits", "unit", right=(2,))
    table.columns[0].no_wrap = True
    for one in decisions:
        unit = one.get("unit") or ""
        table.add_row(
            word(one),
            name(one["what"]),
            shown.number(one.get("value"), unit, one.get("u")),
            limits(one.get("low"), one.get("high"), unit, shown),
            shown.unit(unit),
        )
    print_table(console, "Decisions", table)
    for one in decisions:
        if one.get("why"):
            print_item(console, f"- {name(one['what'])}:", one["why"])
        if one.get("settle"):
            chance = one.get("chance_inside")
            known = "" if chance is None else f" (inside the limits with {chance:.0%} probability)"
            print_item(console, f"- to settle {name(one['what'])}{known}:", one["settle"])
    console.print(Text(f"In all: {tally(decisions)}.", style="bold"))


def print_advice(console: Console, texts: Iterable[str]) -> None:
    """What to do, last of all, where the eye is."""
    console.print(Text("\nWhat to do", style="bold"))
    for text in texts:
        print_item(console, "-", text)


def word(one: Mapping[str, Any]) -> Text:
    """The word for a decision."""
    text, style = WORDS.get(one["decision"], (harmless(str(one["decision"])), ""))
    return Text(text, style=style)


def tally(decisions: Iterable[Mapping[str, Any]]) -> str:
    """How many decisions of each kind, in words."""
    found = [one["decision"] for one in decisions]
    counts = ((found.count(kind), word) for kind, (word, _) in WORDS.items())
    return ", ".join(f"{count} {word}" for count, word in counts if count)


def _print_reasons(console: Console, result: Mapping[str, Any]) -> None:
    reasons: dict[str, list[str]] = {}
    for key, reason in (result.get("why") or {}).items():
        if not key.rpartition(".")[2].startswith("u_"):  # goes without saying beside its figure
            reasons.setdefault(reason, []).append(name(key))
    if reasons:
        console.print(Text("\nNot measured", style="bold"))
    for reason, keys in reasons.items():
        print_item(console, f"- {', '.join(keys)}:", reason)


def print_remarks(console: Console, result: Mapping[str, Any]) -> None:
    """Warnings and notes, each with the word before it."""
    for mark, key in (("note:", "notes"), ("WARNING:", "warnings")):
        for text in result.get(key) or []:
            print_item(console, f"- {mark}", text)


def print_item(console: Console, mark: str, text: str) -> None:
    """An indented paragraph after its mark."""
    grid = Table.grid(padding=(0, 1))
    line = Text(f"{harmless(mark.removeprefix('- '))} " if mark.startswith("- ") else "", "bold")
    line.append(harmless(text), "not bold")
    grid.add_row(f"  {'-' if mark.startswith('- ') else harmless(mark)}", line)
    console.print(grid)
