"""Is the coil the right one for the system, and is the right resistor in its feed?

Judged by the current as well as by the resistance: a 6 V coil and a 12 V coil for use with a
resistor can both measure 1.5 ohm. Where two explanations fit, the verdict names both and the test
that tells them apart; where an uncertainty reaches over a limit it is too close to call. The limits
and their sources stand in `ignition_figures`, the sentences in `ignition_words`.

Reusable by whatever measures: `judge_coil` takes values with their expanded uncertainties.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from breakerbench.tools.ignition_figures import (
    CONTACTS_A,
    HALF_VOLTAGE_A,
    NEEDS_RESISTOR_A,
    RESISTOR_OHM,
    RIGHT_A,
    UNHINDERED_A,
    nominal_v,
)
from breakerbench.tools.ignition_words import (
    BALLAST_MISSING,
    BALLAST_NOT_NEEDED,
    COIL_HIGH,
    COIL_LOW,
    DOES_NOT_FIT,
    LOWER_VOLTAGE,
    RESISTOR_SMALL,
    RIGHT,
    TOO_CLOSE,
    TOO_MANY,
    UNDECIDED,
    Case,
    sentence,
    what_to_do,
)

#: What may be marked on a coil: made for 6 V, for 12 V as it is, for 12 V with a resistor.
MARKED = ("6v", "12v", "12v-resistor")

#: Steps from a value to the end of its uncertainty at which the verdict is tried.
TRIED = 9


@dataclass(frozen=True, slots=True)
class Known:
    """A value and its expanded uncertainty, both in one unit; 0 where it is exact."""

    value: float
    u: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.u) and self.u >= 0.0):
            raise ValueError(f"{self.value} with an uncertainty of {self.u} is no figure")


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is to be said of a coil and its feed.

    key        one of the keys of `ignition_words`
    fits       keys of all explanations that fit: one, or several where the key is ``undecided`` (alike
               in these figures) or ``too-close`` (an uncertainty reaches over a limit)
    sentence   the verdict for people, units said
    to_do      what to do, to fit, or to test next, in order
    contacts   what the contacts carry against what they take, a sentence
    current_a  through closed points at rest: measured, else worked out with the coil cold, A
    feed_ohm   in the feed: as the circuit shows it, else as told, ohm
    hidden_ohm what the circuit shows beyond what was told; None where one of both is not known
    """

    key: str
    fits: tuple[str, ...]
    sentence: str
    to_do: tuple[str, ...]
    contacts: str
    current_a: Known
    feed_ohm: Known
    hidden_ohm: Known | None


def judge_coil(
    supply_v: float,
    coil_20c_ohm: Known,
    told_ohm: Known | None = None,
    standing_a: Known | None = None,
    *,
    feed_ohm: Known | None = None,
    coil_then_ohm: Known | None = None,
    marked: str | None = None,
) -> Verdict:
    """The verdict on a coil and its feed.

    supply_v       behind which the feed begins, V: of the battery, or of the feed with no current
                   flowing; the nominal voltage follows from it
    coil_20c_ohm   winding of the coil at 20 deg C
    told_ohm       resistors known to be in the feed, 0 for none; None: nobody said
    standing_a     current measured through closed points at rest
    feed_ohm       resistance of the feed as the closed circuit shows it (`analyze`: coil.ballast_ohm);
                   None: from ``standing_a``, where there is one
    coil_then_ohm  the winding when ``standing_a`` was measured; None: as at 20 deg C
    marked         what the coil is marked with, of ``MARKED``; None: nothing

    Raises ValueError for voltages, resistances and currents that are not positive (``told_ohm`` may
    be 0) and for a marking that is none.
    """
    _check(supply_v, coil_20c_ohm, told_ohm, standing_a, marked)
    nominal = nominal_v(supply_v)
    if feed_ohm is None and standing_a is not None:
        feed_ohm = feed_by_current(Known(supply_v), standing_a, coil_then_ohm or coil_20c_ohm)
    seen = feed_ohm is not None
    feed = feed_ohm or told_ohm or Known(0.0)
    current = standing_a
    if current is None:
        loop = coil_20c_ohm.value + max(feed.value, 0.0)
        u_loop = math.hypot(coil_20c_ohm.u, feed.u)
        current = Known(supply_v / loop, supply_v / loop**2 * u_loop)
    hidden = None
    if feed_ohm is not None and told_ohm is not None:
        hidden = Known(feed_ohm.value - told_ohm.value, math.hypot(feed_ohm.u, told_ohm.u))
    by_passed = told_ohm is not None and told_ohm.value >= RESISTOR_OHM * nominal / 12.0 and seen
    key, fits = _judged(nominal, coil_20c_ohm, feed, marked, seen, by_passed)
    case = Case(
        nominal_v=nominal,
        coil_ohm=coil_20c_ohm.value,
        feed_ohm=max(feed.value, 0.0),
        current_a=current.value,
        measured=seen,
        hidden_ohm=hidden.value if hidden is not None and abs(hidden.value) > hidden.u else 0.0,
        marked=marked,
        fits=fits,
    )
    without = not seen and feed.value == 0.0 and key not in (RIGHT, COIL_HIGH)
    return Verdict(
        key, fits, sentence(key, case), what_to_do(key, case), contacts_sentence(current, without),
        current, feed, hidden,
    )  # fmt: skip


