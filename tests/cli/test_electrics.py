"""What people read of contact, feed, coil, spark and condenser, and what they are told to do."""

from __future__ import annotations

import io
from typing import Any

import pytest
from rich.console import Console

from breakerbench.cautions import CAUTIONS
from breakerbench.cli.report import print_result
from breakerbench.judge.rules import RULES
from breakerbench.papers.advice import advice
from breakerbench.papers.words import NAMES, Shown
from breakerbench.result.electrical import NO_FEED_CHANNEL
from breakerbench.tools.ignition import MARKED
from cli.command import breakerbench
from papers.results import CIRCUIT, judged, result, specification

DRY = "a dry feed: there is no coil in the circuit"
GAP = "[dwell]\nmin_deg = 60.0\nmax_deg = 65.0\n"


def printed(told: dict[str, Any], shown: Shown | None = None) -> str:
    console = Console(file=io.StringIO(), width=80, highlight=False, markup=False)
    print_result(console, told, shown or Shown())
    text: str = console.file.getvalue()  # type: ignore[attr-defined]
    assert max(map(len, text.splitlines())) <= 80
    return text


def advised(told: dict[str, Any], body: str | None = CIRCUIT) -> list[str]:
    spec = None if body is None else specification(body)
    return list(advice(judged(told, spec), spec, Shown()))


def cell(text: str, what: str) -> str:
    """What stands after the name of a figure."""
    (line,) = [each for each in text.splitlines() if f" {what} " in each]
    return " ".join(line.split(what)[1].split())


# --- the report ---------------------------------------------------------------------------------


def test_every_figure_with_its_uncertainty() -> None:
    told = result()
    told["condenser"] = {
        "ring_hz": 2594.0, "u_ring_hz": 11.0, "ring_decay": 0.455, "rise_v_per_s": 16.2e6,
        "u_rise_v_per_s": 1e6, "ring_change": -0.12, "rise_change": 0.31,
        "u_ring_change": 0.01, "u_rise_change": 0.02, "u_ring_decay": 0.02,
    }  # fmt: skip
    told["coil"]["polarity"] = "right"
    text = printed(told)
    for what, value in (
        ("drop just before the opening", "0.120 ± 0.010 V"),
        ("at a current of", "3.900 ± 0.040 A"),
        ("from closing to closing, std dev", "0.003 V"),
        ("volts, no current flowing", "12.50 ± 0.10 V"),
        ("volts at the coil, points closed", "12.2 V"),
        ("sag from one to the other", "0.300 ± 0.010 V"),
        ("ballast, leads, switch, battery", "0.100 ± 0.010 ohm"),
        ("resistance at 20 deg C", "3.000 ± 0.050 ohm"),
        ("whole loop: feed, coil, contact", "3.125 ± 0.050 ohm"),
        ("inductance", "6.25 ± 0.10 mH"),
        ("energy at the opening", "47.5 ± 1.0 mJ"),
        ("current, ignition on, engine stopped", "4.000 ± 0.050 A"),
        ("heat in the winding then", "48.0 ± 1.5 W"),
        ("iron saturates", "no"),
        ("polarity", "right"),
        ("duration, median", "1.500 ± 0.020 ms"),
        ("burn line above the feed", "20.00 ± 0.50 V"),
        ("openings without a spark", "7 of 760"),
        ("at lobe 4", "7"),
        ("after the spark", "2.594 ± 0.011 kHz"),
        ("each swing falls to", "45.5 ± 2.0 %"),
        ("rise at the opening", "16.2 ± 1.0 V/µs"),
    ):
        assert cell(text, what) == value, what
    assert "-12.0 ± 1.0   %" in text
    assert "+31.0 ± 2.0   %" in text
    assert "Coil at the opening, by speed" in text
    assert "1,600   3.200 ± 0.050" in text
    assert "capacitance" not in text  # a ring is none


def test_speeds_as_they_are_displayed() -> None:
    text = printed(result(), Shown("crankshaft", "crankshaft"))
    assert "3,200   3.200 ± 0.050" in text


def test_a_dry_feed_says_so_once() -> None:
    told = result()
    for table in ("coil", "spark"):
        told[table] = {}
    told["why"] = {"coil": DRY, "spark": DRY}
    for key in ("ring_hz", "ring_decay", "rise_v_per_s"):
        told["why"][f"condenser.{key}"] = DRY
    text = " ".join(printed(told).split())
    assert text.count(DRY) == 1
    assert f"- coil, spark, ring after the opening, rise at the opening: {DRY}" in text
    assert "contact drop just before the opening" in text


