"""Two sets of points in the result: how they stand to each other, and what differs, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from breakerbench.judge.points_sets import ALTERNATING, HIDDEN, UNTOLD, arrangement
from breakerbench.judge.specification import Specification
from breakerbench.measure.two_sets import (
    Difference,
    Lag,
    Seen,
    Together,
    difference,
    drift_of,
    lag,
    seen_by_bin,
    together,
)

Result = Mapping[str, Any]

NOT_GIVEN = "only with the recordings of each set alone and of both together (--first, --second)"
#: Open stretches shorter than this many standard deviations of the scatter come and go.
SURE = 4.0
AGAIN = (
    "Next: run all three again at one steady speed, one after the other, and touch neither index nor "
    "plate between them."
)


@dataclass(frozen=True, slots=True)
class PointsSets:
    """What was told of two sets of points.

    connected  "first", "second", "both"; None: not told, or there is one
    alone      results of each set alone, beside a recording of both
    """

    connected: str | None = None
    alone: tuple[Result, Result] | None = None


#: Nothing was told.
ONE_SET = PointsSets()


def empty_sets() -> dict[str, Any]:
    return {
        "arrangement": None, "rpm": None,
        "first_dwell_deg": None, "u_first_dwell_deg": None,
        "second_dwell_deg": None, "u_second_dwell_deg": None,
        "after_deg": [], "u_after_deg": [], "mean_after_deg": None, "u_mean_after_deg": None,
        "overlap_deg": None, "union_dwell_deg": None, "u_union_dwell_deg": None,
        "union_openings": None, "late_open_deg": [], "u_late_open_deg": [],
        "late_touch_deg": [], "u_late_touch_deg": [], "agrees": None,
    }  # fmt: skip


def sets_table(
    both: Result, alone: tuple[Result, Result] | None, spec: Specification | None
) -> dict[str, Any]:
    """The table ``sets``; reasons, notes and warnings go into those of ``both``.

    both   result of the recording of both sets together, complete but for this
    alone  results of each set alone; None where they were not given
    """
    table = empty_sets()
    why: dict[str, str] = both["why"]
    if alone is None:
        why["sets"] = NOT_GIVEN
        return table
    reasons = []
    for name, one in zip(("first", "second"), alone, strict=True):
        table[f"{name}_dwell_deg"] = one["dwell"]["mean_deg"]
        table[f"u_{name}_dwell_deg"] = one["dwell"]["u_deg"]
        if one["dwell"]["mean_deg"] is None:
            key = f"sets.{name}_dwell_deg"
            why[key] = _reason(one, "dwell.mean_deg")
        if not one["spacing"]["by_speed"]:
            reason = _reason(one, "spacing.by_speed")
            reasons.append(f"the {name} set alone gives no angles of its openings: {reason}")
    first, second = (seen_by_bin(one) for one in alone)
    common = sorted(first.keys() & second.keys())
    if not reasons and not common:
        reasons.append(
            "the two recordings of a set alone share no speed at which ten revolutions show every touch"
        )
    if not reasons and len(first[common[0]].opens) != len(second[common[0]].opens):
        counts = [len(each[common[0]].opens) for each in (first, second)]
        reasons.append(
            f"the first set alone shows {counts[0]} openings a revolution, the second {counts[1]}: in "
            "one of the recordings both sets worked, or an opening fails"
        )
    if reasons:
        why["sets"] = "; ".join(reasons)
        both["warnings"].append(f"The two sets cannot be compared: {why['sets']}. {AGAIN}")
        return table
    beside = seen_by_bin(both)
    # The lowest speed in all three, where the weights are nearest to rest.
    at = next((k for k in common if k in beside), common[0])
    _compare(table, both, first[at], second[at], beside.get(at), spec)
    return table


def _reason(result: Result, key: str) -> str:
    while key:
        if key in result["why"]:
            return str(result["why"][key])
        key = key.rpartition(".")[0]
    return "fewer than ten whole revolutions at any speed"


def _compare(
    table: dict[str, Any],
    both: Result,
    first: Seen,
    second: Seen,
    beside: Seen | None,
    spec: Specification | None,
) -> None:
    found = lag(first, second)
    made = together(first, second)
    table |= {
        "arrangement": found.arrangement,
        "rpm": first.rpm,
        "after_deg": list(found.after_deg),
        "u_after_deg": list(found.u_deg),
        "mean_after_deg": found.mean_deg,
        "u_mean_after_deg": found.u_mean_deg,
        "overlap_deg": made.overlap_deg,
        "union_dwell_deg": made.dwell_deg if made.openings else None,
        "u_union_dwell_deg": made.u_dwell_deg if made.openings else None,
        "union_openings": made.openings,
    }
    _say_arrangement(both, found, first, spec)
    why: dict[str, str] = both["why"]
    unsure = _unsure(first, second, made)
    if unsure:
        why["sets.agrees"] = unsure
        both["warnings"].append(unsure)
    elif not made.openings:
        _never_open(both, found, first)
    elif beside is None:
        why["sets.agrees"] = (
            "both sets together were not measured at a speed of the other two recordings"
            if both["spacing"]["by_speed"]
            else f"both sets together give no angles: {_reason(both, 'spacing.by_speed')}"
        )
        both["warnings"].append(
            "Whether both together are what the sets alone make was not checked: "
            f"{why['sets.agrees']}. {AGAIN}"
        )
    else:
        _hold_together(table, both, (first, second), beside, made)


def _say_arrangement(both: Result, found: Lag, first: Seen, spec: Specification | None) -> None:
    pitch = 360.0 / len(first.opens)
    told = arrangement(spec.distributor) if spec is not None else None
    warnings: list[str] = both["warnings"]
    after = f"{found.mean_deg:.2f} deg (give or take {found.u_mean_deg:.2f})"
    if found.arrangement is None:
        both["why"]["sets.arrangement"] = (
            f"the second set opens {after} off the first, with {pitch:g} deg between lobes: neither "
            "overlapping, near 0, nor alternating, near half of it"
        )
        warnings.append(
            f"Overlapping or alternating cannot be said: {both['why']['sets.arrangement']}. The index "
            f"may have moved between the recordings. {AGAIN}"
        )
    elif told is not None and told != found.arrangement:
        warnings.append(
            f"The specification's firing order tells {told} sets, the recordings show "
            f"{found.arrangement} ones: the second opens {after} after the first."
        )
    if abs(found.mean_deg) <= found.u_mean_deg and found.arrangement is not None:
        warnings.append(
            f"The second set opens with the first, to within {found.u_mean_deg:.2f} deg: they may do "
            "so, or one set was recorded twice. Next: record the second again, with a strip of "
            "insulating paper in the first, and see the paper before and after."
        )


def _unsure(first: Seen, second: Seen, made: Together) -> str:
    """Why it hangs on chance how often both together open; empty: it does not."""
    if not made.openings:
        return ""
    scatter = max(first.scatter_deg, second.scatter_deg)
    u = max(first.u_opens + second.u_touches + second.u_opens + first.u_touches)
    least = max(SURE * scatter, 1.5 * u)
    if made.least_open_deg >= least:
        return ""
    return (
        f"Together the sets are open for {made.least_open_deg:.2f} deg only, no more than their "
        "scatter: whether they open at all there hangs on chance, and is not checked. Next: set the "
        "gaps (a wider gap, less dwell), then measure each set again."
    )


def _never_open(both: Result, found: Lag, first: Seen) -> None:
    pitch = 360.0 / len(first.opens)
    why: dict[str, str] = both["why"]
    why["sets.union_dwell_deg"] = "one of the two sets is always closed"
    if both["spacing"]["by_speed"]:
        why["sets.agrees"] = (
            "by the sets alone they never open together, and the trace shows openings"
        )
        both["warnings"].append(
            "By the recordings of each set alone one of them is always closed, and yet both together "
            "open: one is not connected, or has been moved. Next: with both connected and at rest, "
            "look whether the paper is out and the leads of both sets are on the terminal."
        )
        return
    why["sets.agrees"] = "together they never open, so there is no edge to compare"
    if found.arrangement == ALTERNATING:
        both["warnings"].append(
            f"One of the two sets is always closed, since each is closed for more than half of the "
            f"{pitch:g} deg between lobes: in parallel they never open. Such sets belong to two coils. "
            "Next: judge each set alone, and how far the second opens after the first."
        )
    else:
        both["warnings"].append(
            "By the recordings of each set alone they never open together: the gaps are too close. "
            "Next: set the gap of each set alone."
        )


def _hold_together(
    table: dict[str, Any], both: Result, alone: tuple[Seen, Seen], beside: Seen, made: Together
) -> None:
    drift = drift_of(*alone, beside)
    if len(beside.opens) != made.openings:
        table["agrees"] = False
        both["warnings"].append(_other_count(alone, beside, made, drift))
        return
    found = difference(beside, made, drift)
    table |= {
        "late_open_deg": list(found.late_open_deg),
        "u_late_open_deg": list(found.u_open_deg),
        "late_touch_deg": list(found.late_touch_deg),
        "u_late_touch_deg": list(found.u_touch_deg),
        "agrees": found.agrees,
    }
    if found.agrees:
        both["notes"].append(
            "Both sets together are what the sets alone make: closed where either is, open with the "
            "last, touching with the first."
        )
        return
    both["warnings"].append(_what_differs(alone, beside, found, drift))


def _other_count(alone: tuple[Seen, Seen], beside: Seen, made: Together, drift: float) -> str:
    said = (
        f"Both together open {len(beside.opens)} times a revolution, where the sets alone make "
        f"{made.openings}"
    )
    return f"{said}{_works_alone(alone, beside, drift) or f'. {AGAIN}'}"


def _works_alone(alone: tuple[Seen, Seen], beside: Seen, drift: float) -> str:
    """What to say where the trace of both is that of one set; empty: it is not."""
    names = ("first", "second")
    for name, other, one in zip(names, names[::-1], alone, strict=True):
        if len(one.opens) == len(beside.opens) and difference(beside, one, drift).agrees:
            return (
                f": it is the {name} set alone that works, the {other} is not in the circuit. Next: "
                f"take the paper out of the {other} set, look at its lead, and measure from its "
                "insulated arm to the terminal with the points closed: it must be 0 ohm."
            )
    return ""


def _what_differs(alone: tuple[Seen, Seen], beside: Seen, found: Difference, drift: float) -> str:
    said = "Both sets together are not what the sets alone make"
    works = _works_alone(alone, beside, drift)
    if works:
        return said + works
    shift = found.shift_deg
    rest = [late - shift for late in found.late_open_deg + found.late_touch_deg]
    wide = found.u_open_deg + found.u_touch_deg
    if all(abs(late) <= 1.5 * u for late, u in zip(rest, wide, strict=True)):
        way = "later" if shift > 0.0 else "earlier"
        return (
            f"{said}: everything comes {abs(shift):.2f} deg {way}. The index, the plate or the body "
            f"was moved between the recordings, or the advance stood elsewhere. {AGAIN}"
        )
    rows = {"opening": found.late_open_deg, "touch": found.late_touch_deg}
    what, late = max(
        ((name, late) for name, lates in rows.items() for late in lates), key=lambda it: abs(it[1])
    )
    number = rows[what].index(late) + 1
    way = "later" if late > 0.0 else "earlier"
    return (
        f"{said}: the {what} of number {number} comes {abs(late):.2f} deg {way} than theirs, the "
        "largest difference. A gap or the plate was moved between the recordings, or one arm moves "
        f"the plate when the other works. {AGAIN}"
    )


def remarks(
    points_set: str | None, lobes: int | None, reference: str, spec: Specification | None
) -> tuple[list[str], list[str]]:
    """(notes, warnings) that hang on which set is connected.

    lobes      openings a revolution as the trace shows them
    reference  of the angle: ``encoder and index``, ``encoder``, ``index``, ``none``
    """
    if spec is None or spec.distributor.points_sets != 2:
        return [], []
    if points_set is None:
        said = (
            f"{UNTOLD[0].upper()}{UNTOLD[1:]}: say so with --points-set first, second or both. All is "
            "measured; what hangs on it is not judged."
        )
        if lobes == 2 * spec.distributor.lobes:
            said += (
                f" The {lobes} openings a revolution are those of alternating sets, both connected."
            )
        return [], [said]
    if points_set != "both":
        return [f"The {points_set} set of points alone."], []
    notes = [f"Both sets of points together: {HIDDEN}."]
    if arrangement(spec.distributor) is None and "index" not in reference:
        notes.append(
            "Without an index it is not told whether the two sets overlap or alternate: a firing "
            "order in the specification would."
        )
    return notes, []
