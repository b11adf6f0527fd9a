"""A reading of the last revolution, from the newest edges alone: speed, dwell, place of the openings.

Plain means over one whole revolution, so that neither errors of the cam nor where in the revolution it
ends count. A reading is for the person at the bench; nothing of it goes into a result.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from breakerbench.edges.events import Openings
from breakerbench.edges.index import IndexCleaner

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOST_LOBES = 24
#: Revolutions that differ by more than this share in length are not of one speed.
STEADY = 0.02
#: The points have stopped opening where the shaft has turned on for so many pitches.
STOPPED = 3.5
#: Openings that are looked at where nothing tells how many make a turn.
UNKNOWN = 8
#: Where no encoder tells what happens within a turn, and the speed changes by more than this share
#: from one to the next, there is no dwell to be told.
QUICK = 0.25
#: Turns of the encoder that are looked at.
COUNTED_TURNS = 3.5
#: Spans of the encoder around one that tell what is usual there.
AROUND = 9
#: A gap so many times the usual one has an opening missing in it.
FAR = 1.5


@dataclass(frozen=True, slots=True)
class Turns:
    """Edges of index and encoder, where there are these: (times, rising) and the encoder's pulses."""

    index: tuple[Floats, Bools] | None = None
    encoder_s: Floats | None = None
    pulses: int = 0


class Votes:
    """How many openings a turn has, told early by all that has come: false index pulses are few."""

    def __init__(self) -> None:
        self._votes = np.zeros(MOST_LOBES + 1)
        self._last_s = -np.inf

    def add(self, open_s: Floats, turns: Turns) -> None:
        """The openings between one index pulse and the next, of those that have come since."""
        if turns.index is None or not len(open_s):
            return
        time_s = turns.index[0][turns.index[1]]
        time_s = time_s[(time_s >= max(self._last_s, float(open_s[0]))) & (time_s < open_s[-1])]
        if len(time_s):
            self._last_s = float(time_s[-1])
        many = np.diff(np.searchsorted(open_s, time_s))
        many = many[many <= MOST_LOBES]
        # A false pulse makes two small numbers of a large one: by weight they are not more than it.
        np.add.at(self._votes, many, many)

    @property
    def lobes(self) -> int | None:
        return int(np.argmax(self._votes)) or None


@dataclass(frozen=True, slots=True, eq=False)
class Turn:
    """The openings of the last revolution one by one, in the order of time.

    time_s     (n,) openings of it and of some time before, as far as they were looked at
    indexed    the angles are from the index; else from anywhere
    opened_deg (lobes,) angle of each opening, continuous
    dwell_deg  (lobes,) closed before each; nan where the touch was not seen
    """

    time_s: Floats
    indexed: bool
    opened_deg: Floats
    dwell_deg: Floats

    @property
    def phase_deg(self) -> float:
        """Where the even grid stands that fits the openings best, at the first of them."""
        lobes = len(self.opened_deg)
        return float((self.opened_deg - 360.0 / lobes * np.arange(lobes)).mean())


@dataclass(frozen=True, slots=True)
class Reading:
    """Of the last revolution; None where it cannot be told.

    opened_s     the newest opening
    revolution_s how long the last revolution took, by encoder, openings or index
    lobes        openings a revolution, as told or as seen
    pitch_s      mean time from one opening to the next
    closed       share of the time that the contact is closed, bounce counted as closed
    place_deg    mean angle of the openings from the index, 0 to 360 / lobes: where the openings as a
                 whole stand. It falls by as much as they come earlier
    steady       this revolution and the one before took as long as each other
    change       of the speed from that one to this, as a share
    turn         the openings of this revolution one by one, where asked for
    """

    opened_s: float | None = None
    revolution_s: float | None = None
    lobes: int | None = None
    pitch_s: float | None = None
    closed: float | None = None
    place_deg: float | None = None
    steady: bool = False
    change: float | None = None
    turn: Turn | None = None

    @property
    def dwell_deg(self) -> float | None:
        """Mean over the lobes; None where the lobes are not known."""
        return None if self.closed is None or not self.lobes else self.closed * 360.0 / self.lobes


