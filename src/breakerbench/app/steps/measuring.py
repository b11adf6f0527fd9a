"""What the steps with a recording have in common: live while it is made, then its result."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from breakerbench.app.guide import Guide
from breakerbench.app.parts import Figure
from breakerbench.app.snapshot import Phase, Snapshot
from breakerbench.app.steps.step import Said, Step, not_yet
from breakerbench.app.theme import Inks
from breakerbench.papers.words import Shown


class MeasuringStep(Step):
    """A step whose task makes a recording. Subclasses draw it live and draw its result."""

    repeats = True

    def __init__(self, guide: Guide, figure: Figure) -> None:
        super().__init__(guide)
        self.figure = figure
        self._drawn = False

    def draw_live(self, snapshot: Snapshot) -> Said:
        """Up to thirty times a second, while the board is there or away."""
        raise NotImplementedError

    def draw_result(self, result: Mapping[str, Any]) -> None:
        """Once for each result, and again in other inks or units."""
        raise NotImplementedError

    def said_of(self, result: Mapping[str, Any]) -> Said:
        """What is to be done after it."""
        raise NotImplementedError

    # --- as a step ---

    def enter(self) -> None:
        self._drawn = False
        self.figure.show_figure("wait", faded=True)

    def draw(self, snapshot: Snapshot) -> Said:
        result = self.result
        if result is not None and snapshot.phase in (Phase.DONE, Phase.IDLE):
            if not self._drawn:
                self._drawn = True
                self.draw_result(result)
            return self.said_of(result)
        self._drawn = False
        return not_yet(snapshot, self.figure) or self.draw_live(snapshot)

    def go(self) -> None:
        if self.result is None:
            self.guide.worker.finish()
        else:
            self.guide.next_step()

    def set_look(self, inks: Inks, shown: Shown) -> None:
        del shown
        self.figure.set_inks(inks)
        self._drawn = False
