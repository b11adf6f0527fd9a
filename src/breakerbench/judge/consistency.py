"""What concerns several keys of a specification: contradictions, and what is odd but possible."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from breakerbench.judge.points_sets import ALTERNATING, OVERLAPPING, arrangement
from breakerbench.judge.tables import Distributor, Dwell, Specification

#: Above these, advance figures are probably those of the crankshaft; common practice, no source.
ODD_ADVANCE_DEG = 20.0
ODD_SPEED_RPM = 3500.0


def contradictions(spec: Specification) -> Iterator[tuple[str, str, str]]:
    """Contradictions between keys, worst first: (key, what, mend)."""
    yield from _check_distributor(spec.distributor)
    pitch = max(_pitches(spec.distributor))
    if spec.dwell is not None:
        yield from _check_dwell(spec.dwell, pitch, spec.distributor.lobes)
        yield from _check_both(spec.dwell, pitch, spec.distributor)
    limits = {
        "[spacing] max_error_deg": spec.spacing and spec.spacing.max_error_deg,
        "[spacing] max_interval_error_deg": spec.spacing and spec.spacing.max_interval_error_deg,
        "[scatter] max_deg": spec.scatter and spec.scatter.max_deg,
        "[bounce] settle_deg": spec.bounce and spec.bounce.settle_deg,
    }
    for key, limit in limits.items():
        if limit and limit >= pitch / 2.0:
            yield (
                key,
                f"{limit:g} deg is half the {pitch:g} deg between lobes or more",
                "give it in distributor degrees",
            )


def _pitches(distributor: Distributor) -> list[float]:
    grid = distributor.grid_deg
    return [
        after - before for before, after in zip(grid, (*grid[1:], grid[0] + 360.0), strict=True)
    ]


def _check_distributor(distributor: Distributor) -> Iterator[tuple[str, str, str]]:
    lobes, order, nominal = distributor.lobes, distributor.firing_order, distributor.nominal_deg
    if order is not None:
        # two alternating sets of points share a cam of half as many lobes as cylinders
        sizes = {lobes, lobes * distributor.points_sets}
        if len(order) not in sizes or sorted(order) != list(range(1, len(order) + 1)):
            numbers = ", ".join(str(cylinder) for cylinder in range(1, lobes + 1))
            yield (
                "[distributor] firing_order",
                f"is not an order of the cylinders of {lobes} lobes",
                f"name each of {numbers} once",
            )
    if nominal is not None:
        if len(nominal) != lobes:
            yield (
                "[distributor] nominal_deg",
                f"has {len(nominal)} angles for {lobes} lobes",
                "give one opening angle a lobe",
            )
        elif any(after <= before for before, after in pairwise(nominal)):
            yield (
                "[distributor] nominal_deg",
                "the angles do not rise",
                "put them in rising order, from lobe 1 on",
            )
        elif nominal[-1] - nominal[0] >= 360.0:
            yield (
                "[distributor] nominal_deg",
                "the angles reach round to the first lobe again",
                "give angles from 0 to less than 360",
            )


def _check_dwell(dwell: Dwell, pitch: float, lobes: int) -> Iterator[tuple[str, str, str]]:
    for key in ("min_deg", "max_deg", "aim_deg"):
        angle = getattr(dwell, key)
        if angle is not None and angle >= pitch:
            halved = f"crankshaft degrees are to be halved ({angle / 2.0:g})"
            percent = f"{angle:g} percent would be {angle * 3.6 / lobes:.4g}"
            yield (
                f"[dwell] {key}",
                f"{angle:g} deg is no less than the {pitch:g} deg between two of {lobes} lobes",
                f"{halved}; {percent}" if angle < 2 * pitch and angle <= 100.0 else halved,
            )
    low, high, aim = dwell.min_deg, dwell.max_deg, dwell.aim_deg
    if low is not None and high is not None and low > high:
        yield "[dwell] min_deg", f"{low:g} is above max_deg {high:g}", "exchange the two"
    if aim is not None and ((low is not None and aim < low) or (high is not None and aim > high)):
        yield "[dwell] aim_deg", f"{aim:g} lies outside min_deg to max_deg", "aim inside the band"
    if dwell.max_variation_deg is not None and dwell.max_variation_deg >= pitch:
        yield (
            "[dwell] max_variation_deg",
            f"{dwell.max_variation_deg:g} deg is no less than the {pitch:g} deg between lobes",
            "give it in distributor degrees",
        )


def _check_both(dwell: Dwell, pitch: float, it: Distributor) -> Iterator[tuple[str, str, str]]:
    """Limits of two sets of points together."""
    alternating = arrangement(it) == ALTERNATING
    if alternating:
        pitch /= 2.0
    for key in ("both_min_deg", "both_max_deg"):
        angle = getattr(dwell, key)
        if angle is None:
            continue
        if it.points_sets != 2:
            yield (
                f"[dwell] {key}",
                "is for two sets of points together, and there is one",
                "write points_sets = 2 under [distributor], or leave it out",
            )
        elif angle >= pitch:
            between = "alternating openings" if alternating else f"two of {it.lobes} lobes"
            yield (
                f"[dwell] {key}",
                f"{angle:g} deg is no less than the {pitch:g} deg between {between}",
                f"crankshaft degrees are to be halved ({angle / 2.0:g})",
            )
    low, high = dwell.both_min_deg, dwell.both_max_deg
    if low is not None and high is not None and low > high:
        yield "[dwell] both_min_deg", f"{low:g} is above both_max_deg {high:g}", "exchange the two"


def oddities(spec: Specification) -> Iterator[str]:
    """Warnings: possible, but probably not meant."""
    if spec.advance is not None:
        rows = (*(spec.advance.points or ()), *(spec.advance.falling or ()))
        highest = max((high for _, _, high in rows), default=0.0)
        fastest = max((rpm for rpm, _, _ in rows), default=0.0)
        if highest > ODD_ADVANCE_DEG or fastest > ODD_SPEED_RPM:
            yield (
                f"[advance] reaches {highest:g} deg and {fastest:g} rpm: distributor degrees and "
                "distributor rpm are meant, half those of the crankshaft, without the static "
                "timing and without the vacuum advance"
            )
    if spec.vacuum is not None and spec.vacuum.points:
        highest = max(high for _, _, high in spec.vacuum.points)
        if highest > ODD_ADVANCE_DEG:
            yield (
                f"[vacuum] reaches {highest:g} deg: distributor degrees are meant, half those of "
                "the crankshaft, without the centrifugal advance"
            )
    dwell = spec.dwell
    if (
        dwell is not None
        and dwell.aim_deg is not None
        and dwell.min_deg is not None
        and dwell.max_deg is not None
        and dwell.aim_deg > 0.5 * (dwell.min_deg + dwell.max_deg)
    ):
        yield (
            f"[dwell] aim_deg {dwell.aim_deg:g} lies in the upper half of the band: new points bed "
            "in and dwell rises"
        )
    if (
        dwell is not None
        and arrangement(spec.distributor) == OVERLAPPING
        and dwell.min_deg is not None
        and dwell.both_max_deg is not None
        and dwell.both_max_deg < dwell.min_deg
    ):
        yield (
            f"[dwell] both_max_deg {dwell.both_max_deg:g} is less than min_deg {dwell.min_deg:g} of a "
            "set alone: overlapping sets together are closed for longer than either"
        )
