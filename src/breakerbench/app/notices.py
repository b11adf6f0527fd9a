"""What the lines at the top of the window say: where the data come from, what must not be overlooked."""

from __future__ import annotations

import os

from PySide6.QtGui import QDropEvent

from breakerbench.app.snapshot import Phase, Snapshot

#: A look older than this is called old, s.
OLD_S = 1.0


def how_it_goes(snapshot: Snapshot) -> str:
    """Where the data come from and whether they come, in a few words."""
    phase, header = snapshot.phase, snapshot.header
    if phase is Phase.OPENING:
        return "asking the board..." if snapshot.task and snapshot.task.live else "opening..."
    if header is None:
        return ""
    parts = []
    if snapshot.task is not None and not snapshot.task.live:
        parts.append(f"from a file, {snapshot.share:.0%}")
    elif phase is Phase.RECORDING:
        parts.append(f"recording, {snapshot.seconds:.0f} s")
    elif phase is Phase.WATCHING:
        parts.append("live, not recorded")
    elif phase is Phase.WORKING_OUT:
        parts.append("working it out...")
    if snapshot.frames_missing or snapshot.frames_refused:
        parts.append(
            f"{snapshot.frames_missing} frames lost, {snapshot.frames_refused} refused on the wire"
        )
    return ", ".join(parts)


def notice(snapshot: Snapshot, now_s: float, simulated: bool) -> str:
    """What must not be overlooked: simulated, away, old."""
    parts = []
    if snapshot.simulated or simulated:
        parts.append("SIMULATED: no real distributor is measured.")
    going = snapshot.phase in (Phase.WATCHING, Phase.RECORDING)
    live = snapshot.task is not None and snapshot.task.live
    age_s = now_s - snapshot.at_s
    if going and live and not snapshot.there:
        parts.append(
            f"The board is away ({snapshot.away_why or 'no answer'}). Plug it in again: it goes on by "
            "itself. What was recorded is kept."
        )
    elif going and live and age_s > OLD_S:
        parts.append(f"OLD: nothing has come from the board for {age_s:.0f} s.")
    elif snapshot.times_away:
        many = "once" if snapshot.times_away == 1 else f"{snapshot.times_away} times"
        parts.append(f"The board was away {many} and is back.")
    return "  ".join(parts)


def dropped(event: QDropEvent) -> str:
    """Path of the one file that is dropped; ""."""
    urls = event.mimeData().urls()
    if len(urls) != 1 or not urls[0].isLocalFile():
        return ""
    path = urls[0].toLocalFile()
    return path if os.path.isfile(path) else ""
