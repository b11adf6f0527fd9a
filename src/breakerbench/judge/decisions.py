"""Decisions: each figure of a result held against the limits of a specification.

Guard band = U (JCGM 106:2012, 8.3; ISO 14253-1): *pass* only where value +- U lies inside the
limits, *fail* only where it lies outside them, *undecided* between, with what would settle it. A
figure that the specification limits and the result lacks is *not measured*, with the reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from breakerbench.judge.guard import (
    NOT_MEASURED,
    UNDECIDED,
    compare,
    conformance_probability,
)
from breakerbench.judge.reading import Case, Result, Rule, number
from breakerbench.judge.rules import RULES
from breakerbench.judge.tables import Specification


@dataclass(frozen=True, slots=True)
class Decision:
    """One figure against its limits.

    what         path of the figure in the result, "dwell.mean_deg"
    value, u     the figure and its expanded uncertainty, in ``unit``; None where there is none
    low, high    limits in ``unit``; None on a side without
    decision     "pass", "fail", "undecided" or "not measured"
    why          the reason of "not measured", or what a person should know of this decision
    settle       what would settle an undecided one
    at, at_unit  where on a curve it is judged, "rpm" or "kPa"; None for a single figure
    chance_inside  for an undecided one: probability that the true value lies inside the limits
                 (JCGM 106, 7), nothing known beforehand, normal; None where it cannot be said
    """

    what: str
    value: float | None
    unit: str
    u: float | None
    low: float | None
    high: float | None
    decision: str
    why: str = ""
    settle: str = ""
    chance_inside: float | None = None
    at: float | None = None
    at_unit: str = ""

    def to_json(self) -> dict[str, Any]:
        """The mapping of the result contract; keys of ours only where they say something."""
        plain: dict[str, Any] = {
            "what": self.what,
            "value": self.value,
            "unit": self.unit,
            "u": self.u,
            "low": self.low,
            "high": self.high,
            "decision": self.decision,
        }
        if self.why:
            plain["why"] = self.why
        if self.settle:
            plain["settle"] = self.settle
        if self.chance_inside is not None:
            plain["chance_inside"] = self.chance_inside
        if self.at is not None:
            plain["at"], plain["at_unit"] = self.at, self.at_unit
        return plain


def decide(result: Mapping[str, Any], spec: Specification) -> list[Decision]:
    """Hold a result against a specification: one decision for each limit that it states.

    result  the contract's JSON mapping; tables and figures may be missing or None

    In the order of the specification's tables; no limits, no decisions.
    """
    wrapped = Result(result)
    return [_decision(rule, case, wrapped) for rule in RULES for case in rule.cases(wrapped, spec)]


def _decision(rule: Rule, case: Case, result: Result) -> Decision:
    what = case.what or rule.what
    value, u = number(case.value), number(case.u)
    if case.verdict:
        verdict = case.verdict
    elif value is None:
        verdict = NOT_MEASURED
    elif u is None:
        verdict = UNDECIDED
    else:
        verdict = compare(value, u, case.low, case.high)
    why, settle, chance = case.why, "", None
    if verdict == NOT_MEASURED:
        why = why or result.why(rule.reasons or what)
    elif verdict == UNDECIDED:
        settle = case.settle or rule.settle(result)
        if u is None:
            why = why or "its uncertainty is not known"
        elif value is not None and u > 0.0 and not case.verdict:
            # U / 2 is the standard uncertainty, or more where few values widened U
            chance = conformance_probability(value, u / 2.0, case.low, case.high)
            if case.low is not None and case.high is not None and 2.0 * u > case.high - case.low:
                why = why or "the band is narrower than the uncertainty: no value could pass"
    return Decision(
        what=what,
        value=value,
        unit=case.unit or rule.unit,
        u=u,
        low=case.low,
        high=case.high,
        decision=verdict,
        why=why,
        settle=settle,
        chance_inside=chance,
        at=case.at,
        at_unit=case.at_unit,
    )
