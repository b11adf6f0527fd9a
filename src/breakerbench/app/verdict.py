"""Decision by decision with its picture: a list at the left, the one that is chosen at the right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QListWidget, QListWidgetItem, QVBoxLayout, QWidget

from breakerbench.app.gallery import Gallery
from breakerbench.app.parts import say, words
from breakerbench.app.theme import TEXT_PT, Inks, letters
from breakerbench.app.views.advance import AdvancePicture
from breakerbench.app.views.burn import BurnPicture
from breakerbench.app.views.contact import ContactPicture
from breakerbench.app.views.current import CurrentPicture
from breakerbench.app.views.lobes import LobesPicture
from breakerbench.app.views.spacing import SpacingPicture
from breakerbench.papers.subject import Subject
from breakerbench.papers.words import WORDS, Shown, limits, name, named, unit_of

#: The picture of a decision, by how its key begins.
PICTURE_OF = {
    "dwell": "lobes", "spacing": "spacing", "scatter": "spacing", "advance": "advance",
    "vacuum": "advance", "bounce": "contact", "contact": "contact", "coil": "current",
    "spark": "burn", "condenser": "burn", "sets": "lobes",
}  # fmt: skip
#: The pictures that a recording of this kind answers, before any other.
OF_A_KIND = {
    "run": ("advance", "lobes", "spacing", "contact"), "coil": ("current", "burn"),
}  # fmt: skip
#: The figures that are worth a line where nothing is judged.
MEASURED = (
    ("dwell.mean_deg", "deg", "dwell.u_deg"), ("dwell.percent", "%", "dwell.u_percent"),
    ("dwell.variation_deg", "deg", "dwell.u_variation_deg"),
    ("scatter.deg", "deg", "scatter.u_deg"), ("bounce.onset_rpm", "rpm", "bounce.u_onset_rpm"),
    ("missed.openings", "", None), ("missed.closings", "", None),
    ("advance.start_rpm", "rpm", "advance.u_start_rpm"),
    ("advance.max_deg", "deg", "advance.u_max_deg"),
    ("advance.hysteresis_deg", "deg", "advance.u_hysteresis_deg"),
    ("contact.drop_v", "V", "contact.u_drop_v"),
    ("coil.resistance_ohm", "ohm", "coil.u_resistance_ohm"),
    ("coil.inductance_h", "H", "coil.u_inductance_h"), ("coil.current_a", "A", None),
    ("spark.duration_s", "s", "spark.u_duration_s"), ("spark.misses", "", None),
    ("condenser.capacitance_f", "F", "condenser.u_capacitance_f"),
)  # fmt: skip
#: Signs told by shape, beside the word.
SIGN = {"pass": "✓", "fail": "✗", "undecided": "≈", "not measured": "·"}
ORDER = ("fail", "undecided", "not measured", "pass")


class Verdict(QWidget):
    """``show_results`` fills it; arrow keys go from one decision to the next."""

    def __init__(self) -> None:
        super().__init__()
        self._list = QListWidget()
        self._list.setFont(letters(TEXT_PT))
        self._list.setAccessibleName("decisions")
        self._list.setWordWrap(True)
        self._list.setMinimumWidth(400)
        self._list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._list.currentRowChanged.connect(self._chosen)
        self._more = words("", TEXT_PT)
        self.gallery = Gallery(
            [
                AdvancePicture(), LobesPicture(),
                SpacingPicture(), ContactPicture(),
                CurrentPicture(), BurnPicture(),
            ],
            named=False,
        )  # fmt: skip
        self._rows: list[tuple[str, str]] = []  # picture's key, what more is said
        self._subjects: dict[str, Subject] = {}
        self._others: dict[str, Subject] = {}
        right = QVBoxLayout()
        right.setSpacing(8)
        right.addWidget(self.gallery, 1)
        right.addWidget(self._more)
        across = QHBoxLayout(self)
        across.setContentsMargins(0, 0, 0, 0)
        across.setSpacing(12)
        across.addWidget(self._list, 2)
        across.addLayout(right, 3)

    def show_results(
        self,
        subjects: Sequence[Subject],
        decisions: Sequence[Mapping[str, Any]],
        other: Subject | None = None,
    ) -> None:
        """subjects: each result with what it is drawn from; decisions: of all of them together."""
        row = max(self._list.currentRow(), 0)
        self._list.blockSignals(True)
        self._list.clear()
        self._rows = []
        self._subjects = {}
        for subject in subjects:
            kind = subject.get("trace.kind")
            for key in OF_A_KIND.get(kind, ()):
                self._subjects[key] = subject
        for key in (view.key for view in self.gallery.views):
            self._subjects.setdefault(key, subjects[0])
        self._others = dict.fromkeys(self._subjects, other) if other is not None else {}
        for one in sorted(decisions, key=lambda one: ORDER.index(one["decision"])):
            self._add_decision(one, subjects[0].shown)
        judged = {one["what"] for one in decisions}
        # What is of the circuit, from the recording on the coil, should there be one.
        coil_first = sorted(subjects, key=lambda each: each.get("trace.kind") != "coil")
        for subject in coil_first:
            for key, unit, u_key in MEASURED:
                value = subject.get(key)
                if (
                    key in judged
                    or value is None
                    or (key == "dwell.percent" and subject.get("dwell.mean_deg") is not None)
                ):
                    continue
                judged.add(key)
                number = subject.shown.number(value, unit, subject.get(u_key or ""))
                text = f"{name(key)}\n     {number} {subject.shown.unit(unit)}".rstrip()
                self._add(f"    {text}", key, "Measured, not judged: no limit is stated for it.")
        self._list.blockSignals(False)
        self.gallery.draw_each(self._subjects, self._others)
        if self._rows:
            self._list.setCurrentRow(min(row, len(self._rows) - 1))
            self._chosen(self._list.currentRow())

    def _add_decision(self, one: Mapping[str, Any], shown: Shown) -> None:
        unit = unit_of(one["what"], one.get("unit") or "")
        word = WORDS[one["decision"]][0]
        number = shown.number(one.get("value"), unit, one.get("u"))
        bounds = limits(one.get("low"), one.get("high"), unit, shown)
        text = (
            f"{SIGN[one['decision']]}  {named(one, shown)}: {word}\n"
            f"     {number}, wanted {bounds} {shown.unit(unit)}"
        )
        more = [one.get("why"), f"To settle it: {one['settle']}" if one.get("settle") else None]
        chance = one.get("chance_inside")
        if chance is not None and one["decision"] == "undecided":
            more.append(f"It lies inside with {chance:.0%} probability.")
        self._add(text.rstrip(), one["what"], shown.sentence(" ".join(m for m in more if m)))

    def _add(self, text: str, what: str, more: str) -> None:
        item = QListWidgetItem(text)
        item.setData(Qt.ItemDataRole.AccessibleTextRole, " ".join(text.split()))
        self._list.addItem(item)
        self._rows.append((PICTURE_OF.get(what.partition(".")[0], "lobes"), more))

    def _chosen(self, row: int) -> None:
        if not 0 <= row < len(self._rows):
            return
        key, more = self._rows[row]
        self.gallery.show_key(key)
        say(self._more, more or "± is an expanded uncertainty, 95.45 %: a decision is made only where "
            "the figure clears its limit by that much.")  # fmt: skip

    def set_look(self, inks: Inks, shown: Shown) -> None:
        self.gallery.set_look(inks, shown)
