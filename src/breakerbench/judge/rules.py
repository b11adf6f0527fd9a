"""The rules: which figure of a result answers which limit of a specification.

A rule finds its limits in the specification, reads its figure from the result and hands back
cases, none where the specification is silent. `decisions` compares.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from breakerbench.judge.condenser import capacitance_cases, leakage_cases
from breakerbench.judge.curves import curve_cases, one_each
from breakerbench.judge.guard import PASS, UNDECIDED
from breakerbench.judge.points_sets import (
    FIRST,
    SECOND,
    against_a_grid,
    alone_cases,
    by_set,
    connected,
    dwell_limits,
    pitch_deg,
    untold_cases,
)
from breakerbench.judge.reading import (
    Case,
    Cases,
    Result,
    Rule,
    at_least,
    at_most,
    ends,
    stated,
    within,
)
from breakerbench.judge.tables import Specification

#: Temperature coefficient of copper's resistance at 20 degrees, 1/K (IEC 60028, from memory).
COPPER_PER_K = 0.00393
#: Expanded uncertainty of a winding's temperature that nobody told, K: a workshop's 20 degrees
#: within +- 25, all alike (25 / sqrt 3 * 2).
UNTOLD_TEMPERATURE_K = 29.0
#: What leads and clamps may add where there is to be no ballast resistor; common practice, no
#: source: ballast resistors are several times this.
NO_BALLAST_OHM = 0.2
#: What tells weights that do not move from an index that rides above them; common practice, no source.
WEIGHTS_OR_INDEX = (
    "hold the drive shaft and turn the rotor by hand in its direction: weights that are free let it turn "
    "some degrees and spring back, and then the index must be moved to the drive shaft below them"
)
#: Width of a speed bin, rpm: points of a curve lie as far apart, and
#: the onset of bounce is known to one bin.
BIN_RPM = 50.0


def _largest(key: str, values: str, u: str, u_single: str = "") -> Cases:
    """The largest magnitude of a list of spacing errors against its limit."""

    def cases(result: Result, spec: Specification) -> Iterator[Case]:
        high = stated(spec.spacing, key)
        if high is None:
            return
        errors = result.numbers(values)
        uncertainty = result.number(u)
        if uncertainty is None and u_single:
            # an interval is the difference of two openings of like uncertainty
            single = result.number(u_single)
            uncertainty = None if single is None else math.sqrt(2.0) * single
        worst = max((abs(error) for error in errors), default=None)
        yield against_a_grid(Case(worst, uncertainty, None, high), result, spec)

    return cases


def _dwell(result: Result, spec: Specification) -> Iterator[Case]:
    if spec.distributor.points_sets == 2 and connected(result) is None:
        yield from untold_cases(result, spec)
        return
    low, high, _ = dwell_limits(spec, connected(result))
    if low is None and high is None:
        return
    value, percent = result.number("dwell.mean_deg"), result.number("dwell.percent")
    if value is None and percent is not None:
        # without an angle the share of time closed is still there; its band follows from the pitch
        scale = 100.0 / pitch_deg(spec, result)
        yield Case(
            percent,
            result.number("dwell.u_percent"),
            None if low is None else low * scale,
            None if high is None else high * scale,
            what="dwell.percent",
            unit="%",
        )
    else:
        yield Case(value, result.number("dwell.u_deg"), low, high)


def _alone(which: str) -> Cases:
    return lambda result, spec: alone_cases(which, result, spec)


def _scatter(result: Result, spec: Specification) -> Iterator[Case]:
    for case in at_most("scatter", "max_deg", "scatter.deg", "scatter.u_deg")(result, spec):
        if case.value is not None and result.get("vacuum.throughout") is True:
            why = "the vacuum was on all along, and the play of a plate under vacuum adds to it"
            yield replace(case, verdict=UNDECIDED, why=why, settle="a run with the vacuum off")
        else:
            yield case


def _bounce(result: Result, spec: Specification) -> Iterator[Case]:
    low = stated(spec.bounce, "none_below_rpm")
    if low is None:
        return
    onset, looked_to = result.number("bounce.onset_rpm"), result.number("bounce.looked_to_rpm")
    if onset is None:
        case = Case(None, None, low, None)
        if looked_to is None:
            yield case
        elif looked_to >= low:
            seen = replace(case, verdict=PASS, why=f"no bounce found up to {looked_to:.0f} rpm")
            yield by_set(seen, result, spec)
        else:
            why = f"no bounce found, but looked up to {looked_to:.0f} rpm only"
            yield replace(case, why=why)
        return
    u = result.number("bounce.u_onset_rpm")
    case = Case(onset, BIN_RPM if u is None else u, low, None)
    slowest = result.number("speed.min_rpm")
    if slowest is not None and onset <= slowest + BIN_RPM and slowest > low:
        why = f"the run began at {slowest:.0f} rpm and it bounced there already"
        yield replace(case, verdict=UNDECIDED, why=why, settle=f"a run from {low:.0f} rpm up")
    else:
        yield by_set(case, result, spec)


# --- curves -----------------------------------------------------------------------------------


def _advance(key: str, path: str) -> Cases:
    def cases(result: Result, spec: Specification) -> Iterator[Case]:
        band = stated(spec.advance, key)
        if not band:
            return
        doubt = result.get("advance.doubt")
        for case in curve_cases(result.points(path, "rpm"), band, "rpm", BIN_RPM):
            if doubt and case.value is not None:
                # It may be the index and not the weights: one trace cannot tell.
                yield replace(case, verdict=UNDECIDED, why=str(doubt), settle=WEIGHTS_OR_INDEX)
            else:
                yield case

    return cases


def _vacuum(result: Result, spec: Specification) -> Iterator[Case]:
    band = stated(spec.vacuum, "points")
    if band:
        reach = max(0.1 * (band[-1][0] - band[0][0]), 1.0)
        points = one_each(result.points("vacuum.points", "kpa"))
        yield from curve_cases(points, band, "kPa", reach)


def _hysteresis(result: Result, spec: Specification) -> Iterator[Case]:
    high = stated(spec.advance, "max_hysteresis_deg")
    if high is None:
        return
    u = result.number("advance.u_hysteresis_deg")
    if u is None:
        # the difference of two points: as the two least certain ones of the two curves
        largest = [
            max(
                (each for _, _, each in result.points(path, "rpm") if each is not None),
                default=None,
            )
            for path in ("advance.rising", "advance.falling")
        ]
        if largest[0] is not None and largest[1] is not None:
            u = math.hypot(largest[0], largest[1])
    value = result.number("advance.hysteresis_deg")
    yield Case(None if value is None else abs(value), u, None, high)


# --- circuits ---------------------------------------------------------------------------------


def _drop(result: Result, spec: Specification) -> Iterator[Case]:
    """Contact drop brought to the current that the specification states."""
    high = stated(spec.contact, "max_drop_v")
    if high is None:
        return
    drop, u = result.number("contact.drop_v"), result.number("contact.u_drop_v")
    wanted = stated(spec.contact, "at_current_a")
    current = result.number("contact.current_a")
    if drop is None or wanted is None or current == wanted:
        yield Case(drop, u, None, high)
        return
    if current is None or current <= 0.0:
        why = "the current through the contact was not measured, and the limit holds at one"
        yield Case(None, None, None, high, why=why)
        return
    resistance = result.number("contact.resistance_ohm")
    u_resistance = result.number("contact.u_resistance_ohm")
    step = wanted - current
    if resistance is None or u_resistance is None:
        # as if all of the drop were resistance; what part is not, a larger current lessens
        ratio = wanted / current
        drop, u = drop * ratio, None if u is None else u * ratio
    else:
        drop += resistance * step
        u = None if u is None else math.hypot(u, u_resistance * step)
    why = f"measured at {current:.2f} A and brought to {wanted:.2f} A"
    yield Case(drop, u, None, high, why=why)


def _winding(result: Result, spec: Specification) -> Iterator[Case]:
    """Resistance of the coil's winding at the temperature that the specification states."""
    band = stated(spec.coil, "resistance_ohm")
    if band is None:
        return
    asked = stated(spec.coil, "at_temperature_c")
    kelvin = 0.0 if asked is None else asked - 20.0
    factor = 1.0 + COPPER_PER_K * kelvin
    low, high = ends(band, 1.0 / factor)
    warm, u = result.number("coil.resistance_ohm"), result.number("coil.u_resistance_ohm")
    cold = result.number("coil.resistance_20c_ohm")
    if cold is not None:
        u_cold = result.number("coil.u_resistance_20c_ohm")
        if u_cold is None and u is not None and warm:
            u_cold = u * cold / warm
        yield Case(cold, u_cold, low, high)
    elif warm is not None:
        spread = None if u is None else math.hypot(u, warm * COPPER_PER_K * UNTOLD_TEMPERATURE_K)
        yield Case(
            warm,
            spread,
            low,
            high,
            what="coil.resistance_ohm",
            why="the winding's temperature was not told; its uncertainty covers that",
            settle="the temperature of the coil, measured and told",
        )
    else:
        yield Case(None, None, low, high)


