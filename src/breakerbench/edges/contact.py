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
from breakerbench.edges.jump import contact_runs
from breakerbench.edges.levels import band_high
from breakerbench.edges.touch import learn_front, seen_rail

#: Runs looked at on each side to learn how long dwell and open time are just now.
REACH = 32
#: The same where an open contact rings: the cut-off bottoms of the ring are many.
REACH_RINGING = 64
#: The same among all runs in the band, most of which a ring on its way through makes.
REACH_PASSING = 192
#: Where one in OFTEN of the runs, bounce left out, reaches only such a share of the longest, the longest
#: are contacts held through missed openings: a dwell of 0.35 to 0.85 pitches against one or two more.
OFTEN = 4
MISSING = (0.14, 0.55)
#: An open time this share of the longest ones around begins a new contact; shorter ones are bounce.
LONG_GAP_SHARE = 0.3
#: With a coil, a run shorter than this share of the longest around may be a ring's.
SOLID_SHARE = 0.25
#: What an earlier or later dwell tells of this one fades by this share of the time between them.
FADE = 1.0 / 16.0
#: A dwell is at most this many times the longest unbroken ones around.
MOST_DWELL = 1.25
#: The front end is learned from the long ones among so many runs.
LEARN_RUNS = 256
#: A crossing back within this many samples that never went past the hysteresis is noise.
CHATTER_SAMPLES = 4
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
            if not coil:
                past |= is_sharp(pair, length)
        noise = first[~past]
        keep = np.ones(len(crossings), bool)
        keep[noise] = keep[noise + 1] = False
        crossings = crossings.pick(keep)
    return crossings


def _second_largest(values: Floats, size: int) -> Floats:
    """Second largest of every ``size`` neighbours, by joining windows of 1, 2, 4, ... values."""
    # Windows of the length so far: their largest and second largest.
    top, second = values, np.full(len(values), -np.inf)
    length = 1
    whole, done = (top, second), 0
    while True:
        if size & length:
            whole = _joined(whole, (top, second), done) if done else (top, second)
            done += length
        if done == size:
            return whole[1]
        top, second = _joined((top, second), (top, second), length)
        length *= 2


def _joined(
    left: tuple[Floats, Floats], right: tuple[Floats, Floats], shift: int
) -> tuple[Floats, Floats]:
    """Largest and second largest of windows and the ones that begin ``shift`` values after them."""
    n = min(len(left[0]), len(right[0]) - shift)
    (a, a2), (b, b2) = (v[:n] for v in left), (v[shift : shift + n] for v in right)
    return np.maximum(a, b), np.maximum(np.minimum(a, b), np.maximum(a2, b2))


def _local_scale(values: Floats, before: Floats, reach: int) -> Floats:
    """Typical large value around each one: the smaller of the large ones before and after it.

    The smaller one, so that a speed that rises or falls does not raise the mark.
    """
    padded = np.concatenate([np.zeros(reach - len(before)), before, values, np.zeros(reach)])
    # Not the very largest: one contact that was missed would double it.
    ahead = _second_largest(padded, reach + 1)
    # At an end, where one side is short of values, the other side alone tells.
    count = np.arange(len(values))
    short_left = len(before) + count < reach // 2
    short_right = len(values) - 1 - count < reach // 2
    left, right = ahead[: len(values)], ahead[reach:]
    both = np.minimum(left, right)
    both = np.where(short_left & ~short_right, right, both)
    both = np.where(short_right & ~short_left, left, both)
    return np.where(short_left & short_right, np.maximum(left, right), both)


def _near_scale(lengths: Floats, at: Ints, before: Floats, before_at: Ints, reach: int) -> Floats:
    """Typical large length around each run, where a run tells less the farther away in time it is.

    A dwell as long as those at standstill is not to be expected a few revolutions later: a run counts
    for its length less FADE of the time from its touch to this one's. (Larger one of the two sides.)
    """
    pad = np.zeros(reach)
    value = np.concatenate([pad[len(before) :], before, lengths, pad])
    place = np.concatenate([pad[len(before) :], before_at, at, pad])
    n = len(lengths)
    around = [np.lib.stride_tricks.sliding_window_view(v, reach + 1) for v in (value, place)]
    sides = []
    for first in (0, reach):
        long, begun = (rows[first : first + n] for rows in around)
        faded = long - FADE * np.abs(begun - at[:, None])
        sides.append(np.partition(faded, reach - 1, axis=1)[:, reach - 1])
    return np.maximum(*sides)


