"""The simulated board: the bench behind the wire, without any input or output of its own.

Time is what its caller says it is. The shaft turns by its plan from the beginning of each capture, and
goes on at the plan's last speed: two captures of the same mode are the same to the bit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from breakerbench.bench.board_capture import Running
from breakerbench.bench.board_charging import ChargingRows
from breakerbench.bench.board_faults import BoardFaults, Wire
from breakerbench.bench.board_inputs import CLOCK_HZ, SERIAL, calibrated, inputs_of, told
from breakerbench.bench.charging import Charging
from breakerbench.bench.endless import Endless
from breakerbench.bench.model import Bench
from breakerbench.bench.randomness import stream
from breakerbench.wire.account import check_sampled
from breakerbench.wire.frames import Decoder, Frame, Refused, encode
from breakerbench.wire.messages import (
    LEAST_LEVEL,
    LEVEL,
    MESSAGES,
    Begun,
    Blink,
    Calibrate,
    Hello,
    Input,
    Keep,
    Message,
    Mode,
    Outcome,
    Ping,
    Reason,
    Reply,
    Restart,
    Sampled,
    Start,
    Started,
    State,
    Status,
    Stop,
    Stopped,
)
from breakerbench.wire.packed import MOST_LOST, edges_messages, samples_message

#: Bytes a second that the buffer of what is not sent yet is measured by; kept free in it for answers.
BUFFER_BYTES_S, RESERVE = 800_000, 8192
#: Seconds between two Status, capturing and idle; without a reader until that is a stall, and the end.
STATUS_S, IDLE_STATUS_S, STALL_S, GONE_S = 0.1, 1.0, 0.05, 2.0
#: Of the board's own supply and chip, as it tells.
SUPPLY_V, CHIP_C = 5.0, 25.0
FIRST_COMMAND = 0x80
MOST_SERIAL = 16

Answer = tuple[Outcome, int]
DONE: Answer = (Outcome.DONE, 0)


class SimulatedBoard:
    """A board with a bench on it. Raises ValueError where the bench has what no board does.

    bench     by its plan; see ``inputs_of`` for the modes
    seed      of the bench
    faults    of wire and board
    serial    its number
    buffer_s  seconds of a capture that it holds while the program takes nothing
    charging  a condenser alone is on it instead; ``bench`` then gives front end and converter
    """

    def __init__(
        self,
        bench: Bench,
        seed: int = 0,
        faults: BoardFaults | None = None,
        serial: str = SERIAL,
        buffer_s: float = 0.2,
        charging: Charging | None = None,
    ) -> None:
        if len(serial.encode()) > MOST_SERIAL:
            raise ValueError(f"a serial number takes {MOST_SERIAL} bytes at most")
        self._seed, self._charging = seed, charging
        self._faults = faults or BoardFaults()
        self._serial = serial
        self._inputs = inputs_of(bench)
        self._kept = dict(self._inputs.sampled), self._inputs.calibrated
        self._most = round(buffer_s * BUFFER_BYTES_S)
        self._wire = Wire(self._faults)
        self._drops = stream(self._faults.seed, "frames of the wire")
        self._resets = sorted(self._faults.resets_s)
        self._tick = 0  # since it was made
        self._gone = False  # neither answers nor sends any more
        # Simulated ahead, so that Start need not wait for the plan of a coil.
        self._ready = {mode: self._endless(mode) for mode in self._inputs.modes}
        self._queue = bytearray()
        self._begin(Reason.POWER)

    @property
    def modes(self) -> Mapping[int, Mode]:
        """Its capture modes by number."""
        return self._inputs.modes

    def bench_in(self, mode: int) -> Bench:
        """The bench as ``simulate`` makes the same trace of it."""
        return self._inputs.benches[mode]

    # --- the program's side

    def take(self, data: bytes) -> None:
        """Bytes from the program; they come when ``give`` was called last."""
        if self._gone:
            return
        for each in self._decoder.feed(data):
            if isinstance(each, Frame):
                self._command(each.type, each.sequence, each.message)
            elif each.type is not None and each.sequence is not None:
                self._command(each.type, each.sequence, each)
            else:
                self._refused += 1
            if self._gone:
                return

    def give(self, now_s: float, most: int | None = None) -> bytes:
        """What arrives at the program up to a time, s since the board was made; it never goes back.

        most  bytes that the program takes, at that time; None: all, at any time
        """
        until = max(round(now_s * CLOCK_HZ), self._tick)
        given = bytearray(self._sent(None) if most is None else b"")
        while not self._gone and (due := self._next_tick()) <= until:
            self._tick = due
            self._happen()
            if most is None:
                given += self._sent(None)
        self._tick = until
        given += self._sent(most)
        return self._wire.carry(bytes(given))

    # --- time

    def _next_tick(self) -> int:
        ticks = [self._status_tick]
        if self._running is not None:
            ticks.append(self._running.due_tick)
            ticks += [self._fault_tick(at) for at in self._resets[:1]]
            if self._faults.silent_s is not None:
                ticks.append(self._fault_tick(self._faults.silent_s))
        return max(min(ticks), self._tick)

    def _fault_tick(self, at_s: float) -> int:
        assert self._running is not None
        return self._running.tick + round(at_s * CLOCK_HZ)

    def _happen(self) -> None:
        """What is due at this tick, one thing."""
        running = self._running
        if running is not None:
            silent = self._faults.silent_s
            if silent is not None and self._fault_tick(silent) <= self._tick:
                self._gone = True
                self._queue.clear()
                return
            if self._resets and self._fault_tick(self._resets[0]) <= self._tick:
                self._resets.pop(0)
                self._queue.clear()
                self._begin(Reason.WATCHDOG)
                return
            if running.due_tick <= self._tick:
                self._block(running, None)
                self._watch()
                return
        if running is not None or not self._queue:  # who does not read needs no old news
            self._send(self._status())
        self._status_tick += round((STATUS_S if running else IDLE_STATUS_S) * CLOCK_HZ)
        self._watch()

    def _watch(self) -> None:
        """Counts a stall; ends a capture that nobody takes."""
        if not self._queue:
            self._taken_tick, self._stalled = self._tick, False
        waits_s = (self._tick - self._taken_tick) / CLOCK_HZ
        if waits_s >= STALL_S and not self._stalled:
            self._stalled = True
            self._stalls += 1
        if waits_s >= GONE_S and self._running is not None:
            self._stop(Reason.HOST_GONE)

    # --- frames out

    def _begin(self, reason: Reason) -> None:
        """The firmware starts."""
        self._boot_tick = self._taken_tick = self._tick
        self._status_tick = self._tick + round(IDLE_STATUS_S * CLOCK_HZ)
        self._sequence = self._refused = self._stalls = 0
        self._stalled = self._greeted = False
        self._running: Running | None = None
        self._decoder = Decoder()
        self._sampled, self._own = dict(self._kept[0]), self._kept[1]
        # A frame that was cut short by the restart ends here, and Begun is not taken for its rest.
        self._queue += b"\0"
        self._send(Begun(reason), RESERVE)

    def _send(self, message: Message, reserve: int = 0) -> bool:
        """Whether there was room for it. reserve: bytes beyond the buffer that it may use."""
        frame = encode(message, self._sequence, self._tick - self._boot_tick)
        if len(self._queue) + len(frame) > self._most + reserve:
            return False
        self._sequence += 1
        share = self._faults.frames_dropped
        if not share or self._drops.random() >= share:
            self._queue += frame
        return True

    def _sent(self, most: int | None) -> bytes:
        began = None if self._running is None else self._running.tick
        if most == 0 or (
            began is not None and self._faults.stalled((self._tick - began) / CLOCK_HZ)
        ):
            self._watch()
            return b""
        sent = bytes(self._queue[:most])
        del self._queue[:most]
        self._taken_tick, self._stalled = self._tick, False
        return sent

    def _status(self) -> Status:
        r = self._running
        if r is None:
            return Status(State.IDLE, 0, 0, 0, 0, self._refused, self._stalls, SUPPLY_V, CHIP_C)
        return Status(
            State.CAPTURING, 0, r.rows, r.rows_lost, r.edges_lost, self._refused, self._stalls,
            SUPPLY_V, CHIP_C,
        )  # fmt: skip

    def _block(self, running: Running, rows: int | None) -> None:
        """Sends the next rows and their edges, or counts them as lost where there is no room."""
        first = running.rows
        counts, edges = running.take(rows)
        if not self._send(samples_message(first, counts)):
            running.rows_lost += counts.shape[1]
        for name, stamps in edges.items():
            for ticks, rising in running.stretches(name, stamps):
                number = int(Input[name.upper()])
                for message in edges_messages(number, ticks, rising):
                    lost = min(running.gone[name], MOST_LOST)
                    if self._send(replace(message, lost=lost)):
                        running.gone[name] = 0
                    else:
                        running.lose(name, message.count)

    def _stop(self, reason: Reason) -> None:
        running = self._running
        if running is None:
            return
        rest = running.sampled_until(self._tick) - running.rows
        if rest > 0:
            self._block(running, rest)
        self._running = None
        self._status_tick = self._tick + round(IDLE_STATUS_S * CLOCK_HZ)
        self._send(Stopped(reason, running.rows), RESERVE)

    def _endless(self, mode: int) -> Endless | ChargingRows:
        if self._charging is not None:
            return ChargingRows(self._charging, self.bench_in(mode), self._seed)
        return Endless(self.bench_in(mode), self._seed, self._inputs.modes[mode].row_ticks)

    # --- commands

    def _command(self, code: int, sequence: int, said: Message | Refused | None) -> None:
        """Answers it, after all else that it makes the board send."""
        kind = MESSAGES.get(code)
        if kind is None or code < FIRST_COMMAND:
            outcome, detail = Outcome.UNKNOWN, 0
        elif said is None or isinstance(said, Refused):
            outcome, detail = Outcome.MALFORMED, 0
        elif not self._greeted and not isinstance(said, Hello | Ping | Blink | Restart):
            outcome, detail = Outcome.NOT_NOW, 0
        else:
            outcome, detail = self._ANSWERS[type(said)](self, said)
        self._send(Reply(sequence, code, outcome, detail), RESERVE)
        if isinstance(said, Restart) and outcome == Outcome.DONE:
            if said.drive:
                self._gone = True  # what it said last may still be taken
            else:
                self._begin(Reason.ASKED)

    def _hello(self, said: Hello) -> Answer:
        self._stop(Reason.ASKED)
        for message in told(self._inputs, self._sampled, self._own, self._serial, self._faults):
            self._send(message, RESERVE)
        level, least = self._faults.levels or (LEVEL, LEAST_LEVEL)
        self._greeted = said.least_level <= level and least <= said.level
        return DONE if self._greeted else (Outcome.LEVEL, level)

    def _start(self, said: Start) -> Answer:
        if self._running is not None:
            return Outcome.NOT_NOW, 0
        mode = self._inputs.modes.get(said.mode)
        if mode is None:
            return Outcome.MALFORMED, 0
        bench = self._ready.pop(said.mode, None) or self._endless(said.mode)
        self._running = Running(mode, bench, self._tick, self._faults)
        self._status_tick = self._tick + round(STATUS_S * CLOCK_HZ)
        self._send(Started(said.mode, self._tick - self._boot_tick), RESERVE)
        return DONE

    def _stop_asked(self, _: Stop) -> Answer:
        self._stop(Reason.ASKED)
        return DONE

    def _calibrate(self, said: Calibrate) -> Answer:
        if self._running is not None:
            return Outcome.NOT_NOW, 0
        in_use: Sampled | None = self._sampled.get(said.input)
        if in_use is None:
            return Outcome.MALFORMED, 0
        figures = calibrated(in_use.bits, said)
        try:
            check_sampled(figures)
        except ValueError:
            return Outcome.MALFORMED, 0
        self._sampled[said.input] = figures
        self._own = True
        return DONE

    def _keep(self, _: Keep) -> Answer:
        if self._running is not None:
            return Outcome.NOT_NOW, 0
        self._kept = dict(self._sampled), self._own
        return DONE

    def _restart(self, said: Restart) -> Answer:
        return DONE if said.drive in (0, 1) else (Outcome.MALFORMED, 0)

    _ANSWERS: Mapping[type, Callable[..., Answer]] = {
        Hello: _hello,
        Start: _start,
        Stop: _stop_asked,
        Ping: lambda _, said: (Outcome.DONE, said.token),
        Blink: lambda _, __: DONE,
        Calibrate: _calibrate,
        Keep: _keep,
        Restart: _restart,
    }
