"""The board's frames in order: what is missing between them, what came twice, what was refused."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from breakerbench.wire.frames import Decoder, Frame, Refused
from breakerbench.wire.messages import Begun

#: A frame with the sequence of one of so many before it came twice; one from further back, or with an
#: earlier clock, comes from a board that has begun anew.
RECENT = 64
WRAP = 1 << 32


@dataclass(frozen=True, slots=True)
class Missing:
    """So many frames never came, before the one that follows this."""

    frames: int


@dataclass(frozen=True, slots=True)
class Anew:
    """The board has begun anew: nothing before this belongs to what follows."""


Received = Frame | Refused | Missing | Anew


@dataclass(slots=True)
class Counts:
    """Health of the link since it was opened."""

    bytes: int = 0
    frames: int = 0
    refused: int = 0
    missing: int = 0
    doubled: int = 0
    unknown: int = 0
    anew: int = 0
    reasons: dict[str, int] = field(default_factory=dict)


class Receiver:
    """Takes the bytes of one connection."""

    def __init__(self) -> None:
        self._decoder = Decoder()
        self._recent: deque[tuple[int, int]] = deque(maxlen=RECENT)  # sequence, clock
        self.counts = Counts()

    def feed(self, data: bytes) -> list[Received]:
        """What these bytes, with those before, complete; frames that came twice left out."""
        self.counts.bytes += len(data)
        found: list[Received] = []
        for each in self._decoder.feed(data):
            if isinstance(each, Refused):
                found.append(self._refuse(each))
            else:
                found += self._take(each)
        return found

    def end(self) -> list[Received]:
        """No more bytes come: a frame cut short, if there is one."""
        return [self._refuse(each) for each in self._decoder.end()]

    def _refuse(self, refused: Refused) -> Refused:
        self.counts.refused += 1
        self.counts.reasons[refused.reason] = self.counts.reasons.get(refused.reason, 0) + 1
        return refused

    def _take(self, frame: Frame) -> list[Received]:
        this = frame.sequence, frame.clock
        # Every start begins with the same numbers: a Begun that follows other frames did not come twice.
        again = isinstance(frame.message, Begun) and self._recent and this != self._recent[-1]
        if this in self._recent and not again:
            self.counts.doubled += 1
            return []
        before: list[Received] = []
        if self._recent:
            last, clock = self._recent[-1]
            ahead = (frame.sequence - last) % WRAP
            if isinstance(frame.message, Begun) or frame.clock < clock or ahead > WRAP // 2:
                self._recent.clear()
                self.counts.anew += 1
                before.append(Anew())
            elif ahead > 1:
                self.counts.missing += ahead - 1
                before.append(Missing(ahead - 1))
        self._recent.append(this)
        self.counts.frames += 1
        if frame.message is None:
            self.counts.unknown += 1
        return [*before, frame]
