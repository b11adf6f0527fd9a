"""The condenser alone: charged through a known resistor, emptied, at last left to hold its charge."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout

from breakerbench.app.fields import number_field
from breakerbench.app.guide import Guide
from breakerbench.app.job import SKIPPED, StepState
from breakerbench.app.parts import Card, Figure, say, words
from breakerbench.app.snapshot import Phase, Recording, Snapshot, Task
from breakerbench.app.steps.measuring import MeasuringStep
from breakerbench.app.steps.step import Said
from breakerbench.app.theme import SMALL_PT, TEXT_PT
from breakerbench.cautions import CAUTIONS
from breakerbench.papers.advice import advice
from breakerbench.papers.words import LEAKAGE, figure, in_short, without_options

#: Charges that are wanted before the hold, and how long it is held, s. Common practice, no source.
CHARGES, HOLD_S = 5, 3.0
NOT_STATED = "the specification states nothing of the condenser"
FIGURES = (
    ("condenser.leakage_ohm", LEAKAGE, "condenser.u_leakage_ohm", "leakage resistance"),
    ("condenser.leakage_at_least_ohm", LEAKAGE, "", "leakage resistance at least"),
    ("condenser.series_ohm", "ohm", "condenser.u_series_ohm", "series resistance"),
    ("condenser.test_v", "V", "", "tested with"),
)


class CondenserStep(MeasuringStep):
    key, title, place = "condenser", "Condenser alone", 70
    question = "Is the condenser by itself in order?"

    def __init__(self, guide: Guide) -> None:
        super().__init__(guide, Figure())
        self._told = words("", TEXT_PT + 2)
        self._supply = number_field("feed", 12.0, 0.5, 500.0, "V", self._changed)
        self._resistor = number_field("resistor", 10.0, 0.1, 1000.0, "kilohm", self._changed)
        fields = QHBoxLayout()
        for name, part in (
            ("Feed", self._supply),
            ("Resistor between feed and condenser", self._resistor),
        ):
            fields.addWidget(words(name, TEXT_PT, True), 1)
            fields.addWidget(part, 1)
        caution = words(CAUTIONS[2], SMALL_PT + 1, True)
        card = Card(self.figure, self._told, stretch=(1, 0))
        card.box.addLayout(fields)
        card.box.addWidget(caution)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(card, 1)
        self._held_from: float | None = None
        self._charges = 0

    def already(self) -> StepState | None:
        """Nothing of it is stated: the job passes over it, it can still be entered."""
        stated = self.spec is not None and self.spec.condenser is not None
        return None if stated else StepState(SKIPPED, NOT_STATED)

    def task(self) -> Task | None:
        told = {
            "supply_v": self._supply.value(), "series_ohm": 1000.0 * self._resistor.value(),
            "probe_ohm": self.guide.settings.probe_megohm * 1e6,
        }  # fmt: skip
        return Task(
            self.guide.port("--feed condenser"), kind="condenser", spec=self.spec, told=told,
            recording=Recording.AT_ONCE, stem=self.guide.stem("condenser"),
        )  # fmt: skip

    def enter(self) -> None:
        super().enter()
        self._held_from, self._charges = None, 0

    def _changed(self) -> None:
        if self.guide.current is self:
            self.again()

    def draw_live(self, snapshot: Snapshot) -> Said:
        now = snapshot.condenser
        if now is None or now.volts is None:
            self.figure.show_figure("wait", faded=True)
            return Said("Wait for the board.")
        self.figure.show_figure(f"{now.volts:.2f}", "V", "at the condenser", not snapshot.there)
        say(self._told, f"{now.charges} of {CHARGES} charges")
        if now.charges != self._charges:
            self._charges, self._held_from = now.charges, snapshot.seconds
        if now.charges < CHARGES:
            return Said(
                "Condenser out of the circuit. Charge it through the resistor, empty it, "
                f"{CHARGES} times.", "That is all",
            )  # fmt: skip
        held_s = snapshot.seconds - (self._held_from or 0.0)
        if held_s >= HOLD_S and snapshot.phase is Phase.RECORDING:
            self.guide.worker.finish()
        return Said(
            f"Take the feed off, touch nothing: it must hold its charge for {HOLD_S:.0f} s.",
            "That is all",
        )

    def draw_result(self, result: Mapping[str, Any]) -> None:
        value = figure(result, "condenser.capacitance_f")
        if value is None:
            why = result["why"].get("condenser.capacitance_f", "")
            self.figure.show_figure("no figure", "", without_options(why), True)
        else:
            number = self.shown.number(value, "F", figure(result, "condenser.u_capacitance_f"))
            self.figure.show_figure(
                number, self.shown.unit("F"), figure(result, "condenser.state") or ""
            )
        lines = [
            f"{title}: {self.shown.number(each, unit, figure(result, u_key) if u_key else None)} "
            f"{self.shown.unit(unit)}"
            for key, unit, u_key, title in FIGURES
            if (each := figure(result, key)) is not None
        ]
        lines += [without_options(text) for text in advice(result, self.spec, self.shown)]
        say(self._told, "\n".join(lines))

    def said_of(self, result: Mapping[str, Any]) -> Said:
        del result
        # It does not move on by itself: this is to be read.
        return Said("Discharge the condenser before you touch it.", "Go on")

    def summary(self) -> str:
        if self.result is None:
            return ""
        return in_short(self.result["decisions"]) or figure(self.result, "condenser.state") or ""


STEP = CondenserStep
