"""How a condenser is held against its limits: some of them are decided without a figure.

One that is open or shorted has no capacitance to be measured, and fails; a leakage that cannot be told
from none may still be known to be small enough.
"""

from __future__ import annotations

from collections.abc import Iterator

from breakerbench.judge.guard import FAIL, PASS
from breakerbench.judge.reading import Case, Result, stated
from breakerbench.judge.tables import Specification


def capacitance_cases(result: Result, spec: Specification) -> Iterator[Case]:
    band = stated(spec.condenser, "capacitance_uf")
    if band is None:
        return
    low, high = band[0] * 1e-6, band[1] * 1e-6
    state, value = result.get("condenser.state"), result.number("condenser.capacitance_f")
    case = Case(value, result.number("condenser.u_capacitance_f"), low, high)
    most = result.number("condenser.capacitance_at_most_f")
    if value is None and (state == "shorted" or (most is not None and most < low)):
        why = result.why("condenser.capacitance_f")
        yield Case(None, None, low, high, verdict=FAIL, why=why)
    else:
        yield case


def leakage_cases(result: Result, spec: Specification) -> Iterator[Case]:
    megohm = stated(spec.condenser, "min_leakage_megohm")
    if megohm is None:
        return
    low, state = megohm * 1e6, result.get("condenser.state")
    value, u = result.number("condenser.leakage_ohm"), result.number("condenser.u_leakage_ohm")
    least = result.number("condenser.leakage_at_least_ohm")
    if state == "shorted":
        why = result.why("condenser.leakage_ohm")
        yield Case(None, None, low, None, verdict=FAIL, why=why)
    elif least is not None and least >= low:
        # below the figure its uncertainty is smaller than above it: the reciprocal is what is measured
        why = "" if value is not None else result.why("condenser.leakage_ohm")
        yield Case(value, u, low, None, verdict=PASS, why=why)
    else:
        yield Case(value, u, low, None)