def test_a_condenser_alone_has_no_circuit() -> None:
    told = result()
    told["trace"]["kind"] = "condenser"
    assert "Circuit" not in printed(told)


def test_every_key_of_the_result_has_a_name_of_its_own() -> None:
    for key in (*(rule.what for rule in RULES), "coil.loop_ohm", "supply.volts", "spark.by_tower"):
        assert key in NAMES or key == "vacuum.points", key


# --- what to do ---------------------------------------------------------------------------------


def test_nothing_but_the_coil_where_all_is_right() -> None:
    told = result()
    told["spark"]["misses"] = 0
    coil, heat = advised(told)
    assert coil.startswith("Coil and feed on 12 V (as the specification states): The coil is right")
    assert "48.0 ± 1.5 W heat the coil" in heat
    (coil, _) = advised(told, None)
    assert "(by the 12.5 V measured)" in coil


def test_a_drop_that_is_too_high_is_split_by_moving_the_probe() -> None:
    told = result()
    told["contact"] |= {"drop_v": 0.45, "spread_v": 0.001}
    text = " ".join(advised(told))
    assert "Contact drop 0.450 ± 0.010 V at 3.9 A: too much is lost on the way to ground." in text
    assert "look alike in one trace" in text
    assert "about 3.5 A" in text  # the rated current
    places = [text.index(f"{n}. ") for n in range(1, 6)]
    assert places == sorted(places)
    assert CAUTIONS[2] in text
    assert "The gap" not in text  # nothing of it is a matter of the gap
    assert "Out of limits" not in text
    told["contact"]["spread_v"] = 0.09
    assert "points to the contacts rather than" in " ".join(advised(told))


def test_without_a_limit_common_practice_is_said_to_be_that() -> None:
    told = result()
    told["contact"]["drop_v"] = 0.3
    assert "Common practice, from memory: at most 0.1 to 0.25 V." in " ".join(advised(told, None))
    told["contact"]["drop_v"] = 0.255  # 0.01 of it may be none
    assert "Contact drop" not in " ".join(advised(told, None))


def test_other_failures_are_named_as_ever() -> None:
    told = result()
    told["contact"]["drop_v"] = 0.45
    text = " ".join(advised(told, CIRCUIT + GAP))
    assert "The gap cannot be advised on" in text
    assert "contact drop." not in text.split("Contact drop")[0]


def test_without_the_feed_terminal_the_next_test_is_named() -> None:
    told = result()
    told["coil"] |= {"resistance_ohm": None, "resistance_20c_ohm": None, "ballast_ohm": None}
    told["why"]["coil.resistance_ohm"] = NO_FEED_CHANNEL
    text = " ".join(advised(told))
    assert "put the probe supply_v on the coil's feed terminal" in text
    assert "Coil and feed on" not in text


@pytest.mark.parametrize(
    ("ohm", "feed", "amps", "told_v", "said"),
    [
        (3.0, 1.9, 2.5, 12.5, "stands in the feed where none belongs"),
        (1.5, 1.5, 4.1, 12.5, "are right for 12 V"),
        (1.5, 0.05, 8.0, 12.5, "Read what is marked on the coil"),
        (1.5, 0.05, 4.0, 6.3, "right for 6 V"),
    ],
)
def test_coil_and_feed_are_judged_by_what_was_measured(
    ohm: float, feed: float, amps: float, told_v: float, said: str
) -> None:
    told = result()
    told["supply"]["volts"] = told_v
    told["coil"] |= {
        "resistance_ohm": ohm, "resistance_20c_ohm": ohm, "u_resistance_20c_ohm": 0.02,
        "ballast_ohm": feed, "standing_a": amps,
    }  # fmt: skip
    assert said in " ".join(advised(told, None))


def test_a_coil_of_unknown_temperature_is_judged_with_room_for_it() -> None:
    told = result()
    told["coil"]["resistance_20c_ohm"] = None
    text = " ".join(advised(told))
    assert "temperature was not told (--temperature-c)" in text


def test_nothing_is_judged_of_a_system_that_is_none() -> None:
    told = result()
    told["supply"]["volts"] = 24.5
    assert "Coil and feed on" not in " ".join(advised(told, None))
    for key in ("resistance_ohm", "standing_a"):
        broken = result()
        broken["coil"][key] = -1.0
        assert "Coil and feed on" not in " ".join(advised(broken))


