"""The result of a trace turned by hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from breakerbench.edges.hand import HandTrace
from breakerbench.edges.hand_now import HandNow
from breakerbench.judge.decisions import decide
from breakerbench.judge.points_sets import differs, possible_openings
from breakerbench.judge.specification import Specification
from breakerbench.measure.advance import empty_advance
from breakerbench.measure.hand import hand_angles
from breakerbench.result.empty import (
    NOT_YET,
    blank,
    empty_bounce,
    empty_electrics,
    empty_missed,
    empty_supply,
    empty_timing,
    without_nan,
)
from breakerbench.result.two_sets import NOT_GIVEN, empty_sets, remarks
from breakerbench.trace import Block, EdgeTimes, Event, Header, Hole

NOT_BY_HAND = "the distributor was not turned by hand (--kind hand)"
BY_HAND = "the distributor was turned by hand: what hangs on the speed is not measured"


@dataclass(frozen=True, slots=True)
class HandLive:
    """While it is turned; None where it is not known, or not known yet. Of no result.

    volts       the points, mean of the last 20 ms
    open_now    the contact's state, once it has lasted 5 ms; None too where nothing shows a feed
    openings, closings   so far, chatter left out
    turned_deg  travel of the shaft so far, whichever way: by the encoder, else whole turns of the index
    """

    volts: float | None = None
    open_now: bool | None = None
    openings: int = 0
    closings: int = 0
    turned_deg: float | None = None


class HandCheck:
    """Feed it the events of a hand-turned trace in order; ``finish`` gives the result.

    watched: ``live`` will be asked while it goes on; the result is the same without.
    """

    def __init__(
        self,
        header: Header,
        spec: Specification | None = None,
        points_set: str | None = None,
        watched: bool = False,
    ) -> None:
        self.header = header
        self.spec = spec
        self.points_set = points_set
        self.trace = HandTrace(header)
        self._now = HandNow(header) if watched else None
        self._line, self._degrees = "", 0.0  # what tells the travel, and how far one pulse of it is
        for line, pulses in (("index", 1), ("encoder", header.encoder_pulses)):
            if pulses and self.trace.rises(line, 0) is not None:
                self._line, self._degrees = line, 360.0 / pulses
        self._pulses = self._counted = 0

    def feed(self, event: Event) -> None:
        if self._now is not None:
            if isinstance(event, Block):
                self._now.block(event)
            elif isinstance(event, Hole):
                self._now.hole()
        if isinstance(event, Block):
            self.trace.block(event)
        elif isinstance(event, EdgeTimes):
            self.trace.edge_times(event)
        elif isinstance(event, Hole):
            self.trace.hole(event)

    def live(self) -> HandLive:
        """What can be shown while it goes on; nothing where it is not watched."""
        if self._now is None:
            return HandLive()
        now, turned_deg = self._now, None
        now.work()
        if (came := self.trace.rises(self._line, self._counted)) is not None:
            rises, self._counted = came
            self._pulses += rises
            turned_deg = max(self._pulses - 1, 0) * self._degrees
        is_open = now.is_open
        if is_open is False and now.levels is None and not now.openings and not self.trace.fed:
            is_open = None  # a dead feed looks the same
        return HandLive(now.volts, is_open, now.openings, now.closings, turned_deg)

    def finish(self) -> dict[str, Any]:
        header = self.header
        turned = self.trace.finish()
        stated = {c.name: c.u_position_deg for c in header.edge_channels}
        hand, reasons, notes = hand_angles(
            turned, header.encoder_pulses, stated.get("encoder", 0.0)
        )
        tables = empty_timing() | {
            "advance": empty_advance(),
            "vacuum": {"points": [], "throughout": None},
            "bounce": empty_bounce(),
            "missed": empty_missed(),
        }
        tables["speed"] = blank(tables["speed"])
        why = dict.fromkeys((*tables, *empty_electrics()), BY_HAND) | reasons
        why["findings"] = NOT_YET
        possible: tuple[int, ...] = ()
        if self.spec is not None:
            possible = possible_openings(self.spec.distributor, self.points_set)
        told = possible[0] if len(possible) == 1 else None
        shown = len(hand["per_lobe_deg"]) or None
        there = [name for name in ("encoder", "index") if getattr(turned, name) is not None]
        result: dict[str, Any] = {
            "schema": 1,
            "trace": {
                "kind": header.kind,
                "simulated": header.simulated,
                "origin": header.origin,
                "sample_rate_hz": header.sample_rate_hz,
                "seconds": self.trace.seconds,
                "lobes": shown or told,
                "reference": " and ".join(there) or "none",
                "points_set": self.points_set,
            },
            **tables,
            **empty_electrics(),
            "hand": hand,
            "supply": empty_supply() | {"polarity": turned.polarity},
            "sets": empty_sets(),
            "lost": {"frames": self.trace.lost.frames, "seconds": self.trace.lost.seconds},
            "why": why,
            "notes": turned.notes + notes,
            "warnings": [
                *(self.spec.warnings if self.spec is not None else ()),
                *self.trace.lost.warnings(),
            ],
            "decisions": [],
            "findings": [],
        }
        why["supply.volts"] = BY_HAND
        why["sets"] = NOT_GIVEN
        trace = result["trace"]
        said, asked = remarks(self.points_set, trace["lobes"], trace["reference"], self.spec)
        result["notes"] += said
        result["warnings"] += asked
        if turned.polarity is None:
            why["supply.polarity"] = turned.why or "the points never open"
        if self.spec is not None:
            if shown is not None and shown not in possible:
                why["decisions"] = differs(shown, self.spec.distributor, self.points_set)
                result["warnings"].append(why["decisions"] + ": nothing is judged")
            else:
                result["decisions"] = [d.to_json() for d in decide(result, self.spec)]
        clean: dict[str, Any] = without_nan(result)
        return clean
