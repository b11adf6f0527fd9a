"""Which speeds a run has to cover, so that all that the specification states can be judged."""

from __future__ import annotations

from breakerbench.judge.specification import Specification

#: Where nothing is stated: weights rest at the one, the other is fast for a distributor; common
#: practice, no source.
SLOW_RPM, FAST_RPM = 300.0, 2000.0
#: The least range: what moves with speed is to be seen.
LEAST_RANGE_RPM = 400.0


def speeds_wanted(spec: Specification | None) -> tuple[float, float]:
    """(lowest, highest) speed of a run, rpm."""
    slow: list[float] = []
    fast: list[float] = []
    if spec is not None and spec.advance is not None:
        for curve in (spec.advance.points, spec.advance.falling):
            speeds = [row[0] for row in curve or ()]
            slow += [min(speeds)] if speeds else []
            fast += [max(speeds)] if speeds else []
    if spec is not None and spec.bounce is not None and spec.bounce.none_below_rpm:
        fast.append(spec.bounce.none_below_rpm)
    low = min(slow, default=SLOW_RPM)
    return low, max(max(fast, default=FAST_RPM), low + LEAST_RANGE_RPM)
