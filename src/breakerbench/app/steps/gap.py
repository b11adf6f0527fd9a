"""The contact gap is set by the dwell: the figure large, which way to turn and how far."""

from __future__ import annotations

from collections import deque

from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout

from breakerbench.app.guide import Guide
from breakerbench.app.parts import Card, Figure, Marks, Strip, button, say, words
from breakerbench.app.snapshot import Phase, Snapshot, Task
from breakerbench.app.steps.step import Said, Step
from breakerbench.app.theme import TEXT_PT, Inks
from breakerbench.judge.points_sets import dwell_limits
from breakerbench.papers.advice import turn_words
from breakerbench.papers.words import Shown
from breakerbench.result.live import Live
from breakerbench.tools.gap import gap_change_mm

#: The dwell is settled when it has stayed within so much for so long, deg and s: a turn of the screw
#: moves it by more, the last turn's reading scatters by less. Common practice, no source.
SETTLED_DEG, SETTLED_S = 0.4, 1.2
#: A reading is old after so long, s.
OLD_S = 0.6
#: Speed at which it is set, rpm: slow enough for the weights to rest. Common practice, no source.
SET_RPM = 400.0
#: One turn of the simulated screw, mm.
SCREW_MM = 0.05
TIMING = (
    "When the gap is right, check the timing again: each distributor degree of dwell moves it by about "
    "a crankshaft degree."
)