def read(contacts: Openings | None, turns: Turns, lobes: int | None, each: bool = False) -> Reading:
    """What the newest contacts and edges tell.

    lobes  openings a revolution as told or as found in the trace so far, or None
    each   the openings of the revolution are asked for one by one
    """
    counted = _counted(turns)
    by_encoder = None if counted is None else _encoder_revolution_s(*counted)
    if contacts is None or len(contacts) < 2:
        return Reading(revolution_s=by_encoder or _index_revolution_s(turns))
    open_s = contacts.time_s
    newest_s = float(open_s[-1])
    pitch_s = float(open_s[-1] - open_s[0]) / (len(open_s) - 1)
    if _newest_s(turns) - newest_s > STOPPED * pitch_s:
        # The shaft turns on, the points do not open any more.
        return Reading(revolution_s=by_encoder or _index_revolution_s(turns))
    knots: list[tuple[float, int]] = []
    if turns.index is not None and lobes is not None:
        cleaner = IndexCleaner(lobes)
        cleaner.add(*turns.index)
        knots = cleaner.take(open_s, np.arange(len(open_s), dtype=float), final=True)
        # Few turns do not overrule what all of them told.
        knots = knots if cleaner.lobes == lobes else []
    elif counted is not None and lobes is None:
        lobes = _lobes_by_encoder(_at(open_s, *counted))
    if lobes is None:
        # One turn is not told from the next: the last few openings, as many as a common cam has.
        gaps_s = np.diff(open_s)[-UNKNOWN:]
        closed = None if _missing(gaps_s, UNKNOWN) else _closed(contacts, len(gaps_s))
        return Reading(newest_s, by_encoder, None, float(gaps_s.mean()), closed)
    if len(open_s) <= lobes:
        return Reading(newest_s, by_encoder, lobes, pitch_s)
    last_s = float(open_s[-1] - open_s[-1 - lobes])
    if last_s <= 0.0:  # what has come is no row of openings
        return Reading(newest_s, by_encoder, lobes)
    if _missing(np.diff(open_s[-1 - 2 * lobes :]), lobes):
        # What such openings show is no revolution.
        usual_s = lobes * float(np.median(np.diff(open_s[-1 - lobes :])))
        return Reading(newest_s, by_encoder or _between(knots) or usual_s, lobes, pitch_s)
    before_s = (
        float(open_s[-1 - lobes] - open_s[-1 - 2 * lobes]) if len(open_s) > 2 * lobes else None
    )
    turn = None
    if counted is not None:
        # In turns by the encoder, so that ripple of the drive does not count.
        times, turned = counted
        at = replace(
            contacts,
            time_s=_at(open_s, times, turned),
            touch_s=_at(contacts.touch_s, times, turned),
        )
        closed, place_deg = (
            _closed(at, lobes),
            _place_by_encoder(at.time_s[-lobes:], knots, counted),
        )
        if abs(float(at.time_s[-1] - at.time_s[-1 - lobes]) - 1.0) > 0.5 / lobes:
            closed = place_deg = None  # an opening too many or too few
        elif each:
            zero = _at(np.array([knots[-1][0]]), *counted)[0] if knots else 0.0
            turn = _turn(contacts, at.time_s - zero, at.touch_s - zero, lobes, bool(knots))
    else:
        rise = 0.0
        if before_s is not None:
            rise = (before_s - last_s) / before_s * 2.0 / (before_s + last_s)
        speed = Speed(float(open_s[-1]) - 0.5 * last_s, 1.0 / last_s, rise / last_s)
        closed, place_deg = _closed(contacts, lobes, rise), _place(open_s[-lobes:], knots, speed)
        if abs(rise) * last_s > QUICK:
            closed = place_deg = None
        elif each:
            start = knots if len(knots) > 1 else [(float(open_s[-1 - lobes]), 0)]
            opened, touched = (_turned(t, start, speed) for t in (open_s, contacts.touch_s))
            turn = _turn(contacts, opened, touched, lobes, start is knots)
    return Reading(
        opened_s=newest_s,
        revolution_s=by_encoder or last_s,
        lobes=lobes,
        pitch_s=last_s / lobes,
        closed=closed,
        place_deg=place_deg,
        steady=before_s is not None and abs(before_s / last_s - 1.0) < STEADY,
        change=None if before_s is None else before_s / last_s - 1.0,
        turn=turn,
    )


