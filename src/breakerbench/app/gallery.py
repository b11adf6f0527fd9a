"""Several pictures of one run, one of them large; each can be saved as a picture or as data."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from functools import partial

from PySide6.QtCore import Signal
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import (
    QButtonGroup,
    QFileDialog,
    QHBoxLayout,
    QPushButton,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from breakerbench.app.parts import button
from breakerbench.app.snapshot import Snapshot
from breakerbench.app.theme import Inks
from breakerbench.app.views.picture import Picture
from breakerbench.errors import BadInput
from breakerbench.judge.specification import Specification
from breakerbench.papers.subject import Subject
from breakerbench.papers.words import Shown
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import LivePictures


class Gallery(QWidget):
    """One large picture and a row of names to choose another; P goes to the next.

    named   with a button for each; else something beside it chooses
    folder  where a saved picture goes by itself
    """

    trouble = Signal(str)

    def __init__(self, views: Sequence[Picture], named: bool = True) -> None:
        super().__init__()
        self.views = list(views)
        self.folder = ""
        self._stack = QStackedWidget()
        self._group = QButtonGroup(self)
        row = QHBoxLayout()
        row.setSpacing(6)
        self._names: list[QPushButton] = []
        for number, view in enumerate(views):
            made = button(view.name, partial(self.show_view, number), "key P for the next")
            made.setCheckable(True)
            self._group.addButton(made)
            self._names.append(made)
            row.addWidget(made)
            if not named:  # never shown here: without a parent it would be a window of its own
                made.hide()
            self._stack.addWidget(view)
        if not named:
            row.addWidget(button("Next picture", self.next_view, "key P"))
        row.addStretch(1)
        row.addWidget(button("Save picture", self.save_picture, "key Ctrl+S"))
        row.addWidget(button("Save data", self.save_data, "key Ctrl+D"))
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(6)
        if len(views) > 1:
            box.addLayout(row)
        box.addWidget(self._stack, 1)
        for key, does in (("P", self.next_view), ("Ctrl+S", self.save_picture)):
            QShortcut(QKeySequence(key), self, does)
        QShortcut(QKeySequence("Ctrl+D"), self, self.save_data)
        self.show_view(0)

    @property
    def view(self) -> Picture:
        """The large one."""
        return self.views[self._stack.currentIndex()]

    def show_view(self, number: int) -> None:
        self._stack.setCurrentIndex(number)
        self._names[number].setChecked(True)

    def show_key(self, key: str) -> None:
        """The picture with this key, if it is here."""
        for number, view in enumerate(self.views):
            if view.key == key:
                self.show_view(number)

    def next_view(self) -> None:
        self.show_view((self._stack.currentIndex() + 1) % len(self.views))

    # --- what is drawn ---

    def draw_live(self, snapshot: Snapshot, spec: Specification | None, now_s: float) -> None:
        """Only the large one is drawn: the others are when they are chosen."""
        pictures = snapshot.pictures or LivePictures()
        live = snapshot.live or Live()
        self.view.draw_live(pictures, live, spec)
        age_s = max(now_s - snapshot.at_s, 0.0)
        standing = live.stale_s if live.standing else None
        self.view.set_standing(snapshot.simulated, standing if age_s < 1.0 else age_s)

    def draw_result(self, subject: Subject, other: Subject | None = None) -> None:
        for view in self.views:
            view.draw_result(subject, other)
            view.set_standing(bool(subject.get("trace.simulated")), None)

    def draw_each(self, of: Mapping[str, Subject], others: Mapping[str, Subject]) -> None:
        """Each picture of the run that answers it, by its key."""
        for view in self.views:
            view.draw_result(of[view.key], others.get(view.key))

    def set_look(self, inks: Inks, shown: Shown) -> None:
        for view in self.views:
            view.set_inks(inks)
            view.set_shown(shown)

    # --- saved ---

    def save_picture(self) -> None:
        path, _ = QFileDialog.getSaveFileName(
            self, "Save the picture", self._place("png"), "Picture (*.png *.svg)"
        )
        if path:
            self._saved(path if path.lower().endswith((".png", ".svg")) else f"{path}.png")

    def save_data(self) -> None:
        path, _ = QFileDialog.getSaveFileName(
            self, "Save the data of the picture", self._place("csv"), "Data (*.csv)"
        )
        if path:
            self._saved(path if path.lower().endswith(".csv") else f"{path}.csv")

    def _place(self, end: str) -> str:
        return os.path.join(self.folder, f"{self.view.key}.{end}")

    def _saved(self, path: str) -> None:
        try:
            if path.lower().endswith(".csv"):
                self.view.save_data(path)
            else:
                self.view.save_picture(path)
        except BadInput as problem:
            self.trouble.emit(str(problem))
