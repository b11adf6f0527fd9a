"""What the worker has come to: one frozen value, replaced whole, drawn by whoever is in front."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from breakerbench.judge.specification import Specification
from breakerbench.measure.hand_zero import HandZero
from breakerbench.papers.subject import Collected
from breakerbench.result.condenser import CondenserLive
from breakerbench.result.hand import HandLive
from breakerbench.result.live import Live
from breakerbench.result.live_pictures import LivePictures
from breakerbench.trace import Header


class Recording(Enum):
    """When a recording is made of what comes."""

    NO = "no"  # it is watched only
    TURNING = "turning"  # of a run or a coil: from when the shaft turns until it stands again
    AT_ONCE = "at once"  # until it is ended


class Phase(Enum):
    """What the worker is doing."""

    IDLE = "idle"
    OPENING = "opening"  # greeting the board, opening the file
    WATCHING = "watching"  # nothing is recorded
    RECORDING = "recording"
    WORKING_OUT = "working out"  # the recording is ended, its result not there yet
    DONE = "done"
    PROBLEM = "problem"


@dataclass(frozen=True)
class Task:
    """What the worker is to do until it is given another.

    place      name of a port, or path of a trace
    live       the place is a port; False: a file is measured, or played
    pace       of a file: times real time; 0 as fast as it can be measured
    recording  whether and when a recording is made of a port's trace; of a file: never
    stem       path of the recording without its end; a number is added where it exists
    told       fields of the header that the person states
    hand       where the openings stand at rest, from a hand-turned trace
    mode       capture mode of the board; None: its first
    """

    place: str
    live: bool = True
    kind: str = "run"
    spec: Specification | None = None
    recording: Recording = Recording.NO
    stem: str = ""
    pace: float = 0.0
    told: Mapping[str, Any] = field(default_factory=dict)
    hand: HandZero | None = None
    mode: int | None = None


@dataclass(frozen=True, eq=False)
class Snapshot:
    """One look at the bench.

    number    counts up with each; at_s: when, monotonic clock
    header    of the trace; None as long as nothing is open
    there     the board answers; False too for a file that is at its end
    seconds   of the trace that is recorded, or watched
    share     of a file that has been played or measured, 0 to 1
    problem   one sentence with the mend, while the phase is PROBLEM
    away_why  why the board was lost last, or why it ended by itself; times_away: how often
    frames_missing, frames_refused   on the wire, so far
    path      of the recording that is or was made, or of the file that is measured
    result    by the contract, once it is worked out; collected: what pictures need beside it
    """

    number: int = 0
    at_s: float = 0.0
    task: Task | None = None
    phase: Phase = Phase.IDLE
    header: Header | None = None
    there: bool = False
    away_why: str = ""
    seconds: float = 0.0
    share: float = 0.0
    times_away: int = 0
    frames_missing: int = 0
    frames_refused: int = 0
    live: Live | None = None
    hand: HandLive | None = None
    condenser: CondenserLive | None = None
    pictures: LivePictures | None = None
    path: str = ""
    result: Mapping[str, Any] | None = None
    collected: Collected = field(default_factory=Collected)
    problem: str = ""

    @property
    def simulated(self) -> bool:
        return self.header is not None and self.header.simulated
