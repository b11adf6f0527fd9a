"""What to do about contact, feed, coil, condenser and spark, in plain words.

One trace seldom tells which of several parts is at fault: what is likely is said, and the test that
decides. Which coil and resistor belong together is judged by `tools.ignition`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from breakerbench.cautions import CAUTIONS
from breakerbench.judge.reading import Result, stated
from breakerbench.judge.rules import COPPER_PER_K, UNTOLD_TEMPERATURE_K
from breakerbench.judge.specification import Specification
from breakerbench.papers.words import Shown, figure, missed_where
from breakerbench.result.electrical import NO_FEED_CHANNEL
from breakerbench.tools.ignition import Known, Verdict, judge_coil
from breakerbench.tools.ignition_figures import CONTACTS_A, SYSTEMS_V, nominal_v
from breakerbench.tools.ignition_words import RIGHT

#: Keys of the decisions that are advised on here.
TABLES = ("contact.", "coil.", "condenser.", "spark.")
#: A contact drop above this is looked into where no limit is stated, V: upper end of the common range,
#: 0.1 to 0.25 V, from memory.
MOST_DROP_V = 0.25
#: A drop that changes from closing to closing by this share of itself; common practice, no source.
CHANGES_SHARE = 0.1
#: Heat in a winding from which on it is warned of, W; common practice, no source.
HOT_W = 20.0
#: A battery below this share of its nominal voltage, nothing flowing, is nearly flat: from memory.
FLAT_SHARE = 0.98
#: Sparks missed at one place and this many times less at all others together point to that place.
ONE_PLACE = 4
#: What of the sparks may fail before it is advised on, share; common practice, no source.
MISSED_SHARE = 0.01
#: Ring or rise changed by this share against the reference; common practice, no source.
RING_CHANGED = 0.05

STOPPED = (
    "Before hands go near: stop the drive. "
    + CAUTIONS[2]
    + " The primary gives hundreds of volts, the "
    "secondary tens of kilovolts; with a pacemaker keep away."
)
SPLIT = (
    "Find out where it is lost, before you replace anything. Drive stopped, points closed, the usual "
    "current on{rated}, the probe's ground left at the battery. Move only the probe, the feed off each "
    "time, and write down the volts: 1. coil's lead at the distributor; 2. moving contact's arm; "
    "3. fixed contact; 4. plate; 5. body, beside its clamp.",
    "The step where the volts go away is the part at fault. From 1 to 2: lead, screw or crimp. "
    "From 2 to 3: the contacts, dirty or burnt: clean or replace them. From 3 to 4: seat and screw of "
    "the fixed contact. From 4 to 5: the plate's ground lead, or grease under it. What is left at 5: "
    "clamp and cable of the bench, nothing of the distributor. The coil gets warm: seconds, not minutes.",
)
NO_CONTACT_SEEN = ("no contact in working order", "neither open nor close")
NO_CONTACT = (
    "No contact in working order was seen. If a module sits across the points or in their place, bypass "
    "it: it hides them. If not, look whether the probe is on the lead from the coil to the points, then "
    "press the points together by a finger, feed on, drive stopped: the voltage must fall to nearly 0."
)
FEED_TERMINAL = (
    "Coil and feed cannot be told apart: put the probe supply_v on the coil's feed terminal and record "
    "again. It tells the coil's own ohms, and whether a resistor hides in the loom. Only with the points "
    "closed do these volts say anything; with the points open any feed shows the battery's."
)


UNTOLD = (
    "Whether there are sparks cannot be told from the primary: clip the pickup on the lead from coil to "
    "cap and record it as spark. If it shows none, likely are that lead, the coil's secondary, or a gap "
    f"too wide: measure lead and secondary with an ohmmeter, leads off. {CAUTIONS[1]}"
)


def electric_advice(
    result: Mapping[str, Any], spec: Specification | None, shown: Shown
) -> Iterator[str]:
    """What follows from the electrical figures, and the next test where one trace cannot tell."""
    hands = False
    parts = (
        _contact(result, spec, shown),
        _feed(result, spec, shown),
        _coil(result, spec, shown),
        _spark(result, spec, shown),
        _condenser(result),
    )
    for part in parts:
        for text, near in part:
            hands |= near
            yield text
    if hands:
        yield STOPPED


#: A paragraph, and whether hands go near the ignition for it.
Advised = Iterator[tuple[str, bool]]


def _decision(result: Mapping[str, Any], key: str) -> str:
    found = [one["decision"] for one in result.get("decisions") or () if one["what"] == key]
    return found[0] if found else ""


# --- contact ----------------------------------------------------------------------------------


def _contact(result: Mapping[str, Any], spec: Specification | None, shown: Shown) -> Advised:
    reason = (result.get("why") or {}).get("contact", "")
    if any(text in reason for text in NO_CONTACT_SEEN):
        yield NO_CONTACT, True
    drop, u = figure(result, "contact.drop_v"), figure(result, "contact.u_drop_v")
    if drop is None:
        return
    decision = _decision(result, "contact.drop_v")
    unlimited = stated(None if spec is None else spec.contact, "max_drop_v") is None
    too_high = decision == "fail" or (unlimited and drop - (u or 0.0) > MOST_DROP_V)
    if not too_high:
        return
    amps = figure(result, "contact.current_a")
    at = f" at {amps:.2g} A" if amps else ""
    text = (
        f"Contact drop {shown.number(drop, 'V', u)} V{at}: too much is lost on the way to ground."
    )
    if unlimited:
        text += f" Common practice, from memory: at most 0.1 to {MOST_DROP_V:g} V."
    spread = figure(result, "contact.spread_v")
    if spread and spread > CHANGES_SHARE * drop:
        text += (
            f" It changes from closing to closing by {spread:.2g} V: that points to the contacts rather "
            "than to plate, lead or clamp. The test below decides."
        )
    else:
        text += " Points, plate, lead and clamp look alike in one trace."
    yield text, True
    wanted = stated(None if spec is None else spec.contact, "at_current_a") or amps
    yield SPLIT[0].format(rated=f" (about {wanted:.2g} A)" if wanted else ""), True
    yield SPLIT[1], True


# --- feed -------------------------------------------------------------------------------------


def _feed(result: Mapping[str, Any], spec: Specification | None, shown: Shown) -> Advised:
    if (result.get("why") or {}).get("coil.resistance_ohm") == NO_FEED_CHANNEL:
        yield FEED_TERMINAL, True
    volts, u = figure(result, "supply.volts"), figure(result, "supply.u_volts")
    has_coil = figure(result, "coil.current_a") is not None
    system = _system_v(result, spec)
    if volts is None or system is None or not has_coil:
        return
    if volts + (u or 0.0) < FLAT_SHARE * system:
        yield (
            f"The feed has {shown.number(volts, 'V', u)} V with no current flowing, little for "
            f"{system:g} V: charge or replace the battery before judging the spark.",
            False,
        )


def _system_v(result: Mapping[str, Any], spec: Specification | None) -> float | None:
    """Nominal voltage: as the specification states it, else by the feed that was measured."""
    system = stated(None if spec is None else spec.coil, "supply_v")
    volts = figure(result, "supply.volts")
    if system is not None:
        return float(system)
    if volts is None or nominal_v(volts) not in SYSTEMS_V:
        return None
    return nominal_v(volts)


# --- coil -------------------------------------------------------------------------------------


def _coil(result: Mapping[str, Any], spec: Specification | None, shown: Shown) -> Advised:
    if figure(result, "coil.polarity") == "reversed":
        yield (
            "The coil is connected the wrong way round: the spark needs more volts than it should. Swap "
            "the two small leads at the coil, then record again.",
            True,
        )
    verdict = _verdict(result, spec)
    if verdict is not None:
        yield from _judged(result, spec, verdict)
    heat, u = figure(result, "coil.heat_w"), figure(result, "coil.u_heat_w")
    if heat is not None and heat > HOT_W:
        yield (
            "With the ignition on, the engine stopped and the points closed, "
            f"{shown.number(heat, 'W', u)} W heat the coil: switch off within a minute.",
            False,
        )


def _verdict(result: Mapping[str, Any], spec: Specification | None) -> Verdict | None:
    """Coil and feed as measured, judged; None where a figure for it is missing."""
    read = Result(result).number
    system, standing = _system_v(result, spec), read("coil.standing_a")
    warm, feed = read("coil.resistance_ohm"), read("coil.ballast_ohm")
    if system is None or standing is None or warm is None or warm <= 0.0 or standing <= 0.0:
        return None
    warm_u = read("coil.u_resistance_ohm") or 0.0
    cold, cold_u = read("coil.resistance_20c_ohm"), read("coil.u_resistance_20c_ohm")
    if cold is None or cold <= 0.0:
        cold, cold_u = warm, math.hypot(warm_u, warm * COPPER_PER_K * UNTOLD_TEMPERATURE_K)
    band = stated(None if spec is None else spec.coil, "ballast_ohm")
    told = None if band is None else Known(0.5 * (band[0] + band[1]), 0.5 * (band[1] - band[0]))
    return judge_coil(
        system,
        Known(cold, cold_u or 0.0),
        told,
        Known(standing, read("coil.u_standing_a") or 0.0),
        feed_ohm=None if feed is None else Known(feed, read("coil.u_ballast_ohm") or 0.0),
        coil_then_ohm=Known(warm, warm_u),
    )


def _judged(result: Mapping[str, Any], spec: Specification | None, verdict: Verdict) -> Advised:
    by = (
        "as the specification states"
        if stated(None if spec is None else spec.coil, "supply_v") is not None
        else f"by the {figure(result, 'supply.volts'):.3g} V measured"
    )
    text = f"Coil and feed on {_system_v(result, spec):g} V ({by}): {verdict.sentence}"
    if figure(result, "coil.resistance_20c_ohm") is None:
        text += (
            " The coil's temperature was not told (--temperature-c): this holds for a coil anywhere from "
            "-5 to 45 deg C."
        )
    yield text, False
    if verdict.key != RIGHT or verdict.current_a.value + verdict.current_a.u > CONTACTS_A.high:
        yield verdict.contacts, False
    to_do = [each for each in verdict.to_do if each != "Change nothing."]
    for each in to_do:
        yield each, True


# --- spark ------------------------------------------------------------------------------------


def _spark(result: Mapping[str, Any], spec: Specification | None, shown: Shown) -> Advised:
    misses, openings = figure(result, "spark.misses"), figure(result, "spark.openings")
    if "cannot be told" in (result.get("why") or {}).get("spark.misses", ""):
        yield UNTOLD, True
    if misses and openings and misses > MISSED_SHARE * openings:
        yield _missed(result, misses, openings), True
    if _decision(result, "spark.duration_s") == "fail":
        yield from _short(result, spec, shown)


def _missed(result: Mapping[str, Any], misses: int, openings: int) -> str:
    """Sparks that did not come, by where they are missed."""
    places = sorted(missed_where(result), key=lambda each: -each[1])
    some = f"{misses:,} of {openings:,} openings gave no spark"
    if not places:
        return f"{some}: {_ALL_ROUND}"
    (where, most), others = places[0], sum(count for _, count in places[1:])
    if most < ONE_PLACE * max(others, 1):
        return f"{some}, at more than one place: {_ALL_ROUND}"
    if where.startswith("lobe"):
        where += " (which tower that is, the rotor shows when these points open)"
    part = "all" if most == misses else f"{most:,}"
    return (
        f"{some}, {part} of them at {where}. Likely are plug, lead or tower there. Swap its lead at "
        "the plugs with a neighbour's and run again: if the miss moves to the neighbour, it is plug or "
        "gap. If it stays, swap the two leads at the cap too: if it moves now, it is the lead; if it "
        "stays, the tower: look for a crack, a burnt track, green in the socket."
    )


_ALL_ROUND = (
    "what all sparks share is likely: the lead from coil to cap, carbon brush, rotor, damp in the cap, a "
    "gap that is too wide for the coil. Let the coil's lead spark to a safe test gap, past cap and "
    "rotor, and run again: if all come now, it is cap or rotor; if not, test coil and condenser."
)


def _short(result: Mapping[str, Any], spec: Specification | None, shown: Shown) -> Advised:
    duration, u = figure(result, "spark.duration_s"), figure(result, "spark.u_duration_s")
    gap = stated(None if spec is None else spec.spark, "gap_mm")
    set_gap = f"Set the test gap to the {gap:g} mm of the specification" if gap else (
        "Use the same test gap each time"
    )  # fmt: skip
    text = (
        f"The spark is short, {shown.number(duration, 's', u)} ms. {set_gap} and look at the coil's "
        "current first"
    )
    amps = figure(result, "coil.current_a")
    text += f" ({amps:.2g} A at the opening)." if amps else "."
    text += (
        " If the current is right: test the condenser alone (--kind condenser), then clean cap and rotor "
        "and look for tracks, then put in another coil. One trace does not tell these apart; whichever "
        "mends it was it."
    )
    yield text, True


# --- condenser --------------------------------------------------------------------------------


def _condenser(result: Mapping[str, Any]) -> Advised:
    changes = [
        (what, change)
        for what, key in (("ring", "ring_change"), ("rise", "rise_change"))
        if (change := figure(result, f"condenser.{key}")) is not None
        and abs(change) - (figure(result, f"condenser.u_{key}") or 0.0) > RING_CHANGED
    ]
    if not changes:
        return
    what = " and ".join(
        f"the {what} changed by {100.0 * change:+.0f} %" for what, change in changes
    )
    yield (
        f"Against the reference {what}. That may be the condenser, the coil or what hangs on the "
        "secondary. Test the condenser alone (--kind condenser), and see that the same coil, leads and "
        "gap were on. A suppression condenser at the coil's feed terminal is not the ignition one: "
        "disconnect it for both recordings.",
        True,
    )