class GapStep(Step):
    key, title, place = "gap", "Set the gap", 40
    question = "Is the gap right?"

    def __init__(self, guide: Guide) -> None:
        super().__init__(guide)
        self._figure, self._strip = Figure(), Strip()
        self._turn = words("", TEXT_PT + 12, True)
        self._about = words("", TEXT_PT)
        self._last: deque[tuple[float, float]] = deque()
        self._screw = QHBoxLayout()
        self._screw_parts = [
            words("The SIMULATED screw:"),
            button("gap closer by 0.05 mm", lambda: self._turn_screw(-SCREW_MM), "key -"),
            button("gap wider by 0.05 mm", lambda: self._turn_screw(SCREW_MM), "key +"),
        ]
        for part in self._screw_parts:
            self._screw.addWidget(part)
        for key, mm in (("-", -SCREW_MM), ("+", SCREW_MM)):
            QShortcut(QKeySequence(key), self, lambda mm=mm: self._turn_screw(mm))
        card = Card(self._figure, self._strip, self._turn, self._about, stretch=(1, 0, 0, 0))
        card.box.addLayout(self._screw)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(card, 1)

    def task(self) -> Task | None:
        speed = f"--speed 0:{SET_RPM:g},1:{SET_RPM:g}"
        return Task(self.guide.port(speed), spec=self.spec, told=self.guide.told())

    def enter(self) -> None:
        self._last.clear()
        for part in self._screw_parts:
            part.setVisible(self.guide.simulated)

    # --- drawn ---

    def draw(self, snapshot: Snapshot) -> Said:
        live = snapshot.live or Live()
        if snapshot.phase is Phase.PROBLEM:
            self._figure.show_figure("nothing to read", faded=True)
            say(self._turn, "")
            return Said("See the red line above; then press Again.")
        unit, dwell = self._reading(live)
        low, high, aim = self._limits(unit)
        factor = self.shown.factor(unit)
        old = not snapshot.there or (live.stale_s or 0.0) > OLD_S
        speed = "" if live.rpm is None else (
            f"at {live.rpm * self.shown.factor('rpm'):,.0f} {self.shown.unit('rpm')}"
        )  # fmt: skip
        self._strip.show_marks(
            Marks(
                self.shown.unit(unit),
                None if dwell is None or old else round(dwell * factor, 2),
                *(None if x is None else x * factor for x in (aim, low, high)),
                least_span=2.0 * factor,
            )
        )
        if dwell is None or old:
            self._last.clear()
            text = "standing still" if live.standing else "no reading"
            self._figure.show_figure(text, "", "", True)
            say(self._turn, "")
            say(self._about, "")
            if live.standing or live.opened_s is None:
                return Said(self._start_words(), "The gap is set")
            return Said("Wait for a steady reading.", "The gap is set")
        self._figure.show_figure(
            f"{dwell * factor:.1f}", f"{self.shown.unit(unit)} dwell", speed, live.first_look
        )
        settled = self._settled(snapshot.at_s, dwell) and not live.first_look
        return self._advise(settled, unit, low, high, aim)

    def _reading(self, live: Live) -> tuple[str, float | None]:
        """Degrees where there are, else percent of the pitch."""
        if live.dwell_deg is not None:
            return "deg", live.dwell_deg
        return ("%", live.dwell_percent) if live.dwell_percent is not None else ("deg", None)

    def _limits(self, unit: str) -> tuple[float | None, float | None, float | None]:
        if self.spec is None:
            return None, None, None
        low, high, aim = dwell_limits(self.spec, None)
        if unit == "%":
            share = 100.0 / self.spec.distributor.pitch_deg
            low, high, aim = (None if x is None else x * share for x in (low, high, aim))
        return low, high, aim

    def _settled(self, at_s: float, dwell: float) -> bool:
        if not self._last or self._last[-1][0] != at_s:
            self._last.append((at_s, dwell))
        while self._last and self._last[0][0] < at_s - SETTLED_S:
            self._last.popleft()
        values = [value for _, value in self._last]
        long_enough = self._last[-1][0] - self._last[0][0] > 0.8 * SETTLED_S
        return long_enough and max(values) - min(values) <= SETTLED_DEG

    def _advise(
        self, settled: bool, unit: str, low: float | None, high: float | None, aim: float | None
    ) -> Said:
        done = "The gap is set"
        if not settled:
            say(self._turn, "The dwell still moves.")
            return Said("Hands off the screw for a moment: wait until it stands still.", done)
        values = [value for _, value in self._last]
        dwell = sum(values) / len(values)
        if self.spec is None or aim is None:
            say(self._turn, "")
            say(self._about, "No specification states a dwell to aim at.")
            return Said("Turn the screw until the dwell is what you want.", done)
        if unit == "%":
            dwell, aim = (x / 100.0 * self.spec.distributor.pitch_deg for x in (dwell, aim))
            low, high = (
                None if x is None else x / 100.0 * self.spec.distributor.pitch_deg
                for x in (low, high)
            )
        change = self.spec.gap.dwell_change_deg_per_mm if self.spec.gap else None
        turn = None if change is None else gap_change_mm(dwell, aim, change)
        how = turn_words(dwell, aim, turn)
        inside = (low is None or dwell >= low) and (high is None or dwell <= high)
        say(self._about, TIMING if inside else "Trust the dwell and not a feeler: it reads the tip of "
            "a pitted contact.")  # fmt: skip
        if how is None or (inside and abs(dwell - aim) < SETTLED_DEG):
            say(self._turn, "The gap is right.")
            return Said("Tighten the screw, see that the dwell stays, then go on.", done)
        if inside:
            say(self._turn, f"Inside the limits. Aim: {how}.")
            return Said("Good enough; nearer to the aim is better with new points.", done)
        say(self._turn, f"Gap {how}")
        return Said("Slacken the plate's screw, turn, hands off, read again.", done)

    def _start_words(self) -> str:
        rpm = f"{SET_RPM * self.shown.factor('rpm'):,.0f} {self.shown.unit('rpm')}"
        return f"Start the drive and hold about {rpm}, slow enough for the weights to rest."

    # --- the simulated screw ---

    def _turn_screw(self, mm: float) -> None:
        if not self.guide.simulated:
            return
        self.guide.turn_simulated_screw(mm)
        self._last.clear()
        self.guide.begin(self)

    def summary(self) -> str:
        values = [value for _, value in self._last]
        if not values:
            return ""
        unit = self.shown.unit("deg")
        return f"{sum(values) / len(values) * self.shown.factor('deg'):.1f} {unit} dwell"

    def set_look(self, inks: Inks, shown: Shown) -> None:
        del shown
        self._figure.set_inks(inks)
        self._strip.set_inks(inks)


STEP = GapStep
