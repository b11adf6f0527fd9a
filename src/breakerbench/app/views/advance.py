"""Does the advance stay in its band: points as the speed moves, rising apart from falling by shape."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.app.views.curve import (
    WAYS,
    Limits,
    Row,
    columns_of,
    limits_of,
    rows_of,
    where_worst,
)
from breakerbench.app.views.marks import Area, Bars, Dots, Line, Word
from breakerbench.app.views.over_time import known_figure
from breakerbench.app.views.picture import NO_TABLE, Picture, Table, named, unit_name
from breakerbench.app.views.words import Entry
from breakerbench.judge.specification import Specification
from breakerbench.measure.lobes_now import AdvancePoint
from breakerbench.papers.subject import Subject, verdict
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import LivePictures

Floats = NDArray[np.float64]

#: Least height of the picture, deg.
LEAST_SPAN_DEG = 4.0


class AdvancePicture(Picture):
    key, name = "advance", "Advance"
    title = "Does the advance stay in its band?"
    waiting = (
        "Waiting for a slow, steady speed to count the advance from: run the drive at its slowest."
    )

    def build(self) -> None:
        panel = self.panels[0]
        plot = panel.plot
        self._band = panel.add(Area(plot, "band", z=0.5, outline="muted"))
        self._band_falling = panel.add(Line(plot, "muted", 1.6, dashed=True, z=1.0))
        self._ring = panel.add(Dots(plot, "ink", "o", 22.0, hollow=True, z=8.0))
        self._speed = panel.add(Word(plot, "ink"))
        ways = (("accent", "t1"), ("second", "t"))
        self._trail = [
            panel.add(Dots(plot, ink, mark, 10.0, hollow=True, z=6.0)) for ink, mark in ways
        ]
        self._now = [panel.add(Dots(plot, ink, mark, 11.0, z=9.0)) for ink, mark in ways]
        self._points = [panel.add(Dots(plot, ink, mark, 11.0, z=7.0)) for ink, mark in ways]
        self._lines = [panel.add(Line(plot, ink, 1.4, ink == "second", z=4.0)) for ink, _ in ways]
        self._whiskers = [panel.add(Bars(plot, ink, 1.8, z=5.0)) for ink, _ in ways]
        self._other = [
            panel.add(Dots(plot, "muted", mark, 9.0, hollow=True, z=3.5)) for _, mark in ways
        ]
        self._other_lines = [panel.add(Line(plot, "muted", 1.4, True, z=3.0)) for _ in ways]
        self._rows: list[Row] = []
        self._seen: tuple[AdvancePoint, ...] = ()
        self._limits: tuple[Limits, Limits] = ((), ())

    # --- live ---

    def live_drawn(self, pictures: LivePictures, live: Live, spec: Specification | None) -> str:
        if pictures.advance is not self._seen or self.subject is not None or not self._rows:
            self._seen = pictures.advance
            self._rows = self._of_live(pictures.advance)
            for way, mark in zip(WAYS, self._trail, strict=True):
                x, y, _ = columns_of(self._rows, 1, way)
                mark.set(x, y)
        now = None
        if live.rpm and live.advance_deg is not None:
            now = (live.rpm * self._per_rpm, live.advance_deg * self._per_deg)
        if not self._rows and now is None:
            return ""
        self._draw_now(now)
        self._limits = limits_of(None if spec is None else spec.advance)
        self._draw_limits()
        self.explain(
            Entry("up-", "accent", "speed rising", "rising"),
            Entry("down-", "second", "speed falling", "falling"),
            Entry("ring", "ink", "now"), *self._limit_entries(),
        )  # fmt: skip
        self._axes([] if now is None else [now], steady=True)
        if live.advance_from_rpm is None:
            return "Advance so far."
        base = self.shown.speed_words(live.advance_from_rpm)
        if now is None:
            return f"Counted from the openings at {base}."
        at = f"{now[1]:.2f} {self._deg} at {now[0]:,.0f} {self._rpm}"
        return f"{at}, counted from the openings at {base}."

    def _draw_now(self, now: tuple[float, float] | None) -> None:
        for mark in (self._ring, self._speed, *self._now):
            mark.hide()
        if now is None:
            return
        x, y = now
        self._ring.set([x], [y])
        rising = not self._seen or self._seen[-1].rising
        self._now[0 if rising else 1].set([x], [y])
        # Away from the curve: below at its right, above where there is no room.
        left, right, low, high = self.panels[0].seen
        anchor = (-0.2, -0.35)
        if x > left + 0.7 * (right - left):
            anchor = (1.2, 1.35)
        elif y < low + 0.3 * (high - low):
            anchor = (0.3, 1.7)
        self._speed.set(f"{x:,.0f} {self._rpm}", x, y, anchor)

    def _of_live(self, points: Sequence[AdvancePoint]) -> list[Row]:
        return [
            Row(
                1,
                WAYS[0 if each.rising else 1],
                each.rpm * self._per_rpm,
                each.deg * self._per_deg,
                None,
            )
            for each in points
        ]

    # --- a finished run ---

    def result_drawn(self, subject: Subject, other: Subject | None) -> str:
        self._rows = rows_of(subject, 1) + ([] if other is None else rows_of(other, 2))
        if not any(row.run == 1 for row in self._rows):
            return ""
        for k, way in enumerate(WAYS):
            x, y, u = columns_of(self._rows, 1, way)
            self._lines[k].set(x, y)
            self._whiskers[k].set(x, y - u, y + u)
            self._points[k].set(x, y)
            x, y, _ = columns_of(self._rows, 2, way)
            self._other_lines[k].set(x, y)
            self._other[k].set(x, y)
        table = subject.spec.advance if subject.applies and subject.spec is not None else None
        self._limits = limits_of(table)
        self._draw_limits()
        name = "" if other is None else f"{named(subject)}, "
        entries = [
            Entry(kind, ink, f"{name}speed {way}, ± uncertainty", f"{way} ± U")
            for kind, ink, way in (("up", "accent", "rising"), ("down", "second", "falling"))
            if any(row.run == 1 and row.way == way for row in self._rows)
        ]
        if other is not None:
            entries.append(
                Entry("up-", "muted", f"{named(other)}, hollow and dashed", named(other))
            )
        self.explain(*entries, *self._limit_entries())
        self._axes([], steady=False)
        return self._result_said(subject, bool(self._limits[0]))

    def _result_said(self, subject: Subject, judged: bool) -> str:
        said = []
        if judged and subject.decision("advance.points") is not None:
            word, _, text = verdict(subject, "advance.points")
            said.append(f"Against the band{where_worst(subject)}: {word}, {text}.")
        for what, key, u_key in (
            ("Largest", "advance.max_deg", "advance.u_max_deg"),
            ("Hysteresis", "advance.hysteresis_deg", "advance.u_hysteresis_deg"),
        ):
            value = subject.get(key)
            if value is not None:
                said.append(
                    f"{what} {subject.shown.number(value, 'deg', subject.get(u_key))} {self._deg}."
                )
        return " ".join(said) or "Advance from rest."

    def instead(self, subject: Subject) -> str:
        return f"No advance in this result: {subject.why('advance.rising')}."

    # --- both ---

    @property
    def _per_rpm(self) -> float:
        return self.shown.factor("rpm")

    @property
    def _per_deg(self) -> float:
        return self.shown.factor("deg")

    @property
    def _rpm(self) -> str:
        return self.shown.unit("rpm")

    @property
    def _deg(self) -> str:
        return self.shown.unit("deg")

    def _scaled(self, limits: Limits) -> tuple[Floats, Floats, Floats]:
        rows = np.array(limits, float).reshape(-1, 3)
        return rows[:, 0] * self._per_rpm, rows[:, 1] * self._per_deg, rows[:, 2] * self._per_deg

    def _draw_limits(self) -> None:
        both, falling = self._limits
        self._band.set(*self._scaled(both))
        x, low, high = self._scaled(falling)
        closed = np.concatenate([low, high[::-1], low[:1]])
        self._band_falling.set(np.concatenate([x, x[::-1], x[:1]]), closed)

    def _limit_entries(self) -> list[Entry]:
        both, falling = self._limits
        entries = [Entry("area", "band", "inside the limits", "limits")] if both else []
        return entries + ([Entry("dashed", "muted", "limits, speed falling")] if falling else [])

    def _axes(self, more: Sequence[tuple[float, float]], steady: bool) -> None:
        speeds, degrees = [0.0, *(x for x, _ in more)], [0.0, *(y for _, y in more)]
        for limits in self._limits:
            sides = self._scaled(limits)
            speeds += sides[0].tolist()
            degrees += [*sides[1].tolist(), *sides[2].tolist()]
        for row in self._rows:
            if np.isfinite(row.rpm) and np.isfinite(row.deg):
                speeds.append(row.rpm)
                degrees += [row.deg - (row.u_deg or 0.0), row.deg + (row.u_deg or 0.0)]
        lowest, highest = min(degrees), max(degrees)
        room = max(
            0.08 * (highest - lowest), 0.5 * (LEAST_SPAN_DEG * self._per_deg - (highest - lowest))
        )
        panel = self.panels[0]
        panel.label(f"speed, {self._rpm}", f"advance, {self._deg}")
        fastest, held = 1.05 * max([*speeds, 100.0]), "xy" if steady else ""
        panel.whole(0.0, fastest, lowest - room, highest + room, steady=held)

    def says(self, panel: int, x: float) -> str:
        del panel
        text = f"At {x:,.0f} {self._rpm}"
        speeds, low, high = self._scaled(self._limits[0])
        if len(speeds) and speeds[0] <= x <= speeds[-1]:
            ends = (np.interp(x, speeds, low), np.interp(x, speeds, high))
            text += f": limits {ends[0]:.2f} to {ends[1]:.2f} {self._deg}"
        for run, subject in ((1, self.subject), (2, self.other)):
            for way in WAYS:
                rows = [row for row in self._rows if row.run == run and row.way == way]
                if rows:
                    near = min(rows, key=lambda row: abs(row.rpm - x))
                    u = "" if near.u_deg is None else f" ± {near.u_deg:.2f}"
                    of = (
                        f"{named(subject)} "
                        if subject is not None and self.other is not None
                        else ""
                    )
                    text += (
                        f"; {of}{way} {near.deg:.2f}{u} {self._deg} at {near.rpm:,.0f} {self._rpm}"
                    )
        return text

    def table(self) -> Table:
        if not self._rows:
            return NO_TABLE
        rpm, deg = self._rpm.replace(" ", "_"), unit_name(self.shown)
        rows: list[tuple[Any, ...]] = [
            (row.run, row.way, known_figure(row.rpm), known_figure(row.deg), row.u_deg)
            for row in self._rows
        ]
        return ("run", "speed", f"speed_{rpm}", f"advance_{deg}", f"u_advance_{deg}"), rows
