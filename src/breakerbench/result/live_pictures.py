"""What a window draws while a run goes on: traces about the contacts, lobe by lobe, advance by speed.

Beside the way of the result, as ``live`` is: all of it is for watching.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Openings
from breakerbench.edges.recent import Recent, Seen, Windows
from breakerbench.measure.lobes_now import AdvancePoint, AdvanceTrail, LobeTurns, Reference
from breakerbench.measure.now import Reading
from breakerbench.trace import Header

Floats = NDArray[np.float64]


def _no_lobes() -> Floats:
    return np.empty((0, 0))


@dataclass(frozen=True, slots=True, eq=False)
class LivePictures:
    """None or empty where there is nothing to draw, or nothing yet.

    opening, touch  points_v about the opening and about the first touch, -0.3 to 1.2 ms
    burn            points_v from 0.2 ms before the opening on, to the next touch or for 5 ms
    current         current_a from 0.2 ms before the first touch to just after the opening
    lobe_late_deg   (turns, lobes) opening of each lobe, less the even (or nominal) grid placed by least
                    squares; positive is late. The newest turn last, 100 of them at most
    lobe_dwell_deg  (turns, lobes) its dwell; nan where its touch was not seen
    advance         against the slowest speed so far: rising, then falling, each by speed
    """

    opening: Seen | None = None
    touch: Seen | None = None
    current: Seen | None = None
    burn: Seen | None = None
    lobe_late_deg: Floats = field(default_factory=_no_lobes)
    lobe_dwell_deg: Floats = field(default_factory=_no_lobes)
    advance: tuple[AdvancePoint, ...] = ()


class Pictures:
    """Collects what each reading has found; hands it out when asked."""

    def __init__(self, header: Header, recent: Recent) -> None:
        self._windows = Windows(header, recent)
        self._turns = LobeTurns()
        self._trail = AdvanceTrail()

    def collect(self, contacts: Openings | None, reading: Reading) -> None:
        """The contacts that a reading is of."""
        if contacts is not None:
            self._windows.collect(contacts)
        if reading.turn is not None:
            self._turns.add(reading.turn, reading)
        self._trail.add(reading)

    def handed_out(self, reference: Reference | None, nominal: Floats | None) -> LivePictures:
        """reference: the slowest speed; nominal: (lobes,) opening angles of uneven lobes, or None."""
        late_deg, dwell_deg = self._turns.tables(reference, nominal)
        w = self._windows
        return LivePictures(
            w.opening, w.touch, w.current, w.burn,
            late_deg, dwell_deg, self._trail.points(reference),
        )  # fmt: skip