def _ballast(result: Result, spec: Specification) -> Iterator[Case]:
    band = stated(spec.coil, "ballast_ohm")
    if band is not None:
        high = band[1] if band[1] > 0.0 else NO_BALLAST_OHM
        low = band[0] if band[0] > 0.0 else None  # a resistance below 0 is noise, no fault
        u = result.number("coil.u_ballast_ohm")
        yield Case(result.number("coil.ballast_ohm"), u, low, high)


_LONGER = "a longer run; then a calibration of the front end"
_REVOLUTIONS = "a longer run: more revolutions"

RULES: tuple[Rule, ...] = (
    Rule("dwell.mean_deg", "deg", _dwell, _LONGER, encoder_helps=True),
    Rule("sets.first_dwell_deg", "deg", _alone(FIRST), _LONGER, encoder_helps=True),
    Rule("sets.second_dwell_deg", "deg", _alone(SECOND), _LONGER, encoder_helps=True),
    Rule(
        "dwell.variation_deg",
        "deg",
        at_most("dwell", "max_variation_deg", "dwell.variation_deg", "dwell.u_variation_deg"),
        "a longer stay at each speed",
        encoder_helps=True,
    ),
    Rule(
        "spacing.error_deg",
        "deg",
        _largest("max_error_deg", "spacing.error_deg", "spacing.u_deg"),
        _LONGER,
        encoder_helps=True,
    ),
    Rule(
        "spacing.interval_error_deg",
        "deg",
        _largest(
            "max_interval_error_deg",
            "spacing.interval_error_deg",
            "spacing.u_interval_deg",
            "spacing.u_deg",
        ),
        _LONGER,
        encoder_helps=True,
    ),
    Rule(
        "scatter.deg",
        "deg",
        _scatter,
        _REVOLUTIONS,
        encoder_helps=True,
    ),
    Rule("bounce.onset_rpm", "rpm", _bounce, "a slower run through the speeds about the limit"),
    Rule(
        "advance.points",
        "deg",
        _advance("points", "advance.rising"),
        "a longer stay at each speed",
        encoder_helps=True,
        reasons="advance.rising",
    ),
    Rule(
        "advance.falling",
        "deg",
        _advance("falling", "advance.falling"),
        "a longer stay at each speed on the way down",
        encoder_helps=True,
    ),
    Rule(
        "advance.hysteresis_deg",
        "deg",
        _hysteresis,
        "a longer stay at each speed, up and down",
        encoder_helps=True,
    ),
    Rule(
        "vacuum.points",
        "deg",
        _vacuum,
        "a longer stay at each vacuum",
        encoder_helps=True,
    ),
    Rule("contact.drop_v", "V", _drop, "a current nearer to the rated one; then a calibration"),
    Rule("coil.resistance_20c_ohm", "ohm", _winding, "a calibration of the current channel"),
    Rule("coil.ballast_ohm", "ohm", _ballast, "a calibration of the current channel"),
    Rule(
        "coil.current_a",
        "A",
        within("coil", "current_a", "coil.current_a", "coil.u_current_a"),
        "a calibration of the current channel",
    ),
    Rule(
        "condenser.capacitance_f",
        "F",
        capacitance_cases,
        "more charges of the condenser, through a resistor known better",
    ),
    Rule(
        "condenser.leakage_ohm",
        "ohm",
        leakage_cases,
        "a longer hold at full charge, at a higher test voltage",
    ),
    Rule(
        "spark.duration_s",
        "s",
        at_least("spark", "min_duration_ms", "spark.duration_s", "spark.u_duration_s", 1e-3),
        "a longer run: more sparks",
    ),
)
