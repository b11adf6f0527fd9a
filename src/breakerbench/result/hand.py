"""The result of a trace turned by hand."""

from __future__ import annotations

from typing import Any

from breakerbench.edges.hand import HandTrace
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


class HandCheck:
    """Feed it the events of a hand-turned trace in order; ``finish`` gives the result."""

    def __init__(
        self, header: Header, spec: Specification | None = None, points_set: str | None = None
    ) -> None:
        self.header = header
        self.spec = spec
        self.points_set = points_set
        self.trace = HandTrace(header)

    def feed(self, event: Event) -> None:
        if isinstance(event, Block):
            self.trace.block(event)
        elif isinstance(event, EdgeTimes):
            self.trace.edge_times(event)
        elif isinstance(event, Hole):
            self.trace.hole(event)

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
