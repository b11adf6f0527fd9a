"""Every screen of the window, one after the other, with no board behind it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from PySide6.QtWidgets import QComboBox

from app.cramped import cramped
from app.driving import Driven, Still
from app.finished import PARTS, results
from app.moments import moment, now
from app.runs import SAMPLES
from breakerbench.app.snapshot import Phase
from breakerbench.result.condenser import CondenserLive
from breakerbench.result.hand import HandLive
from breakerbench.sources.open import open_trace
from breakerbench.trace import Header


def header_of(name: str) -> Header:
    trace = open_trace(SAMPLES / name)
    try:
        return trace.header
    finally:
        trace.close()


def enter(driven: Driven, key: str) -> None:
    """As if it had been done by the person."""
    guide = driven.window.guide
    guide.go_to(next(step for step in guide.steps if step.key == key))


def waiting(driven: Driven, key: str, phase: Phase, **changes: Any) -> None:
    """The step without its result, its board at work."""
    guide, still = driven.window.guide, driven.window.guide.worker
    assert isinstance(still, Still)
    guide.results.pop(key, None)
    recorded = guide.job.step(key).recording
    guide.change_job(guide.job.with_step(key, recording=""))
    enter(driven, key)
    header = header_of(PARTS.get(key, "healthy-12v.bbr"))
    changes.setdefault("there", True)
    still.look(phase=phase, header=header, path=recorded, **changes)
    driven.spin(0.05)


def screens(driven: Driven) -> Iterator[str]:
    """Shows each and says which; the job has been finished, see `finished`."""
    window = driven.window
    guide, still = window.guide, window.guide.worker
    assert isinstance(still, Still)
    for key in ("outcome", "condenser", "coil", "run", "hand", "cautions", "distributor"):
        enter(driven, key)
        driven.spin(0.05)
        yield f"{key}, done"
        if key == "outcome":
            rows = guide.current.verdict._list  # type: ignore[union-attr]
            for k in (0, rows.count() // 2, rows.count() - 1):
                rows.setCurrentRow(k)
                driven.spin(0.03)
                yield f"outcome, row {k}"
    enter(driven, "distributor")
    for combo in driven.seen(QComboBox):
        if combo.accessibleName() == "the simulated distributor":
            combo.setCurrentIndex(1)
    driven.spin(0.05)
    yield "distributor, as it came in"
    coil, pictures, live = moment(coil=True), moment(), now(covered=(250.0, 300.0, 450.0))
    hand = HandLive(0.01, False, 5, 4, 400.0)
    for phase in (Phase.WATCHING, Phase.RECORDING):
        waiting(driven, "hand", phase, hand=hand, seconds=4.0)
        yield f"hand, {phase.value}"
        waiting(driven, "gap", Phase.WATCHING, live=live, pictures=pictures)
        yield f"gap, {phase.value}"
        waiting(driven, "run", phase, live=live, pictures=pictures, seconds=9.0)
        for _ in range(4):
            window.guide.current.gallery.next_view()  # type: ignore[union-attr]
            driven.spin(0.03)
            yield f"run, {phase.value}"
        waiting(driven, "coil", phase, live=live, pictures=coil, seconds=3.0)
        for _ in range(3):
            window.guide.current.gallery.next_view()  # type: ignore[union-attr]
            driven.spin(0.03)
            yield f"coil, {phase.value}"
        waiting(driven, "condenser", phase, seconds=3.0, condenser=CondenserLive(11.97, 3))
        yield f"condenser, {phase.value}"
    waiting(driven, "run", Phase.RECORDING, there=False, away_why="it does not answer", live=live)
    driven.spin(0.1)
    yield "run, the board away"
    waiting(
        driven, "run", Phase.RECORDING, there=False, times_away=2, frames_missing=12,
        frames_refused=3, live=live, seconds=120.0,
    )  # fmt: skip
    driven.spin(0.1)
    yield "run, with losses"
    waiting(
        driven, "run", Phase.PROBLEM,
        problem="socket://192.0.2.7:4000: nobody answers there; start the other side first, look at "
        "host and port",
    )  # fmt: skip
    driven.spin(0.1)
    yield "run, a problem"
    window.show_skip()
    driven.spin(0.05)
    yield "left out"
    window.close_page()
    window.show_settings()
    driven.spin(0.05)
    yield "settings"
    window.close_page()
    window.show_help()
    driven.spin(0.05)
    for row in range(window.page._list.count()):  # type: ignore[union-attr]
        window.page._list.setCurrentRow(row)  # type: ignore[union-attr]
        driven.spin(0.02)
        yield f"help {row}"
    window.close_page()
    yield from _trace(driven, still, pictures, live)
    window.close_page()


def _trace(driven: Driven, still: Still, pictures: Any, live: Any) -> Iterator[str]:
    window = driven.window
    window.show_trace(str(SAMPLES / "sticking-weights.bbr"))
    header = header_of("sticking-weights.bbr")
    still.look(phase=Phase.WORKING_OUT, header=header, share=0.4, there=True)
    driven.spin(0.05)
    yield "trace, measured"
    still.look(phase=Phase.DONE, header=header, share=1.0, result=results()["run"])
    driven.spin(0.05)
    yield "trace, done"
    page = window.page
    page.lay_over(str(SAMPLES / "hand-turned.bbr"))  # type: ignore[union-attr]
    still.look(phase=Phase.DONE, header=header, share=1.0, result=results()["run"])
    driven.spin(0.05)
    yield "trace, two runs"
    page._paces.button(4).click()  # type: ignore[union-attr]
    still.look(
        phase=Phase.WATCHING, header=header, share=0.4, there=True, live=live, pictures=pictures
    )
    for _ in range(6):
        page._live.next_view()  # type: ignore[union-attr]
        driven.spin(0.03)
        yield "trace, played"
    still.look(
        phase=Phase.PROBLEM, problem="notes.txt: is no trace; open a recording, CSV, WAV or VCD"
    )
    driven.spin(0.05)
    yield "trace, a problem"


def cramped_screens(driven: Driven) -> dict[str, list[str]]:
    """What is cramped on each screen once it has come to rest; a layout may be a picture behind."""
    found = {}
    for name in screens(driven):
        for _ in range(5):
            each = cramped(driven.window)
            if not each:
                break
            driven.spin(0.1)
        else:
            found[name] = each
    return found