def feed_by_current(supply_v: Known, standing_a: Known, coil_ohm: Known) -> Known:
    """Resistance of the feed from the current through closed points at rest, ohm: V / i - R."""
    loop = supply_v.value / standing_a.value
    share = math.hypot(supply_v.u / supply_v.value, standing_a.u / standing_a.value)
    return Known(loop - coil_ohm.value, math.hypot(loop * share, coil_ohm.u))


def feed_by_volts(supply_v: Known, feed_v: Known, points_v: Known, coil_ohm: Known) -> Known:
    """Resistance of the feed from the volts at the coil, points closed at rest, ohm.

    feed_v    feed terminal of the coil to ground, magnitude
    points_v  points terminal of the coil to ground, magnitude

    The same current flows through both: R (V - V_feed) / (V_feed - V_points).
    """
    over_feed, over_coil = supply_v.value - feed_v.value, feed_v.value - points_v.value
    value = coil_ohm.value * over_feed / over_coil
    to_feed_v = coil_ohm.value * (over_coil + over_feed) / over_coil**2
    u = math.hypot(
        coil_ohm.u * over_feed / over_coil,
        coil_ohm.value / over_coil * supply_v.u,
        to_feed_v * feed_v.u,
        value / over_coil * points_v.u,
    )
    return Known(value, u)


def _judged(
    nominal: float, coil: Known, feed: Known, marked: str | None, seen: bool, by_passed: bool
) -> tuple[str, tuple[str, ...]]:
    """Key of the verdict, and of all that fit, over the whole of both uncertainties."""
    least = 1e-3 * coil.value  # below it is rounding
    if feed.value + feed.u < -least:
        return DOES_NOT_FIT, (DOES_NOT_FIT,)
    # Both at once at their worst is rarer than each: the places tried lie on ellipses.
    angles = np.linspace(0.0, 2.0 * math.pi, 4 * TRIED - 3)
    found = {
        _plain(
            nominal,
            max(coil.value + coil.u * reach * math.cos(angle), least),
            max(feed.value + feed.u * reach * math.sin(angle), 0.0),
            marked,
            seen,
            by_passed,
        )
        for reach in np.linspace(0.0, 1.0, TRIED)
        for angle in angles
    }
    fits = tuple(sorted({key for keys in found for key in keys}))
    if len(fits) == 1:
        return fits[0], fits
    # Alike in all these figures say at some place within the uncertainty; else a limit lies there.
    alike = any(len(keys) == len(fits) for keys in found)
    return (UNDECIDED if alike else TOO_CLOSE), fits


def _plain(
    nominal: float, coil: float, feed: float, marked: str | None, seen: bool, by_passed: bool
) -> tuple[str, ...]:
    """Keys of what fits, of exact figures: by what the coil draws alone, then by what it draws now."""
    alone, now = nominal / coil, nominal / (coil + feed)
    resistor = feed >= RESISTOR_OHM * nominal / 12.0
    if alone > NEEDS_RESISTOR_A:
        return (COIL_LOW,)
    if alone < RIGHT_A.low:
        return (COIL_HIGH,)
    if alone <= RIGHT_A.high:
        return (BALLAST_NOT_NEEDED,) if resistor and now < UNHINDERED_A else (RIGHT,)
    if now < RIGHT_A.low:
        return (TOO_MANY,)
    if now <= RIGHT_A.high:
        return (RIGHT,)
    if resistor:
        return (RESISTOR_SMALL,)
    if by_passed:
        return (BALLAST_MISSING,)
    return _without_resistor(nominal, alone, marked, seen)


def _without_resistor(
    nominal: float, alone: float, marked: str | None, seen: bool
) -> tuple[str, ...]:
    """Too much current and no resistor known of: which of several mistakes is it?"""
    if nominal == 6.0 or marked == "12v":
        return (COIL_LOW,)  # no coil is made for 3 V; one for 12 V as it is has more ohms
    if marked == "6v":
        return (LOWER_VOLTAGE,)
    if marked == "12v-resistor" or alone < HALF_VOLTAGE_A:
        return (BALLAST_MISSING,)
    # 1.5 ohm at 12 V. Where nobody measured the current, a resistor may hide in the loom.
    return (BALLAST_MISSING, LOWER_VOLTAGE) if seen else (BALLAST_MISSING, LOWER_VOLTAGE, RIGHT)


def contacts_sentence(current: Known, without: bool = False) -> str:
    """What the contacts carry, against the 4 to 5 A of TM 9-8000, chapter 15.

    without  it is said that this holds where no resistor is in the feed
    """
    begin = "Without a resistor, closed at rest," if without else "Closed at rest"
    text = (
        f"{begin} the contacts carry {current.value:.1f} A; contacts take 4 to 5 A "
        "(TM 9-8000, chapter 15)"
    )
    if current.value - current.u > CONTACTS_A.high:
        return f"{text}: too much, they burn."
    if current.value + current.u > CONTACTS_A.high:
        return f"{text}: about as much as they can."
    return f"{text}."


def _check(
    supply_v: float, coil: Known, told: Known | None, current: Known | None, marked: str | None
) -> None:
    if not (supply_v > 0.0 and math.isfinite(supply_v) and coil.value > 0.0):
        raise ValueError("supply and coil must be positive")
    if told is not None and told.value < 0.0:
        raise ValueError("resistors in the feed have no ohms below 0")
    if current is not None and current.value <= 0.0:
        raise ValueError("no current flows: there is nothing to judge")
    if marked is not None and marked not in MARKED:
        raise ValueError(f"a coil is marked {', '.join(MARKED)}, not {marked}")
