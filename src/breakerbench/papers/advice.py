"""What follows from the figures for the person at the bench, in plain words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from breakerbench.edges.hand import CLOSED, MOVES, NO_VOLTAGE, OPEN
from breakerbench.judge.points_sets import (
    BOTH,
    FIRST,
    OVERLAPPING,
    SECOND,
    TELL,
    dwell_limits,
)
from breakerbench.judge.specification import Specification
from breakerbench.papers.advice_condenser import condenser_advice
from breakerbench.papers.advice_electrics import TABLES as ELECTRICAL
from breakerbench.papers.advice_electrics import electric_advice
from breakerbench.papers.words import Shown, figure, name
from breakerbench.tools.gap import gap_change_mm

#: Less than this is not worth touching the screw for, mm; common practice, no source.
LEAST_TURN_MM = 0.01
#: The figures of the dwell that a turn of the gap moves.
OF_THE_GAP = ("dwell.mean_deg", "dwell.percent")
#: Those of two sets of points, each alone.
OF_EACH_SET = ("sets.first_dwell_deg", "sets.second_dwell_deg")


#: What to do next with points that do not work, by what is seen of them.
NEXT_BY_HAND = {
    OPEN: (
        "The points never close: current does not get through. Look whether the gap is set much too "
        "wide, clean the contacts (oil, film, paper dust), then check the lead and the ground of the "
        "plate: with the points pressed together by a finger the voltage must fall to nearly 0."
    ),
    CLOSED: (
        "The points never open: the gap is closed up, the rubbing block is worn away, or the insulated "
        "terminal or the condenser is shorted to ground. Set the gap; if a strip of card between the "
        "contacts brings no voltage either, take the condenser off, then look for the short."
    ),
    MOVES: (
        "The points open and close. Next: run it at a steady speed and set the gap by the dwell."
    ),
}
NO_FEED = (
    "Nothing can be said of the points without a voltage: switch the feed on, check the fuse and the "
    "clamps, then put a strip of card between the contacts. The feed's voltage must show. Turn again."
)


def advice(result: Mapping[str, Any], spec: Specification | None, shown: Shown) -> Iterator[str]:
    """What to do next, in plain words. Which part is worn is not said from this."""
    hand = result.get("hand") or {}
    if (result.get("trace") or {}).get("kind") == "hand":
        if hand.get("state") is not None:
            yield NEXT_BY_HAND[hand["state"]]
        elif result["why"].get("hand") == NO_VOLTAGE:
            yield NO_FEED
        else:
            yield "Clean the contacts and the ground, take off what lies across the points, turn again."
        return
    if (result.get("trace") or {}).get("kind") == "condenser":
        yield from condenser_advice(result)
        return
    if spec is not None and any(one["decision"] == "fail" for one in result["decisions"]):
        yield from _failed(result, spec, shown)
    yield from _missed(result)
    yield from electric_advice(result, spec, shown)


def _failed(result: Mapping[str, Any], spec: Specification, shown: Shown) -> Iterator[str]:
    """What follows from the dwell and the other figures that failed."""
    decisions = [(one["what"], one["decision"]) for one in result["decisions"]]
    # A curve is decided at many places: it failed where it failed at one of them. Each named once.
    failed = dict.fromkeys(what for what, decision in decisions if decision == "fail")
    connected = figure(result, "trace.points_set")
    dwells: tuple[str, ...] = OF_THE_GAP
    if spec.distributor.points_sets == 2 and connected == BOTH:
        dwells += OF_EACH_SET
        yield from _two_sets(result, dict(decisions), spec, shown)
    elif spec.distributor.points_sets == 2 and connected is None:
        yield f"Say which set of points is connected: {TELL}. Without it the gap cannot be advised on."
    elif not _right_gap(decisions):
        if "dwell.variation_deg" in failed:
            yield from _moving(result, shown)
        else:
            yield from _gap(result, spec, shown, f" of the {connected} set" if connected else "")
    others = [
        name(what) for what in failed if what not in dwells and not what.startswith(ELECTRICAL)
    ]
    if others:
        yield (
            f"Out of limits{' too' if any(what in failed for what in dwells) else ''}: "
            f"{', '.join(others)}. Turning the gap does not mend that. Which part to replace is "
            "not said yet by this version."
        )


def _right_gap(decisions: Sequence[tuple[str, str]]) -> bool:
    """The dwell passed, or nobody asked for it and nothing but the circuit failed."""
    if any((what, "pass") in decisions for what in OF_THE_GAP):
        return True
    asked = any(what in OF_THE_GAP for what, _ in decisions)
    failed = [what for what, decision in decisions if decision == "fail"]
    return not asked and all(what.startswith(ELECTRICAL) for what in failed)


def _missed(result: Mapping[str, Any]) -> Iterator[str]:
    """Openings and closings that did not occur: a specification has no limit for them."""
    counts = [
        f"{n} {one if n == 1 else f'{one}s'}"
        for one in ("opening", "closing")
        if (n := figure(result, f"missed.{one}s"))
    ]
    if counts:
        yield (
            f"{' and '.join(counts)} did not occur. It is not judged, but a distributor in order "
            "misses none: clean the contacts (oil, film, paper dust), look at the lead, its "
            "insulation and the ground of the plate, then run it again."
        )


def _moving(result: Mapping[str, Any], shown: Shown) -> Iterator[str]:
    """A dwell that goes with the speed: its mean says nothing of the gap."""
    slow, *_, fast = figure(result, "dwell.by_speed")  # two or more, or there is no variation
    ends = (
        f"{shown.number(end['deg'], 'deg', end.get('u_deg'))} {shown.unit('deg')} at "
        f"{shown.speed_words(end['rpm'])}"
        for end in (slow, fast)
    )
    yield (
        f"Leave the gap for now. The dwell goes with the speed, {', '.join(ends)}: find out why and "
        "mend that first, then set the gap by the dwell at a low speed."
    )


def _two_sets(
    result: Mapping[str, Any], decided: Mapping[str, str], spec: Specification, shown: Shown
) -> Iterator[str]:
    """Which set to turn, from both together and, where they were given, each alone."""
    failed = [key for key in OF_EACH_SET if decided.get(key) == "fail"]
    for key in failed:
        which = FIRST if key == OF_EACH_SET[0] else SECOND
        dwell = figure(result, key)
        yield from _gap(
            {"dwell": {"mean_deg": dwell, "u_deg": figure(result, f"sets.u_{which}_dwell_deg")}},
            spec,
            shown,
            f" of the {which} set",
        )
    if decided.get("dwell.mean_deg") != "fail":
        return
    if failed:
        yield "The dwell of both together follows from these: measure both again when each is right."
        return
    if any(figure(result, key) is None for key in OF_EACH_SET):
        yield (
            "The dwell of both sets together is out: measure each set alone, the other held open "
            "with a strip of insulating paper, set its gap, then measure both with --first and --second."
        )
        return
    dwell, after = figure(result, "dwell.mean_deg"), figure(result, "sets.mean_after_deg")
    low, high, _ = dwell_limits(spec, BOTH)
    if figure(result, "sets.arrangement") != OVERLAPPING or figure(result, "sets.agrees") is False:
        yield (
            "The dwell of both sets together is out, and each alone is not: see what is said of the "
            "two sets above before turning either."
        )
        return
    # The union ends with the last opening: the set that opens second sets how long it is.
    which = SECOND if after >= 0.0 else FIRST
    short = low is not None and dwell < low
    by = (low - dwell) if short and low is not None else (dwell - (high or 0.0))
    unit = shown.unit("deg")
    yield (
        "Each set alone is not out, both together are: leave the gaps, and move the plate of the "
        f"{which} set so that it opens {'later' if short else 'earlier'} by at least "
        f"{shown.number(by, 'deg')} {unit}. "
        "Where that plate does not move by itself, share the dwell between the gaps within the limits "
        "of each. Measure each alone again, then both."
    )


def turn_words(dwell_deg: float, aim_deg: float, spec: Specification, shown: Shown) -> str | None:
    """How far to set the gap and which way; None: leave it."""
    way = "wider" if dwell_deg > aim_deg else "closer"
    change = spec.gap.dwell_change_deg_per_mm if spec.gap else None
    if change is None:
        return f"a little {way} (how much is not stated: [gap] dwell_change_deg_per_mm)"
    turn_mm = gap_change_mm(dwell_deg, aim_deg, change)
    if abs(turn_mm) < LEAST_TURN_MM:
        return None
    return f"about {shown.length(abs(turn_mm))} {way}"


def _gap(
    result: Mapping[str, Any], spec: Specification, shown: Shown, of: str = ""
) -> Iterator[str]:
    """How far to turn the gap; ``of`` which set of points, where there are two."""
    dwell, u = figure(result, "dwell.mean_deg"), figure(result, "dwell.u_deg")
    percent = figure(result, "dwell.percent")
    if dwell is None and percent is not None:  # no angle in the trace, but the lobes are known
        dwell = percent / 100.0 * 360.0 / spec.distributor.lobes
    aim = spec.dwell.aim_deg if spec.dwell else None
    if dwell is None or aim is None:
        yield f"The gap{of} cannot be advised on: " + (
            "the dwell was not measured."
            if dwell is None
            else "the specification states no dwell to aim at ([dwell] aim_deg)."
        )
        return
    unit = shown.unit("deg")
    there = f"Dwell{of} is {shown.number(dwell, 'deg', u)} {unit}"
    wanted = f"{shown.number(aim, 'deg')} {unit}"
    how = turn_words(dwell, aim, spec, shown)
    if how is None:
        yield f"{there}, and {wanted} is aimed at: leave the gap{of} as it is."
        return
    yield (
        f"{there}; aim at {wanted}, low in the band, because the rubbing block beds in and dwell "
        f"rises. Set the gap{of} {how}, then measure again: trust the dwell and not a feeler, which "
        "reads the tip of a pitted contact."
    )
    yield (
        "Then check the timing again: each distributor degree of dwell moves it by about a "
        "crankshaft degree."
    )
