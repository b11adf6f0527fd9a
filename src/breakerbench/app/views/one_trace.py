"""What the pictures of one trace over time have in common: what the cursor says, and their table."""

from __future__ import annotations

from breakerbench.app.views.over_time import Laid, OverTime, columns_of, rows_of
from breakerbench.app.views.picture import NO_TABLE, Picture, Table, named
from breakerbench.app.views.words import Entry
from breakerbench.papers.subject import MEAN_TRACE, SPREAD, Subject

#: What the marks of a live trace mean.
LIVE_ENTRIES = (
    Entry("line", "accent", "newest"),
    Entry("line", "ink", "mean"),
    Entry("area", "spread", "lowest to highest of the last hundred", "last hundred"),
)


class OneTrace(Picture):
    """Subclasses set ``_marks``, ``_laid`` and ``_other``; edge: what the time is counted from."""

    edge = ""
    unit = ""  # V or A
    _marks: OverTime
    _laid: Laid | None = None
    _other: Laid | None = None

    def says(self, panel: int, x: float) -> str:
        del panel
        if self._laid is None:
            return ""
        name = "" if self.other is None else named(self.other)
        return self._marks.says(self.edge, x, self._laid, self._other, name)

    def table(self) -> Table:
        runs = [each for each in (self._laid, self._other) if each is not None]
        rows = [(run + 1, *row) for run, laid in enumerate(runs) for row in rows_of(laid)]
        if not rows:
            return NO_TABLE
        return ("run", "time_s", *columns_of(self.unit.lower(), self.subject is None)), rows


def run_entries(subject: Subject, other: Subject | None, single: Entry | None) -> list[Entry]:
    """What the marks of one finished run mean, or of two."""
    mean = MEAN_TRACE if other is None else f"{MEAN_TRACE}, {named(subject)}"
    entries = [Entry("line", "ink", mean), Entry("area", "spread", SPREAD, "± 2 sd")]
    entries += [] if single is None else [single]
    if other is not None:
        entries.append(Entry("dashed", "muted", f"{MEAN_TRACE}, {named(other)}"))
    return entries
