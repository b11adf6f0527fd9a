"""The contact gap is set by the dwell: the figure large, which way to turn and how far."""

from __future__ import annotations

from functools import partial

from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout

from breakerbench.app.dwell_now import SAID_DEG, DwellNow, DwellWatch
from breakerbench.app.guide import Guide
from breakerbench.app.parts import Card, Figure, Marks, Strip, button, say, words
from breakerbench.app.snapshot import Snapshot, Task
from breakerbench.app.steps.step import Said, Step, not_yet
from breakerbench.app.theme import TEXT_PT, Inks
from breakerbench.papers.words import Shown
from breakerbench.result.live import Live

#: Speed at which it is set, rpm: slow enough for the weights to rest. Common practice, no source.
SET_RPM = 400.0
#: One turn of the simulated screw, mm.
SCREW_MM = 0.05
DONE = "The gap is set"
TIMING = (
    "Then check the timing again: each distributor degree of dwell moves it by about a crankshaft "
    "degree."
)
NO_FEELER = "Trust the dwell and not a feeler: a feeler reads the tip of a pitted contact."
NO_ADVICE = {
    "two": "Two sets of points: hold the other set open with a strip of insulating paper.",
    "none": "No specification states a dwell to aim at.",
}


class GapStep(Step):
    key, title, place = "gap", "Set the gap", 40
    question = "Is the gap right?"
    repeats = True

    def __init__(self, guide: Guide) -> None:
        super().__init__(guide)
        self._figure, self._strip = Figure(), Strip()
        self._turn = words("", TEXT_PT + 14, True)
        self._about = words("", TEXT_PT)
        self._watch = DwellWatch(None, Shown())
        screw = QHBoxLayout()
        self._screw = [
            words("The SIMULATED screw:"),
            button("gap closer by 0.05 mm", partial(self._turn_screw, -SCREW_MM), "key -"),
            button("gap wider by 0.05 mm", partial(self._turn_screw, SCREW_MM), "key +"),
        ]
        for part in self._screw:
            screw.addWidget(part)
        for key, mm in (("-", -SCREW_MM), ("+", SCREW_MM)):
            QShortcut(QKeySequence(key), self, partial(self._turn_screw, mm))
        card = Card(self._figure, self._strip, self._turn, self._about, stretch=(1, 0, 0, 0))
        card.box.addLayout(screw)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(card, 1)

    def task(self) -> Task | None:
        speed = f"--speed 0:{SET_RPM:g},1:{SET_RPM:g}"
        return Task(self.guide.port(speed), spec=self.spec, told=self.guide.told())

    def enter(self) -> None:
        self._watch = DwellWatch(self.spec, self.shown)
        for part in self._screw:
            part.setVisible(self.guide.simulated)

    def draw(self, snapshot: Snapshot) -> Said:
        waiting = not_yet(snapshot, self._figure)
        if waiting is not None:
            say(self._turn, "")
            say(self._about, "")
            return waiting
        live = snapshot.live or Live()
        if not snapshot.there:
            live = Live()
        now = self._watch.add(snapshot.at_s, live)
        unit, factor = self.shown.unit(now.unit), self.shown.factor(now.unit)
        low, high, aim = (None if x is None else x * factor for x in (now.low, now.high, now.aim))
        dwell = None if now.dwell is None else now.dwell * factor
        self._strip.show_marks(
            Marks(unit, None if dwell is None else round(dwell, 2), aim, low, high, 2.0 * factor)
        )
        if dwell is None:
            self._figure.show_figure(
                "standing still" if live.standing else "no reading", faded=True
            )
            say(self._turn, "")
            say(self._about, "")
            if live.opening:
                return Said("Wait for a steady reading.", DONE)
            return Said(self._start_words(), DONE)
        speed = "" if live.rpm is None else f"at {self.shown.speed_words(live.rpm)}"
        self._figure.show_figure(f"{dwell:.1f}", f"{unit} dwell", speed, now.mean is None)
        return self._advise(now, unit, factor)

    def _advise(self, now: DwellNow, unit: str, factor: float) -> Said:
        if now.mean is None:
            say(self._turn, "The dwell still moves.")
            say(self._about, "")
            return Said("Hands off the screw: wait until the dwell stands still.", DONE)
        wanders = ""
        if now.unit == "deg" and now.spread > SAID_DEG:
            wanders = (
                f"It wanders by {now.spread * factor:.1f} {unit} from turn to turn: look for play in the "
                "bushings before you trust a gap. "
            )
        if self.spec is None or now.aim is None:
            say(self._turn, "")
            say(self._about, wanders + NO_ADVICE["none"])
            return Said("Turn the screw until the dwell is what you want.", DONE)
        if self.spec.distributor.points_sets == 2:
            wanders += NO_ADVICE["two"] + " "
        say(self._about, wanders + (TIMING if now.inside else NO_FEELER))
        if now.turn is None:
            say(self._turn, "The gap is right.")
            return Said("Tighten the screw, see that the dwell stays, then go on.", DONE)
        if now.inside:
            say(self._turn, f"Within the limits. To the aim: {now.turn}")
            return Said("Good enough to go on; new points are better at the aim.", DONE)
        say(self._turn, f"Set the gap {now.turn}")
        return Said("Slacken the plate's screw, turn, hands off, read again.", DONE)

    def _start_words(self) -> str:
        about = self.shown.speed_words(SET_RPM)
        return f"Start the drive and hold about {about}, slow enough for the weights to rest."

    def _turn_screw(self, mm: float) -> None:
        if self.guide.simulated:
            self.guide.turn_simulated_screw(mm)
            self._watch.clear()
            self.guide.begin(self)

    def go(self) -> None:
        self.guide.next_step()

    def summary(self) -> str:
        dwell = self._watch.settled
        if dwell is None:
            return ""
        unit = "%" if self._watch.unit == "%" else "deg"
        return f"{dwell * self.shown.factor(unit):.1f} {self.shown.unit(unit)} dwell"

    def set_look(self, inks: Inks, shown: Shown) -> None:
        self._watch.shown = shown
        self._figure.set_inks(inks)
        self._strip.set_inks(inks)


STEP = GapStep
