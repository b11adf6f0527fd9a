"""What came of it: decision by decision with its picture, and what to do."""

from __future__ import annotations

from PySide6.QtWidgets import QTextBrowser, QVBoxLayout

from breakerbench.app.guide import Guide
from breakerbench.app.snapshot import Snapshot
from breakerbench.app.steps.step import Said, Step
from breakerbench.app.theme import TEXT_PT, Inks, letters
from breakerbench.app.verdict import Verdict
from breakerbench.papers.advice import advice
from breakerbench.papers.words import Shown, in_short, without_options

ASKED = "Is it as it should be?"


class OutcomeStep(Step):
    key, title, place = "outcome", "Result", 90
    question = ASKED
    optional = False

    def __init__(self, guide: Guide) -> None:
        super().__init__(guide)
        self._do = QTextBrowser()
        self._do.setFont(letters(TEXT_PT))
        self._do.setAccessibleName("what to do")
        self._do.setFixedHeight(118)
        self.verdict = Verdict()
        self.verdict.gallery.trouble.connect(guide.say)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(10)
        box.addWidget(self.verdict, 1)
        box.addWidget(self._do)

    def enter(self) -> None:
        self.verdict.gallery.folder = self.guide.job.folder
        self._fill()

    def _fill(self) -> None:
        guide = self.guide
        subjects = [
            subject
            for key in ("run", "coil", "condenser")
            if (subject := guide.subject(key, guide.job.tag or "this distributor")) is not None
        ]
        decisions = guide.decisions()
        if not subjects:
            self.question = f"{ASKED} Nothing was measured yet."
            self._do.setPlainText("Run it up and down first.")
            return
        self.verdict.show_results(subjects, decisions)
        kinds = {one["decision"] for one in decisions}
        if not decisions:
            said = "Measured; nothing was judged."
        elif "fail" in kinds:
            said = f"No: {in_short(decisions)}."
        elif kinds != {"pass"}:
            said = f"Not sure: {in_short(decisions)}."
        else:
            said = f"Yes: {in_short(decisions)}."
        self.question = f"{ASKED} {said}"
        told: list[str] = []
        for key in ("run", "coil", "condenser"):
            result = guide.results.get(key)
            if result is not None:
                told += advice(result, guide.spec, guide.shown)
                why = result["why"].get("decisions")
                told += [f"Nothing is judged: {why}."] if why else []
        texts = [f"•  {without_options(text)}" for text in dict.fromkeys(told)]
        self._do.setPlainText("\n".join(texts) or "Nothing to mend by these figures.")

    def draw(self, snapshot: Snapshot) -> Said:
        del snapshot
        if not self.guide.results:
            return Said(
                "Go back and run it, or begin with the next distributor.", "Next distributor"
            )
        return Said("Read what to do. Then take the next distributor.", "Next distributor")

    def go(self) -> None:
        self.guide.next_distributor()

    def set_look(self, inks: Inks, shown: Shown) -> None:
        self.verdict.set_look(inks, shown)
        if self.guide.current is self:
            self._fill()


STEP = OutcomeStep
