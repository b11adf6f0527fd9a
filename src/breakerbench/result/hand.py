"""The result of a trace turned by hand."""

from __future__ import annotations

from typing import Any

from breakerbench.edges.hand import HandTrace
from breakerbench.judge.decisions import decide
from breakerbench.judge.specification import Specification
from breakerbench.measure.advance import empty_advance
from breakerbench.measure.hand import hand_angles
from breakerbench.result.empty import (
    NOT_YET,
    blank,
    empty_bounce,
    empty_missed,
    empty_timing,
    later,
    without_nan,
)
from breakerbench.trace import Block, EdgeTimes, Event, Header, Hole

NOT_BY_HAND = "the distributor was not turned by hand (--kind hand)"
BY_HAND = "the distributor was turned by hand: what hangs on the speed is not measured"


class HandCheck:
    """Feed it the events of a hand-turned trace in order; ``finish`` gives the result."""

    def __init__(self, header: Header, spec: Specification | None = None) -> None:
        self.header = header
        self.spec = spec
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
        why = dict.fromkeys(tables, BY_HAND) | reasons
        told = self.spec.distributor.lobes if self.spec is not None else None
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
            },
            **tables,
            **later(why),
            "hand": hand,
            "supply": {"volts": None, "polarity": turned.polarity},
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
        why["supply.volts"] = NOT_YET
        if turned.polarity is None:
            why["supply.polarity"] = turned.why or "the points never open"
        if self.spec is not None:
            if shown is not None and shown != told:
                said = f"the trace shows {shown} lobes, the specification says {told}"
                why["decisions"] = said
                result["warnings"].append(said + ": nothing is judged")
            else:
                result["decisions"] = [d.to_json() for d in decide(result, self.spec)]
        clean: dict[str, Any] = without_nan(result)
        return clean
