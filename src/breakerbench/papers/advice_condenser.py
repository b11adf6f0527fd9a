"""What to do next with a condenser that was tested alone, in plain words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from breakerbench.measure.condenser import LEAKY_OHM
from breakerbench.papers.words import figure

#: By the state of the condenser.
NEXT = {
    "in order": (
        "Fit it. Its lead must be clear of the cam, and its clamp must have bright metal to ground. A "
        "condenser that is in order cold may still leak when it is hot: if the engine fails warm, "
        "test it again warm."
    ),
    "open": (
        "Look at the lead and the clamps first: press them on and record again. If it stays like this, "
        "replace the condenser. With an open one the points burn and the spark is weak."
    ),
    "shorted": (
        "Take its lead off everything else and test it by itself. If the voltage still does not rise, "
        "replace the condenser: with a shorted one there is no spark at all."
    ),
    "leaky": (
        "Dry and clean the insulator and the lead, then test again: damp and dirt leak too. If it still "
        "leaks, replace the condenser."
    ),
    "wrong size": (
        "Check the resistor that was told, with an ohmmeter. If it is right, replace the condenser by "
        "one of the size that the specification states: a wrong one makes the points pit."
    ),
}
DISCHARGE = "Empty the condenser with a wire across it before touching it."


def condenser_advice(result: Mapping[str, Any]) -> Iterator[str]:
    state = figure(result, "condenser.state")
    if state in NEXT:
        yield NEXT[state]
    elif figure(result, "condenser.capacitance_f") is None:
        why = result.get("why") or {}
        reason = why.get("condenser.capacitance_f", "")
        yield f"Nothing can be said of the condenser yet: {reason}. Then record again."
    elif figure(result, "condenser.leakage_ohm") is None and not _leakage_known(result):
        yield "The size is measured, the leakage is not: see above what the next recording needs."
    elif not result.get("decisions"):
        yield "Hold it against its specification with --spec to have it judged."
    elif all(one["decision"] == "pass" for one in result["decisions"]):
        yield (
            "What the specification limits is right; it does not limit everything that was measured. "
            "Leakage of 1 megohm or more is common practice, no source."
        )
    else:
        yield "Too close to call: see above what would settle it."
    yield DISCHARGE


def _leakage_known(result: Mapping[str, Any]) -> bool:
    least = figure(result, "condenser.leakage_at_least_ohm")
    return least is not None and least >= LEAKY_OHM
