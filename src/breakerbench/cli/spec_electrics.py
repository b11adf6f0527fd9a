"""The questions of ``spec new`` about contact drop, coil, condenser and spark."""

from __future__ import annotations

from breakerbench.cli.dialogue import Dialogue
from breakerbench.cli.spec_figures import figure, span
from breakerbench.judge.draft import Draft


def ask_contact(dialogue: Dialogue, draft: Draft) -> None:
    figure(
        dialogue,
        draft,
        "contact.max_drop_v",
        "Greatest voltage across the closed points, V",
        "With the points at rest and the usual current through them. 100 mV are 0.1 V.",
        "V volt volts",
    )
    figure(
        dialogue,
        draft,
        "contact.at_current_a",
        "At which current, A",
        "The current that the limit is stated for.",
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
        "The winding alone, without a ballast resistor. 3 ohm within 10 percent is 2.7 to 3.3.",
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
        "0 0 where there is to be none. One may hide in the loom.",
        "1.4 to 1.7",
        ohm,
    )
    span(
        dialogue,
        draft,
        "coil.current_a",
        "Primary current with the points closed, A",
        "Judge the current too: a 6 V coil and a ballasted 12 V coil can measure alike.",
        "3 to 4.5",
        "A ampere amperes amp amps",
    )


def ask_condenser(dialogue: Dialogue, draft: Draft) -> None:
    span(
        dialogue,
        draft,
        "condenser.capacitance_uf",
        "Capacitance, microfarad",
        "220 nF are 0.22 microfarad.",
        "0.18 to 0.25",
        "µF uF mfd microfarad microfarads",
    )
    figure(
        dialogue,
        draft,
        "condenser.min_leakage_megohm",
        "Least leakage resistance, megohm",
        "A leaking condenser weakens the spark, first when it is warm.",
        "megohm megohms",
    )


def ask_spark(dialogue: Dialogue, draft: Draft) -> None:
    figure(
        dialogue,
        draft,
        "spark.min_duration_ms",
        "Least duration of the spark, ms",
        "1 ms is a thousandth of a second.",
        "ms",
    )
    figure(
        dialogue,
        draft,
        "spark.gap_mm",
        "At a test gap of, mm",
        "The gap of the bench that the duration is stated for.",
        "mm",
    )
