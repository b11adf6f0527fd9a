"""The words and numbers that people see: names of figures, decisions, limits, units as displayed.

Shared by the terminal and the papers, so that both say the same. Takes the contract's JSON mapping.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from breakerbench.errors import harmless
from breakerbench.judge.rules import RULES
from breakerbench.measure.uncertainty import round_for_print
from breakerbench.tools.gap import inches

#: Said of simulated data before anything else.
SIMULATED = "SIMULATED: no real distributor was measured."

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
    "sets.first_dwell_deg": "dwell, first set alone",
    "sets.second_dwell_deg": "dwell, second set alone",
    "sets.mean_after_deg": "second set opens after the first by",
    "sets.after_deg": "second set opens after the first by",
    "sets.overlap_deg": "both sets closed at once, each lobe",
    "sets.union_dwell_deg": "dwell together, from the sets alone",
    "sets.agrees": "both sets together against each alone",
    "sets.arrangement": "overlapping or alternating",
    "sets": "two sets of points compared",
    "scatter.deg": "opening scatter",
    "scatter.range_deg": "opening scatter, range",
    "missed.openings": "missed openings",
    "missed.closings": "missed closings",
    "bounce.onset_rpm": "bounce from",
    "advance.rising": "advance, speed rising",
    "advance.falling": "advance, speed falling",
    "advance.start_rpm": "advance starts at",
    "advance.max_deg": "advance, largest",
    "advance.points": "advance",
    "vacuum.points": "vacuum advance",
    "advance.hysteresis_deg": "advance hysteresis",
    "hand": "turned by hand",
    "hand.per_lobe_deg": "opening of each lobe by hand",
    "hand.dwell_per_lobe_deg": "dwell of each lobe by hand",
    "contact.drop_v": "contact drop",
    "contact.resistance_ohm": "contact resistance",
    "contact.current_a": "current through the contact",
    "contact.spread_v": "contact drop from closing to closing",
    "supply.volts": "feed voltage",
    "supply.closed_volts": "feed voltage at the coil, points closed",
    "supply.sag_v": "sag of the feed",
    "supply.polarity": "polarity of the ground",
    "coil.resistance_ohm": "coil resistance",
    "coil.resistance_20c_ohm": "coil resistance at 20 deg C",
    "coil.inductance_h": "coil inductance",
    "coil.current_a": "coil current",
    "coil.energy_j": "coil energy",
    "coil.ballast_ohm": "ballast",
    "coil.loop_ohm": "resistance of the whole loop",
    "coil.standing_a": "current, engine stopped",
    "coil.heat_w": "heat in the coil, engine stopped",
    "coil.saturates": "saturation of the coil",
    "coil.residual_a": "what the coil's fit leaves",
    "coil.by_speed": "coil current and energy by speed",
    "coil.polarity": "coil polarity",
    "condenser.ring_hz": "ring after the opening",
    "condenser.ring_decay": "ring after the opening",
    "condenser.rise_v_per_s": "rise at the opening",
    "condenser.ring_change": "change of the ring",
    "condenser.rise_change": "change of the rise",
    "condenser.capacitance_f": "condenser capacitance",
    "condenser.leakage_ohm": "condenser leakage resistance",
    "condenser.series_ohm": "condenser series resistance",
    "condenser.leakage_at_least_ohm": "condenser leakage resistance, at least",
    "condenser.tau_s": "time constant of the charge",
    "condenser.test_v": "test voltage",
    "condenser.charges": "charges measured",
    "condenser.state": "state of the condenser",
    "spark.duration_s": "spark duration",
    "spark.misses": "sparks missed",
    "spark.burn_v": "burn line",
    "spark.by_lobe": "sparks missed by lobe",
    "spark.by_tower": "sparks missed by tower",
}

#: What is judged where the figure of the rule could not be measured.
STANDS_FOR = {
    "dwell.mean_deg": "dwell.percent",
    "coil.resistance_20c_ohm": "coil.resistance_ohm",
}

#: Units that are too large for the figures of a distributor, and what is displayed for them.
SMALL_UNITS = {"F": (1e6, "µF"), "H": (1e3, "mH"), "J": (1e3, "mJ"), "s": (1e3, "ms")}
#: What a leakage is displayed in: millions of ohms, though its unit is the ohm.
LEAKAGE = "ohm of leakage"
SMALL_UNITS |= {LEAKAGE: (1e-6, "megohm"), "Hz": (1e-3, "kHz"), "V/s": (1e-6, "V/µs")}


@dataclass(frozen=True)
class Shown:
    """Which shaft's degrees and which shaft's rpm are displayed, and gaps in what: three choices.

    A crankshaft turns twice for one turn of the distributor (four-stroke), so both are doubled.
    """

    degrees: str = "distributor"
    speed: str = "distributor"
    gap: str = "mm"

    def length(self, mm: float) -> str:
        """A gap, or how much of it: in the unit that was chosen, and in the other beside it."""
        metric, thousandths = f"{mm:.2f} mm", f"{1000.0 * inches(mm):.0f} thousandths of an inch"
        if self.gap == "inch":
            return f"{thousandths} ({metric})"
        return f"{metric} ({inches(mm):.3f} inch)"

    def speed_words(self, rpm: float) -> str:
        """A speed, whole, with its unit."""
        return f"{rpm * self.factor('rpm'):,.0f} {self.unit('rpm')}"

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

    def sentence(self, text: str) -> str:
        """A sentence of the judge's, which speaks of the distributor, where the display does not."""
        for basis, word in ((self.speed, r"rpm"), (self.degrees, r"deg(?:rees?)?")):
            if basis != "distributor":
                text = re.sub(rf"(?<=\d) {word}\b", lambda found: f" distributor{found[0]}", text)
        return text

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


