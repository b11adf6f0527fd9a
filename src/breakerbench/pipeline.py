"""The one path from a trace to figures and decisions, for live work, files and simulation alike."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from breakerbench.edges.events import Instrument, Openings
from breakerbench.edges.run import EdgeRun
from breakerbench.judge.decisions import decide
from breakerbench.measure.advance import advance_figures, empty_advance
from breakerbench.measure.bounce import SETTLE_DEG, Bounce
from breakerbench.measure.figures import (
    dwell_figures,
    spacing_figures,
    speed_figures,
    summarize,
)
from breakerbench.measure.scatter import scatter_figures
from breakerbench.measure.timing import Timing
from breakerbench.trace import Block, EdgeTimes, Event, Header, Hole, Source

if TYPE_CHECKING:
    from breakerbench.judge.specification import Specification

UNSEEN = (
    "the first touch of at least one lobe leaves no sign: the coil rings at that moment and the "
    "converter cuts it off; a channel that also shows negative voltages would"
)
HALF_UNSEEN = (
    "half the first touches or more leave no sign: those that do are no fair sample; a channel that "
    "also shows negative voltages would"
)
#: Share of touches without a sign from which it is said.
LEAST_UNSEEN = 0.02
HIDDEN_BOUNCE = (
    "Some losses of contact hide in the ring of a coil: bounce may come out too small. A dry feed "
    "shows all of it."
)
MOST_LOBES = 12
NOT_YET = "this version does not measure it yet"
LATER: dict[str, dict[str, Any]] = {
    "vacuum": {"points": []},
    "contact": {
        "drop_v": None, "resistance_ohm": None, "u_drop_v": None, "u_resistance_ohm": None,
    },
    "coil": {
        "resistance_ohm": None, "resistance_20c_ohm": None, "inductance_h": None,
        "current_a": None, "energy_j": None, "ballast_ohm": None, "u_resistance_ohm": None,
        "u_inductance_h": None,
    },
    "condenser": {
        "capacitance_f": None, "leakage_ohm": None, "series_ohm": None, "u_capacitance_f": None,
    },
    "spark": {"duration_s": None, "u_duration_s": None, "misses": None},
    "hand": {"openings": None, "state": None},
}  # fmt: skip


class Analyzer:
    """Feed it the events of a trace in order; ``finish`` gives the result of the contract.

    The result does not depend on how the trace was cut into blocks, to the digit.
    """

    def __init__(self, header: Header, spec: Specification | None = None) -> None:
        self.header = header
        self.spec = spec
        told = spec.distributor.lobes if spec is not None else None
        self.edges = EdgeRun(header, told)
        self.timing: Timing | None = None
        stated = spec.bounce.settle_deg if spec is not None and spec.bounce is not None else None
        self.bounce = Bounce(SETTLE_DEG if stated is None else stated)
        self._held: list[Openings] = []
        self._count = 0  # openings found
        self._placed, self._seen = 0, 0  # openings with an angle; of these, with a touch seen
        self._steps, self._turned_deg = 0, 0.0  # from one opening to the next, both with angles

    def feed(self, event: Event) -> None:
        if isinstance(event, Block):
            self._measure(self.edges.block(event), cut=False)
        elif isinstance(event, EdgeTimes):
            self.edges.edge_times(event)
        elif isinstance(event, Hole):
            self._measure(self.edges.hole(event), cut=True)

    def finish(self) -> dict[str, Any]:
        self._measure(self.edges.finish(), cut=True)
        return self._result()

    # --- measuring ---

    def _measure(self, parts: list[Openings], cut: bool) -> None:
        for openings in parts:
            self.bounce.add(openings)
            step = np.diff(openings.open_deg)
            step = step[np.isfinite(step)]
            self._count += len(openings)
            self._placed += int(np.isfinite(openings.open_deg).sum())
            self._seen += int(openings.valid.sum())
            self._steps += len(step)
            self._turned_deg += float(step.sum())
        if self.timing is None and self.edges.lobes is not None:
            self.timing = Timing(self.edges.lobes, self._nominal(), self.edges.has_index)
        if self.timing is None:
            self._held += parts
            return
        for openings in self._held + parts:
            self.timing.add(openings)
        self._held = []
        if cut:
            self.timing.cut()

    def _nominal(self) -> np.ndarray[Any, np.dtype[np.float64]] | None:
        spec, lobes = self.spec, self.edges.lobes
        if spec is None or spec.distributor.lobes != lobes or not spec.distributor.nominal_deg:
            return None
        return np.asarray(spec.distributor.nominal_deg, float)

    def _other_lobes(self) -> int | None:
        """Lobes that the trace shows, where they are not those of the specification."""
        e = self.edges
        if e.told_lobes is None or e.reference == "none":
            return None
        shown = 0.0
        if e.angle.cleaner is None:
            shown = 360.0 * self._steps / self._turned_deg if self._turned_deg > 720.0 else 0.0
        elif self.timing is None or self.timing.revolutions < 2:  # it found no rhythm to follow
            pulses = e.angle.cleaner.report.pulses
            shown = self._count / pulses if pulses >= 4 else 0.0
        elif e.lobes is not None:
            shown = e.lobes
        lobes = round(shown)
        # Openings before the first and after the last pulse count too: a fifth is no other lobe.
        plain = 1 <= lobes <= MOST_LOBES and abs(shown - lobes) <= 0.2
        return lobes if plain and lobes != e.told_lobes else None

    # --- result ---

    def _result(self) -> dict[str, Any]:
        e = self.edges
        why: dict[str, str] = {}
        other = self._other_lobes()
        result: dict[str, Any] = {
            "schema": 1,
            "trace": {
                "simulated": self.header.simulated,
                "origin": self.header.origin,
                "sample_rate_hz": self.header.sample_rate_hz,
                "seconds": e.seconds,
                "lobes": other or (e.lobes if e.has_index else e.told_lobes),
                "reference": e.reference,
            },
        }
        result |= self._timing_figures(why, other)
        result["advance"], warned = self._advance(why, other)
        result |= self._contact_events(why)
        for name, empty in LATER.items():
            result[name] = _blank(empty)
            why[name] = NOT_YET
        result["supply"] = {"volts": None, "polarity": e.polarity}
        why["supply.volts"] = NOT_YET
        if e.polarity is None:
            why["supply.polarity"] = e.why or "no working contact in the trace"
        result["lost"] = {"frames": e.lost.frames, "seconds": e.lost.seconds}
        result["why"] = why
        result["notes"] = e.notes() + self._left_out()
        if e.reference == "none" and result["spacing"]["error_deg"]:
            result["notes"].append(
                "There is no index: which lobe is called lobe 1 is arbitrary, and ripple of the "
                "drive is taken for errors of the lobes."
            )
        coil = e.response is not None and e.response.coil
        if coil and any(row["share"] for row in result["bounce"]["by_speed"]):
            result["notes"].append(HIDDEN_BOUNCE)
        # The first touch of each stretch may lie before it: that is no touch without a sign.
        unseen = self._placed - self._seen - 2 * e.stretches
        if result["dwell"]["percent"] is not None and unseen > LEAST_UNSEEN * self._placed:
            result["notes"].append(
                f"{unseen} of {self._placed} first touches left no sign: their dwells were left out."
            )
        result["warnings"] = self._warnings() + warned
        result["decisions"] = []
        result["findings"] = []
        why["findings"] = NOT_YET
        if self.spec is not None:
            if other is not None:
                why["decisions"] = _lobes_differ(other, self.spec.distributor.lobes)
                result["warnings"].append(why["decisions"] + ": nothing is judged")
            else:
                result["decisions"] = [d.to_json() for d in decide(result, self.spec)]
        clean: dict[str, Any] = _without_nan(result)
        return clean

    def _timing_figures(self, why: dict[str, str], other: int | None) -> dict[str, Any]:
        e, t = self.edges, self.timing
        figures: dict[str, Any] = {
            "speed": {"min_rpm": None, "max_rpm": None, "revolutions": 0},
            "dwell": {
                "mean_deg": None, "u_deg": None, "percent": None, "u_percent": None,
                "per_lobe_deg": [], "u_per_lobe_deg": [], "variation_deg": None,
                "u_variation_deg": None, "by_speed": [], "meter_deg": None,
            },
            "spacing": {
                "error_deg": [], "interval_error_deg": [], "u_deg": None, "u_interval_deg": None,
            },
            "scatter": {"deg": None, "range_deg": None, "u_deg": None},
        }  # fmt: skip
        if t is None or t.revolutions < 2:
            reason = e.why or "fewer than two whole revolutions"
            if other is not None and e.told_lobes is not None:
                reason = _lobes_differ(other, e.told_lobes)
            for name in figures:
                why[name] = reason
            return figures
        t.finish()
        tool: Instrument = e.instrument()
        summary = summarize(t, tool)
        figures["speed"] = speed_figures(t)
        figures["dwell"] = dwell_figures(t, tool, summary)
        figures["spacing"] = spacing_figures(t, tool, summary)
        scatter = scatter_figures(t.windows, tool)
        if isinstance(scatter, str):
            why["scatter"] = scatter
        else:
            figures["scatter"] = scatter
        if 2 * self._seen <= self._placed:
            figures["dwell"] = _blank(figures["dwell"])
            why["dwell"] = HALF_UNSEEN
        else:
            _missing_dwell(figures["dwell"], why)
        if e.reference == "none":
            self._without_angle(figures, why)
        elif not e.has_index and (e.told_lobes is None or other is not None):
            reason = "no index channel, and no specification that tells the number of lobes"
            if other is not None and e.told_lobes is not None:
                reason = _lobes_differ(other, e.told_lobes)
            _without_lobes(figures, why, reason)
        return figures

    def _advance(self, why: dict[str, str], other: int | None) -> tuple[dict[str, Any], list[str]]:
        """Advance and its warnings; the reason why not goes to ``why``."""
        e, t = self.edges, self.timing
        reason = ""
        if e.reference == "none":
            reason = "no index channel"
        elif t is None or t.revolutions < 2 or other is not None:
            reason = why.get("spacing", e.why or "fewer than two whole revolutions")
        elif not e.has_index and e.told_lobes is None:
            reason = why["spacing"]
        elif not e.has_index and e.lost.seconds > 0.0:
            reason = "no index channel: an encoder alone loses its zero in a gap of the trace"
        if t is None or reason:
            why["advance"] = reason
            return empty_advance(), []
        table = self.spec.advance if self.spec is not None else None
        expected = (table.points or ()) if table is not None else ()
        figures, reasons, warnings = advance_figures(t.advance, e.instrument(), expected)
        why.update(reasons)
        return figures, warnings

    def _contact_events(self, why: dict[str, str]) -> dict[str, Any]:
        """Bounce and missed events; both need what ``_timing_figures`` found out."""
        e, t = self.edges, self.timing
        bounce: dict[str, Any] | str = why.get("speed", "")
        if not bounce and 2 * self._seen <= self._placed:
            bounce = HALF_UNSEEN
        if not bounce:
            bounce = self.bounce.figures(e.least_loss_s, 1.0 / self.header.sample_rate_hz)
        if isinstance(bounce, str):
            why["bounce"] = bounce
            bounce = {"onset_rpm": None, "u_onset_rpm": None, "looked_to_rpm": None, "by_speed": []}
        elif bounce["onset_rpm"] is None:
            why["bounce.onset_rpm"] = f"none found up to {bounce['looked_to_rpm']:.0f} rpm"
        missed: dict[str, Any] = dict.fromkeys(("openings", "closings", "expected"))
        reason = why.get("speed") or why.get("speed.revolutions", "")
        if e.reference == "none":
            reason = "no index or encoder channel"
        if reason or t is None:
            why["missed"] = reason
        else:
            missed = {key: getattr(t.missed, key) for key in missed}
        return {"bounce": bounce, "missed": missed}

    def _without_angle(self, figures: dict[str, Any], why: dict[str, str]) -> None:
        """Without index and encoder only shares of time are measured, not degrees of the shaft."""
        reason = "no index or encoder channel"
        dwell = figures["dwell"]
        kept = {key: dwell[key] for key in ("percent", "u_percent")}
        figures["dwell"] = _blank(dwell) | kept
        why |= {f"dwell.{key}": reason for key in dwell if key not in kept}
        figures["scatter"] = _blank(figures["scatter"])
        why["scatter"] = reason
        if self.edges.told_lobes is None:
            figures["speed"] = _blank(figures["speed"])
            why["speed"] = reason + ", and no specification that tells the number of lobes"
            figures["spacing"] = _blank(figures["spacing"])
            why["spacing"] = why["speed"]

    def _left_out(self) -> list[str]:
        n = self.timing.left_out if self.timing is not None else 0
        if not n:
            return []
        return [f"{n} revolutions in which the advance moved were left out of dwell and spacing."]

    def _warnings(self) -> list[str]:
        warnings = list(self.spec.warnings) if self.spec is not None else []
        header = self.header
        there = {c.name for c in header.channels} | {c.name for c in header.edge_channels}
        if header.kind != "run":
            warnings.append(
                f"The trace is said to be of kind {header.kind}: this version measures it as a run."
            )
        if "encoder" in there and not header.encoder_pulses:
            warnings.append(
                "There is an encoder channel, but nothing tells its pulses a revolution: it is not "
                "used. Add --encoder-pulses N."
            )
        if header.encoder_pulses and "encoder" not in there:
            warnings.append("Encoder pulses are told, but there is no encoder channel.")
        return warnings + self.edges.lost.warnings()


def _lobes_differ(shown: int, told: int) -> str:
    return f"the trace shows {shown} lobes, the specification says {told}"


def _without_lobes(figures: dict[str, Any], why: dict[str, str], reason: str) -> None:
    """An encoder alone gives degrees, but not which openings make up a revolution of the cam."""
    figures["speed"]["revolutions"] = None
    why["speed.revolutions"] = reason
    dwell = figures["dwell"]
    for key in ("percent", "u_percent", "variation_deg", "u_variation_deg"):
        dwell[key] = None
        why[f"dwell.{key}"] = reason
    dwell["per_lobe_deg"], dwell["u_per_lobe_deg"] = [], []
    why["dwell.per_lobe_deg"] = reason
    for table in ("spacing", "scatter"):
        figures[table] = _blank(figures[table])
        why[table] = reason


def _missing_dwell(dwell: dict[str, Any], why: dict[str, str]) -> None:
    """The reasons for what is not in the dwell."""
    if None in dwell["per_lobe_deg"]:
        why["dwell.per_lobe_deg"] = UNSEEN
    if dwell["mean_deg"] is None:
        for key in ("mean_deg", "u_deg", "percent", "u_percent", "meter_deg"):
            why[f"dwell.{key}"] = UNSEEN
    if dwell["variation_deg"] is None:
        why["dwell.variation_deg"] = (
            "needs two speeds, 50 rpm apart, with ten revolutions each or more"
        )


def _blank(table: dict[str, Any]) -> dict[str, Any]:
    return {key: [] if isinstance(value, list) else None for key, value in table.items()}


def _without_nan(value: Any) -> Any:
    """Numbers that are none become null: the contract allows no NaN."""
    if isinstance(value, dict):
        return {k: _without_nan(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_without_nan(v) for v in value]
    if isinstance(value, (float, np.floating)):
        return float(value) if np.isfinite(value) else None
    if isinstance(value, (int, np.integer)) and not isinstance(value, bool):
        return int(value)
    return value


def analyze(
    source: Source,
    spec: Specification | None = None,
    progress: Callable[[float, float], None] | None = None,
) -> dict[str, Any]:
    """Result of a whole trace: the mapping that ``--json`` writes.

    progress  called now and then with what is done and the total, in the source's own unit
    """
    analyzer = Analyzer(source.header, spec)
    for event in source:
        analyzer.feed(event)
        if progress is not None:
            progress(*source.progress())
    return analyzer.finish()
