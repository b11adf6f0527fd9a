"""The result of a condenser tested alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from breakerbench.edges.lost import Lost
from breakerbench.judge.decisions import decide
from breakerbench.judge.guard import FAIL, PASS
from breakerbench.judge.specification import Specification
from breakerbench.measure.advance import empty_advance
from breakerbench.measure.condenser import condenser_figures
from breakerbench.measure.condenser_found import Charged, CondenserTrace
from breakerbench.measure.condenser_words import OTHER_TABLES
from breakerbench.measure.hand import empty_hand
from breakerbench.result.empty import (
    blank,
    empty_bounce,
    empty_electrics,
    empty_in_circuit,
    empty_missed,
    empty_supply,
    empty_timing,
    without_nan,
)
from breakerbench.result.two_sets import empty_sets
from breakerbench.trace import Block, Event, Header, Hole

IN_ORDER, WRONG_SIZE, LEAKY = "in order", "wrong size", "leaky"
SIZE, LEAKAGE = "condenser.capacitance_f", "condenser.leakage_ohm"


#: While it goes on: the voltage is a mean of so long, s; a charge counts when the voltage has come from
#: below the one to above the other share of the feed.
MEAN_S, EMPTY_SHARE, FULL_SHARE = 0.002, 0.15, 0.75


@dataclass(frozen=True, slots=True)
class CondenserLive:
    """While it is tested; of no result.

    volts    at the clamps, mean of the last 2 ms; None without a channel
    charges  from empty to full so far
    """

    volts: float | None = None
    charges: int = 0


class CondenserNow:
    """Follows the voltage as it comes, in means of MEAN_S."""

    def __init__(self, header: Header) -> None:
        self._row = header.condenser_row
        self._channel = None if self._row is None else header.channels[self._row]
        self._size = max(round(MEAN_S * header.sample_rate_hz), 1)
        self._left = np.empty(0)
        self._most = abs(header.supply_v or 0.0)
        self._empty = False
        self.volts: float | None = None
        self.charges = 0

    def block(self, block: Block) -> None:
        if self._row is None or self._channel is None:
            return
        x = np.concatenate([self._left, block.samples[self._row]])
        whole = len(x) // self._size * self._size
        self._left = x[whole:]
        if not whole:
            return
        means = x[:whole].reshape(-1, self._size).mean(axis=1)
        volts = self._channel.zero + self._channel.scale * means
        self.volts = float(volts[-1])
        for each in np.abs(volts).tolist():
            self._most = max(self._most, each)
            if each < EMPTY_SHARE * self._most:
                self._empty = True
            elif self._empty and each > FULL_SHARE * self._most:
                self._empty = False
                self.charges += 1

    def hole(self) -> None:
        self._left, self._empty = np.empty(0), False


class CondenserCheck:
    """Feed it the events of a condenser trace in order; ``finish`` gives the result.

    ``charged`` then holds the charge and the hold for a picture.
    """

    def __init__(
        self, header: Header, spec: Specification | None = None, watched: bool = False
    ) -> None:
        self.header = header
        self.spec = spec
        self.now = CondenserNow(header) if watched else None
        self.trace = CondenserTrace(header)
        self.lost = Lost(header.sample_rate_hz)
        self.charged: Charged | None = None

    def feed(self, event: Event) -> None:
        if isinstance(event, Block):
            self.trace.block(event)
            if self.now is not None:
                self.now.block(event)
        elif isinstance(event, Hole):
            self.lost.add(event)
            if self.now is not None:
                self.now.hole()
            self.trace.hole(event)

    def live(self) -> CondenserLive:
        """What can be shown while it goes on; nothing where it is not watched."""
        return (
            CondenserLive() if self.now is None else CondenserLive(self.now.volts, self.now.charges)
        )

    def finish(self) -> dict[str, Any]:
        header, found = self.header, self.trace.finish()
        self.charged = found.charged
        figures, why, notes, warnings = condenser_figures(found, header)
        table = empty_in_circuit() | figures
        tables = {name: blank(each) for name, each in (empty_timing() | empty_electrics()).items()}
        tables |= {
            "advance": empty_advance(),
            "vacuum": {"points": [], "throughout": None},
            "bounce": empty_bounce(),
            "missed": empty_missed(),
            "hand": empty_hand(),
            "sets": empty_sets(),
        }
        tables["speed"]["revolutions"] = None
        other = dict.fromkeys((*tables, "findings", "supply.volts"), OTHER_TABLES)
        del other["condenser"]
        polarity = None
        if found.levels.top and not found.levels.both_signs and found.rises:
            polarity = "negative ground" if found.levels.sign > 0.0 else "positive ground"
        else:
            why["supply.polarity"] = "the voltage never rises"
        result: dict[str, Any] = {
            "schema": 1,
            "trace": {
                "kind": header.kind,
                "simulated": header.simulated,
                "origin": header.origin,
                "sample_rate_hz": header.sample_rate_hz,
                "seconds": self.trace.samples / header.sample_rate_hz,
                "lobes": None,
                "reference": None,
                "points_set": None,
            },
            **tables,
            "condenser": table,
            "supply": empty_supply() | {"polarity": polarity},
            "lost": {"frames": self.lost.frames, "seconds": self.lost.seconds},
            "why": other | why,
            "notes": notes,
            "warnings": [
                *(self.spec.warnings if self.spec is not None else ()),
                *warnings,
                *self.lost.warnings(),
            ],
            "decisions": [],
            "findings": [],
        }
        if self.spec is not None:
            # What a condenser alone can say something about; the rest is not called not measured.
            result["decisions"] = [
                d.to_json() for d in decide(result, self.spec) if d.what.startswith("condenser.")
            ]
            table["state"] = _judged(table["state"], result["decisions"])
        if table["state"] is None:
            result["why"].setdefault("condenser.state", _no_state(self.spec, table))
        clean: dict[str, Any] = without_nan(result)
        return clean


def _judged(state: str | None, decisions: list[dict[str, Any]]) -> str | None:
    """The state where a specification has something to say of it."""
    decided = {one["what"]: one["decision"] for one in decisions}
    if state in (None, LEAKY) and decided.get(LEAKAGE) == FAIL:
        return LEAKY
    if state is None and decided.get(SIZE) == FAIL:
        return WRONG_SIZE
    # "leaky" was said without a specification; one that allows it has the last word
    if state in (None, LEAKY) and all(decided.get(each) == PASS for each in (SIZE, LEAKAGE)):
        return IN_ORDER
    return state


def _no_state(spec: Specification | None, table: dict[str, Any]) -> str:
    if table["capacitance_f"] is None:
        return "no capacitance was measured"
    if spec is None or spec.condenser is None:
        return "no specification says what the condenser must have"
    if spec.condenser.min_leakage_megohm is None:
        return "the specification states no leakage that is allowed"
    if spec.condenser.capacitance_uf is None:
        return "the specification states no capacitance"
    return "not everything that the specification asks for could be decided"