def named(one: Mapping[str, Any], shown: Shown) -> str:
    """What a decision is about; of a curve, at which place."""
    if one.get("at") is None:
        return name(one["what"])
    unit = str(one.get("at_unit") or "")
    place = one["at"] * shown.factor(unit)
    return f"{name(one['what'])} at {place:{',.0f' if unit == 'rpm' else '.4g'}} {shown.unit(unit)}"


def unit_of(key: str, unit: str) -> str:
    """The unit by which a figure is displayed, from its own."""
    return LEAKAGE if key.startswith("condenser.leakage") else unit


def figure(result: Mapping[str, Any], key: str | None) -> Any:
    """The figure at a dotted key, or None."""
    found: Any = result
    for part in (key or "").split("."):
        found = found.get(part) if isinstance(found, Mapping) else None
    return found


def missed_where(result: Mapping[str, Any]) -> Iterator[tuple[str, int]]:
    """Towers, or else lobes, that sparks were missed at, and how many."""
    towers = figure(result, "spark.by_tower") or []
    if towers:
        found = [(f"tower {row['tower']}", row["misses"]) for row in towers]
    else:
        lobes = figure(result, "spark.by_lobe") or []
        found = [(f"lobe {lobe + 1}", misses) for lobe, misses in enumerate(lobes)]
    yield from ((where, misses) for where, misses in found if misses)


def limits(low: float | None, high: float | None, unit: str, shown: Shown) -> str:
    """Limits in words, in the displayed basis."""
    # A share of the pitch was worked out of degrees; every other limit stands as it was stated.
    digits = ".4g" if unit == "%" else ".6g"
    below, above = (
        None if x is None else f"{x * shown.factor(unit):{digits}}" for x in (low, high)
    )
    if below is not None and above is not None:
        return f"{below} to {above}"
    if above is not None:
        return f"at most {above}"
    return "-" if below is None else f"at least {below}"


def tally(decisions: Iterable[Mapping[str, Any]]) -> str:
    """How many decisions of each kind, in words."""
    found = [one["decision"] for one in decisions]
    counts = ((found.count(kind), word) for kind, (word, _) in WORDS.items())
    return ", ".join(f"{count} {word}" for count, word in counts if count)


def in_short(decisions: Iterable[Mapping[str, Any]]) -> str:
    """The worst kind of decision there is, and how many; "" without any."""
    found = [one["decision"] for one in decisions]
    for kind in ("fail", "undecided", "not measured"):
        if kind in found:
            return f"{found.count(kind)} {WORDS[kind][0]}"
    return "" if not found else "pass" if len(found) == 1 else f"all {len(found)} pass"


def without_options(text: str) -> str:
    """A sentence without the options of the command line that it names, for a window."""
    return re.sub(r" \(--[a-z0-9-]+\)| with --[a-z0-9-]+", "", text)


def not_judged(result: Mapping[str, Any]) -> list[str]:
    """Figures that were measured, could be judged, and have no decision, by their keys."""
    decided = {one["what"] for one in result.get("decisions") or ()}
    found = []
    for rule in RULES:
        stands_for = STANDS_FOR.get(rule.what, rule.what)
        if decided & {rule.what, stands_for}:
            continue
        for key, path in ((rule.what, rule.reasons or rule.what), (stands_for, stands_for)):
            if figure(result, path) not in (None, []):
                found.append(key)
                break
    return found