def _often(lengths: Floats, before: Floats, reach: int, solid: Floats) -> Floats:
    """Length that one in OFTEN of the runs of ``solid`` or more reaches, ``reach`` to either side."""
    pad = np.full(reach, -np.inf)
    values = np.concatenate([pad[len(before) :], before, lengths, pad])
    around = np.sort(np.lib.stride_tricks.sliding_window_view(values, 2 * reach + 1), axis=1)
    rank = (around >= solid[:, None]).sum(axis=1) // OFTEN
    return np.asarray(around[np.arange(len(around)), -1 - rank])


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


class ContactFinder:
    """Groups the crossings of one unbroken stretch into contacts; looks some runs ahead.

    ``feed`` returns the contacts that no later crossing can change; ``finish`` the rest.
    told_tau: time constant of the front end as stated, samples; 0 where it is not.
    front: what another finder on the same channel has learned of the front end (see ``_without_ring``).
    """

    def __init__(
        self, told_tau: float = 0.0, front: tuple[float, float, float, float] | None = None
    ) -> None:
        self._told = told_tau
        self._pending = no_crossings()
        self._lengths = np.empty(0)
        self._gaps = np.empty(0)
        self._begun = np.empty(0, np.int64)
        self._last_leave: int | None = None
        self.front = front

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
            touch, leave = self._without_ring(touch, leave)
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
        usual_length = _local_scale(lengths, self._lengths, reach)
        usual_gap = _local_scale(gaps, self._gaps, reach)
        expected = usual_length
        if not (lengths > 0.5 * usual_length).all():
            # Something bounces, or the speed has changed much: what is expected then follows it. Or
            # openings are missing: the longest are then a dwell and a lobe's pitch long, few of many.
            low, high = MISSING
            often = _often(lengths, self._lengths, reach, low * usual_length)
            missing = (often > low * usual_length) & (often < high * usual_length)
            usual_length = np.where(missing, often, usual_length)
            near = _near_scale(lengths, touch.at, self._lengths, self._begun, reach)
            expected = np.where(near < 0.5 * usual_length, near, usual_length)
        brief, part, most = (LONG_GAP_SHARE, 0.5, MOST_DWELL) if coil else (0.12, 0.1, np.inf)
        quicker = expected / usual_length  # less than 1 where the shaft has become quicker since
        flicker = (gaps < brief * quicker * usual_gap) & (lengths < part * quicker * usual_length)
        begins = _begins_by_dwell(touch.at, leave.at, expected, usual_length, flicker, most)
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
        usual = _local_scale(size.astype(float), self._lengths, REACH_PASSING)
        solid = size >= SOLID_SHARE * usual
        if self.front is None:
            # Always the same runs, however many more have come by now.
            head = size[:LEARN_RUNS]
            sample = touch.take(np.flatnonzero(head >= SOLID_SHARE * np.sort(head)[-2:][0]))
            top, bottom = seen_rail(sample, 1.0), -seen_rail(sample, -1.0)
            tau, closed, _, ring = learn_front(sample, top, bottom, self._told, rounds=1)
            # Noise may show its largest count twice: it then goes beyond it elsewhere.
            beyond = float(sample.window.max(initial=0.0)) > top + 2.0 * float(sample.noise.max())
            self.front = tau, closed, ring, np.inf if beyond else top
        real = solid
        brief = np.flatnonzero(~solid)
        real[brief] = contact_runs(touch.take(brief), size[brief], *self.front)
        return touch.pick(real), leave.pick(real)

    def _contacts(
        self, touch: Crossings, leave: Crossings, usual: Floats, groups: Ints, end: int, known: bool
    ) -> Contacts:
        sizes = np.diff(np.append(groups, end))
        group_of = np.repeat(np.arange(len(groups)), sizes)
        began = touch.at[groups][group_of]
        late = leave.at[:end] - began >= 0.5 * usual[:end]
        order = np.where(late, np.arange(end), end)
        opening = np.minimum.reduceat(order, groups) if len(groups) else order[:0]
        good = opening < np.append(groups[1:], end)
        groups, opening = groups[good], opening[good]
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
