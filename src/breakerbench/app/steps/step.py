"""What a step of the job is: one question, one answer, one thing to do next. A step is one file.

A module of this package that has a ``STEP`` is a step; `all_steps` puts them in the order of their
``place``. Nothing else has to be told of it.
"""

from __future__ import annotations

import importlib
import pkgutil
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from PySide6.QtWidgets import QWidget

from breakerbench.app.job import Job, StepState
from breakerbench.app.parts import Figure
from breakerbench.app.snapshot import Phase, Snapshot, Task
from breakerbench.app.theme import Inks
from breakerbench.judge.specification import Specification
from breakerbench.papers.words import Shown
from breakerbench.sources.line import is_simulated

if TYPE_CHECKING:
    from breakerbench.app.guide import Guide


@dataclass(frozen=True)
class Said:
    """What the frame shows of a step just now.

    now     what the person is to do, one short sentence; it is the one next step
    go      what the great button says; "": it is not to be pressed yet
    done    the trace itself tells that the step is done: it moves on by itself
    """

    now: str
    go: str = ""
    done: bool = False


class Step(QWidget):
    """The middle of the window for one step.

    key       name in files; title: in the list of steps; question: at the top
    place     order in the job
    optional  it may be skipped with a reason
    repeats   it has a task that can be begun anew
    """

    key = ""
    title = ""
    question = ""
    place = 0
    optional = True
    repeats = False

    def __init__(self, guide: Guide) -> None:
        super().__init__()
        self.guide = guide

    # --- what the frame asks ---

    def task(self) -> Task | None:
        """What the worker is to do when the step is entered; None: it rests."""
        return None

    def enter(self) -> None:
        """The step comes up."""

    def draw(self, snapshot: Snapshot) -> Said:
        """Up to thirty times a second: shows what there is, says what to do."""
        raise NotImplementedError

    def go(self) -> None:
        """The great button, Enter or the foot-switch, while ``Said.go`` is not empty."""
        self.guide.next_step()

    def again(self) -> None:
        """The step is begun anew."""
        self.guide.again(self)

    def already(self) -> StepState | None:
        """The state it is in without anybody doing anything: the job then passes over it."""
        return None

    def summary(self) -> str:
        """What came of it, a few words for the list of steps."""
        return ""

    def set_look(self, inks: Inks, shown: Shown) -> None:
        """Other inks, or other units."""

    # --- short cuts ---

    @property
    def job(self) -> Job:
        return self.guide.job

    @property
    def spec(self) -> Specification | None:
        return self.guide.spec

    @property
    def shown(self) -> Shown:
        return self.guide.shown

    @property
    def result(self) -> dict[str, Any] | None:
        """Of this step's recording."""
        return self.guide.results.get(self.key)


def not_yet(snapshot: Snapshot, figure: Figure) -> Said | None:
    """What is said where there is nothing live to be drawn; None: there is."""
    if snapshot.phase is Phase.PROBLEM:
        figure.show_figure("nothing to read", faded=True)
        task = snapshot.task
        tried = task is not None and task.live and not is_simulated(task.place)
        then = "It is tried again by itself." if tried else "Then press Again."
        return Said(f"Do what the red line above says. {then}")
    if snapshot.phase is Phase.WORKING_OUT:
        return Said("Working it out...")
    if snapshot.phase in (Phase.OPENING, Phase.IDLE, Phase.DONE):
        figure.show_figure("wait", faded=True)
        return Said("Wait for the board.")
    return None


def all_steps() -> list[type[Step]]:
    """The steps of the job in their order."""
    package = importlib.import_module("breakerbench.app.steps")
    found = []
    for each in pkgutil.iter_modules(package.__path__):
        module = importlib.import_module(f"{package.__name__}.{each.name}")
        step = getattr(module, "STEP", None)
        if step is not None:
            found.append(step)
    return sorted(found, key=lambda step: step.place)
