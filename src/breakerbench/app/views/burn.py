"""How long does the spark burn: the points' voltage after the opening, and the burn line in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from breakerbench.app.views.current import of_trace
from breakerbench.app.views.marks import FAR, Area, Line, Rule
from breakerbench.app.views.one_trace import LIVE_ENTRIES, OneTrace, run_entries
from breakerbench.app.views.over_time import Laid, OverTime, laid_of
from breakerbench.app.views.words import Entry
from breakerbench.judge.specification import Specification
from breakerbench.papers.subject import SPARK, Subject, missing, verdict
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import LivePictures

#: The first swing is many times as high as the burn line. Shown is so many times the burn line; where it
#: is not known, of what this share of the time after the swing lies below.
ABOVE, SWING_S, BELOW = 2.5, 0.25e-3, 80.0
#: A spark of a result is shown to its end and so much more: a share, and s.
SHARE, MORE_S = 0.6, 1e-3


class BurnPicture(OneTrace):
    key, name = "burn", "Burn line"
    title = "How long does the spark burn?"
    waiting = "Waiting for sparks: connect coil and gap, secondary never open, then let it turn."
    edge, unit = "opening", "V"

    def build(self) -> None:
        panel = self.panels[0]
        self._marks = OverTime(panel, self.unit)
        self._level = panel.add(Line(panel.plot, "second", 2.4, dashed=True, z=8.0))
        self._end = panel.add(Rule(panel.plot, "second", 2.0, upright=True, z=8.0))
        self._end_u = panel.add(Area(panel.plot, "spread", z=0.5))

    def live_drawn(self, pictures: LivePictures, live: Live, spec: Specification | None) -> str:
        del live, spec
        self._laid, self._other = laid_of(pictures.burn), None
        if self._laid is None:
            return ""
        self.explain(*LIVE_ENTRIES)
        beyond = self._draw(self._laid, True, [])
        return f"Last {self._laid.n:,} openings. {beyond}".strip()

    def result_drawn(self, subject: Subject, other: Subject | None) -> str:
        self._laid = _of_result(subject)
        self._other = None if other is None else _of_result(other)
        if self._laid is None:
            return ""
        feed, burn = subject.get("supply.volts"), subject.get("spark.burn_v")
        duration, u = subject.get("spark.duration_s"), subject.get("spark.u_duration_s")
        level = None if feed is None or burn is None else feed + burn
        entries = run_entries(subject, other, Entry("rule", "muted", "single openings", "single"))
        entries += [] if level is None else [Entry("dashed", "second", "burn line")]
        entries += (
            []
            if duration is None
            else [Entry("upright", "second", "end of the spark, ± uncertainty", "end ± U")]
        )
        self.explain(*entries)
        beyond = self._draw(self._laid, False, [] if level is None else [level])
        per = self._marks.scale
        if level is not None:
            until = duration if duration is not None else self._laid.shown_s[1]
            self._level.set([0.0, until * per], [level, level])
        self._end.set(None if duration is None else duration * per)
        if duration is not None and u is not None:
            self._end_u.set([(duration - u) * per, (duration + u) * per], [-FAR] * 2, [FAR] * 2)
        shown, said = subject.shown, []
        if duration is None:
            said.append(f"Duration not measured: {subject.why('spark.duration_s')}.")
        else:
            word, _, text = verdict(subject, "spark.duration_s", "spark.u_duration_s", "s")
            number = f"{shown.number(duration, 's', u)} {shown.unit('s')}"
            said.append(f"Duration: {word}, {text or number}.")
        if burn is not None:
            volts = shown.number(burn, "V", subject.get("spark.u_burn_v"))
            said.append(f"Burn line {volts} V above the feed.")
        return " ".join([*said, beyond]).strip()

    def instead(self, subject: Subject) -> str:
        why = (
            missing(subject).get(SPARK)
            or subject.get("why.spark")
            or "it was not kept with the result"
        )
        return f"No picture of the spark: {subject.shown.sentence(why)}."

    def _draw(self, laid: Laid, live: bool, levels: list[float]) -> str:
        """Returns what lies beyond the picture, in words."""
        low, high = self._marks.draw(self.edge, "points", laid, self._other)
        later = (laid.time_s > SWING_S) & (laid.time_s <= laid.shown_s[1])
        if np.count_nonzero(later) > 3:
            level = max(levels, default=float(np.nanpercentile(np.abs(laid.mean[later]), BELOW)))
            most = ABOVE * max(level, 1.0)
            peak = max(high, -low)
            low, high = max(low, -most), min(high, most)
        else:
            peak = max(high, -low)
        self._marks.whole(min(low, 0.0), max([high, 0.0, *levels]), live)
        if peak <= 1.15 * max(high, -low):
            return ""
        return f"The first swing goes on beyond the picture, to {peak:.0f} V."


def _of_result(subject: Subject) -> Laid | None:
    cycles = subject.cycles
    if cycles is None or cycles.opening is None or len(cycles.opening.mean) < 3:
        return None
    if SPARK in missing(subject):
        return None
    sign = -1.0 if subject.get("supply.polarity") == "positive ground" else 1.0
    laid = of_trace(cycles.opening, cycles.openings, sign)
    start, end = laid.shown_s
    duration = subject.get("spark.duration_s")
    if duration is not None:
        end = min(end, (1.0 + SHARE) * duration + MORE_S)
    return replace(laid, shown_s=(max(start, -0.1 * end), end))
