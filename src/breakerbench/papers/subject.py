"""What a picture is drawn from: a result, the specification, the display; and its words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from breakerbench.edges.average import Averaged
from breakerbench.edges.shown import SlowCycles
from breakerbench.errors import harmless
from breakerbench.judge.points_sets import dwell_limits
from breakerbench.judge.reading import Result
from breakerbench.judge.specification import Specification
from breakerbench.measure.condenser_found import Charged
from breakerbench.papers.words import WORDS, Shown, figure, limits, name

#: The pictures: the name of the files, and what is shown.
DWELL, LOBES, SPACING = "dwell", "dwell-by-lobe", "spacing-scatter"
ADVANCE, BOUNCE, CONTACT = "advance", "bounce", "contact"
CONDENSER = "condenser"
COIL, DROP, SPARK = "coil", "contact-drop", "spark"
PICTURES = {
    DWELL: "Dwell",
    LOBES: "Dwell of each lobe over speed",
    SPACING: "Lobe spacing and opening scatter",
    ADVANCE: "Centrifugal advance",
    BOUNCE: "Contact bounce",
    CONTACT: "Contact trace, averaged",
    COIL: "Coil: current and energy",
    DROP: "Contact drop over current",
    SPARK: "Spark, seen on the primary",
    CONDENSER: "Condenser: charge and hold",
}
#: Those that need a coil in the circuit, and those that any turning distributor has.
OF_A_COIL = (COIL, DROP, SPARK)
OF_A_RUN = tuple(stem for stem in PICTURES if stem not in (CONDENSER, *OF_A_COIL))
KINDS = ("svg", "png")
#: The page that lists what was drawn, and what was not and why.
INDEX = "index.html"
FILES = (*(f"{stem}.{kind}" for stem in PICTURES for kind in KINDS), INDEX)

#: What the marks of a picture are called.
MEASURED, NO_U = "measured, ± uncertainty", "measured, uncertainty not known"
INSIDE, INSIDE_FALLING = "inside the limits", "inside the limits, speed falling"
RISING, FALLING = "speed rising, ± uncertainty", "speed falling, ± uncertainty"
SHARE = "share that bounces"
CHARGED, FITTED, LEFT = "voltage", "fitted exponential", "what the fit leaves, a few charges"
MEAN_TRACE, SPREAD, SINGLE = "mean", "± 2 standard deviations", "single events"
BY_FIGURES, BURN_LINE = "by the figures", "burn line"
SPARK_END, AT_STATED = "end of the spark", "at the limit's current"

NO_CYCLES = "no closing without bounce, with the samples about it"
BLACK, GREY = "#111111", "#4a4a4a"
#: The inks of the terminal's colours, dark enough to be read on white.
INKS = {"green": "#1d6b2f", "bold red": "#a8001c", "yellow": "#7d4b00"}


class Collected(NamedTuple):
    """What pictures need beside the result, in the order of the last fields of `Subject`."""

    contact: Averaged | None = None
    charged: Charged | None = None
    cycles: SlowCycles | None = None


@dataclass(frozen=True)
class Subject:
    """What is drawn: the result by the contract, and how it is displayed.

    title  name of the trace, as a person calls it
    spec   None where nothing was judged
    contact  the points' voltage about touches and openings; None where it was not collected
    charged  a condenser's charge and hold; None where there is none
    cycles  current and voltages of the slowest cycles; None where they were not collected
    """

    title: str
    result: Mapping[str, Any]
    spec: Specification | None
    shown: Shown
    contact: Averaged | None = None
    charged: Charged | None = None
    cycles: SlowCycles | None = None

    def get(self, key: str) -> Any:
        """The figure at a dotted key of the result, or None."""
        return figure(self.result, key)

    def scaled(self, values: Sequence[float | None], unit: str) -> list[float | None]:
        """Figures in ``unit`` as they are displayed."""
        factor = self.shown.factor(unit)
        return [None if value is None else value * factor for value in values]

    def why(self, key: str) -> str:
        """The reason why the figure at ``key`` is missing."""
        return self.shown.sentence(Result(self.result).why(key))

    @property
    def applies(self) -> bool:
        """There is a specification, and it is that of this trace."""
        return self.spec is not None and not self.get("why.decisions")

    @property
    def aim_deg(self) -> float | None:
        """The dwell to aim at; None where the specification is not that of this trace.

        None too with two sets of points, but for one alone.
        """
        if self.spec is None or not self.applies:
            return None
        return dwell_limits(self.spec, self.get("trace.points_set"))[2]

    def decision(self, key: str) -> Mapping[str, Any] | None:
        """The decision about the figure at ``key``, of those on a curve the worst; or None."""
        found = [one for one in self.get("decisions") or () if one["what"] == key]
        return min(found, key=_badness, default=None)


def _badness(one: Mapping[str, Any]) -> tuple[int, float]:
    """Order of decisions from the worst on: by their kind, then by the room that U leaves."""
    order = ("fail", "undecided", "not measured", "pass")
    kind = one["decision"]
    value, low, high = one.get("value"), one.get("low"), one.get("high")
    room = [value - low] if value is not None and low is not None else []
    room += [high - value] if value is not None and high is not None else []
    return order.index(kind) if kind in order else 0, min(room, default=0.0) - (one.get("u") or 0.0)


@dataclass(frozen=True)
class Band:
    """Limits and aim of a panel, as displayed; None on a side without."""

    low: float | None = None
    high: float | None = None
    aim: float | None = None
    mean: float | None = None

    def stated(self) -> list[float]:
        return [x for x in (self.low, self.high, self.aim, self.mean) if x is not None]


def band_of(
    subject: Subject,
    key: str,
    unit: str,
    aim: float | None = None,
    mean: float | None = None,
    *,
    magnitude: bool = False,
) -> Band:
    """What the figure at ``key`` was judged by, as displayed; ``magnitude``: to either side."""
    decided = subject.decision(key) or {}
    low, high = decided.get("low"), decided.get("high")
    if magnitude and high is not None:
        low = -high
    return Band(*subject.scaled([low, high, aim, mean], unit))


def verdict(
    subject: Subject, key: str, u_key: str = "", unit: str = "deg", what: str = ""
) -> tuple[str, str, str]:
    """The decision about a figure: its word, its ink, and the figure beside its limits."""
    shown = subject.shown
    decided = subject.decision(key)
    if decided is not None:
        kind = decided["decision"]
        word, style = WORDS.get(kind, (harmless(str(kind)), ""))
        bounds = limits(decided.get("low"), decided.get("high"), unit, shown)
        bounds = f"{'limits' if ' to ' in bounds else 'limit'} {bounds}"
        if decided.get("value") is None:
            why = harmless(shown.sentence(decided.get("why") or ""))
            return word, INKS.get(style, BLACK), f"{bounds}; {why}"
        number = shown.number(decided["value"], unit, decided.get("u"))
        text = f"{what}{number} {shown.unit(unit)}; {bounds}"
        return word, INKS.get(style, BLACK), text
    value = subject.get(key)
    if value is None or value == []:
        return "not measured", INKS["yellow"], ""
    why = subject.get("why.decisions") or (
        "no specification" if subject.spec is None else "no limit stated"
    )
    if isinstance(value, list):
        return "not judged", GREY, harmless(why)
    number = shown.number(value, unit, subject.get(u_key))
    return "not judged", GREY, f"{what}{number} {shown.unit(unit)}; {harmless(why)}"


def settling(subject: Subject, *keys: str) -> list[str]:
    """What would settle the decisions that are too close to call; said once for several."""
    by_what: dict[str, list[str]] = {}
    for key in keys:
        settle = (subject.decision(key) or {}).get("settle")
        if settle:
            by_what.setdefault(settle, []).append(name(key).removesuffix(", largest"))
    return [
        f"To settle {' and '.join(names)}: {subject.shown.sentence(what)}."
        for what, names in by_what.items()
    ]


def looked_for(subject: Subject) -> tuple[str, ...]:
    """The pictures that a trace of this kind may have."""
    alone = {"condenser": (CONDENSER,), "coil": (CONTACT, *OF_A_COIL)}
    return alone.get(str(subject.get("trace.kind")), (*OF_A_RUN, *OF_A_COIL))


def missing(subject: Subject) -> dict[str, str]:
    """The pictures that cannot be drawn, each with the reason."""
    found = {}
    if not any(_there(subject, f"dwell.{key}") for key in ("mean_deg", "percent", "by_speed")):
        found[DWELL] = subject.why("dwell.mean_deg")
    rows = [row for row in subject.get("dwell.by_speed") or () if row.get("per_lobe_deg")]
    if not rows or DWELL in found:
        found[LOBES] = subject.why("dwell.per_lobe_deg")
        if DWELL not in found and "dwell.per_lobe_deg" not in (subject.get("why") or {}):
            found[LOBES] = "fewer than ten revolutions within each 50 rpm of the distributor"
    elif len(rows) == 1:
        found[LOBES] = f"one speed only; each lobe's dwell at it is in {DWELL}"
    elif len(rows[0]["per_lobe_deg"]) == 1:
        found[LOBES] = f"there is one lobe; its dwell over speed is in {DWELL}"
    if not _there(subject, "spacing.error_deg") and not _there(subject, "scatter.deg"):
        found[SPACING] = subject.why("spacing.error_deg")
    if not _there(subject, "advance.rising") and not _there(subject, "advance.falling"):
        found[ADVANCE] = subject.why("advance.rising")
    if not _there(subject, "bounce.by_speed"):
        found[BOUNCE] = subject.why("bounce.by_speed")
    if subject.contact is None:
        found[CONTACT] = subject.get("why.speed") or "no opening with the samples about it"
    found |= _without_circuit(subject)
    if subject.charged is None:
        found[CONDENSER] = subject.why("condenser.capacitance_f")
    return {stem: harmless(found[stem]) for stem in looked_for(subject) if stem in found}


def _without_circuit(subject: Subject) -> dict[str, str]:
    """Those of coil, contact drop and spark that cannot be drawn, each with the reason."""
    found, cycles = {}, subject.cycles
    for stem, keys in (
        (COIL, ("coil.current_a",)), (DROP, ("contact.resistance_ohm",)),
        (SPARK, ("spark.duration_s", "spark.burn_v", "spark.misses")),
    ):  # fmt: skip
        if not any(_there(subject, key) for key in keys):
            found[stem] = subject.why(keys[0])
        elif cycles is None or (stem == SPARK and cycles.opening is None):
            found[stem] = NO_CYCLES
    if COIL in found and DROP in found and "coil" in (subject.get("why") or {}):
        found[DROP] = found[COIL]  # without a coil the drop is one figure and no picture
    return found


def _there(subject: Subject, key: str) -> bool:
    value = subject.get(key)
    return value is not None and value != []
