"""Spark, coil and condenser, with the distributor on its coil at one steady speed."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any

from PySide6.QtWidgets import QHBoxLayout

from breakerbench.app.gallery import Gallery
from breakerbench.app.guide import Guide
from breakerbench.app.parts import Card, Figure, say, words
from breakerbench.app.snapshot import Phase, Recording, Snapshot, Task
from breakerbench.app.steps.measuring import MeasuringStep
from breakerbench.app.steps.step import Said
from breakerbench.app.theme import SMALL_PT, TEXT_PT, Inks
from breakerbench.app.views.burn import BurnPicture
from breakerbench.app.views.contact import ContactPicture
from breakerbench.app.views.current import CurrentPicture
from breakerbench.cautions import CAUTIONS
from breakerbench.papers.words import Shown, figure, in_short, name, without_options
from breakerbench.result.live import Live

#: Held for so long, s, at about so many rpm: some sixty openings of four lobes. Common practice.
HELD_S, COIL_RPM = 8.0, 600.0
SIMULATED_COIL = f"--feed coil --speed 0:0,2:0,3:{COIL_RPM:g},4:{COIL_RPM:g}"
#: The capture mode with the voltage at the coil's feed terminal beside points and current.
MODE = 2
#: What is said of a result: key, unit, key of its uncertainty.
FIGURES = (
    ("contact.drop_v", "V", "contact.u_drop_v"),
    ("coil.resistance_ohm", "ohm", "coil.u_resistance_ohm"),
    ("coil.inductance_h", "H", "coil.u_inductance_h"),
    ("coil.current_a", "A", None),
    ("coil.energy_j", "J", None),
    ("spark.duration_s", "s", "spark.u_duration_s"),
    ("spark.misses", "", None),
    ("condenser.ring_hz", "Hz", None),
)


class ElectricsStep(MeasuringStep):
    key, title, place = "coil", "Spark and coil", 60
    question = "Is the spark strong, are coil and condenser right?"

    def __init__(self, guide: Guide) -> None:
        super().__init__(guide, Figure(100.0))
        self._told = words("", TEXT_PT)
        self._caution = words(f"{CAUTIONS[1]} {CAUTIONS[2]}", SMALL_PT + 1, True)
        side = Card(self.figure, self._told, self._caution, stretch=(1, 1, 0))
        side.setMinimumWidth(310)
        self.gallery = Gallery(
            [
                BurnPicture(),
                CurrentPicture(),
                ContactPicture(),
            ]
        )
        self.gallery.trouble.connect(guide.say)
        across = QHBoxLayout(self)
        across.setContentsMargins(0, 0, 0, 0)
        across.setSpacing(12)
        across.addWidget(side, 2)
        across.addWidget(self.gallery, 5)

    def task(self) -> Task | None:
        told = self.guide.told()
        if self.guide.settings.coil_c:
            told["temperature_c"] = self.guide.settings.coil_c
        return Task(
            self.guide.port(SIMULATED_COIL), kind="coil", spec=self.spec, mode=MODE,
            recording=Recording.TURNING, stem=self.guide.stem("coil"), told=told,
        )  # fmt: skip

    def enter(self) -> None:
        super().enter()
        self.gallery.folder = self.guide.job.folder

    def draw_live(self, snapshot: Snapshot) -> Said:
        live = snapshot.live or Live()
        self.gallery.draw_live(snapshot, self.spec, time.monotonic())
        shown = self.shown
        rpm = live.rpm
        text = "standing" if not rpm else f"{rpm * shown.factor('rpm'):,.0f}"
        self.figure.show_figure(text, shown.unit("rpm") if rpm else "", "", not snapshot.there)
        say(self._told, "The figures come when the coil has run for some seconds.")
        about = shown.speed_words(COIL_RPM)
        if snapshot.phase is not Phase.RECORDING:
            return Said(
                "Drive stopped, feed off: connect coil, condenser and a spark gap. Then feed on, and "
                f"hold about {about}."
            )
        if snapshot.seconds >= HELD_S and rpm:
            self.guide.worker.finish()
        left = max(HELD_S - snapshot.seconds, 0.0)
        return Said(f"Hold about {about} for {left:.0f} s more.", "That is enough")

    def draw_result(self, result: Mapping[str, Any]) -> None:
        subject = self.guide.subject(self.key, self.title)
        if subject is not None:
            self.gallery.draw_result(subject)
        duration = figure(result, "spark.duration_s")
        if duration is None:
            self.figure.show_figure("no figure", "", "spark duration", True)
        else:
            self.figure.show_figure(f"{duration * 1e3:.2f}", "ms", "spark duration")
        lines = []
        for key, unit, u_key in FIGURES:
            value = figure(result, key)
            if value is None:
                why = result["why"].get(key) or result["why"].get(key.partition(".")[0])
                lines += [f"{name(key)}: not measured, {without_options(why)}"] if why else []
                continue
            number = self.shown.number(value, unit, figure(result, u_key))
            lines.append(f"{name(key)}: {number} {self.shown.unit(unit)}".rstrip())
        say(self._told, "\n".join(lines))

    def said_of(self, result: Mapping[str, Any]) -> Said:
        del result
        # It does not move on by itself: what is to be switched off is to be read.
        return Said("Stop the drive, feed off. Spark and coil are worked out.", "Go on")

    def summary(self) -> str:
        return "" if self.result is None else in_short(self.result["decisions"])

    def set_look(self, inks: Inks, shown: Shown) -> None:
        super().set_look(inks, shown)
        self.gallery.set_look(inks, shown)


STEP = ElectricsStep