def _turn(
    contacts: Openings, opened: Floats, touched: Floats, lobes: int, indexed: bool
) -> Turn | None:
    """The last ``lobes`` contacts by their places in turns; None where not all of these are known."""
    opened_deg = 360.0 * opened[-lobes:]
    if not np.isfinite(opened_deg).all():
        return None
    dwell_deg = np.where(contacts.valid, 360.0 * (opened - touched), np.nan)[-lobes:]
    return Turn(contacts.time_s, indexed, opened_deg, dwell_deg)


def _lobes_by_encoder(opened: Floats) -> int | None:
    """Openings a turn, by the usual step between them in turns."""
    step = np.diff(opened[np.isfinite(opened)])
    return round(len(step) / float(step.sum())) or None if step.sum() > 1.0 else None


def _missing(gaps_s: Floats, lobes: int) -> bool:
    """Whether one of the last ``lobes`` gaps is as long as two: among themselves, or held against the
    revolution before them, which tells it of uneven lobes too.
    """
    last = gaps_s[-lobes:]
    if last.max() > 1.2 * FAR * np.median(last):
        return True
    if len(gaps_s) < 2 * lobes:
        return False
    ratio = last / gaps_s[:lobes]
    # Of one lobe or two there are not enough to have a usual one.
    return bool(ratio.max() > FAR * (np.median(ratio) if lobes > 2 else 1.1))


