"""The one path from a trace to figures and decisions, for live work, files and simulation alike."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from breakerbench.edges.average import Averages
from breakerbench.edges.events import Openings
from breakerbench.edges.run import EdgeRun
from breakerbench.edges.shown import CycleTraces
from breakerbench.judge.decisions import decide
from breakerbench.judge.points_sets import differs, possible_openings
from breakerbench.measure.advance import BACKWARDS
from breakerbench.measure.bounce import SETTLE_DEG, Bounce
from breakerbench.measure.condenser_found import Charged
from breakerbench.measure.hand import empty_hand
from breakerbench.measure.hand_zero import HandZero
from breakerbench.measure.timing import BIN_RPM, Timing
from breakerbench.result.circuit import Circuit, for_the_coil
from breakerbench.result.condenser import CondenserCheck
from breakerbench.result.curves import (
    MIRRORED,
    WRONG_WAY,
    advance_table,
    is_mirrored,
    vacuum_table,
)
from breakerbench.result.empty import NOT_YET, blank, empty_bounce, empty_missed, without_nan
from breakerbench.result.hand import NOT_BY_HAND, HandCheck
from breakerbench.result.live import Live, Watch
from breakerbench.result.live_pictures import LivePictures
from breakerbench.result.timed import HALF_UNSEEN, hidden_bounce, timing_figures
from breakerbench.result.two_sets import ONE_SET, PointsSets, remarks, sets_table
from breakerbench.trace import Block, EdgeTimes, Event, Header, Hole, Source

if TYPE_CHECKING:
    from breakerbench.judge.specification import Specification

#: Share of touches without a sign from which it is said.
LEAST_UNSEEN = 0.02
HIDDEN_BOUNCE = (
    "Some losses of contact hide in the ring of a coil: bounce may come out too small. A dry feed "
    "shows all of it."
)
MOST_LOBES = 12
#: Where more of the openings and closings than this are missing, which they were is not told surely.
MOST_MISSED = 0.25
#: And first touches that bounce may then pass for others.
MOST_MISSED_DWELL = 0.15
MISSED_MANY = (
    "so many openings or closings are missing that first touches cannot be told from later ones"
)
MISSED_TOO_MANY = "so many openings and closings are missing that they cannot be counted"


class Analyzer:
    """Feed it the events of a trace in order; ``finish`` gives the result of the contract.

    The result does not depend on how the trace was cut into blocks, to the digit.
    watched: ``live`` will be asked while it goes on; the result is the same without.
    pictured: so will ``live_pictures``; without ``watched`` it means nothing.
    """

    def __init__(
        self,
        header: Header,
        spec: Specification | None = None,
        hand: HandZero | None = None,
        averages: Averages | None = None,
        sets: PointsSets = ONE_SET,
        traces: CycleTraces | None = None,
        watched: bool = False,
        pictured: bool = False,
    ) -> None:
        self.header = header
        self.spec = spec
        self.hand = hand
        self.sets = sets
        #: Openings a revolution that the trace may show; empty: any.
        self.possible = () if spec is None else possible_openings(spec.distributor, sets.connected)
        self.edges = EdgeRun(header, self.possible[0] if len(self.possible) == 1 else None)
        self.edges.averages = averages
        self.circuit = Circuit(header, self.edges, () if traces is None else (traces,))
        self.timing: Timing | None = None
        stated = spec.bounce.settle_deg if spec is not None and spec.bounce is not None else None
        self.bounce = Bounce(SETTLE_DEG if stated is None else stated)
        self._held: list[Openings] = []
        self._count = 0  # openings found
        self._placed, self._seen = 0, 0  # openings with an angle; of these, with a touch seen
        self._counted_s = -np.inf  # the last opening that counts in the result
        self.watch = Watch(header, pictured) if watched else None
        self._steps, self._turned_deg = 0, 0.0  # from one opening to the next, both with angles

    def feed(self, event: Event) -> None:
        if self.watch is not None:
            self.watch.feed(event)
        if isinstance(event, Block):
            self._measure(self.edges.block(event), cut=False)
        elif isinstance(event, EdgeTimes):
            self.edges.edge_times(event)
        elif isinstance(event, Hole):
            self._measure(self.edges.hole(event), cut=True)

    def live(self) -> Live:
        """What can be shown while it goes on; nothing where it is not watched."""
        if self.watch is None:
            return Live()
        return self.watch.live(self.edges, self.timing, self._counted_s)

    def live_pictures(self) -> LivePictures:
        """What was collected for pictures by every call of ``live``; ask right after it."""
        return LivePictures() if self.watch is None else self.watch.pictures(self._nominal())

    def finish(self) -> dict[str, Any]:
        self._measure(self.edges.finish(), cut=True)
        return self._result()

    # --- measuring ---

    def _measure(self, parts: list[Openings], cut: bool) -> None:
        for openings in parts:
            self.bounce.add(openings)
            self.circuit.openings(openings)
            step = np.diff(openings.open_deg)
            step = step[np.isfinite(step)]
            self._count += len(openings)
            self._placed += int(np.isfinite(openings.open_deg).sum())
            self._seen += int(openings.valid.sum())
            self._steps += len(step)
            self._turned_deg += float(step.sum())
        if self.timing is None and self.edges.lobes is not None:
            self.timing = Timing(
                self.edges.lobes, self._nominal(), self.edges.has_index, self.header.vacuum_steps
            )
        if self.timing is None:
            self._held += parts
            return
        for openings in self._held + parts:
            self.timing.add(openings)
            if len(openings):
                self._counted_s = float(openings.time_s[-1])
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
        if not self.possible or e.reference == "none":
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
        return lobes if plain and lobes not in self.possible else None

    # --- result ---

    @property
    def _half_unseen(self) -> bool:
        return 2 * self._seen <= self._placed

    def _result(self) -> dict[str, Any]:
        e = self.edges
        why: dict[str, str] = {}
        other = self._other_lobes()
        result: dict[str, Any] = {
            "schema": 1,
            "trace": {
                "kind": self.header.kind,
                "simulated": self.header.simulated,
                "origin": self.header.origin,
                "sample_rate_hz": self.header.sample_rate_hz,
                "seconds": e.seconds,
                "lobes": other or (e.lobes if e.has_index else e.told_lobes),
                "reference": e.reference,
                "points_set": self.sets.connected,
            },
        }
        result |= timing_figures(e, self.timing, why, other, self._half_unseen)
        result["advance"], warned = advance_table(e, self.timing, why, other, self.spec, self.hand)
        result["vacuum"], noted = vacuum_table(e, self.timing, why, other)
        result |= self._contact_events(why)
        if self._many_missed:
            result["dwell"] = blank(result["dwell"])
            why["dwell"] = MISSED_MANY
        order = self.spec.distributor.firing_order if self.spec is not None else ()
        tables, said = self.circuit.tables(why, result["trace"]["lobes"], tuple(order or ()))
        result |= tables
        noted += said
        result["hand"] = empty_hand()
        why["hand"] = NOT_BY_HAND
        result["lost"] = {"frames": e.lost.frames, "seconds": e.lost.seconds}
        result["why"] = why
        result["notes"] = e.notes() + self._left_out() + noted
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
        said, asked = remarks(self.sets.connected, result["trace"]["lobes"], e.reference, self.spec)
        result["notes"] += said
        result["warnings"] = self._warnings() + asked + warned
        result["sets"] = sets_table(result, self.sets.alone, self.spec)
        result["decisions"] = []
        result["findings"] = []
        why["findings"] = NOT_YET
        mirrored = other is None and is_mirrored(self.timing, self._nominal())
        if mirrored:
            result["warnings"].append(MIRRORED)
        if self.spec is not None:
            if other is not None:
                why["decisions"] = differs(other, self.spec.distributor, self.sets.connected)
                result["warnings"].append(why["decisions"] + ": nothing is judged")
            elif mirrored or why.get("advance") == BACKWARDS:
                why["decisions"] = WRONG_WAY
            else:
                result["decisions"] = [d.to_json() for d in decide(result, self.spec)]
        if self.header.kind == "coil":
            for_the_coil(result)
        clean: dict[str, Any] = without_nan(result)
        return clean

    def _contact_events(self, why: dict[str, str]) -> dict[str, Any]:
        """Bounce and missed events; both need what ``timing_figures`` found out."""
        e, t = self.edges, self.timing
        bounce: dict[str, Any] | str = why.get("speed", "")
        if not bounce and self._half_unseen:
            bounce = HALF_UNSEEN
        bounce = bounce or hidden_bounce(e.brief)
        if not bounce:
            coil = e.response is not None and e.response.coil
            bounce = self.bounce.figures(e.least_loss_s, 1.0 / self.header.sample_rate_hz, coil)
        if isinstance(bounce, str):
            why["bounce"] = bounce
            bounce = empty_bounce()
        elif bounce["onset_rpm"] is None:
            looked = bounce["looked_to_rpm"]
            why["bounce.onset_rpm"] = f"none found up to {looked:.0f} rpm"
            if t is not None and t.most_rpm > looked + BIN_RPM:
                why["bounce.onset_rpm"] += (
                    "; at the faster speeds there are too few closings, or a sample takes too long, to "
                    "tell: stay longer at each speed, sample faster"
                )
        missed = empty_missed()
        reason = why.get("speed") or why.get("speed.revolutions", "")
        if e.reference == "none":
            reason = "no index or encoder channel"
        if reason or t is None:
            why["missed"] = reason
        else:
            counted = {key: getattr(t.missed, key) for key in missed}
            gone = counted["openings"] + counted["closings"]
            if gone > MOST_MISSED * counted["expected"] or 2 * counted["expected"] < self._count:
                why["missed"] = MISSED_TOO_MANY
            else:
                missed = counted
        return {"bounce": bounce, "missed": missed}

    @property
    def _many_missed(self) -> bool:
        m = self.timing.missed if self.timing is not None else None
        return m is not None and m.openings + m.closings > MOST_MISSED_DWELL * m.expected > 0

    def _left_out(self) -> list[str]:
        n = self.timing.left_out if self.timing is not None else 0
        if not n:
            return []
        return [
            f"Left out of dwell and spacing, because the advance moved in them: {n} revolutions."
        ]

    def _warnings(self) -> list[str]:
        warnings = list(self.spec.warnings) if self.spec is not None else []
        header = self.header
        there = {c.name for c in header.channels} | {c.name for c in header.edge_channels}
        if "encoder" in there and not header.encoder_pulses:
            warnings.append(
                "There is an encoder channel, but nothing tells its pulses a revolution: it is not "
                "used. Add --encoder-pulses N."
            )
        if header.encoder_pulses and "encoder" not in there:
            warnings.append("Encoder pulses are told, but there is no encoder channel.")
        return warnings + self.edges.lost.warnings()


def analyzer(
    header: Header,
    spec: Specification | None = None,
    hand: HandZero | None = None,
    averages: Averages | None = None,
    sets: PointsSets = ONE_SET,
    traces: CycleTraces | None = None,
    watched: bool = False,
    pictured: bool = False,
) -> Analyzer | HandCheck | CondenserCheck:
    """What takes the events of a trace of this kind."""
    if header.kind == "hand":
        return HandCheck(header, spec, sets.connected, watched)
    if header.kind == "condenser":
        return CondenserCheck(header, spec, watched)
    return Analyzer(header, spec, hand, averages, sets, traces, watched, pictured)


def analyze(
    source: Source,
    spec: Specification | None = None,
    progress: Callable[[float, float], None] | None = None,
    hand: HandZero | None = None,
    averages: Averages | None = None,
    sets: PointsSets = ONE_SET,
    charged: list[Charged] | None = None,
    traces: CycleTraces | None = None,
) -> dict[str, Any]:
    """Result of a whole trace: the mapping that ``--json`` writes.

    hand      where the openings stand at rest, for a run that begins above that
    progress  called now and then with what is done and the total, in the source's own unit
    averages  collects the contact trace for a picture; the result is the same without
    sets      which of two sets of points is connected, and the results of each alone
    charged   takes the charge of a condenser for a picture, where there is one
    traces    collects current and voltages of the slowest cycles for pictures
    """
    measuring = analyzer(source.header, spec, hand, averages, sets, traces)
    for event in source:
        measuring.feed(event)
        if progress is not None:
            progress(*source.progress())
    result = measuring.finish()
    if charged is not None and isinstance(measuring, CondenserCheck) and measuring.charged:
        charged.append(measuring.charged)
    return result
