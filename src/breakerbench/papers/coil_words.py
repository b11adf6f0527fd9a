"""What people read of a coil's circuit that was worked out, on the terminal and on paper alike."""

from __future__ import annotations

from breakerbench.papers.words import Shown
from breakerbench.tools.ignition import Verdict
from breakerbench.tools.ignition_figures import SYSTEMS_V, Band
from breakerbench.tools.ignition_plan import Assumed, Plan, Told
from breakerbench.tools.ignition_words import TITLES

#: Units as they are displayed, and what a figure in SI is multiplied by.
DISPLAYED = {"H": (1e3, "mH"), "F": (1e6, "µF")}

MARKED = {"6v": "6 V", "12v": "12 V", "12v-resistor": "12 V with a resistor"}


def band(of: Band, digits: int, factor: float = 1.0) -> str:
    """A band as text, ``digits`` behind the point; one figure where its ends read alike."""
    ends = dict.fromkeys(f"{end * factor:,.{digits}f}" for end in (of.low, of.high))
    return " to ".join(ends)


def verdict_title(verdict: Verdict) -> str:
    """The verdict in a few words."""
    return TITLES[verdict.key]


def what_was_told(told: Told, shown: Shown) -> str:
    """Everything that was told, in one line."""
    parts = [f"{told.supply_v:g} V"]
    at = "cold" if told.coil_c is None else f"at {told.coil_c:g} deg C"
    parts.append(f"coil {told.coil_ohm:g} ohm {at}")
    resistors = [f"{ohm:g}" for ohm in told.resistors if ohm]
    parts.append(f"resistor {' + '.join(resistors)} ohm" if resistors else "no resistor told of")
    if told.marked is not None:
        parts.append(f"marked {MARKED[told.marked]}")
    parts.append(f"{told.lobes} lobe{'s' * (told.lobes > 1)}")
    if told.dwell_share is not None:
        degrees = told.dwell_share * 360.0 / told.lobes * shown.factor("deg")
        percent = f"{100.0 * told.dwell_share:.3g} %"
        parts.append(f"dwell {degrees:.3g} {shown.unit('deg')} ({percent})")
    for value, unit, what in (
        (told.inductance_h, "H", "{} primary"),
        (told.turns_ratio, "", "turns {} to 1"),
        (told.condenser_f, "F", "condenser {}"),
        (None if told.secondary_f is None else told.secondary_f * 1e12, "pF", "secondary {}"),
        (told.standing_a, "A", "measured {}"),
        (told.feed_v, "V", "feed terminal {}"),
        (told.points_v, "V", "points terminal {}"),
    ):
        if value is not None:
            factor, name = DISPLAYED.get(unit, (1.0, unit))
            parts.append(what.format(f"{value * factor:.4g} {name}".rstrip()))
    return f"Told: {', '.join(parts)}."


def assumption(of: Assumed, source: bool = True) -> str:
    """What was assumed, between which values, and, with ``source``, where they are from."""
    factor, unit = DISPLAYED.get(of.unit, (1.0, of.unit))
    if of.unit == "F" and of.band.high < 1e-9:
        factor, unit = 1e12, "pF"
    low, high = (f"{end * factor:.3g}" for end in (of.band.low, of.band.high))
    between = low if low == high else f"{low} to {high}"
    text = f"{of.what}: {between} {unit}".rstrip()
    return f"{text} ({of.source})" if source else text


def energy_note(made: Plan) -> str:
    """How the figures came about, in words."""
    lost = max(row.lost_w.high for row in made.rows)
    text = (
        "Bands: winding cold to warm, and what is assumed below; the contacts' drop is left out. "
        "Available: what is left of the energy L i^2 / 2 charges condenser and secondary; where the gap "
        "breaks down before, it "
        "stops there. The iron is taken as never saturated: at more current than a coil is made for "
        f"both are less. Heat in the coil: in its winding; its iron takes up to {lost:.0f} W more."
    )
    if made.circuit.feed_ohm:
        text += (
            " Resistors keep their ohms here; some are made to rise as they warm (TM 9-8000, "
            "chapter 15), and the current falls with them."
        )
    if made.told.supply_v in SYSTEMS_V:
        text += (
            " With the engine charging the supply is a sixth higher: so is the current, and the heat "
            f"by a third (--supply-v {made.told.supply_v * 7.0 / 6.0:.0f})."
        )
    return text