def _closed(contacts: Openings, turn: int, rise: float = 0.0) -> float | None:
    """Share of the last ``turn`` contacts' time (or turn) that is closed; None: too few touches seen.

    A touch without a sign is taken to have come as that lobe's did in an earlier turn, else as the
    others did.
    rise  of the speed, as a share of itself a second: what is closed late in a turn is more of it
    """
    begin_s, end_s = float(contacts.time_s[-1 - turn]), float(contacts.time_s[-1])
    closed_s = np.where(contacts.valid, contacts.time_s - contacts.touch_s, np.nan)
    middle_s = contacts.time_s - 0.5 * closed_s - 0.5 * (begin_s + end_s)
    closed_s *= 1.0 + rise * middle_s
    share = closed_s[-turn:].copy()
    for back in range(1, (len(contacts) - 1) // turn):
        earlier = closed_s[-turn * (back + 1) : -turn * back]
        share = np.where(np.isnan(share), earlier, share)
    seen = np.isfinite(share)
    if 2 * int(seen.sum()) < turn:
        return None
    return float(share[seen].mean()) * turn / (end_s - begin_s)


def _newest_s(turns: Turns) -> float:
    """The newest edge of index or encoder."""
    edges = [] if turns.index is None else [turns.index[0]]
    edges += [] if turns.encoder_s is None else [turns.encoder_s]
    return max((float(e[-1]) for e in edges if len(e)), default=-np.inf)


def _counted(turns: Turns) -> tuple[Floats, Floats] | None:
    """(times, turns) of the encoder's pulses, one turn of them at least; else None.

    A lost pulse leaves a gap that counts for more than one. The last entry is foretold, a tenth of a turn
    on, for edges that have come after the last pulse.
    """
    e = turns.encoder_s
    if e is None or not turns.pulses or len(e) <= turns.pulses // 2 + 1:
        return None
    # Few turns, in which the speed is much the same.
    e = e[-int(COUNTED_TURNS * turns.pulses) :]
    span = np.diff(e)
    # By those around it: from rest the first spans are many times the last ones, and none is missing.
    around = sliding_window_view(np.pad(span, AROUND // 2, "edge"), AROUND)
    usual = np.median(around, axis=1)
    if usual.min() <= 0.0:
        return None
    turned = np.cumsum(np.maximum(np.rint(span / usual), 1.0)) / turns.pulses
    if turned[-1] < 1.0:
        return None
    # A line's edges may come a little after the samples of their time.
    near = max(turns.pulses // 10, 1)
    times = np.append(e, 2.0 * e[-1] - e[-1 - near])
    turned = np.concatenate([[0.0], turned])
    return times, np.append(turned, 2.0 * turned[-1] - turned[-1 - near])


def _at(time_s: Floats, times: Floats, turned: Floats) -> Floats:
    """Turns at these instants; nan where no pulses tell."""
    return np.asarray(np.interp(time_s, times, turned, left=np.nan, right=np.nan))


def _encoder_revolution_s(times: Floats, turned: Floats) -> float:
    """Time of the last turn up to the newest pulse."""
    return float(times[-2] - np.interp(turned[-2] - 1.0, turned, times))


def _index_revolution_s(turns: Turns) -> float | None:
    """From pulse to pulse, where no openings tell which are real: two that agree."""
    if turns.index is None:
        return None
    rises = turns.index[0][turns.index[1]]
    if len(rises) < 3:
        return None
    before_s, last_s = np.diff(rises[-3:]).tolist()
    return float(last_s) if abs(before_s - last_s) < 0.1 * last_s else None


def _between(knots: list[tuple[float, int]]) -> float | None:
    """The last revolution from index pulse to index pulse."""
    if len(knots) < 2:
        return None
    (before_s, before), (last_s, last) = knots[-2:]
    return (last_s - before_s) / (last - before)


@dataclass(frozen=True, slots=True)
class Speed:
    """By the openings alone: turns a second at ``at_s``, and what that grows by a second."""

    at_s: float
    hz: float
    growth: float

    def turned(self, begin_s: Floats | float, end_s: Floats) -> Floats:
        middle_s = 0.5 * (begin_s + end_s) - self.at_s
        return np.asarray((end_s - begin_s) * (self.hz + self.growth * middle_s))


def _turned(time_s: Floats, knots: list[tuple[float, int]], speed: Speed) -> Floats:
    """Turns at these instants, from index pulses; nan before the first of them.

    Between two pulses the speed changes evenly: a parabola through both. Past the last one the shaft
    turns on as the openings tell.
    """
    knot_s, turn = (np.array(column, float) for column in zip(*knots, strict=True))
    k = np.searchsorted(knot_s, time_s, side="right") - 1
    before, after = np.maximum(k, 0), np.minimum(k + 1, len(knots) - 1)
    begun_s, end_s = knot_s[before], knot_s[after]
    share = (time_s - begun_s) / np.where(end_s > begun_s, end_s - begun_s, 1.0)
    bend = 0.5 * speed.growth * (time_s - begun_s) * (time_s - end_s)
    between = turn[before] + share * (turn[after] - turn[before]) + bend
    past = turn[before] + speed.turned(begun_s, time_s)
    return np.where(k < 0, np.nan, np.where(k == len(knots) - 1, past, between))


def _place(open_s: Floats, knots: list[tuple[float, int]], speed: Speed) -> float | None:
    """Mean angle from the index of the openings of one revolution, less whole pitches, deg."""
    if len(knots) < 2 or open_s[0] < knots[0][0]:
        return None
    return _less_pitches(_turned(open_s, knots, speed))


def _place_by_encoder(
    opened: Floats, knots: list[tuple[float, int]], counted: tuple[Floats, Floats]
) -> float | None:
    """The same in turns by the encoder; the index only says where a turn begins."""
    if not knots:
        return None
    return _less_pitches(opened - _at(np.array([knots[-1][0]]), *counted))


def _less_pitches(turned: Floats) -> float | None:
    mean = float(turned.mean())
    return 360.0 * mean % (360.0 / len(turned)) if np.isfinite(mean) else None
