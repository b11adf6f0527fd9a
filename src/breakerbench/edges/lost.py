"""What of a trace is lost, and what people are told about it."""

from __future__ import annotations

from dataclasses import dataclass, field

from breakerbench.trace import Hole

#: Different reasons that are told; a hostile file may hold one in every block.
MOST_REASONS = 3


@dataclass(slots=True)
class Lost:
    """Sums over the holes of a trace.

    frames   frames of the wire or blocks of the file known to be missing
    seconds  time that they took; 0 also where it is not known, as when a file ends early
    """

    rate_hz: float
    frames: int = 0
    seconds: float = 0.0
    _reasons: dict[str, None] = field(default_factory=dict)  # each once, in their order

    def add(self, hole: Hole) -> None:
        self.frames += hole.frames
        self.seconds += max(hole.end - hole.first, 0) / self.rate_hz
        if hole.reason and len(self._reasons) < MOST_REASONS:
            self._reasons.setdefault(hole.reason)

    def warnings(self) -> list[str]:
        reasons = ", ".join(self._reasons)
        if self.seconds > 0.0:
            why = f" ({reasons})" if reasons else ""
            return [
                f"{self.seconds:.3f} s of the trace are lost{why}; no interval crosses the gap."
            ]
        return [f"Something is lost, how much is not known: {reasons}."] if reasons else []
