"""The run through the speeds, up and down: it starts and ends by itself as the drive turns and stops."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any

from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout

from breakerbench.app.coverage import Coverage
from breakerbench.app.gallery import Gallery
from breakerbench.app.guide import Guide
from breakerbench.app.parts import Card, Figure, say, words
from breakerbench.app.snapshot import Phase, Recording, Snapshot, Task
from breakerbench.app.steps.measuring import MeasuringStep
from breakerbench.app.steps.step import Said
from breakerbench.app.theme import TEXT_PT, Inks
from breakerbench.app.views.advance import AdvancePicture
from breakerbench.app.views.contact import ContactPicture
from breakerbench.app.views.lobes import LobesPicture
from breakerbench.app.views.spacing import SpacingPicture
from breakerbench.judge.plan import speeds_wanted
from breakerbench.papers.words import Shown, in_short, tally, without_options
from breakerbench.result.live import Live, missing_between

#: The simulated drive, s:rpm, and its way back to standing still.
SIMULATED_RUN = "--speed 0:0,2:0,3:250,7:250,16:600,36:{top},38:{top},58:600,67:250,70:250,71:0"


class UpAndDownStep(MeasuringStep):
    key, title, place = "run", "Run up and down", 50
    question = "Does it hold through all speeds, up and down?"

    def __init__(self, guide: Guide) -> None:
        super().__init__(guide, Figure(140.0))
        self._dwell = words("", TEXT_PT + 8, True)
        self._coverage = Coverage()
        self._left = words("", TEXT_PT)
        side = Card(self.figure, self._dwell, self._left, stretch=(1, 0, 0))
        side.setMinimumWidth(300)
        self.gallery = Gallery(
            [
                AdvancePicture(),
                LobesPicture(),
                SpacingPicture(),
                ContactPicture(),
            ]
        )
        self.gallery.trouble.connect(guide.say)
        across = QHBoxLayout()
        across.setSpacing(12)
        across.addWidget(side, 2)
        across.addWidget(self.gallery, 5)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(10)
        box.addLayout(across, 1)
        box.addWidget(self._coverage)

    def task(self) -> Task | None:
        _, top = speeds_wanted(self.spec)
        return Task(
            self.guide.port(SIMULATED_RUN.format(top=round(top * 1.08))), spec=self.spec,
            recording=Recording.TURNING, stem=self.guide.stem("run"), told=self.guide.told(),
            hand=self.guide.zero(),
        )  # fmt: skip

    def enter(self) -> None:
        super().enter()
        self.gallery.folder = self.guide.job.folder

    def draw_live(self, snapshot: Snapshot) -> Said:
        low, top = speeds_wanted(self.spec)
        live = snapshot.live or Live()
        self.gallery.draw_live(snapshot, self.spec, time.monotonic())
        self._coverage.show_speeds(low, top, live.covered, live.missing, live.rpm)
        self._draw_now(live, snapshot)
        if snapshot.phase is not Phase.RECORDING:
            slow = self.shown.speed_words(low)
            return Said(f"Start the drive slowly, about {slow}. The recording starts by itself.")
        return Said(self._next(live, low, top), "End the run here")

    def _draw_now(self, live: Live, snapshot: Snapshot) -> None:
        shown = self.shown
        if live.standing or live.rpm is None:
            text = "standing" if live.standing or live.openings_a_minute is None else (
                f"{live.openings_a_minute:,.0f}"
            )  # fmt: skip
            unit = "" if text == "standing" else "openings a minute"
        else:
            text, unit = f"{live.rpm * shown.factor('rpm'):,.0f}", shown.unit("rpm")
        self.figure.show_figure(text, unit, "", not snapshot.there)
        parts = []
        if live.dwell_deg is not None:
            parts.append(f"{live.dwell_deg * shown.factor('deg'):.1f} {shown.unit('deg')} dwell")
        elif live.dwell_percent is not None:
            parts.append(f"closed {live.dwell_percent:.1f} %")
        if live.advance_deg is not None and live.advance_from_rpm is not None:
            deg = f"{live.advance_deg * shown.factor('deg'):.1f} {shown.unit('deg')}"
            parts.append(f"{deg} advance")
        say(self._dwell, "\n".join(parts))
        since = "" if live.advance_from_rpm is None else (
            f"Advance is counted from {self.shown.speed_words(live.advance_from_rpm)}. "
        )  # fmt: skip
        say(
            self._left,
            f"{since}Figures of this moment, to watch. Those of the record, with their uncertainty, "
            "come when the run has ended.",
        )

    def _next(self, live: Live, low: float, top: float) -> str:
        """What the drive is to do now."""
        rpm = live.rpm or 0.0
        if not live.covered:
            slow = self.shown.speed_words(low)
            return f"Hold about {slow} for a few seconds: it is the zero of the advance."
        highest = live.covered[-1]
        if highest < top - 50.0:
            return f"Go up slowly to {self.shown.speed_words(top)}: a few seconds for each 100 rpm."
        if live.missing:
            named = ", ".join(self._plain(m) for m in live.missing[:3])
            more = " and more" if len(live.missing) > 3 else ""
            return (
                f"Speeds still missing: {named}{more} {self.shown.unit('rpm')}. Pass them slowly."
            )
        if rpm > low + 100.0:
            return f"Come down slowly to {self.shown.speed_words(low)}."
        return "All speeds are covered. Stop the drive: the run ends by itself."

    def _plain(self, rpm: float) -> str:
        return f"{rpm * self.shown.factor('rpm'):,.0f}"

    def draw_result(self, result: Mapping[str, Any]) -> None:
        subject = self.guide.subject(self.key, self.title)
        if subject is not None:
            self.gallery.draw_result(subject)
        covered = tuple(row["rpm"] for row in result["dwell"]["by_speed"] or ())
        self._coverage.show_speeds(
            *speeds_wanted(self.spec), covered, missing_between(covered), None
        )
        self.figure.show_figure(in_short(result["decisions"]) or "not judged")
        dwell = result["dwell"]
        number = self.shown.number(dwell["mean_deg"], "deg", dwell["u_deg"])
        measured = dwell["mean_deg"] is not None
        say(self._dwell, f"{number} {self.shown.unit('deg')} dwell" if measured else "")
        counts, why = tally(result["decisions"]), result["why"].get("decisions")
        notes = [f"In all: {counts}."] if counts else []
        notes += [f"Nothing is judged: {why}."] if why else []
        notes += [*result["warnings"], *result["notes"]]
        say(self._left, "\n".join(without_options(self.shown.sentence(note)) for note in notes))

    def said_of(self, result: Mapping[str, Any]) -> Said:
        lost = result["lost"]["seconds"]
        if lost:
            return Said(
                f"{lost:.3g} s of the run were lost. Press Again, or go on with it.", "Go on"
            )
        return Said("The run is recorded and worked out.", "Go on", done=True)

    def summary(self) -> str:
        return "" if self.result is None else in_short(self.result["decisions"])

    def set_look(self, inks: Inks, shown: Shown) -> None:
        super().set_look(inks, shown)
        self._coverage.set_look(inks, shown)
        self.gallery.set_look(inks, shown)


STEP = UpAndDownStep
