"""What all pictures have in common: one question, live or of a finished run, and into files.

A picture computes nothing: it draws the figures of the live run or of a result as they are, in the
units that are displayed. Everything is made once; a frame only gives the marks new figures.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

from PySide6.QtWidgets import QWidget

from breakerbench.app.views.pointing import Pointing
from breakerbench.app.views.save import save_table, save_widget
from breakerbench.errors import harmless
from breakerbench.judge.specification import Specification
from breakerbench.papers.subject import Subject
from breakerbench.papers.words import Shown
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import LivePictures

Table = tuple[tuple[str, ...], list[tuple[Any, ...]]]
NO_TABLE: Table = ((), [])


class Picture(Pointing):
    """One question and its answer. Subclasses say these and draw.

    key, name  in files, and on a button; title: the question; waiting: what there must be before anything
               can be drawn
    """

    key = name = ""
    waiting = ""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.shown = Shown()
        self.subject: Subject | None = None
        self.other: Subject | None = None
        self.live: tuple[LivePictures, Live, Specification | None] | None = None
        self.build()
        self.set_inks(self.inks)
        self._drawn("", self.waiting)

    # --- for the subclasses ---

    def build(self) -> None:
        """Makes the marks, once."""
        raise NotImplementedError

    def live_drawn(self, pictures: LivePictures, live: Live, spec: Specification | None) -> str:
        """Gives the marks the figures of this moment; returns the sentence about them, "" without any."""
        raise NotImplementedError

    def result_drawn(self, subject: Subject, other: Subject | None) -> str:
        """The same of a finished run; "" where there is nothing to draw."""
        raise NotImplementedError

    def instead(self, subject: Subject) -> str:
        """Why a result has no such picture."""
        raise NotImplementedError

    def table(self) -> Table:
        """What is drawn, in figures; units at the end of the columns' names; empty without any."""
        raise NotImplementedError

    # --- what a window calls ---

    def set_shown(self, shown: Shown) -> None:
        """Which shaft's degrees and rpm are displayed."""
        if shown == self.shown:
            return
        self.shown = shown
        self._anew()
        if self.live is not None:
            self.draw_live(*self.live)
        elif self.subject is not None:
            self.draw_result(self.subject, self.other)

    def draw_live(self, pictures: LivePictures, live: Live, spec: Specification | None) -> None:
        """The figures of this moment; what they are worth is said by ``set_standing``."""
        if self.live is None:
            self._anew()
        self.subject = self.other = None
        self.live = (pictures, live, spec)
        self._drawn(self.live_drawn(pictures, live, spec), self.waiting)

    def draw_result(self, subject: Subject, other: Subject | None = None) -> None:
        """A finished run, a second one laid over it; simulated where either is."""
        self._anew()
        self.live = None
        self.subject = replace(subject, shown=self.shown)
        self.other = None if other is None else replace(other, shown=self.shown)
        self.set_standing(any(_simulated(each) for each in self._runs), None)
        self._drawn(self.result_drawn(self.subject, self.other), self.instead(self.subject))

    def save_picture(self, path: str | os.PathLike[str]) -> None:
        """As it stands on the screen; PNG or SVG by the suffix. Raises BadInput."""
        with self.being_saved():
            save_widget(self, Path(path), self.title)

    def save_data(self, path: str | os.PathLike[str]) -> None:
        """``table`` as CSV, what it is before it in lines with #. Raises BadInput."""
        said = [self.title, str(self.shown)]
        for run, each in enumerate(self._runs):
            said.append(f"run {run + 1}: {harmless(each.title)}{_simulated(each)}")
        if self.subject is None:
            said.append(f"live, {self.age} old" if self.old else "live")
        save_table(Path(path), *self.table(), [*said, self.summary or self.waiting], self.simulated)

    # --- work ---

    @property
    def _runs(self) -> list[Subject]:
        return [each for each in (self.subject, self.other) if each is not None]

    def _drawn(self, summary: str, why_not: str) -> None:
        self.summary = summary
        if summary:
            self.say()
        self.show_picture(bool(summary), why_not)

    def _anew(self) -> None:
        """Nothing of what was drawn before is left."""
        for panel in self.panels:
            panel.clear()
            panel.show_all()


def named(subject: Subject) -> str:
    """The name of a run, short enough for a legend."""
    name = harmless(subject.title)
    return name if len(name) <= 24 else f"{name[:23]}…"


def unit_name(shown: Shown) -> str:
    """The unit of angles as it ends a column's name."""
    return shown.unit("deg").replace(" ", "_")


def _simulated(subject: Subject) -> str:
    return ", simulated" if subject.get("trace.simulated") else ""
