"""Which distributor is on the bench, what is it to be like, and where do the data come from?"""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import (
    QComboBox,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLineEdit,
    QTextBrowser,
)

from breakerbench.app import specs
from breakerbench.app.guide import Guide
from breakerbench.app.parts import Card, button, words
from breakerbench.app.snapshot import Snapshot
from breakerbench.app.steps.step import Said, Step
from breakerbench.app.theme import SMALL_PT, TEXT_PT, letters
from breakerbench.bench.faults import FAULTS
from breakerbench.errors import BadInput
from breakerbench.papers.sentences import sentences
from breakerbench.sources.line import AUTO, SIM, ports

OTHER_FILE, NO_SPEC = "\0other", ""
#: The simulated distributor as it comes in: faults at the level that needs repair.
IN_ORDER, AS_IT_CAME = "in good order", "as it came in: three faults"
CAME_IN = ("points-gap-narrow", "bushing-worn", "weights-sticking")
LEVEL = "needs repair"


class DistributorStep(Step):
    """A form; the last distributor comes back with one key."""

    key, title, place = "distributor", "Distributor", 10
    question = "Which distributor is on the bench?"
    optional = False

    def __init__(self, guide: Guide) -> None:
        super().__init__(guide)
        self._tag = QLineEdit()
        self._tag.setPlaceholderText("number on its label, or what you call it")
        self._tag.setMaxLength(60)
        self._tag.setAccessibleName("what the distributor is called")
        self._spec, self._port, self._sim = QComboBox(), QComboBox(), QComboBox()
        for combo, said in (
            (self._spec, "what it is to be like"),
            (self._port, "where the data come from"),
            (self._sim, "the simulated distributor"),
        ):
            combo.setAccessibleName(said)
            combo.setSizeAdjustPolicy(
                QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
            )
            combo.setMinimumContentsLength(18)
        self._sim.addItem(IN_ORDER, "")
        self._sim.addItem(AS_IT_CAME, ",".join(CAME_IN))
        for fault in FAULTS:
            self._sim.addItem(f"one fault: {fault.replace('-', ' ')}", fault)
        self._sim_words = words("Simulated distributor", TEXT_PT, True)
        form = QGridLayout()
        form.setVerticalSpacing(14)
        form.setHorizontalSpacing(16)
        form.setColumnStretch(1, 1)
        look = button("Look again", self._list_ports, "for boards plugged in since")
        beside = QHBoxLayout()
        beside.addWidget(self._port, 1)
        beside.addWidget(look)
        form.addWidget(words("Call it", TEXT_PT, True), 0, 0)
        form.addWidget(self._tag, 0, 1)
        form.addWidget(words("Specification", TEXT_PT, True), 1, 0)
        form.addWidget(self._spec, 1, 1)
        form.addWidget(words("Board", TEXT_PT, True), 2, 0)
        form.addLayout(beside, 2, 1)
        form.addWidget(self._sim_words, 3, 0)
        form.addWidget(self._sim, 3, 1)
        self._repeat = button("", self.repeat, "key F5")
        QShortcut(QKeySequence("F5"), self, self.repeat)
        left = Card()
        left.box.addLayout(form)
        left.box.addWidget(self._repeat)
        left.box.addStretch(1)
        self._read = QTextBrowser()
        self._read.setFont(letters(SMALL_PT + 1))
        self._read.setAccessibleName("the specification read back")
        self._read.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        across = QHBoxLayout(self)
        across.setContentsMargins(0, 0, 0, 0)
        across.setSpacing(14)
        across.addWidget(left, 3)
        across.addWidget(Card(words("It is to be like this", TEXT_PT, True), self._read), 2)
        self._spec.currentIndexChanged.connect(self._spec_chosen)
        self._port.currentIndexChanged.connect(self._port_chosen)
        self._wrong = ""
        self._list_specs()
        self._list_ports()

    # --- the form ---

    def _list_specs(self) -> None:
        self._spec.blockSignals(True)
        for text, name in specs.choices():
            self._spec.addItem(text, name)
        self._spec.addItem("none: measure, judge nothing", NO_SPEC)
        self._spec.addItem("a specification file...", OTHER_FILE)
        self._spec.blockSignals(False)
        self._choose(self._spec, "four-lobe")
        self._read_back()

    def _list_ports(self) -> None:
        chosen = self._port.currentData()
        self._port.blockSignals(True)
        self._port.clear()
        found = ports()
        ours = [each for each in found if each.ours]
        if len(ours) == 1:
            self._port.addItem(f"the board on {ours[0].port}", AUTO)
        for each in found:
            what = "a board of ours" if each.ours else "not known to be ours"
            self._port.addItem(f"{each.port}: {what}", each.port)
        self._port.addItem("SIMULATED bench", SIM)
        self._port.blockSignals(False)
        if chosen is not None:
            self._choose(self._port, chosen)
        self._port_chosen()

    def _choose(self, combo: QComboBox, data: object) -> bool:
        at = combo.findData(data)
        if at >= 0:
            combo.setCurrentIndex(at)
        return at >= 0

    def _spec_chosen(self) -> None:
        if self._spec.currentData() == OTHER_FILE:
            path, _ = QFileDialog.getOpenFileName(
                self, "Choose a specification", self.guide.jobs_folder, "Specifications (*.toml)"
            )
            if path:
                self.add_spec(path)
            else:
                self._choose(self._spec, NO_SPEC)
        self._read_back()

    def add_spec(self, path: str) -> None:
        """A specification file joins the list and is chosen."""
        if not self._choose(self._spec, path):
            self._spec.blockSignals(True)
            self._spec.insertItem(0, path, path)
            self._spec.blockSignals(False)
            self._choose(self._spec, path)
        self._read_back()

    def _read_back(self) -> None:
        """The specification as sentences, or what is wrong with it."""
        name, self._wrong = self._spec.currentData(), ""
        if name in (NO_SPEC, OTHER_FILE, None):
            self._read.setPlainText("All is measured, nothing is judged.")
            return
        try:
            found = specs.load(name)
        except BadInput as problem:
            self._wrong = str(problem)
            self._read.setPlainText(self._wrong)
            return
        self._read.setPlainText("\n\n".join([*sentences(found), *found.warnings]))

    def _port_chosen(self) -> None:
        simulated = self._port.currentData() == SIM
        self._sim.setVisible(simulated)
        self._sim_words.setVisible(simulated)

    # --- as a step ---

    def enter(self) -> None:
        job, last = self.guide.job, self.guide.settings.last
        if job.folder or job.spec:
            self._fill(job.tag, job.spec, job.port, job.faults)
        self._repeat.setVisible(last is not None)
        if last is not None:
            self._repeat.setText(f"Repeat the last: {self._called(last.spec)}   (F5)")
            self._repeat.setAccessibleName(self._repeat.text())
        self._tag.setFocus()

    def _called(self, spec: str) -> str:
        at = self._spec.findData(spec)
        return self._spec.itemText(at) if at >= 0 else spec or "no specification"

    def _fill(self, tag: str, spec: str, port: str, faults: tuple[str, ...]) -> None:
        self._tag.setText(tag)
        if not self._choose(self._spec, spec) and spec:
            self.add_spec(spec)
        if not self._choose(self._port, port):  # not plugged in just now, or a socket
            self._port.insertItem(0, port, port)
            self._choose(self._port, port)
        self._choose(self._sim, ",".join(fault.partition("=")[0] for fault in faults))

    def repeat(self) -> None:
        """The same specification and board as the last, a new distributor."""
        last = self.guide.settings.last
        if last is not None:
            self._fill("", last.spec, last.port, last.faults)
            self.go()

    def draw(self, snapshot: Snapshot) -> Said:
        del snapshot
        if self._wrong:
            return Said("Mend the specification, or choose another.")
        return Said(
            "Say what it is called, what it is to be like, and which board reads it.", "Begin"
        )

    def go(self) -> None:
        faults: tuple[str, ...] = ()
        if self._port.currentData() == SIM:
            named = str(self._sim.currentData() or "").split(",")
            faults = tuple(f"{name}={LEVEL}" for name in named if name)
        spec = self._spec.currentData()
        if self.guide.new_job(
            " ".join(self._tag.text().split()), spec, self._port.currentData(), faults
        ):
            self.guide.next_step()

    def summary(self) -> str:
        return self.job.tag


STEP = DistributorStep
