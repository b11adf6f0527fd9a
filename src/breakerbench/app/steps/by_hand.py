"""Turned by hand, before anything is driven: do the points open and close?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from PySide6.QtWidgets import QVBoxLayout

from breakerbench.app.guide import Guide
from breakerbench.app.parts import Card, Figure, say, words
from breakerbench.app.snapshot import Phase, Recording, Snapshot, Task
from breakerbench.app.steps.measuring import MeasuringStep
from breakerbench.app.steps.step import Said
from breakerbench.app.theme import TEXT_PT
from breakerbench.edges.hand import MOVES
from breakerbench.papers.advice import advice
from breakerbench.papers.words import name, without_options

#: Turns that are wanted: three whole ones give the angles, the first may have begun halfway. More is
#: no loss.
TURNS = 4
#: Lobes where no specification tells.
LOBES = 4
#: The simulated hand: at rest, then slowly round, s:rpm.
SIMULATED_HAND = "--speed 0:0,2:0,3:20,4:20"


class ByHandStep(MeasuringStep):
    key, title, place = "hand", "Turn by hand", 30
    question = "Do the points open and close?"

    def __init__(self, guide: Guide) -> None:
        super().__init__(guide, Figure())
        self._count = words("", TEXT_PT + 4)
        self._came_of_it = words("", TEXT_PT + 2)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(Card(self.figure, self._count, self._came_of_it, stretch=(3, 0, 1)), 1)

    def task(self) -> Task | None:
        return Task(
            self.guide.port(SIMULATED_HAND), kind="hand", spec=self.spec,
            recording=Recording.AT_ONCE, stem=self.guide.stem("hand"), told=self.guide.told(),
        )  # fmt: skip

    def enter(self) -> None:
        super().enter()
        say(self._count, "")
        say(self._came_of_it, "")

    def draw_live(self, snapshot: Snapshot) -> Said:
        hand = snapshot.hand
        if hand is None or hand.open_now is None:
            volts = (
                "" if hand is None or hand.volts is None else f"{hand.volts:.2f} V on the points"
            )
            self.figure.show_figure("wait" if hand is None else "not told yet", "", volts, True)
        else:
            self.figure.show_figure(
                "open" if hand.open_now else "closed", "",
                "" if hand.volts is None else f"{hand.volts:.2f} V on the points",
                faded=not snapshot.there,
            )  # fmt: skip
        openings = 0 if hand is None else hand.openings
        wanted = TURNS * self._lobes() + 1
        turned = "" if hand is None or hand.turned_deg is None else (
            f", {abs(hand.turned_deg) / 360.0:.1f} turns"
        )  # fmt: skip
        say(self._count, f"{openings} openings{turned}")
        far = hand is None or hand.turned_deg is None or abs(hand.turned_deg) >= 360.0 * TURNS
        if openings >= wanted and far and snapshot.phase is Phase.RECORDING:
            self.guide.worker.finish()
            return Said("Enough: working it out...")
        if snapshot.phase is not Phase.RECORDING:
            return Said("Wait for the board.")
        return Said(
            f"Ignition off, feed on. Turn the shaft by hand, slowly, {TURNS} turns one way.",
            "That is all",
        )

    def draw_result(self, result: Mapping[str, Any]) -> None:
        hand = result["hand"]
        moves = hand["state"] == MOVES
        why = result["why"].get("hand", "")
        self.figure.show_figure("yes" if moves else "no", "", hand["state"] or why)
        turns = self.shown.number(hand["revolutions"], "")
        say(self._count, f"{hand['openings'] or 0} openings, {turns} whole turns")
        texts = [without_options(text) for text in advice(result, self.spec, self.shown)]
        missing = result["why"].get("hand.per_lobe_deg")
        if moves and missing:
            texts.append(f"No {name('hand.per_lobe_deg')}: {self.shown.sentence(missing)}.")
        say(self._came_of_it, "\n".join(texts))

    def said_of(self, result: Mapping[str, Any]) -> Said:
        if result["hand"]["state"] == MOVES:
            return Said("The points open and close.", "Go on", done=True)
        return Said("Mend that first, then press Again.", "Go on all the same")

    def _lobes(self) -> int:
        return self.spec.distributor.lobes if self.spec is not None else LOBES

    def summary(self) -> str:
        return "" if self.result is None else self.result["hand"]["state"] or "cannot be said"


STEP = ByHandStep
