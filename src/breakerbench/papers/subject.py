"""What a picture is drawn from: a result, the specification, the display; and its words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from breakerbench.errors import harmless
from breakerbench.judge.reading import Result
from breakerbench.judge.specification import Specification
from breakerbench.papers.words import WORDS, Shown, figure, limits, name

#: The files of the pictures, each by what it shows.
DWELL, SPACING = "dwell.png", "spacing-scatter.png"
FILES = (DWELL, SPACING)

#: What the marks of a picture are called.
MEASURED, NO_U = "measured, ± uncertainty", "measured, uncertainty not known"
INSIDE = "inside the limits"

BLACK, GREY = "#111111", "#4a4a4a"
#: The inks of the terminal's colours, dark enough to be read on white.
INKS = {"green": "#1d6b2f", "bold red": "#a8001c", "yellow": "#7d4b00"}


@dataclass(frozen=True)
class Subject:
    """What is drawn: the result by the contract, and how it is displayed.

    title  name of the trace, as a person calls it
    spec   None where nothing was judged
    """

    title: str
    result: Mapping[str, Any]
    spec: Specification | None
    shown: Shown

    def get(self, key: str) -> Any:
        """The figure at a dotted key of the result, or None."""
        return figure(self.result, key)

    def scaled(self, values: Sequence[float | None], unit: str) -> list[float | None]:
        """Figures in ``unit`` as they are displayed."""
        factor = self.shown.factor(unit)
        return [None if value is None else value * factor for value in values]

    def why(self, key: str) -> str:
        """The reason why the figure at ``key`` is missing."""
        return Result(self.result).why(key)

    @property
    def aim_deg(self) -> float | None:
        """The dwell to aim at; None where the specification is not that of this trace."""
        if self.spec is None or self.spec.dwell is None or self.get("why.decisions"):
            return None
        return self.spec.dwell.aim_deg

    def decision(self, key: str) -> Mapping[str, Any] | None:
        """The decision about the figure at ``key``, or None."""
        return next((one for one in self.get("decisions") or () if one["what"] == key), None)


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
            return word, INKS.get(style, BLACK), f"{bounds}; {harmless(decided.get('why') or '')}"
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
    return [f"To settle {' and '.join(names)}: {what}." for what, names in by_what.items()]
