"""The questions of ``spec new`` about contact drop, coil, condenser and spark."""

from __future__ import annotations

from breakerbench.cli.dialogue import Dialogue
from breakerbench.cli.spec_figures import figure, span
from breakerbench.judge.draft import Draft
from breakerbench.judge.rules import NO_BALLAST_OHM


def ask_contact(dialogue: Dialogue, draft: Draft) -> None:
    figure(
        dialogue,
        draft,
        "contact.max_drop_v",
        "Greatest voltage across the closed points, V",
        "From the coil's lead at the distributor to ground, just before the points open: lead, contacts "
        "and plate together. 100 mV are 0.1 V.",
        "V volt volts",
    )
    figure(
        dialogue,
        draft,
        "contact.at_current_a",
        "At which current, A",
        "The current that the limit is stated for. A drop measured at another is brought to it.",
        "A ampere amperes amp amps",
    )


def ask_coil(dialogue: Dialogue, draft: Draft) -> None:
    ohm = "ohm ohms"
    figure(
        dialogue,
        draft,
        "coil.supply_v",
        "Voltage of the system, V",
        "6 or 12, as the battery is called.",
        "V volt volts",
    )
    span(
        dialogue,
        draft,
        "coil.resistance_ohm",
        "Resistance of the primary, ohm",
        "The winding alone, without a ballast resistor. 3 ohm within 10 percent is 2.7 to 3.3. To "
        "measure it takes the channel supply_v, at the coil's feed terminal.",
        "2.7 to 3.3",
        ohm,
    )
    if draft.get("coil", "resistance_ohm") is not None:
        figure(
            dialogue,
            draft,
            "coil.at_temperature_c",
            "At which temperature, degrees Celsius",
            "Copper gains 0.393 percent a degree. Books that say cold mean about 20.",
            "C °C deg",
            "20",
        )
    span(
        dialogue,
        draft,
        "coil.ballast_ohm",
        "Ballast resistor, ohm",
        f"0 0 where there is to be none; up to {NO_BALLAST_OHM:g} ohm of leads, switch and battery are "
        "then let pass. "
        "One may hide in the loom.",
        "1.4 to 1.7",
        ohm,
    )
    span(
        dialogue,
        draft,
        "coil.current_a",
        "Primary current with the points closed, A",
        "Just before they open, at the lowest speed of the run. Judge the current too: a 6 V coil and a "
        "12 V coil for use with a resistor can measure alike.",
        "3 to 4.5",
        "A ampere amperes amp amps",
    )


def ask_condenser(dialogue: Dialogue, draft: Draft) -> None:
    span(
        dialogue,
        draft,
        "condenser.capacitance_uf",
        "Capacitance, microfarad",
        "220 nF are 0.22 microfarad. Judged where the condenser is tested alone.",
        "0.18 to 0.25",
        "µF uF mfd microfarad microfarads",
    )
    figure(
        dialogue,
        draft,
        "condenser.min_leakage_megohm",
        "Least leakage resistance, megohm",
        "Of the condenser tested alone. A leaking one weakens the spark, first when it is warm.",
        "megohm megohms",
    )


def ask_spark(dialogue: Dialogue, draft: Draft) -> None:
    figure(
        dialogue,
        draft,
        "spark.min_duration_ms",
        "Least duration of the spark, ms",
        "From the opening to the end of the burn, the median of a run. 1 ms is a thousandth of a second.",
        "ms",
    )
    figure(
        dialogue,
        draft,
        "spark.gap_mm",
        "At a test gap of, mm",
        "The gap of the bench that the duration is stated for: a wider one shortens the spark.",
        "mm",
    )
