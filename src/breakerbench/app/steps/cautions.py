"""The cautions, once from each start of the program: not for every distributor."""

from __future__ import annotations

from PySide6.QtWidgets import QVBoxLayout

from breakerbench.app.guide import Guide
from breakerbench.app.job import DONE, StepState
from breakerbench.app.parts import Card, words
from breakerbench.app.snapshot import Snapshot
from breakerbench.app.steps.step import Said, Step
from breakerbench.app.theme import TEXT_PT
from breakerbench.cautions import CAUTIONS


class CautionsStep(Step):
    key, title, place = "cautions", "Cautions", 20
    question = "Is the bench safe to start?"
    optional = False

    def __init__(self, guide: Guide) -> None:
        super().__init__(guide)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        card = Card(*(words(f"•  {caution}", TEXT_PT + 4) for caution in CAUTIONS))
        card.box.setSpacing(14)
        card.box.addStretch(1)
        box.addWidget(card, 1)

    def draw(self, snapshot: Snapshot) -> Said:
        del snapshot
        if self.guide.cautioned:
            return Said("These were read since the program was started.", "Go on")
        return Said("Read these, look at the bench, then go on.", "The bench is safe")

    def already(self) -> StepState | None:
        return StepState(DONE) if self.guide.cautioned else None

    def go(self) -> None:
        self.guide.cautioned = True
        self.guide.next_step()

    def summary(self) -> str:
        return "read"


STEP = CautionsStep
