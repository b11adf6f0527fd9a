"""Two sets of points on one plate: what is connected, and what then shows and holds.

Both arms follow the same cam of ``lobes`` lobes, so a set alone shows that many openings a
revolution. *Overlapping* sets work at the same lobes, one a little after the other, in parallel: as
many openings together, and more dwell. *Alternating* sets stand half a lobe pitch apart: twice as
many openings together, of about the dwell of each. Trade practice, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from breakerbench.judge.guard import NOT_MEASURED, PASS, UNDECIDED
from breakerbench.judge.reading import Case, Result, stated
from breakerbench.judge.tables import Distributor, Specification

FIRST, SECOND, BOTH = "first", "second", "both"
OVERLAPPING, ALTERNATING = "overlapping", "alternating"

UNTOLD = "the distributor has two sets of points, and it was not told which of them is connected"
TELL = "--points-set first, second or both"
HIDDEN = "while one set is closed, bounce of the other does not show"
PATTERN_UNKNOWN = (
    "the lobes are unevenly spaced, and how far apart alternating sets then stand is not stated"
)
ALONE = "each set alone, the other held open with a strip of insulating paper"


def arrangement(distributor: Distributor) -> str | None:
    """As the firing order tells it: twice as many sparks as lobes take alternating sets."""
    if distributor.points_sets != 2 or distributor.firing_order is None:
        return None
    twice = len(distributor.firing_order) == 2 * distributor.lobes
    return ALTERNATING if twice else OVERLAPPING


def possible_openings(distributor: Distributor, points_set: str | None) -> tuple[int, ...]:
    """Openings a revolution that the trace may show, the likeliest first."""
    lobes = distributor.lobes
    if distributor.points_sets != 2 or points_set in (FIRST, SECOND):
        return (lobes,)
    known = arrangement(distributor)
    if known == OVERLAPPING:
        return (lobes,)
    if known == ALTERNATING and points_set == BOTH:
        return (2 * lobes,)
    return (lobes, 2 * lobes)


def lobes_differ(shown: int, told: int) -> str:
    return f"the trace shows {shown} lobes, the specification says {told}"


def differs(shown: int, distributor: Distributor, points_set: str | None) -> str:
    """What to say where the trace shows another number of openings than it may."""
    lobes = distributor.lobes
    said = lobes_differ(shown, lobes)
    if distributor.points_sets != 2 or points_set is None:
        return said
    if points_set == BOTH:
        if shown == lobes:
            return (
                f"the trace shows {shown} openings a revolution, where both alternating sets together "
                f"show {2 * lobes}: only one set works (is the other held open, or not connected?)"
            )
    elif shown == 2 * lobes:
        return (
            f"the trace shows {shown} openings a revolution, where one set alone shows {lobes}: both "
            "sets work (hold the other open with a strip of insulating paper, or tell --points-set "
            "both)"
        )
    elif 2 * shown == lobes:
        return (
            f"{said}: where alternating sets share a cam of {shown} lobes, lobes = {shown} is to be "
            f"stated, and a firing order of {lobes}"
        )
    return said


def dwell_limits(
    spec: Specification, points_set: str | None
) -> tuple[float | None, float | None, float | None]:
    """Lowest and highest dwell and the one to set, deg, for what is connected; None: not stated."""
    keys = ("min_deg", "max_deg", "aim_deg")
    if spec.distributor.points_sets == 2 and points_set is None:
        return None, None, None
    if spec.distributor.points_sets == 2 and points_set == BOTH:
        keys = ("both_min_deg", "both_max_deg", "")
    low, high, aim = (stated(spec.dwell, key) if key else None for key in keys)
    return low, high, aim


def untold_cases(result: Result, spec: Specification) -> Iterator[Case]:
    """The dwell where it was not told which set is connected, and so not which limits hold."""
    keys = ("min_deg", "max_deg", "both_min_deg", "both_max_deg")
    if all(stated(spec.dwell, key) is None for key in keys):
        return
    value, percent = result.number("dwell.mean_deg"), result.number("dwell.percent")
    if value is None and percent is not None:
        u, what, unit = result.number("dwell.u_percent"), "dwell.percent", "%"
    else:
        u, what, unit, percent = result.number("dwell.u_deg"), "", "", value
    verdict = NOT_MEASURED if percent is None else UNDECIDED
    why = "" if percent is None else UNTOLD
    yield Case(percent, u, None, None, what=what, unit=unit, why=why, settle=TELL, verdict=verdict)


def connected(result: Result) -> str | None:
    found = result.get("trace.points_set")
    return str(found) if found is not None else None


def pitch_deg(spec: Specification, result: Result) -> float:
    """360 degrees over the openings a revolution: what dwell percent counts against."""
    possible = possible_openings(spec.distributor, connected(result))
    shown = result.number("trace.lobes")
    return 360.0 / (shown if shown in possible else possible[0])


def by_set(case: Case, result: Result, spec: Specification) -> Case:
    """A case of bounce: none seen with both sets connected does not prove that there is none."""
    if spec.distributor.points_sets != 2 or connected(result) in (FIRST, SECOND):
        return case
    late = case.value is not None and case.u is not None and case.low is not None
    if case.verdict == PASS or (late and case.value - case.u >= case.low):  # type: ignore[operator]
        why = f"{case.why}, but {HIDDEN}" if case.why else f"{HIDDEN}: it may begin earlier"
        return replace(case, verdict=UNDECIDED, why=why, settle=ALONE)
    return case


def against_a_grid(case: Case, result: Result, spec: Specification) -> Case:
    """A case of spacing: of unevenly spaced lobes there is no grid for alternating sets together."""
    twice = result.number("trace.lobes") == 2 * spec.distributor.lobes
    if spec.distributor.nominal_deg is None or not twice or case.value is None:
        return case
    return replace(case, verdict=NOT_MEASURED, why=PATTERN_UNKNOWN)


def alone_cases(which: str, result: Result, spec: Specification) -> Iterator[Case]:
    """The dwell of one set alone, where its own recording was given beside that of both."""
    given = [result.number(f"sets.{each}_dwell_deg") for each in (FIRST, SECOND)]
    if spec.distributor.points_sets != 2 or given == [None, None]:
        return
    low, high, _ = dwell_limits(spec, which)
    if low is not None or high is not None:
        key = f"sets.{which}_dwell_deg"
        u = result.number(f"sets.u_{which}_dwell_deg")
        yield Case(result.number(key), u, low, high)
