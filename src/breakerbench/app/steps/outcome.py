"""What came of it: decision by decision with its picture, and what to do."""

from __future__ import annotations

from PySide6.QtWidgets import QTextBrowser, QVBoxLayout

from breakerbench.app.guide import Guide
from breakerbench.app.parts import say, words
from breakerbench.app.snapshot import Snapshot
from breakerbench.app.steps.step import Said, Step
from breakerbench.app.theme import TEXT_PT, Inks, letters
from breakerbench.app.verdict import Verdict
from breakerbench.papers.advice import advice
from breakerbench.papers.words import Shown, tally, without_options


class OutcomeStep(Step):
    key, title, place = "outcome", "Result", 90
    question = "Is it as it should be?"
    optional = False

    def __init__(self, guide: Guide) -> None:
        super().__init__(guide)
        self._verdict_words = words("", TEXT_PT + 10, True)
        self._do = QTextBrowser()
        self._do.setFont(letters(TEXT_PT))
        self._do.setAccessibleName("what to do")
        self._do.setFixedHeight(150)
        self.verdict = Verdict()
        self.verdict.gallery.trouble.connect(lambda text: setattr(guide, "trouble", text))
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(10)
        box.addWidget(self._verdict_words)
        box.addWidget(self.verdict, 1)
        box.addWidget(self._do)

    def enter(self) -> None:
        self.verdict.gallery.folder = self.guide.job.folder
        self._fill()

    def _fill(self) -> None:
        guide = self.guide
        subjects = [
            subject
            for key in ("run", "coil")
            if (subject := guide.subject(key, guide.job.tag or "this distributor")) is not None
        ]
        decisions = guide.decisions()
        if not subjects:
            say(self._verdict_words, "Nothing was measured yet.")
            self._do.setPlainText("Run it up and down first.")
            return
        self.verdict.show_results(subjects, decisions)
        counts = {
            kind: sum(one["decision"] == kind for one in decisions)
            for kind in ("fail", "undecided", "pass", "not measured")
        }
        if not decisions:
            said = "Measured; nothing was judged."
        elif counts["fail"]:
            said = f"No: {tally(decisions)}."
        elif counts["undecided"] or counts["not measured"]:
            said = f"Not sure: {tally(decisions)}."
        else:
            said = f"Yes: {tally(decisions)}."
        say(self._verdict_words, said)
        told: list[str] = []
        for key in ("hand", "run", "coil"):
            result = guide.results.get(key)
            if result is not None and key != "hand":
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
