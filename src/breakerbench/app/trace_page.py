"""Any recording or import: measured at once or played at any speed, and two runs over each other."""

from __future__ import annotations

import os
import time

from PySide6.QtWidgets import (
    QButtonGroup,
    QComboBox,
    QFileDialog,
    QHBoxLayout,
    QLineEdit,
    QPushButton,
    QStackedWidget,
    QWidget,
)

from breakerbench.app import imports, specs
from breakerbench.app.gallery import Gallery
from breakerbench.app.guide import Guide
from breakerbench.app.pages import Page
from breakerbench.app.parts import button, say, words
from breakerbench.app.snapshot import Phase, Snapshot, Task
from breakerbench.app.theme import TEXT_PT, Inks, letters
from breakerbench.app.verdict import Verdict
from breakerbench.app.views.advance import AdvancePicture
from breakerbench.app.views.burn import BurnPicture
from breakerbench.app.views.contact import ContactPicture
from breakerbench.app.views.current import CurrentPicture
from breakerbench.app.views.lobes import LobesPicture
from breakerbench.app.views.spacing import SpacingPicture
from breakerbench.errors import BadInput, harmless
from breakerbench.judge.specification import Specification
from breakerbench.papers.subject import Subject
from breakerbench.papers.words import Shown, tally
from breakerbench.trace import KINDS

#: How fast a trace is played: what is shown, times real time; 0 measures at once.
PACES = (("At once", 0.0), ("0.2 x", 0.2), ("1 x", 1.0), ("5 x", 5.0), ("20 x", 20.0))
AS_RECORDED = "as recorded"


