"""What is said of a condenser trace where a figure is missing or may mislead: reasons, notes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from breakerbench.measure.condenser_charge import CLIPPED, FAST, MISFIT, SHORT
from breakerbench.measure.uncertainty import Estimate
from breakerbench.trace import Header

if TYPE_CHECKING:
    from breakerbench.measure.condenser_found import Found

#: What stands across the points of a running engine, and more; TM 9-8000, chapter 15.
SERVICE_V = 200.0
#: A charge that ends this much above the supply was not fed by it.
ABOVE = 0.05
#: The resistor to use; common practice, no source: 0.2 uF then takes 10 ms to charge.
GOOD_OHM = "10 kohm"
#: A capacitance below this is none. A tenth of any ignition condenser's (0.18 uF; common range, from
#: memory).
OPEN_F = 20e-9

HOLD_NEXT = (
    "take the feed off at full charge and record on until the voltage has fallen by a third or more"
)
OTHER_TABLES = "the condenser was tested alone (--kind condenser)"


class Reasons:
    """Collects what is to be said."""

    def __init__(self) -> None:
        self.why: dict[str, str] = {}
        self.notes: list[str] = []
        self.warnings: list[str] = []
        self.supply_known = False

    def everything(self, reason: str) -> None:
        for key in ("capacitance_f", "leakage_ohm", "series_ohm"):
            self.why[f"condenser.{key}"] = reason

    def no_resistor(self, tau_s: float) -> None:
        self.everything(
            f"the resistor was not told, so only the time constant is known, {tau_s * 1e3:.4g} ms: "
            "tell the resistor with --series-ohm"
        )

    def not_a_hold(self, tau_s: float) -> None:
        self.notes.append(
            f"A fall with a time constant of {tau_s * 1e3:.4g} ms is no leakage, because the condenser "
            "charges nearer to the supply than such a leakage would let it: it was emptied through a "
            "resistor."
        )

    def supply_does_not_fit(self, missing: float, expected: float) -> None:
        self.warnings.append(
            f"The charge ends {missing:.1%} below the supply, where the hold lets expect {expected:.1%}: "
            "check the supply that was told, the resistor, and the scale of the channel."
        )

    def taken_for_small(self, most: float, resistor: float, supply_known: bool) -> None:
        self.supply_known = supply_known
        how = (
            f"The end of the charge allows a leakage of {ohms(resistor / most)} or more"
            if supply_known
            else f"A leakage of {ohms(resistor / most)} or more is taken for granted, unseen"
        )
        self.notes.append(
            f"There is no hold. {how}: the uncertainty of the capacitance covers that. To know better, "
            f"{HOLD_NEXT}."
        )

    def about_charges(self, found: Found, header: Header) -> None:
        left = sum(found.refused.values())
        if left:
            words = {
                CLIPPED: "cut off at the end of the range", FAST: "too fast", SHORT: "cut short",
                MISFIT: "no exponential",
            }  # fmt: skip
            each = ", ".join(f"{n} {words[key]}" for key, n in sorted(found.refused.items()))
            self.notes.append(f"Rises that were left out: {left} ({each}).")
        if found.rises > len(found.charges) + left:
            self.notes.append(
                f"Of {found.rises} charges {len(found.charges)} were used, spread over the trace."
            )
        if found.size > 1:
            self.notes.append(
                f"The trace is long: {found.size} samples each were joined into one value."
            )
        if header.series_ohm and header.u_series_share is None:
            self.notes.append(
                "The resistor is taken to be right within 1 % (common practice, no source); it decides "
                "over the uncertainty of the capacitance. Measure it and tell --accuracy series=PERCENT."
            )
        if max(c.misfit for c in found.charges) > 0.003:
            self.notes.append(
                "The charge is not quite an exponential: a condenser that soaks up charge slowly, mains "
                "on the leads, or a feed that came on in steps. The uncertainty is wider for it."
            )

    def about_supply(
        self, end: Estimate, supply: Estimate | None, found: Found, header: Header
    ) -> None:
        if supply is None or not supply.value:
            return
        if end.value > (1.0 + ABOVE) * supply.value + 3.0 * supply.u:
            which = "shown" if found.supply_v is not None else "told"
            self.warnings.append(
                f"The condenser charges to {end.value:.4g} V, above the supply that is {which}, "
                f"{supply.value:.4g} V: check it and the scale of the channel."
            )
        if found.supply_v is not None and header.supply_v:
            told = abs(header.supply_v)
            if abs(found.supply_v - told) > 0.1 * max(told, found.supply_v):
                self.warnings.append(
                    f"The supply is told as {told:.4g} V, the trace shows {found.supply_v:.4g} V: the "
                    "trace is believed."
                )

    def about_voltage(self, volts: float) -> None:
        if volts < SERVICE_V:
            self.notes.append(
                f"The condenser was tested at {volts:.3g} V, and in service {SERVICE_V:.0f} V or more "
                "stand across it: what holds here may still break down there. A leak that is found is "
                "one; none found proves little."
            )


def ohms(value: float) -> str:
    """A resistance as people write it, to three figures."""
    for factor, unit in ((1e9, "Gohm"), (1e6, "megohm"), (1e3, "kohm")):
        if value >= factor:
            return f"{value / factor:.3g} {unit}"
    return f"{value:.3g} ohm"


def no_charge(
    found: Found, header: Header, supply: Estimate | None, said: Reasons
) -> tuple[str | None, float | None]:
    """The state, and the most that the capacitance may be, where no charge could be used."""
    levels = found.levels
    if found.channel is None:
        said.everything("there is no condenser_v channel, and no points_v channel in its place")
    elif levels.both_signs:
        said.everything(
            "the voltage goes far to either side of 0: the polarity was reversed in mid-trace, or the "
            "probe is set to AC. Set it to DC, leave the leads as they are, record again"
        )
    elif not found.rises and levels.bottom > 0.5 * levels.top > 0.0 and levels.top > 1.0:
        said.everything(
            "the voltage stands all the time: there is no charge in the trace. Empty the condenser with "
            "a wire across it, take the wire off, and record that"
        )
    elif not found.rises:
        return _never_rises(found, header, supply, said), None
    elif found.refused[CLIPPED]:
        said.everything(
            f"the voltage is cut off at the end of the converter's range, about {levels.top:.3g} V: "
            "choose a larger range or a lower supply"
        )
    elif found.refused[FAST]:
        return _jumps(found, header, said)
    elif found.refused[SHORT]:
        said.everything(
            "no charge lasts for long enough: let each go on for five time constants (with "
            f"{GOOD_OHM} for 20 ms), and empty the condenser in between"
        )
    elif found.refused[MISFIT]:
        said.everything(
            "the rise is no exponential: take off what else lies across the condenser, and look whether "
            "the voltage is cut off and the feed comes on cleanly"
        )
    return None, None


def _never_rises(
    found: Found, header: Header, supply: Estimate | None, said: Reasons
) -> str | None:
    """Shorted, where the trace shows that the feed was on."""
    passed = found.current_a is not None and header.series_ohm and supply is not None
    fed = found.supply_v is not None and found.supply_v > max(1.0, 10.0 * found.levels.top)
    if passed and found.current_a and supply is not None and header.series_ohm:
        fed = fed or found.current_a > 0.7 * supply.value / header.series_ohm
    if fed:
        said.everything(
            "the voltage never rises though the feed is on: the condenser is shorted, or its lead "
            "touches the body"
        )
        return "shorted"
    said.everything(
        "the voltage never rises: the condenser is shorted, or the feed was not on, which the trace does "
        "not show. Take the condenser off: the feed's voltage must then show at the clamps"
    )
    return None


def _jumps(found: Found, header: Header, said: Reasons) -> tuple[str | None, float | None]:
    """Open, or a resistor that is too small: they look alike."""
    least = found.least_tau_s
    if not header.series_ohm or header.series_ohm <= 0.0:
        said.everything(
            f"the voltage rises at once, in less than {least * 1e6:.3g} µs: the condenser is open, or "
            f"the resistor, which was not told, is too small. Use {GOOD_OHM} and tell --series-ohm"
        )
        return None, None
    most = least / header.series_ohm
    if most < OPEN_F:
        said.everything(
            f"the voltage rises at once, in less than {least * 1e6:.3g} µs: less than "
            f"{most * 1e6:.2g} µF, no condenser. It is open inside, or its lead is broken or not clamped"
        )
        return "open", most
    said.everything(
        f"the rise is faster than can be sampled here ({least * 1e6:.3g} µs): with "
        f"{ohms(header.series_ohm)} that is any capacitance below {most * 1e6:.2g} µF. Use {GOOD_OHM}"
    )
    return None, most


def no_hold(at_least: float | None) -> str:
    known = f"; by the end of the charge it is {ohms(at_least)} or more" if at_least else ""
    return f"there is no hold in the trace{known}. To measure it, {HOLD_NEXT}"


def probe_not_told(total: float) -> str:
    return (
        f"leakage and instrument together are {ohms(total)}, so the leakage is that or more; tell the "
        "instrument's own resistance with --probe-ohm (a 10:1 probe has 10e6) to split them"
    )


def too_little_leakage(at_least: float, held: bool) -> str:
    by = "of the instrument's own resistance" if held else "of the supply's voltage"
    return f"it is {ohms(at_least)} or more: too little leaks to be told from the uncertainty {by}"


def small_series(at_most: float | None, resistor: float) -> str:
    if at_most is None:
        return (
            "the first instants of the charge do not show it: the feed does not come on cleanly "
            "there, or the trace is too long to be kept sample by sample"
        )
    mend = "" if resistor <= 1500.0 else "; a resistor of 1 kohm shows less"
    return f"it is {ohms(at_most)} or less: too little to be told from 0 in this trace{mend}"
