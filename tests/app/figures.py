"""Figures on the screen against those of the command ``analyze``, digit by digit."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

#: How large the unit that is shown is, against the contract's.
SHOWN_IN = {"ms": 1e3, "mH": 1e3, "mJ": 1e3, "kHz": 1e-3, "µF": 1e6, "megohm": 1e-6}
#: The unit that is shown for the contract's, where it is another.
SHOWN = {"s": "ms", "H": "mH", "J": "mJ", "Hz": "kHz", "F": "µF"}
NUMBER = r"(-?\d[\d,]*(?:\.\d+)?(?:e[+-]?\d+)?)(?: ± ([\d.]+))?"


def analyzed(recording: Path, spec: Path | None = None, hand: Path | None = None) -> dict[str, Any]:
    """What the command makes of a recording."""
    command = [sys.executable, "-m", "breakerbench", "analyze", str(recording)]
    command += [] if spec is None else ["--spec", str(spec)]
    command += [] if hand is None else ["--hand", str(hand)]
    ran = subprocess.run([*command, "--json", "-"], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    found: dict[str, Any] = json.loads(ran.stdout)
    return found


def same_digits(text: str, value: float, u: float | None = None, scale: float = 1.0) -> None:
    """The number that a text begins with is this value, in as many digits as it shows."""
    found = re.match(NUMBER, text)
    assert found, text
    shown, uncertainty = found[1].replace(",", ""), found[2]
    decimals = len(shown.partition(".")[2]) if "e" not in shown else 0
    if "." not in shown and uncertainty is None and "e" not in shown:
        assert float(shown) == round(value * scale), (text, value)
    else:
        assert float(shown) == float(f"{value * scale:.{decimals}f}"), (text, value)
    if uncertainty is not None:
        assert u is not None, text
        # Never smaller by more than 2 %, never larger by more than its last figure: GUM 7.2.6.
        last = 10.0 ** -len(uncertainty.partition(".")[2])
        assert 0.98 * u * scale <= float(uncertainty) < u * scale + last, (text, u)


#: What is of the circuit, and is therefore judged on the coil or on the condenser, not on a dry feed.
OF_THE_CIRCUIT = ("contact.", "coil.", "spark.", "supply.", "condenser.")


def merged(results: Mapping[str, Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The decisions of the recordings of one distributor: each from where it is measured best."""
    found = []
    for mechanical in (True, False):
        order = ("run", "coil") if mechanical else ("coil", "condenser", "run")
        taken: dict[tuple[str, Any], Mapping[str, Any]] = {}
        for name in ("hand", *order) if mechanical else (*order, "hand"):
            for one in results[name]["decisions"] or ():
                if one["what"].startswith(OF_THE_CIRCUIT) == mechanical:
                    continue
                key = (one["what"], one.get("at"))
                if key not in taken or taken[key]["decision"] == "not measured":
                    taken[key] = one
        found += taken.values()
    measured = {one["what"] for one in found if one["decision"] != "not measured"}
    return [x for x in found if x["decision"] != "not measured" or x["what"] not in measured]


def rows_show(rows: Sequence[str], results: Mapping[str, Mapping[str, Any]]) -> int:
    """Each decision is a row with its figure to the digit; returns how many figures were compared."""
    decisions = merged(results)
    judged = [row for row in rows if ", wanted " in row]
    assert len(judged) == len(decisions)
    words = {
        "pass": ": pass\n", "fail": ": FAIL\n", "undecided": ": too close to call\n",
        "not measured": ": not measured\n",
    }  # fmt: skip
    free, compared = list(judged), 0
    for one in decisions:
        unit = "megohm" if one["what"].startswith("condenser.leakage") else one["unit"]
        value, scale = one["value"], SHOWN_IN.get(SHOWN.get(unit, unit), 1.0)
        for row in free:
            body = row.partition("\n")[2].strip()
            if words[one["decision"]] not in row or not _at(row, one):
                continue
            try:
                if value is None:
                    assert body.startswith("-,"), body
                else:
                    same_digits(body, value, one["u"], scale)
            except AssertionError:
                continue
            free.remove(row)
            compared += value is not None
            break
        else:
            raise AssertionError(f"no row shows {one}\n" + "\n".join(free))
    return compared


def _at(row: str, one: Mapping[str, Any]) -> bool:
    found = re.search(rf" at {NUMBER} (?:crank )?(?:rpm|kPa)", row.partition(":")[0])
    if one.get("at") is None:
        return found is None
    return found is not None and float(found[1].replace(",", "")) == float(f"{one['at']:.4g}")
