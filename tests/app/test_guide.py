"""Which decision stands where several recordings of one distributor have judged the same."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from app.driving import Driven, opened

pytestmark = pytest.mark.usefixtures("quiet")


def one(what: str, decision: str, value: float | None = 1.0, at: float | None = None) -> Any:
    return {"what": what, "decision": decision, "value": value, "at": at}


@pytest.mark.parametrize("order", [("hand", "run", "coil"), ("coil", "hand", "run")])
def test_each_limit_is_judged_where_it_is_measured_best(
    tmp_path: Path, windows: list[Driven], order: tuple[str, ...]
) -> None:
    windows.append(opened(tmp_path, still=True))
    guide = windows[0].window.guide
    told = {
        "hand": [one("contact.drop_v", "not measured", None), one("dwell.mean_deg", "undecided")],
        "run": [
            one("contact.drop_v", "undecided", 0.14), one("dwell.mean_deg", "pass"),
            one("coil.current_a", "not measured", None), one("advance.points", "pass", 2.0, 450.0),
            one("advance.points", "fail", 9.0, 650.0),
        ],
        "coil": [
            one("contact.drop_v", "pass", 0.08), one("dwell.mean_deg", "fail"),
            one("coil.current_a", "pass", 4.0), one("advance.points", "not measured", None, 450.0),
            one("advance.points", "not measured", None),
        ],
    }  # fmt: skip
    # The order in which they came, or in which a restart has read them, says nothing.
    guide.results = {key: {"decisions": told[key]} for key in order}
    stand = {(each["what"], each["at"]): each for each in guide.decisions()}
    assert stand[("contact.drop_v", None)]["value"] == 0.08
    assert stand[("dwell.mean_deg", None)]["decision"] == "undecided"
    assert stand[("coil.current_a", None)]["decision"] == "pass"
    assert stand[("advance.points", 450.0)]["decision"] == "pass"
    assert stand[("advance.points", 650.0)]["decision"] == "fail"
    assert len(stand) == 5
    guide.results = {}
