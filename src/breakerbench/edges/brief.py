"""First touches, some of which are lost again at once; what may hide between samples, or in a ring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import PRE, Crossings
from breakerbench.edges.dips import BESIDE, begins_with_dip, place_dips
from breakerbench.edges.faint import is_faint
from breakerbench.edges.levels import dip_begin
from breakerbench.edges.place import COARSE_TAU, closing_levels, place_closings, with_closed
from breakerbench.edges.shapes import LN2, Placed, Response
from breakerbench.edges.steady import undo

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: A first touch that leaves no clear sign began so much earlier at most, samples.
UNSEEN_SAMPLES = 1.5
#: First touches leave no sign where one sample falls into those that are seen, nearly never a second:
#: said where that is so for all but this share, and where this share of the closings bounces.
FEW_TWICE, ENOUGH = 0.03, 0.05
#: A coil's ring stands near closed before a touch if none of so many intervals is so many swings off.
#: Such a touch, lost again at once, leaves hardly a sign. They bounce as often as the others: no dwell is
#: told where so many more of them are to be expected to bounce than were seen to, as a share of all
#: touches. (Of 46 simulated coils with an arm on +-50 V two had 7 and 5 %, with dwells 0.27 and 0.09 deg
#: too short; the others none. Of 120 circuits of ngspice none had more than 1.8 %.)
NEAR_INTERVALS, NEAR_SWINGS, MOST_MISSED = 4, 0.5, 0.03


@dataclass(slots=True)
class Brief:
    """What the edges tell of touches too brief to be seen, as counts over the run.

    touches    first touches
    vague      of these, those that may have begun up to a sample before
    on_touch, on_opening   edges that a sample fell on: as many of one as of the other, or else touches
                           were lost again between two samples
    slow       touches whose fall was slower than the front end's
    once, more  first touches lost again that one sample fell into, or more
    faint      contacts that bounce where single samples hardly stand out of the noise (a coil's points)
    bounced, settling  contacts of a coil whose bounce is seen, and the samples it takes, summed up
    near, near_bounced  touches of a coil that come while its ring stands near closed; of these, those
               whose bounce is seen
    """

    touches: int = 0
    vague: int = 0
    on_touch: int = 0
    on_opening: int = 0
    slow: int = 0
    once: int = 0
    more: int = 0
    faint: int = 0
    bounced: int = 0
    settling: float = 0.0
    near: int = 0
    near_bounced: int = 0

    def add(
        self,
        touch: Crossings,
        opening: Crossings,
        start: Floats,
        vague: int,
        slow: int,
        lost: Bools,
    ) -> None:
        self.touches += len(touch)
        self.vague += vague
        self.slow += slow
        share = touch.columns(PRE - BESIDE, PRE + BESIDE) / start[:, None]
        self.on_touch += int(_on_edge(share))
        self.on_opening += int(
            _on_edge(opening.columns(PRE - BESIDE, PRE + BESIDE) / start[:, None])
        )
        some = touch.take(lost)
        low = (
            some.columns(PRE - BESIDE, PRE + 2)
            < (some.swing - dip_begin(some.swing, some.noise))[:, None]
        )
        # From the first low sample on: is the next one low, too?
        first = low.argmax(axis=1)
        twice = low[np.arange(len(low)), np.minimum(first + 1, low.shape[1] - 1)]
        self.more += int(twice.sum())
        self.once += int((~twice).sum())

    @property
    def unseen(self) -> float:
        """Share of the first touches that may have begun up to a sample or so before."""
        if not self.touches:
            return 0.0
        spread = 2.0 * float(np.sqrt(self.on_touch + self.on_opening))
        more = max(self.on_touch - self.on_opening - self.slow - spread, 0.0)
        return (self.vague + more) / self.touches

    def u_samples(self, lobes: int) -> float:
        """Standard uncertainty that these leave in the mean of a lobe's first touches, samples."""
        u = UNSEEN_SAMPLES / float(np.sqrt(3.0)) * self.unseen
        if self.bounced:
            # Missed, a touch is late by the time to settle; they may all be those of one lobe. How many
            # bounce of a few is a matter of chance.
            expected, share = self._expected
            chance = float(np.sqrt(expected * (1.0 - share))) / self.touches
            u += lobes * (self.missed + chance) * self.settling / self.bounced
        return u

    def add_coil(self, touch: Crossings, placed: Placed, lost: Bools, tau: float) -> None:
        """Touches of a coil's points; ``lost`` where bounce was seen."""
        self.touches += len(touch)
        self.bounced += int(lost.sum())
        if not len(touch):
            return
        z = undo(touch.window, tau)
        # The interval that holds the touch, and those before it.
        column = np.floor(placed.at - touch.at + PRE - tau * LN2).astype(np.int64)
        before = (
            np.clip(column, NEAR_INTERVALS, z.shape[1])[:, None] - 1 - np.arange(NEAR_INTERVALS)
        )
        off = np.abs(np.take_along_axis(z, before, axis=1)).max(axis=1)
        near = np.isfinite(placed.u) & (off < NEAR_SWINGS * touch.swing)
        self.near += int(near.sum())
        self.near_bounced += int((near & lost).sum())

    @property
    def _expected(self) -> tuple[float, float]:
        """(bounces to be expected near a ring's zero, share of the touches elsewhere that bounce)."""
        share = (self.bounced - self.near_bounced) / max(self.touches - self.near, 1)
        return self.near * share, share

    @property
    def missed(self) -> float:
        """Share of a coil's first touches that are lost again and yet, near a ring's zero, not told."""
        return max(self._expected[0] - self.near_bounced, 0.0) / max(self.touches, 1)

    @property
    def meets_closed(self) -> bool:
        """True where points bounce and a coil's ring stands near closed at many first touches."""
        return self.missed > MOST_MISSED

    @property
    def lost(self) -> bool:
        """True where first touches are so brief that many will have left no sign at all."""
        seen = self.once + self.more
        if self.faint > ENOUGH * self.touches:
            return True
        return seen > ENOUGH * self.touches and self.more < FEW_TWICE * seen


def _on_edge(share: Floats) -> int:
    return int(((share > 0.04) & (share < 0.96)).any(axis=1).sum())


def place_first(
    touch: Crossings,
    opening: Crossings,
    lost: Bools,
    r: Response,
    brief: Brief,
) -> Placed:
    """First touches with the openings that end their dwells; ``lost`` where bounce was seen."""
    placed = place_closings(touch, r)
    if r.coil and is_faint(touch):
        # Many of the brief ones among them are not seen at all.
        brief.touches += len(touch)
        brief.faint += int(lost.sum())
    elif r.coil:
        brief.add_coil(touch.take(slice(None)), placed, lost, r.tau)
    if r.coil or (r.tau >= COARSE_TAU and not lost.any()):
        return placed
    touch, opening = with_closed(touch, r.closed), with_closed(opening, r.closed)
    start = np.maximum(closing_levels(touch, r.tau)[0], 1e-9)
    dips = np.flatnonzero(begins_with_dip(touch, r.tau))
    vague = np.empty(0, bool)
    if len(dips):
        some, vague = place_dips(touch.take(dips), start[dips], r.tau)
        placed.at[dips], placed.u[dips] = some
    if r.rise == 0.0:
        brief.add(touch, opening, start, int(vague.sum()), len(dips), lost)
    return placed