def test_a_battery_that_is_low() -> None:
    told = result()
    told["supply"]["volts"] = 11.2
    assert "charge or replace the battery" in " ".join(advised(told))


def test_a_coil_the_wrong_way_round() -> None:
    told = result()
    told["coil"]["polarity"] = "reversed"
    assert "Swap the two small leads at the coil" in " ".join(advised(told))


def test_sparks_missed_at_one_tower_or_all_round() -> None:
    told = result()
    told["spark"] |= {"misses": 190, "by_tower": [{"tower": 3, "misses": 190}]}
    text = " ".join(advised(told))
    assert "190 of 760 openings gave no spark, all of them at tower 3." in text
    assert "Likely are plug, lead or tower there" in text
    assert CAUTIONS[2] in text
    told["spark"]["by_tower"] = [{"tower": k, "misses": 50} for k in (1, 2, 3, 4)]
    text = " ".join(advised(told))
    assert "at more than one place: what all sparks share is likely" in text
    told["spark"] |= {"by_tower": [], "by_lobe": [0, 190, 0, 0]}
    assert "at lobe 2 (which tower that is, the rotor shows" in " ".join(advised(told))
    told["spark"]["misses"] = 7  # one in a hundred
    assert "gave no spark" not in " ".join(advised(told))


def test_sparks_that_cannot_be_told_ask_for_the_pickup() -> None:
    told = result()
    told["spark"] = {}
    reason = "it cannot be told from most openings whether there was a spark: the burn is too weak"
    told["why"] |= {"spark.misses": reason, "spark.duration_s": reason}
    text = " ".join(advised(told))
    assert "clip the pickup on the lead from coil to cap" in text
    assert CAUTIONS[1] in text


def test_a_short_spark_has_several_explanations() -> None:
    told = result()
    told["spark"] |= {"duration_s": 0.5e-3, "misses": 0}
    text = " ".join(advised(told))
    assert "The spark is short, 0.500 ± 0.020 ms. Set the test gap to the 6 mm" in text
    assert "--kind condenser" in text
    assert "One trace does not tell these apart" in text


def test_a_ring_that_changed_asks_for_the_condenser_alone() -> None:
    told = result()
    told["condenser"] = {"ring_change": 0.25, "rise_change": 0.01}
    text = " ".join(advised(told))
    assert "Against the reference the ring changed by +25 %." in text
    assert "A suppression condenser at the coil's feed terminal is not the ignition one" in text
    told["condenser"] |= {"ring_change": 0.09, "u_ring_change": 0.05}
    assert "Against the reference" not in " ".join(advised(told))


def test_no_contact_may_be_a_module_across_the_points() -> None:
    for reason in (
        "the points neither open nor close in this trace",
        "the voltage over the closed points is a large part of the feed's: no contact in working "
        "order, or not the points that the probe is on",
    ):
        told = result()
        for table in ("contact", "coil", "spark", "supply"):
            told[table] = {}
            told["why"][table] = reason
        text = " ".join(advised(told))
        assert "If a module sits across the points" in text
        assert "bypass it" in text


def test_no_part_is_named_as_certain() -> None:
    told = result()
    told["contact"]["drop_v"] = 0.9
    told["spark"] |= {"misses": 300, "duration_s": 0.3e-3}
    text = " ".join(advised(told))
    for sure in ("is worn", "is defective", "is broken", "certainly"):
        assert sure not in text
    assert MARKED  # what may stand on a coil is asked for, never guessed


# --- the real command ---------------------------------------------------------------------------


def test_the_real_command_on_a_coil(tmp_path: Any) -> None:
    made = breakerbench(
        "simulate", "--out", "run.bbr", "--kind", "coil", "--seconds", "2", "--fault",
        "ballast-extra=needs-repair", "--channels", "points_v,current_a,supply_v", folder=tmp_path,
    )  # fmt: skip
    assert made.status == 0, made.err
    ran = breakerbench("analyze", "run.bbr", folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    assert max(map(len, ran.out.splitlines())) <= 80
    assert ran.out.startswith("SIMULATED")
    text = " ".join(ran.out.split())
    assert "ballast, leads, switch, battery 1.8" in text
    assert "stands in the feed where none belongs" in text