class TracePage(Page):
    """Opened by name, by dropping a file on the window, or by Ctrl+O."""

    def __init__(self, guide: Guide) -> None:
        super().__init__()
        self.guide = guide
        self._path = ""
        self._measuring_other = False
        self._subject: Subject | None = None
        self._other: Subject | None = None
        self._task: Task | None = None
        self._seen = -1
        box = self.headed("What does this trace show?")
        self._said = words("", TEXT_PT + 2, True)
        box.addWidget(self._said)
        self._spec, self._kind = QComboBox(), QComboBox()
        for text, name in specs.choices():
            self._spec.addItem(text, name)
        self._spec.addItem("none: measure, judge nothing", "")
        self._spec.setCurrentIndex(self._spec.count() - 1)  # until a job says which
        self._kind.addItem(AS_RECORDED, "run")
        for kind in KINDS[1:]:
            self._kind.addItem({"hand": "turned by hand"}.get(kind, f"for the {kind}"), kind)
        self._told = QLineEdit()
        self._told.setPlaceholderText("column points_v=CH1 ...")
        self._told.setFont(letters(TEXT_PT))
        for part, name in (
            (self._spec, "specification"),
            (self._kind, "what was being done"),
            (self._told, "what the file does not say"),
        ):
            part.setAccessibleName(name)
        row = QHBoxLayout()
        for part, wide in ((self._spec, 3), (self._kind, 2), (self._told, 4)):
            row.addWidget(part, wide)
        row.addWidget(button("Another file", self.choose, "key Ctrl+O"))
        row.addWidget(button("Lay another over it", self.choose_other))
        box.addLayout(row)
        row = QHBoxLayout()
        self._paces = QButtonGroup(self)
        for number, (text, _) in enumerate(PACES):
            made = QPushButton(text)
            made.setMinimumHeight(44)
            made.setCheckable(True)
            made.setAccessibleName(f"play {text}")
            self._paces.addButton(made, number)
            row.addWidget(made)
        self._paces.button(0).setChecked(True)
        self._paces.idClicked.connect(lambda _: self.play())
        row.addWidget(button("To the end", guide.worker.finish, "the rest at once"))
        row.addStretch(1)
        box.addLayout(row)
        self._live = Gallery(
            [
                ContactPicture(), AdvancePicture(),
                LobesPicture(), SpacingPicture(),
                CurrentPicture(), BurnPicture(),
            ]
        )  # fmt: skip
        self.verdict = Verdict()
        self._stack, self._nothing = QStackedWidget(), QWidget()
        self._stack.addWidget(self._nothing)
        self._stack.addWidget(self._live)
        self._stack.addWidget(self.verdict)
        box.addWidget(self._stack, 1)
        for combo in (self._spec, self._kind):
            combo.activated.connect(lambda _: self.play())
        self._told.editingFinished.connect(self._told_changed)
        self._told_before = ""
        for gallery in (self._live, self.verdict.gallery):
            gallery.trouble.connect(guide.say)

    # --- what the person does ---

    def open(self, path: str) -> None:
        """Measures this file by what is chosen."""
        self._path, self._other = path, None
        at = self._spec.findData(self.guide.job.spec)
        if self.guide.job.folder and at >= 0:
            self._spec.setCurrentIndex(at)
        self.play()

    def choose(self) -> None:
        path = self._asked("Open a recording, CSV, WAV or VCD")
        if path:
            self.open(path)

    def choose_other(self) -> None:
        path = self._asked("Which run is to lie over it?")
        if path:
            self.lay_over(path)

    def lay_over(self, path: str) -> None:
        """A second run, drawn over the first."""
        self._begin(path, 0.0)
        self._measuring_other = True

    def _asked(self, title: str) -> str:
        path, _ = QFileDialog.getOpenFileName(
            self, title, os.path.dirname(self._path) or self.guide.jobs_folder,
            "Traces (*.bbr *.csv *.wav *.vcd *.txt);;All files (*)",
        )  # fmt: skip
        return path

    def _told_changed(self) -> None:
        if self._told.text() != self._told_before:
            self._told_before = self._told.text()
            self.play()

    def play(self) -> None:
        """From the beginning, at the chosen speed."""
        if self._path:
            self._begin(self._path, PACES[max(self._paces.checkedId(), 0)][1])

    def _begin(self, path: str, pace: float) -> None:
        self._measuring_other = False
        self.guide.trouble = ""
        try:
            told = imports.told(self._told.text())
            spec = self._specification()
        except BadInput as problem:
            self.guide.trouble = str(problem)
            return
        self._task = Task(
            path, live=False, kind=self._kind.currentData(), spec=spec, pace=pace, told=told
        )
        self.guide.give(self._task)

    def _specification(self) -> Specification | None:
        name = self._spec.currentData()
        return specs.load(name) if name else None

    def leave(self) -> None:
        self._task = None
        self.guide.trouble = ""  # it was of the trace

    def go(self) -> None:
        self.guide.worker.finish()

    # --- drawn ---

    def draw(self, snapshot: Snapshot) -> None:
        if snapshot.task is not self._task or snapshot.number == self._seen:
            return
        self._seen = snapshot.number
        title = harmless(os.path.basename(self._path))
        if snapshot.phase is Phase.PROBLEM:
            say(self._said, f"{title}: it cannot be measured. See the red line above.")
            self._stack.setCurrentWidget(self._nothing)  # what stands there is of another file
            return
        if snapshot.phase is Phase.DONE and snapshot.result is not None:
            self._take(snapshot)
            return
        if snapshot.task is not None and snapshot.task.pace:
            self._stack.setCurrentWidget(self._live)
            self._live.draw_live(snapshot, snapshot.task.spec, time.monotonic())
            say(
                self._said, f"{title}: {snapshot.seconds:.1f} s, {_now(snapshot, self.guide.shown)}"
            )
        else:
            say(self._said, f"{title}: measured to {snapshot.share:.0%}")

    def _take(self, snapshot: Snapshot) -> None:
        task = snapshot.task
        assert task is not None
        assert snapshot.result is not None
        name = harmless(os.path.basename(task.place))
        subject = Subject(name, snapshot.result, task.spec, self.guide.shown, *snapshot.collected)
        if self._measuring_other:
            self._other = subject
        else:
            self._subject = subject
        if self._subject is None:
            return
        decisions = self._subject.get("decisions") or []
        self.verdict.show_results([self._subject], decisions, self._other)
        self._stack.setCurrentWidget(self.verdict)
        why = self._subject.get("why.decisions")
        parts = [tally(decisions) or f"nothing is judged{f': {why}' if why else ''}"]
        if self._other is not None:
            parts.append(f"{self._other.title} lies over it")
        say(self._said, f"{self._subject.title}: {', '.join(parts)}")

    def set_look(self, inks: Inks, shown: Shown) -> None:
        self._live.set_look(inks, shown)
        self.verdict.set_look(inks, shown)


def _now(snapshot: Snapshot, shown: Shown) -> str:
    live, hand = snapshot.live, snapshot.hand
    if hand is not None:
        return f"{hand.openings} openings by hand"
    if live is None or live.rpm is None:
        return "no speed yet"
    text = shown.speed_words(live.rpm)
    if live.dwell_deg is not None:
        text += f", {live.dwell_deg * shown.factor('deg'):.1f} {shown.unit('deg')} dwell"
    return text
