"""From crossings to contacts: first touch, bounce, and the opening that ends each dwell.

A closed contact holds the signal flat at the closed level. The ring of a coil passes through that
level, so it is not flat; the bottom of a ring cut off by the converter is flat but follows an opening
at once and does not begin abruptly. A contact begins after a long open time; whatever happens within half
a dwell after its first touch is bounce; the first loss of contact after that is the opening.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import PRE, Crossings, join_crossings, no_crossings
from breakerbench.edges.dips import is_sharp, without_far_dips
from breakerbench.edges.early import far_early
from breakerbench.edges.jump import Stand, contact_runs, stand_of
from breakerbench.edges.lengths import local_scale, near_scale, often, without_strays
from breakerbench.edges.levels import band_high
from breakerbench.edges.misses import is_fall
from breakerbench.edges.shapes import Front
from breakerbench.edges.touch import learn_front, seen_rail

#: Runs looked at on each side to learn how long dwell and open time are just now.
REACH = 32
#: The same where an open contact rings: the cut-off bottoms of the ring are many.
REACH_RINGING = 64
#: The same among all runs in the band, most of which a ring on its way through makes.
REACH_PASSING = 192
#: Where one in four of the runs (``lengths.OFTEN``), bounce left out, reaches only such a share of the
#: longest, these are contacts held through missed openings: a dwell of 0.35 to 0.85 pitches against one
#: or two more.
MISSING = (0.14, 0.55)
#: An open time this share of the longest ones around begins a new contact; shorter ones are bounce.
LONG_GAP_SHARE = 0.3
#: With a coil, a run shorter than this share of the longest around may be a ring's.
SOLID_SHARE = 0.25
#: A dwell is at most this many times the longest unbroken ones around.
MOST_DWELL = 1.25
#: The front end is learned from the long ones among so many runs.
LEARN_RUNS = 256
#: A crossing back within this many samples that never went past the hysteresis is noise.
CHATTER_SAMPLES = 4
#: Bounce that is over within so many samples (0.5 ms at 250 kS/s) is told by briefer touches.
SOON = 120
#: Samples up to a re-closing from which it is placed.
AGAIN = 7

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Contacts:
    """Contacts in order, n of them.

    touch, leave    crossings (n each) of the first touch and of the opening that ends the dwell
    back            crossings (n) of the last re-closing of the bounce (the touch where none)
    again           (n, AGAIN) samples up to and with that one, less the closed level; 0: before
                    the last loss of contact
    bounces         (n,) times that the contact was lost again before half the dwell
    open_in_bounce  (n,) samples of open contact within the bounce
    whole           (n,) False where the first touch was not seen (start of a stretch)
    """

    touch: Crossings
    leave: Crossings
    back: Crossings
    again: Floats
    bounces: Ints
    open_in_bounce: Ints
    whole: Bools

    def __len__(self) -> int:
        return len(self.bounces)

    @property
    def settled_at(self) -> Ints:
        """(n,) sample number of the last re-closing of the bounce, of the touch where none."""
        return self.back.at

    def take(self, pick: Bools | Ints | slice) -> Contacts:
        return Contacts(
            self.touch.take(pick), self.leave.take(pick), self.back.take(pick), self.again[pick],
            self.bounces[pick], self.open_in_bounce[pick], self.whole[pick],
        )  # fmt: skip


def join_contacts(parts: list[Contacts]) -> Contacts:
    if not parts:
        return no_contacts()
    if len(parts) == 1:
        return parts[0]
    return Contacts(
        join_crossings([p.touch for p in parts]),
        join_crossings([p.leave for p in parts]),
        join_crossings([p.back for p in parts]),
        *(
            np.concatenate([getattr(p, name) for p in parts])
            for name in ("again", "bounces", "open_in_bounce", "whole")
        ),
    )


def no_contacts() -> Contacts:
    none = np.empty(0, np.int64)
    return Contacts(
        no_crossings(),
        no_crossings(),
        no_crossings(),
        np.empty((0, AGAIN)),
        none,
        none,
        np.empty(0, bool),
    )


def without_chatter(crossings: Crossings, coil: bool = True) -> Crossings:
    """Crossings less the pairs that noise on a slow edge made (Schmitt trigger after the fact)."""
    for out in (True, False):
        first = np.flatnonzero(
            (crossings.out[:-1] == out)
            & (crossings.out[1:] != out)
            & (np.diff(crossings.at) < CHATTER_SAMPLES)
        )
        if not len(first):
            continue
        pair = crossings.take(first)
        length = crossings.at[first + 1] - pair.at
        span = np.arange(CHATTER_SAMPLES)
        fill = -np.inf if out else np.inf
        inside = np.where(span < length[:, None], pair.window[:, PRE + span], fill)
        if out:
            past = inside.max(axis=1) > band_high(pair.swing, pair.noise)
        else:
            past = inside.min(axis=1) < 0.125 * pair.swing
            # Nor is a touch so brief that it falls no lower.
            past |= (
                is_fall(pair.window, PRE + inside.argmin(axis=1))
                if coil
                else is_sharp(pair, length)
            )
        noise = first[~past]
        keep = np.ones(len(crossings), bool)
        keep[noise] = keep[noise + 1] = False
        crossings = crossings.pick(keep)
    return crossings


def _begins_by_dwell(
    touch: Ints, leave: Ints, expected: Floats, usual: Floats, flicker: Bools, most: float
) -> Bools:
    """Which runs begin a contact: the first touch after each opening.

    From a first touch on, contact lost within half a dwell is bounce, however long it is open; the
    first loss after that is the opening. A flicker right at an opening belongs to it, and one from
    which the dwell would be longer than ``most`` of the usual ones is no touch.

    expected  (n,) dwell to be expected at each run; usual: the same without regard to time
    """
    n = len(touch)
    opening = np.searchsorted(leave, touch + 0.5 * expected)
    until = leave[np.minimum(opening, n - 1)]
    own = np.arange(n)
    early = (until - touch > most * usual) & (opening > own) & (opening < n)
    skip_any = flicker | early
    if not skip_any[1:].any() and bool((opening[:-1] <= own[:-1]).all()):
        # No contact bounces: every run is one.
        return np.ones(n, bool)
    begins = np.zeros(n, bool)
    following, skip = opening.tolist(), skip_any.tolist()
    head = 0
    while head < n:
        begins[head] = True
        head = max(following[head], head) + 1
        while head < n and skip[head]:
            head += 1
    return begins


def _soon_closed(touch: Ints, leave: Ints, long: Ints) -> Bools:
    """(n,) True for runs after which one of the ``long`` ones begins within SOON samples."""
    then = np.append(touch[long], np.iinfo(np.int64).max)
    return np.asarray(then[np.searchsorted(touch[long], leave)] - leave < SOON)


def _openings_of(
    touch: Ints, leave: Ints, usual: Floats, groups: Ints, end: int
) -> tuple[Ints, Ints]:
    """(first run, run that the opening ends) of the contacts that begin at ``groups``, before ``end``."""
    if not len(groups):
        return groups, groups
    # Runs before the first contact are a ring's, and count to none.
    group_of = np.maximum(np.searchsorted(groups, np.arange(end), "right") - 1, 0)
    late = leave[:end] - touch[groups][group_of] >= 0.5 * usual[:end]
    order = np.where(late, np.arange(end), end)
    opening = np.minimum.reduceat(order, groups)
    good = opening < np.append(groups[1:], end)
    return groups[good], opening[good]


class ContactFinder:
    """Groups the crossings of one unbroken stretch into contacts; looks some runs ahead.

    ``feed`` returns the contacts that no later crossing can change; ``finish`` the rest.
    told_tau: time constant of the front end as stated, samples; 0 where it is not.
    front: what another finder on the same channel has learned of it.
    """

    def __init__(self, told_tau: float = 0.0, front: Front | None = None) -> None:
        self._told = told_tau
        self._pending = no_crossings()
        self._lengths = np.empty(0)
        self._gaps = np.empty(0)
        self._begun = np.empty(0, np.int64)
        self._last_leave: int | None = None
        self.front = front
        self._stand: Stand | None = None

    def feed(self, crossings: list[Crossings], coil: bool) -> Contacts:
        self._pending = join_crossings([self._pending, *crossings])
        return self._group(coil, final=False)

    def finish(self, coil: bool) -> Contacts:
        return self._group(coil, final=True)

    def _group(self, coil: bool, final: bool) -> Contacts:
        clean = without_chatter(self._pending, coil)
        first = np.flatnonzero(~clean.out[:-1] & clean.out[1:]) if len(clean) > 1 else np.empty(0)
        first = first.astype(np.int64)
        if not len(first):
            return no_contacts()
        touch, leave = clean.pick(first), clean.pick(first + 1)
        reach = REACH_RINGING if coil else REACH
        if coil:
            if self.front is None and len(touch) < LEARN_RUNS and not final:
                return no_contacts()
            touch, leave = without_strays(
                *self._without_ring(touch, leave), self._last_leave, reach
            )
        else:
            touch, leave = without_far_dips(touch, leave, self._last_leave)
        n = len(touch)
        if n < 2 or (not final and n <= reach + 2):
            return no_contacts()
        lengths = (leave.at - touch.at).astype(float)
        gaps = np.empty(n)
        gaps[1:] = touch.at[1:] - leave.at[:-1]
        known = self._last_leave is not None
        gaps[0] = touch.at[0] - self._last_leave if self._last_leave is not None else 0.0
        usual_length = local_scale(lengths, self._lengths, reach)
        usual_gap = local_scale(gaps, self._gaps, reach)
        expected = usual_length
        if not (lengths > 0.5 * usual_length).all():
            # Something bounces, or the speed has changed much: what is expected then follows it. Or
            # openings are missing: the longest are then a dwell and a lobe's pitch long, few of many.
            low, high = MISSING
            reached = often(lengths, self._lengths, reach, low * usual_length)
            missing = (reached > low * usual_length) & (reached < high * usual_length)
            usual_length = np.where(missing, reached, usual_length)
            near = near_scale(lengths, touch.at, self._lengths, self._begun, reach)
            expected = np.where(near < 0.5 * usual_length, near, usual_length)
        brief, part, most = (LONG_GAP_SHARE, 0.5, MOST_DWELL) if coil else (0.12, 0.1, np.inf)
        quicker = expected / usual_length  # less than 1 where the shaft has become quicker since
        flicker = (gaps < brief * quicker * usual_gap) & (lengths < part * quicker * usual_length)
        begins = _begins_by_dwell(touch.at, leave.at, expected, usual_length, flicker, most)
        if coil and (early := self._far_early(touch.at, leave.at, expected, begins)).any():
            lead = int(np.argmin(early))  # what is held over may begin with such runs
            on, begins[:lead] = slice(lead, None), False
            begins[on] = _begins_by_dwell(
                touch.at[on], leave.at[on], expected[on], usual_length[on],
                (flicker | early)[on], most,
            )  # fmt: skip
        settled = n if final else n - reach
        heads = np.flatnonzero(begins)
        # A group is complete when the next one has begun among runs that are settled, or at the end.
        heads = heads[heads < settled]
        if final:
            heads = np.append(heads, n)
        if len(heads) < 2:
            return no_contacts()
        groups, end_of_last = heads[:-1], int(heads[-1])
        contacts = self._contacts(touch, leave, expected, groups, end_of_last, known)
        if not final:
            self._keep(touch, leave, lengths, gaps, end_of_last, reach)
        return contacts

    def _without_ring(self, touch: Crossings, leave: Crossings) -> tuple[Crossings, Crossings]:
        """Runs in the closed band less those that a ring on its way through made."""
        size = leave.at - touch.at
        usual = local_scale(size.astype(float), self._lengths, REACH_PASSING)
        solid = size >= SOLID_SHARE * usual
        if self.front is None:
            # Always the same runs, however many more have come by now.
            head = size[:LEARN_RUNS]
            sample = touch.take(np.flatnonzero(head >= SOLID_SHARE * np.sort(head)[-2:][0]))
            top, bottom = seen_rail(sample, 1.0), -seen_rail(sample, -1.0)
            tau, closed, _, ring = learn_front(sample, top, bottom, self._told, rounds=1)
            # Noise may show its largest count twice: it then goes beyond it elsewhere.
            beyond = float(sample.window.max(initial=0.0)) > top + 2.0 * float(sample.noise.max())
            self.front = Front(tau, closed, ring, np.inf if beyond else top)
        real = solid
        brief = np.flatnonzero(~solid)
        if len(brief):
            long = np.flatnonzero(solid)
            self._stand = stand_of(touch.take(long), size[long], self.front.tau) or self._stand
        near = _soon_closed(touch.at, leave.at, np.flatnonzero(solid))[brief]
        of = (touch.take(brief), size[brief], near)
        real[brief] = contact_runs(*of, *self.front, self._stand)
        return touch.pick(real), leave.pick(real)

    def _far_early(self, touch: Ints, leave: Ints, expected: Floats, begins: Bools) -> Bools:
        """Runs from which contacts begin that is no touch, as the other contacts tell."""
        heads, ends = _openings_of(touch, leave, expected, np.flatnonzero(begins), len(touch))
        return far_early(touch, leave, heads, ends, self._last_leave)

    def _contacts(
        self, touch: Crossings, leave: Crossings, usual: Floats, groups: Ints, end: int, known: bool
    ) -> Contacts:
        groups, opening = _openings_of(touch.at, leave.at, usual, groups, end)
        bounces = opening - groups
        gap_sum = np.concatenate([[0], np.cumsum(touch.at[1:] - leave.at[:-1])])
        whole = np.ones(len(groups), bool)
        if len(groups) and groups[0] == 0:
            whole[0] = known
        again = np.zeros((len(opening), AGAIN))
        lost = np.flatnonzero(bounces)
        back = touch.pick(opening[lost])
        since = back.at - leave.at[opening[lost] - 1]
        its_own = AGAIN - 1 - np.arange(AGAIN) <= since[:, None]
        again[lost] = np.where(its_own, back.columns(PRE + 1 - AGAIN, PRE + 1), 0.0)
        return Contacts(
            touch=touch.pick(groups),
            leave=leave.pick(opening),
            back=touch.pick(opening),
            again=again,
            bounces=bounces,
            open_in_bounce=gap_sum[opening] - gap_sum[groups],
            whole=whole,
        )

    def _keep(
        self,
        touch: Crossings,
        leave: Crossings,
        lengths: Floats,
        gaps: Floats,
        upto: int,
        reach: int,
    ) -> None:
        """Drop what is done; carry the lengths and gaps just before it."""
        self._lengths = np.concatenate([self._lengths, lengths[:upto]])[-reach:]
        self._gaps = np.concatenate([self._gaps, gaps[:upto]])[-reach:]
        self._begun = np.concatenate([self._begun, touch.at[:upto]])[-reach:]
        self._last_leave = int(leave.at[upto - 1])
        place = int(np.searchsorted(self._pending.at, touch.at[upto]))
        self._pending = self._pending.take(slice(place, None))
