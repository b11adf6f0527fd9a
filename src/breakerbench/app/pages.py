"""Pages before the job: settings, why a step is left out. Escape or Back leads to the job again."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent, QKeySequence
from PySide6.QtWidgets import (
    QComboBox,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from breakerbench.app.fields import number_field
from breakerbench.app.guide import Guide
from breakerbench.app.parts import button, say, words
from breakerbench.app.snapshot import Snapshot
from breakerbench.app.theme import QUESTION_PT, TEXT_PT, Inks, letters
from breakerbench.papers.words import Shown

#: Reasons that are given most often for leaving a step out; another can be written.
REASONS = (
    "not fitted to this distributor",
    "no coil and condenser at hand",
    "done elsewhere",
    "to be done later",
)
#: Ways to set the window: what is shown for each value of a setting.
CHOICES: dict[str, tuple[str, tuple[tuple[Any, str], ...]]] = {
    "theme": (
        "Light or dark",
        (("", "as the system has it"), ("light", "light"), ("dark", "dark")),
    ),
    "degrees": (
        "Degrees shown",
        (("distributor", "distributor degrees"), ("crankshaft", "crankshaft degrees")),
    ),
    "speed": (
        "Speeds shown",
        (("distributor", "distributor rpm"), ("crankshaft", "crankshaft rpm")),
    ),
    "gap": ("Gaps shown", (("mm", "millimetres"), ("inch", "thousandths of an inch"))),
}


class Page(QWidget):
    """Something before the job."""

    closed = Signal()

    def enter(self) -> None:
        """It is shown."""

    def leave(self) -> None:
        """It is left."""

    def draw(self, snapshot: Snapshot) -> None:
        """Thirty times a second."""

    def go(self) -> None:
        """Enter or the foot-switch."""
        self.closed.emit()

    def set_look(self, inks: Inks, shown: Shown) -> None:
        """Other inks, or other units."""

    def headed(self, title: str) -> QVBoxLayout:
        """The layout of the page, with its title and the way back."""
        box = QVBoxLayout(self)
        box.setContentsMargins(24, 14, 24, 16)
        box.setSpacing(12)
        row = QHBoxLayout()
        row.addWidget(words(title, QUESTION_PT, True), 1)
        row.addWidget(button("Back to the job", self.closed.emit, "key Escape"))
        box.addLayout(row)
        return box


class SkipPage(Page):
    """Why is this step left out? The reason stands in the record."""

    def __init__(self, guide: Guide) -> None:
        super().__init__()
        self.guide = guide
        box = self.headed("Why is this step left out?")
        self._which = words("")
        box.addWidget(self._which)
        for reason in REASONS:
            box.addWidget(button(reason, partial(self._skip, reason)))
        self._other = QLineEdit()
        self._other.setPlaceholderText("another reason, in your own words")
        self._other.setAccessibleName("another reason")
        self._other.setFont(letters(TEXT_PT))
        self._other.setMaxLength(200)
        row = QHBoxLayout()
        row.addWidget(self._other, 1)
        row.addWidget(button("Leave it out for this reason", self.go, "Enter"))
        box.addLayout(row)
        box.addStretch(1)

    def enter(self) -> None:
        step = self.guide.current
        say(
            self._which,
            "" if step is None else f"Step: {step.title}. The reason is kept with the job.",
        )
        self._other.clear()
        self._other.setFocus()

    def go(self) -> None:
        text = " ".join(self._other.text().split())
        if text:
            self._skip(text)

    def _skip(self, reason: str) -> None:
        self.closed.emit()
        self.guide.skip(reason)


class KeyField(QPushButton):
    """Takes the key that is pressed next."""

    taken = Signal(str)

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.setMinimumHeight(52)
        self.waiting = False
        self.setAccessibleName("key of the foot-switch")
        self.clicked.connect(self.wait)

    def wait(self) -> None:
        self.waiting = True
        self.setText("press the foot-switch now")
        self.grabKeyboard()

    def give_up(self) -> None:
        """No key came; as it was."""
        if self.waiting:
            self.waiting = False
            self.releaseKeyboard()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802  Qt's name
        if not self.waiting:
            super().keyPressEvent(event)
            return
        name = QKeySequence(event.key()).toString()
        self.give_up()
        self.setText(name)
        self.taken.emit(name)


class SettingsPage(Page):
    """What is set once for this bench and this screen. Each change holds at once."""

    def __init__(self, guide: Guide, changed: Callable[[], None]) -> None:
        super().__init__()
        self.guide = guide
        self._changed = changed
        box = self.headed("Settings")
        inside = QWidget()
        self._grid = QGridLayout(inside)
        self._grid.setVerticalSpacing(10)
        self._grid.setHorizontalSpacing(20)
        self._grid.setColumnStretch(1, 1)
        self._combos: dict[str, QComboBox] = {}
        for name, (title, choices) in CHOICES.items():
            combo = QComboBox()
            combo.setAccessibleName(title)
            for value, text in choices:
                combo.addItem(text, value)
            combo.activated.connect(lambda _, n=name: self._set_choice(n))
            self._combos[name] = combo
            self._row(title, combo, "")
        self._pulses = QSpinBox()
        self._pulses.setRange(0, 100_000)
        self._pulses.setSpecialValueText("no encoder")
        self._pulses.setButtonSymbols(QSpinBox.ButtonSymbols.NoButtons)
        self._pulses.setAccessibleName("encoder pulses a revolution")
        self._pulses.valueChanged.connect(lambda n: self._set(encoder_pulses=int(n)))
        self._row("Encoder of the bench", self._pulses, "pulses a revolution, as its plate says")
        self._coil_c = number_field(
            "temperature of the coil", 0.0, 0.0, 120.0, "deg C",
            lambda: self._set(coil_c=self._coil_c.value()),
        )  # fmt: skip
        self._coil_c.setSpecialValueText("not told")
        self._row("Temperature of the coil", self._coil_c, "its resistance is judged at 20 deg C")
        self._probe = number_field(
            "input resistance", 10.0, 0.1, 1000.0, "megohm",
            lambda: self._set(probe_megohm=self._probe.value()),
        )  # fmt: skip
        self._row("Input of the points", self._probe, "loads a condenser that is tested alone")
        self._key = KeyField(guide.settings.foot_key)
        self._key.taken.connect(lambda name: self._set(foot_key=name))
        self._row("Foot-switch", self._key, "the key that it sends; it presses the great button")
        self._folder = QPushButton()
        self._folder.setMinimumHeight(52)
        self._folder.setAccessibleName("folder of the jobs")
        self._folder.clicked.connect(self._choose_folder)
        self._row("Jobs are kept in", self._folder, "recordings and results of each distributor")
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setWidget(inside)
        area.setFrameShape(QScrollArea.Shape.NoFrame)
        box.addWidget(area, 1)

    def _row(self, title: str, part: QWidget, hint: str) -> None:
        at = self._grid.rowCount()
        label = QLabel(title)
        label.setFont(letters(TEXT_PT, True))
        label.setBuddy(part)
        self._grid.addWidget(label, at, 0, Qt.AlignmentFlag.AlignVCenter)
        self._grid.addWidget(part, at, 1)
        self._grid.addWidget(words(hint), at, 2)

    def enter(self) -> None:
        settings = self.guide.settings
        for name, combo in self._combos.items():
            combo.setCurrentIndex(combo.findData(getattr(settings, name)))
        self._pulses.setValue(settings.encoder_pulses)
        self._coil_c.setValue(settings.coil_c)
        self._probe.setValue(settings.probe_megohm)
        self._key.setText(settings.foot_key)
        self._folder.setText(self.guide.jobs_folder)
        self._combos["theme"].setFocus()

    def leave(self) -> None:
        self._key.give_up()

    def _set_choice(self, name: str) -> None:
        self._set(**{name: self._combos[name].currentData()})

    def _set(self, **changes: Any) -> None:
        if any(getattr(self.guide.settings, name) != value for name, value in changes.items()):
            self.guide.set(**changes)
            self._changed()

    def _choose_folder(self) -> None:
        folder = QFileDialog.getExistingDirectory(
            self, "Where are jobs to be kept?", self.guide.jobs_folder
        )
        if folder:
            self._set(folder=folder)
            self._folder.setText(folder)
