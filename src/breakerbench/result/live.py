"""What a run shows while it goes on: speed, dwell and advance now, and which speeds are covered.

Three of these are readings of the last revolution, there at once: they are for watching and are no
figures of the result. The mean dwell and the speeds covered are the result's own, as far as it has got.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Openings
from breakerbench.edges.newest import MOST_S, Newest
from breakerbench.edges.run import EdgeRun
from breakerbench.measure.figures import BIN_REVOLUTIONS
from breakerbench.measure.lobes_now import Reference, earlier_deg
from breakerbench.measure.now import Reading, Turns, Votes, read
from breakerbench.measure.timing import BIN_RPM, BINS, Timing
from breakerbench.result.live_pictures import LivePictures, Pictures
from breakerbench.trace import Block, EdgeTimes, Event, Header, Hole

#: Turns and contacts that are looked back over, more than the two turns that a reading needs.
TURNS, CONTACTS = 2.6, 13.0
#: The shaft stands still where no edge has come for so long, s, or it would turn no faster than this.
STILL_S, STILL_RPM = 2.0, 10.0
#: Where it has to slow down for no edge to have come yet, uneven lobes may still be the reason.
SLACK = 1.6
LATE_S = 0.02
#: Revolutions of a speed that are in sight and not yet in the result's count: some of them may not count.
SPARE_TURNS = 2.0
#: Steady revolutions at a speed from which the advance is counted from there.
REFERENCE_TURNS = 3.0


@dataclass(frozen=True, slots=True)
class Live:
    """None where it is not known, or not known yet.

    rpm              of the last revolution; 0: the shaft stands still
    openings_a_minute   where no speed can be told, for want of index, encoder and known lobes
    dwell_deg        of the last revolution, mean over the lobes
    dwell_percent    share of the time that the contact is closed, over the same
    first_look       too few contacts yet to have learned the shape of the edges: the dwell may move a bit
    advance_deg      how much earlier the openings come than at ``advance_from_rpm``, the slowest speed
                     of the run so far at which they were seen for three steady revolutions
    mean_dwell_deg   so far, by the way of the result, which is some seconds behind
    covered          50 rpm bins with ten revolutions or more, by the speed in their middle, rpm
    opened_s         the newest opening seen, s of the trace
    opening          openings come on; False too where the shaft turns and the points do not open
    stale_s          how long ago the newest edge of any line came, s
    """

    rpm: float | None = None
    openings_a_minute: float | None = None
    dwell_deg: float | None = None
    dwell_percent: float | None = None
    first_look: bool = False
    advance_deg: float | None = None
    advance_from_rpm: float | None = None
    mean_dwell_deg: float | None = None
    covered: tuple[float, ...] = ()
    opened_s: float | None = None
    opening: bool = False
    stale_s: float | None = None

    @property
    def standing(self) -> bool:
        return self.rpm == 0.0

    @property
    def missing(self) -> tuple[float, ...]:
        """The bins between the lowest and the highest covered that are not, as in ``covered``."""
        return missing_between(self.covered)


def missing_between(covered: tuple[float, ...]) -> tuple[float, ...]:
    """The 50 rpm bins between the lowest and the highest of these that are not among them, rpm."""
    if not covered:
        return ()
    between = np.arange(covered[0], covered[-1], BIN_RPM).tolist()
    return tuple(rpm for rpm in between if rpm not in covered)


class Watch:
    """Watches a run beside the way of the result; what that costs is spent when it is asked.

    pictured  ``pictures`` will be asked too
    """

    def __init__(self, header: Header, pictured: bool = False) -> None:
        self._newest = Newest(header, every=pictured)
        self._pictures = Pictures(header, self._newest.recent) if pictured else None
        self._pulses = header.encoder_pulses or 0
        self._back_s = MOST_S
        self._edge_s: float | None = None  # the newest edge
        self._opened_s: float | None = None
        self._asked_s = 0.0
        self._turned: list[tuple[float, int, float]] = []  # when, s; bin; turns
        self._votes = Votes()
        self._lobes: int | None = None  # of the places below
        self._places = np.zeros((BINS, 3))  # steady turns, place of their openings: sum and first
        self._reference: Reference | None = None  # of these, the slowest

    def feed(self, event: Event) -> None:
        if isinstance(event, Block):
            self._newest.block(event)
        elif isinstance(event, EdgeTimes):
            self._newest.edge_times(event)
        elif isinstance(event, Hole):
            self._newest.hole(event)
            self._edge_s, self._back_s = None, MOST_S
            self._asked_s = self._newest.now_s

    def live(self, edges: EdgeRun, timing: Timing | None, counted_s: float) -> Live:
        """What to show now.

        edges, timing  the way of the result
        counted_s      the last opening that it has counted
        """
        now_s = self._newest.now_s
        reading, contacts, finest = self._read(edges)
        rpm = _rpm(reading, now_s, self._edge_s, finest)
        turns = (now_s - self._asked_s) * (rpm or 0.0) / 60.0
        self._asked_s = now_s
        counts = edges.has_index or edges.told_lobes is not None
        advance, since = None, None
        if rpm:
            if reading.steady:
                self._turned.append((now_s, _bin(rpm), turns))
            advance, since = self._advance(reading, turns)
        if self._pictures is not None:
            self._pictures.collect(contacts, reading)
        self._turned = [turned for turned in self._turned if turned[0] > counted_s]
        still, angles = rpm == 0.0, edges.reference != "none"
        closed = None if still else reading.closed
        return Live(
            rpm=rpm,
            openings_a_minute=_a_minute(reading, now_s) if rpm is None else None,
            dwell_deg=None if still or not angles else reading.dwell_deg,
            dwell_percent=None if closed is None else 100.0 * closed,
            first_look=edges.response is None and not self._newest.learned,
            advance_deg=advance,
            advance_from_rpm=since,
            mean_dwell_deg=_mean_dwell_deg(timing) if angles else None,
            covered=self._covered(timing) if counts else (),
            opened_s=self._opened_s,
            opening=reading.opened_s is not None and not still,
            stale_s=None if self._edge_s is None else max(now_s - self._edge_s, 0.0),
        )

    def pictures(self, nominal: NDArray[np.float64] | None) -> LivePictures:
        """What has been collected whenever ``live`` was asked; nothing where not pictured.

        nominal  (lobes,) opening angles by the specification, where lobes are not evenly spaced
        """
        if self._pictures is None:
            return LivePictures()
        return self._pictures.handed_out(self._reference, nominal)

    def _read(self, edges: EdgeRun) -> tuple[Reading, Openings | None, int]:
        """The newest reading and the contacts that it is of; edges a revolution of the line that the
        newest edge is from.
        """
        now_s = self._newest.now_s
        stale_s = 0.0 if self._edge_s is None else now_s - self._edge_s
        reading, contacts = self._look(self._back_s + stale_s, edges)
        if reading.pitch_s is None and self._back_s < MOST_S:
            reading, contacts = self._look(MOST_S, edges)
        reading, contacts = self._overdue(reading, contacts, self._back_s + stale_s, edges)
        self._back_s = MOST_S
        if reading.pitch_s is not None:
            # Without a revolution to go by: as many as the turns of a common cam.
            turns_s = TURNS * (reading.revolution_s or 8.0 * reading.pitch_s)
            self._back_s = min(max(turns_s, CONTACTS * reading.pitch_s), MOST_S)
        opened_s, lobes = reading.opened_s, reading.lobes or 1
        self._opened_s = self._opened_s if opened_s is None else opened_s
        newest = [] if opened_s is None else [(opened_s, lobes)]
        for name, line in self._newest.lines.items():
            # While openings come on, an index pulse is not the next edge to wait for.
            each = self._pulses or 1 if name == "encoder" else 1 if opened_s is None else lobes
            newest += [(line.newest_s, each)] if np.isfinite(line.newest_s) else []
        if not newest:
            return reading, contacts, 1
        edge_s, each = max(newest)
        self._edge_s = max(edge_s, self._edge_s or 0.0)
        return reading, contacts, each

    def _overdue(
        self, reading: Reading, contacts: Openings | None, seconds: float, edges: EdgeRun
    ) -> tuple[Reading, Openings | None]:
        """An opening that is overdue may hide among far longer contacts before it: less is looked at."""
        opened_s, pitch_s = reading.opened_s, reading.pitch_s
        if opened_s is None or pitch_s is None:
            return reading, contacts
        late_s = self._newest.now_s - opened_s
        while SLACK * pitch_s < late_s < STILL_S and seconds > 2.0 * late_s:
            seconds *= 0.5
            again, fewer = self._look(seconds, edges)
            if again.opened_s is not None and again.opened_s > opened_s:
                return again, fewer
        return reading, contacts

    def _look(self, seconds: float, edges: EdgeRun) -> tuple[Reading, Openings | None]:
        contacts = self._newest.contacts(min(seconds, MOST_S), edges.learned)
        begin_s = self._newest.now_s - min(seconds, MOST_S)
        lines = {name: line.since(begin_s) for name, line in self._newest.lines.items()}
        encoder_s = None
        if self._pulses and "encoder" in lines:
            time_s, rising = lines["encoder"]
            if np.count_nonzero(rising) <= self._pulses + 1:  # it has been turning more slowly
                time_s, rising = self._newest.lines["encoder"].since(self._newest.now_s - MOST_S)
            encoder_s = time_s[rising]
        turns = Turns(lines.get("index"), encoder_s, self._pulses)
        if contacts is not None:
            self._votes.add(contacts.time_s, turns)
        known = edges.lobes if edges.has_index else None
        lobes = known or self._votes.lobes or edges.told_lobes
        return read(contacts, turns, lobes, each=self._pictures is not None), contacts

    def _advance(self, reading: Reading, turns: float) -> tuple[float | None, float | None]:
        """How much earlier the openings come than at the slowest speed, and which that is, rpm."""
        if reading.place_deg is None or reading.revolution_s is None or not reading.lobes:
            return None, None
        if reading.lobes != self._lobes:
            self._lobes = reading.lobes
            self._places[:] = 0.0
            self._reference = None
        pitch_deg = 360.0 / reading.lobes
        if reading.steady:
            row = self._places[_bin(60.0 / reading.revolution_s)]
            if row[0] == 0.0:
                row[2] = reading.place_deg
            off = (reading.place_deg - row[2] + 0.5 * pitch_deg) % pitch_deg - 0.5 * pitch_deg
            row[0] += turns
            row[1] += turns * off
        known = np.flatnonzero(self._places[:, 0] >= REFERENCE_TURNS)
        if not len(known):
            return None, None
        many, total, first = self._places[known[0]].tolist()
        self._reference = Reference(float(known[0]) * BIN_RPM, first + total / many)
        advance = earlier_deg(self._reference.place_deg, reading.place_deg, pitch_deg)
        return float(advance), self._reference.rpm

    def _covered(self, timing: Timing | None) -> tuple[float, ...]:
        """The result's own count, and what has been seen to turn since."""
        many = np.zeros(BINS) if timing is None else timing.bins.n
        seen = np.zeros(BINS)
        for _, place, turns in self._turned:
            seen[place] += turns
        covered = many + np.maximum(seen - SPARE_TURNS, 0.0) >= BIN_REVOLUTIONS
        return tuple((np.flatnonzero(covered) * BIN_RPM).tolist())


def _bin(rpm: float) -> int:
    return min(int(rpm / BIN_RPM + 0.5), BINS - 1)


def _rpm(reading: Reading, now_s: float, edge_s: float | None, finest: int) -> float | None:
    """Speed now: that of the last revolution, or less where the next edge is overdue."""
    if edge_s is None:
        return None
    stale_s = now_s - edge_s
    if stale_s > STILL_S:
        return 0.0
    if reading.revolution_s is None:
        return None
    # An edge may come after the samples of its time.
    late_s = max(stale_s - LATE_S, 1e-9)
    rpm = min(60.0 / reading.revolution_s, 60.0 * SLACK / (finest * late_s))
    return rpm if rpm >= STILL_RPM else 0.0


def _a_minute(reading: Reading, now_s: float) -> float | None:
    if reading.pitch_s is None or reading.opened_s is None:
        return None
    return min(60.0 / reading.pitch_s, 60.0 * SLACK / max(now_s - reading.opened_s, 1e-9))


def _mean_dwell_deg(timing: Timing | None) -> float | None:
    if timing is None or timing.reference_deg is None:
        return None
    b = timing.bins
    whole = float(b.n_mean.sum())
    return timing.reference_deg + float(b.mean.sum()) / whole if whole else None
