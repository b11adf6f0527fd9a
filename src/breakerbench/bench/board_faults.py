"""What can be wrong with a board and its wire, to be put into a simulated one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from breakerbench.bench.randomness import stream
from breakerbench.errors import BadInput

#: Ways in which a board may contradict itself in what it tells after Hello.
CONTRADICTIONS: tuple[str, ...] = ("too few inputs", "no such input", "no rows", "no clock")


@dataclass(frozen=True, slots=True)
class BoardFaults:
    """Nothing is wrong unless stated. Shares are chances of each byte or frame; times are seconds.

    bytes_dropped, bytes_flipped, bytes_doubled   shares of bytes that do not come, with one bit wrong,
                   twice
    frames_dropped   share of the frames that the board makes and that never come
    stalls         (at, how long) pairs, from the beginning of a capture: the program takes nothing
    resets_s       from the beginning of a capture: the watchdog restarts the firmware; each once
    silent_s       from the beginning of a capture: nothing comes any more, nor is anything answered
    levels         level and least level of the firmware, where they are not those of this program
    contradiction  one of CONTRADICTIONS
    edges_lost     (at, how many) pairs, from the beginning of a capture: edges of the encoder (of the
                   index where there is none) that the board could not keep
    seed           of what is left to chance
    """

    bytes_dropped: float = 0.0
    bytes_flipped: float = 0.0
    bytes_doubled: float = 0.0
    frames_dropped: float = 0.0
    stalls: tuple[tuple[float, float], ...] = ()
    resets_s: tuple[float, ...] = ()
    silent_s: float | None = None
    levels: tuple[int, int] | None = None
    contradiction: str | None = None
    edges_lost: tuple[tuple[float, int], ...] = ()
    seed: int = 0

    def __post_init__(self) -> None:
        shares = self.bytes_dropped, self.bytes_flipped, self.bytes_doubled, self.frames_dropped
        if any(not 0.0 <= share <= 1.0 for share in shares) or sum(shares[:3]) > 1.0:
            raise ValueError("shares lie from 0 to 1, those of bytes together")
        times = [at for at, _ in self.stalls] + [at for at, _ in self.edges_lost]
        times += [*self.resets_s, *(s for _, s in self.stalls)]
        times += [] if self.silent_s is None else [self.silent_s]
        if any(not at >= 0.0 for at in times) or any(many < 1 for _, many in self.edges_lost):
            raise ValueError("times of faults are not negative; one edge is lost at least")
        if self.contradiction is not None and self.contradiction not in CONTRADICTIONS:
            raise ValueError(f"contradiction is one of {', '.join(CONTRADICTIONS)}")
        if self.levels is not None and not all(0 <= level <= 0xFFFF for level in self.levels):
            raise ValueError("levels lie from 0 to 65535")

    def stalled(self, since_s: float) -> bool:
        """Whether the program takes nothing at this time of a capture."""
        return any(at <= since_s < at + lasts for at, lasts in self.stalls)


class Wire:
    """Damages bytes on their way. What happens to a byte does not hang on how the stream is cut."""

    def __init__(self, faults: BoardFaults) -> None:
        self._faults = faults
        self._clean = not (faults.bytes_dropped or faults.bytes_flipped or faults.bytes_doubled)
        self._fate = stream(faults.seed, "wire")
        self._bit = stream(faults.seed, "bit of the wire")

    def carry(self, data: bytes) -> bytes:
        """What arrives of these bytes."""
        if self._clean or not data:
            return data
        f = self._faults
        fate = self._fate.random(len(data))
        bits = np.left_shift(1, (8.0 * self._bit.random(len(data))).astype(np.int64))
        flipped = (fate >= f.bytes_dropped) & (fate < f.bytes_dropped + f.bytes_flipped)
        doubled = fate >= 1.0 - f.bytes_doubled
        come = np.where(fate < f.bytes_dropped, 0, np.where(doubled, 2, 1))
        sent = np.frombuffer(data, np.uint8) ^ np.where(flipped, bits, 0).astype(np.uint8)
        return np.repeat(sent, come).tobytes()


def _pair(text: str) -> tuple[float, float]:
    at, _, much = text.partition(":")
    return float(at), float(much)


_FORMS: Mapping[str, Callable[[BoardFaults, str], dict[str, Any]]] = {
    "bytes-dropped": lambda _, text: {"bytes_dropped": float(text)},
    "bytes-flipped": lambda _, text: {"bytes_flipped": float(text)},
    "bytes-doubled": lambda _, text: {"bytes_doubled": float(text)},
    "frames-dropped": lambda _, text: {"frames_dropped": float(text)},
    "stall": lambda f, text: {"stalls": (*f.stalls, _pair(text))},
    "reset": lambda f, text: {"resets_s": (*f.resets_s, float(text))},
    "silent": lambda _, text: {"silent_s": float(text)},
    "level": lambda _, text: {"levels": (int(text), int(text))},
    "contradiction": lambda _, text: {"contradiction": text.replace("-", " ")},
    "edges-lost": lambda f, text: {
        "edges_lost": (*f.edges_lost, (_pair(text)[0], int(_pair(text)[1])))
    },
}
#: Names and forms for people.
FORMS = (
    "bytes-dropped=SHARE, bytes-flipped=SHARE, bytes-doubled=SHARE, frames-dropped=SHARE, "
    "stall=AT:SECONDS, reset=AT, silent=AT, level=N, edges-lost=AT:COUNT, contradiction="
    + "|".join(each.replace(" ", "-") for each in CONTRADICTIONS)
)


def faults_of(texts: list[str], seed: int = 0) -> BoardFaults:
    """Faults as people write them, ``stall=2:0.5``. Raises BadInput for what cannot be."""
    faults = BoardFaults(seed=seed)
    for text in texts:
        name, _, value = text.partition("=")
        try:
            faults = replace(faults, **_FORMS[name.strip()](faults, value.strip()))
        except (KeyError, ValueError) as problem:
            why = str(problem) if isinstance(problem, ValueError) else "there is no such fault"
            raise BadInput(f"board fault {text}", why, f"use {FORMS}") from problem
    return faults
