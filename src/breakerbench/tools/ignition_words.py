"""The verdicts on a coil and its feed in plain words, and what to do about each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from breakerbench.tools.ignition_figures import (
    AIM_A,
    HALF_VOLTAGE_A,
    NEEDS_RESISTOR_A,
    NO_BALLAST_OHM,
    RESISTOR_OHM,
    RIGHT_A,
)
from breakerbench.tools.ignition_fit import Resistor, fitting_coil_ohm, fitting_resistor

RIGHT = "right"
LOWER_VOLTAGE = "lower-voltage-coil"
BALLAST_MISSING = "ballast-missing"
BALLAST_NOT_NEEDED = "ballast-not-needed"
TOO_MANY = "too-many-resistors"
RESISTOR_SMALL = "resistor-too-small"
COIL_LOW = "coil-ohms-too-low"
COIL_HIGH = "coil-ohms-too-high"
DOES_NOT_FIT = "figures-do-not-fit"
UNDECIDED = "undecided"
TOO_CLOSE = "too-close"

#: The verdicts in a few words.
TITLES = {
    RIGHT: "right",
    LOWER_VOLTAGE: "a coil for a lower voltage",
    BALLAST_MISSING: "ballast resistor missing",
    BALLAST_NOT_NEEDED: "a resistor where none belongs",
    TOO_MANY: "too many resistors in the feed",
    RESISTOR_SMALL: "the resistor is too small",
    COIL_LOW: "the coil has too few ohms",
    COIL_HIGH: "the coil has too many ohms",
    DOES_NOT_FIT: "the figures do not fit together",
    UNDECIDED: "cannot be told yet",
    TOO_CLOSE: "too close to call",
}

BURNS = "The coil gets hot, and the contacts burn."
WEAK = "The spark is weak."


@dataclass(frozen=True, slots=True)
class Case:
    """What a verdict speaks of.

    nominal_v   of the system
    coil_ohm    of the winding at 20 deg C
    feed_ohm    in the feed, as the circuit shows it, else as told
    current_a   through closed points at rest
    measured    whether a current or volts were measured
    hidden_ohm  what the circuit shows beyond what was told, 0 within its uncertainty; below 0: less
    marked      on the coil, or None
    fits        keys of all that fits
    """

    nominal_v: float
    coil_ohm: float
    feed_ohm: float
    current_a: float
    measured: bool
    hidden_ohm: float
    marked: str | None
    fits: tuple[str, ...]

    @property
    def volts(self) -> str:
        return f"{self.nominal_v:.3g} V"

    @property
    def lower_volts(self) -> str:
        return f"{self.nominal_v / 2.0:.3g} V"

    @property
    def draws(self) -> str:
        return f"{self.current_a:.1f} A"

    @property
    def alone_a(self) -> float:
        """What the cold coil draws without any resistor, A."""
        return self.nominal_v / self.coil_ohm

    @property
    def resistor_there(self) -> bool:
        return self.feed_ohm >= RESISTOR_OHM * self.nominal_v / 12.0

    @property
    def resistor(self) -> Resistor | None:
        """What to put into a feed that has none."""
        return fitting_resistor(self.nominal_v, self.coil_ohm)


def ohms(value: float) -> str:
    """Ohms as a hand meter shows them: tenths, below 1 ohm hundredths."""
    return f"{value:.2f}" if abs(value) < 0.995 else f"{value:.1f}"


def sentence(key: str, case: Case) -> str:
    """The verdict in a sentence or two."""
    coil, feed = f"{ohms(case.coil_ohm)} ohm (20 deg C)", f"{ohms(case.feed_ohm)} ohm"
    volts, draws = case.volts, case.draws
    match key:
        case "right" if case.resistor_there:
            return _right_with_resistor(case, coil, feed)
        case "right":
            return f"The coil is right for {volts}: {coil}, {draws}. It needs no resistor."
        case "lower-voltage-coil":
            return (
                f"A {case.lower_volts} coil on {volts}: {coil} and no resistor in the feed, {draws}. "
                f"{BURNS}"
            )
        case "ballast-missing":
            return (
                f"The ballast resistor is missing or bridged: this coil, {coil}, is made for one, and "
                f"draws {draws} at {volts} without it. {BURNS}"
            )
        case "ballast-not-needed":
            return (
                f"A resistor, {feed}, stands in the feed where none belongs: the coil, {coil}, is "
                f"made for {volts} as it is. It draws {draws} only. {WEAK}"
            )
        case "too-many-resistors":
            return (
                f"Too much resistance in the feed, {feed}: with this coil, {coil}, only {draws} "
                f"flow. {WEAK} Often one resistor was added to another."
            )
        case "resistor-too-small":
            return (
                f"The resistance in the feed, {feed}, is too small for this coil, {coil}: {draws} "
                f"flow. {BURNS}"
            )
        case "coil-ohms-too-low":
            known = (
                "One for 12 V as it is has about 3 ohm: turns are shorted, or the marking is wrong."
                if case.marked == "12v"
                else "It is made for something else, or turns of it are shorted."
            )
            return f"Too few ohms for breaker points at {volts}: {coil}, {draws}. {known}"
        case "coil-ohms-too-high":
            return (
                f"Too many ohms for {volts}: {coil}, {draws}. {WEAK} It is made for a higher "
                "voltage, or a joint in it is bad."
            )
        case "figures-do-not-fit":
            return (
                f"A coil of {coil} cannot take {draws} at {volts}: the supply is higher than told, "
                "turns of the coil are shorted, or a figure is wrong."
            )
        case "undecided":
            end = (
                f"Either way it draws {draws}, more than contacts take."
                if case.measured
                else "The ohms alone do not tell: the current does."
            )
            return f"A coil of {coil} on {volts} may be {_either(case)}. {end}"
        case _:
            return (
                f"A coil of {coil} on {volts}, {feed} in the feed, {draws}: with what is uncertain in "
                f"these figures it may be {_either(case)}."
            )


def _right_with_resistor(case: Case, coil: str, feed: str) -> str:
    whose = "a resistor that nobody told of" if case.hidden_ohm > 0.0 else "its resistor"
    text = f"The coil, {coil}, and {whose}, {feed}, are right for {case.volts}: {case.draws}."
    if case.alone_a <= RIGHT_A.high:
        text += f" Without the resistor it would draw {case.alone_a:.1f} A: a stronger spark."
    return text


def _either(case: Case) -> str:
    """The explanations that fit, in a row."""
    names = {
        RIGHT: "all right, a resistor hiding in the loom"
        if LOWER_VOLTAGE in case.fits
        else "right",
        LOWER_VOLTAGE: f"a {case.lower_volts} coil on {case.volts}",
        BALLAST_MISSING: f"a {case.volts} coil whose ballast resistor is missing",
    }
    parts = [names.get(key, TITLES[key]) for key in case.fits]
    return f"{', '.join(parts[:-1])}{',' * (len(parts) > 2)} or {parts[-1]}"


# --- what to do -------------------------------------------------------------------------------


def what_to_do(key: str, case: Case) -> tuple[str, ...]:
    """What to do, to fit or to test next, in order."""
    return (*_tests(key, case), *_mends(key, case), *_of_the_feed(key, case))


def _tests(key: str, case: Case) -> Iterator[str]:
    """What to measure or look at before anything is bought."""
    if key == DOES_NOT_FIT:
        yield (
            "Measure the volts at the battery while the current flows, and the coil's ohms again "
            "with its leads off."
        )
        return
    no_resistor = {BALLAST_MISSING, LOWER_VOLTAGE} & set(case.fits)
    resistor = case.resistor
    if no_resistor and not case.measured and key != TOO_CLOSE and resistor is not None:
        yield (
            "First measure the current: points closed, engine stopped, ammeter in the feed, a few "
            f"seconds. About {resistor.current_a:.1f} A: a resistor hides in the loom, change "
            f"nothing. About {case.alone_a:.1f} A: there is none."
        )
        if case.nominal_v == 12.0:
            yield (
                "Or the volts from the coil's feed terminal to ground, points closed, not while "
                "cranking: 4.5 to 6.9 V with a resistor (NAVEDTRA 14329, chapter 6), nearly the "
                "battery's without."
            )
    if key == TOO_CLOSE:
        yield (
            "Measure the coil's ohms again, leads off and cold; hold the meter's leads together "
            "first, and take that reading off. Measure the current too, points closed, and the "
            "volts at the battery while it flows."
        )
    if len(no_resistor) == 2:
        yield (
            f"Read what is marked on the coil: {case.lower_volts}, or {case.volts} for use with a "
            "resistor. Does the wiring diagram show a resistor or a resistance wire in the feed?"
        )


def _mends(key: str, case: Case) -> Iterator[str]:
    """What to fit, or to take out."""
    coil = f"a coil for {case.volts} of about {ohms(case.nominal_v / AIM_A)} ohm that needs no resistor"
    put = "Put" if case.measured else "Where there is none: put"
    fit = "Fit" if case.measured else "Where there is none: fit"
    match key:
        case "right" if case.hidden_ohm > 0.0 and case.resistor_there:
            yield "Change nothing, once you have seen that it is a resistor and no bad joint."
        case "right":
            yield "Change nothing."
        case "lower-voltage-coil":
            yield f"{fit} {coil}."
            yield from _put(case, "Or keep this one and put")
        case "ballast-missing":
            yield from _put(case, put)
            yield f"Or fit {coil}."
        case "undecided" if case.resistor is not None:
            yield from _put(case, put.replace("Put", "Either way put"))
            yield f"Or fit {coil}."
        case "resistor-too-small":
            yield from _put(case, "In place of it put")
        case "coil-ohms-too-low" | "coil-ohms-too-high":
            yield f"Fit {coil}."
            if case.marked is None and case.alone_a <= NEEDS_RESISTOR_A:
                yield from _put(case, "Or keep this one and put")
        case "ballast-not-needed":
            yield (
                "Take the resistor out and join its leads. Where it is a resistance wire in the loom, "
                "run a plain lead, fused, past it."
            )
            ohm = fitting_coil_ohm(case.nominal_v, case.feed_ohm)
            if ohm is not None and case.nominal_v / ohm >= HALF_VOLTAGE_A:
                yield f"Or leave it, and fit a coil of about {ohms(ohm)} ohm made for a resistor."
        case "too-many-resistors":
            kept = case.resistor
            if kept is not None:
                out = max(case.feed_ohm - kept.ohm, 0.0)
                yield (
                    f"Of the {ohms(case.feed_ohm)} ohm in the feed take out about {ohms(out)}: "
                    f"{ohms(kept.ohm)} ohm belong there, at least {kept.rating_w} W."
                )


def _put(case: Case, begin: str) -> Iterator[str]:
    resistor = case.resistor
    if resistor is not None:
        yield (
            f"{begin} a resistor of {ohms(resistor.ohm)} ohm, at least {resistor.rating_w} W, in the "
            f"feed, in free air. {resistor.current_a:.1f} A then flow, and with the ignition on and "
            f"the points closed it takes {resistor.heat_w:.0f} W."
        )


def _of_the_feed(key: str, case: Case) -> Iterator[str]:
    """What the feed itself shows, beyond what was told."""
    if key == DOES_NOT_FIT:
        return
    scale = case.nominal_v / 12.0
    if case.hidden_ohm >= RESISTOR_OHM * scale:
        yield (
            f"About {ohms(case.hidden_ohm)} ohm hide in the feed: a resistor or resistance wire in the "
            "loom, or a bad joint. With the points closed measure the volts to ground from piece to "
            "piece: where they drop, there it is. A bad joint gets warm at one spot."
        )
    elif case.measured and NO_BALLAST_OHM * scale < case.feed_ohm < RESISTOR_OHM * scale:
        yield (
            f"The feed loses {case.feed_ohm * case.current_a:.1f} V over {ohms(case.feed_ohm)} ohm: "
            "look for a bad joint, a bad switch or a thin lead."
        )
    elif case.hidden_ohm <= -RESISTOR_OHM * scale:
        yield (
            f"The feed has {ohms(-case.hidden_ohm)} ohm less than was told: is a resistor bridged, as "
            "by a lead for starting that stays live?"
        )
    if key == RIGHT and not case.measured:
        yield (
            f"To be sure that no {'other ' if case.resistor_there else ''}resistor hides in the loom, "
            f"measure the current with the points closed: about {case.draws} cold, less when warm."
        )
