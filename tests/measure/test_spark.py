"""Sparks of whole traces from the simulated bench, against its truth; and what cannot be told."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from breakerbench.bench import Bench, scenario, simulate
from breakerbench.bench.drive import steady
from breakerbench.bench.faults import apply
from breakerbench.bench.front_end import Converter
from breakerbench.bench.ignition import Gap, Ignition
from breakerbench.edges.cycles import Cycles
from breakerbench.edges.run import EdgeRun
from breakerbench.measure.spark import KEPT, Spark
from breakerbench.measure.spark_figures import BRIEF, CUT, NO_SPARK, NOT_TOLD, duration
from breakerbench.measure.spark_openings import Evenly, Kept, Verdicts, averaged, stride_of
from breakerbench.pipeline import analyze
from breakerbench.result.spark import (
    NO_COIL,
    NO_LOBES,
    NO_ORDER,
    NO_PICKUP,
    NO_POINTS,
    OTHER_ORDER,
    PICKUP_ON_COIL,
    spark_tables,
)
from breakerbench.trace import Block, EdgeTimes, Event, Header, Hole

CLEAN = Converter(250e3, noise_counts=4.0)
OUT = Gap(breakdown_v=None)
ORDER = (1, 3, 4, 2)


def bench(rpm: float = 900.0, seconds: float = 1.5, **changed: Any) -> Bench:
    base = {
        "ignition": Ignition(), "drive": steady(rpm, seconds), "converter": CLEAN,
        "channels": ("points_v", "current_a"),
    }  # fmt: skip
    return Bench(**(base | changed))


class Numbers:
    """Times of the openings by their numbers."""

    def __init__(self) -> None:
        self.open_at: dict[int, float] = {}

    def add(self, batch: Any) -> None:
        self.open_at |= dict(zip(batch.number.tolist(), batch.open_at.tolist(), strict=True))


def tables(
    header: Header, events: Iterable[Event], coil: bool | None = None, lobes: int | None = 4,
    lobe_of: str = "in turn", order: tuple[int, ...] = ORDER,
) -> tuple[dict[str, Any], dict[str, Any], dict[str, str], list[str], Spark, Numbers]:  # fmt: skip
    spark, numbers = Spark(header), Numbers()
    edges = EdgeRun(header, lobes)
    edges.cycles = Cycles(header, [spark, numbers])
    for event in events:
        if isinstance(event, Block):
            edges.block(event)
        elif isinstance(event, EdgeTimes):
            edges.edge_times(event)
        else:
            edges.hole(event)
    edges.finish()
    if coil is None:
        coil = edges.response is not None and edges.response.coil
    most = max(numbers.open_at, default=-1) + 1
    of = np.arange(most) % (lobes or 1) if lobe_of else None
    why: dict[str, str] = {}
    table, ring, notes = spark_tables(spark, header, coil, lobes, of, order, why, edges.why)
    return table, ring, why, notes, spark, numbers


def measured(made: Bench, seed: int = 1, **given: Any) -> tuple[Any, ...]:
    source = simulate(made, seed)
    return (*tables(source.header, source, **given), source.truth["spark"])


def test_a_sound_ignition() -> None:
    table, ring, why, _, _, _, truth = measured(bench())
    assert table["misses"] == truth["misses"] == 0
    assert table["duration_s"] == pytest.approx(truth["duration_s"], abs=30e-6)
    assert abs(table["duration_s"] - truth["duration_s"]) <= table["u_duration_s"] < 60e-6
    low, high = table["range_s"]
    assert low < table["duration_s"] < high
    assert table["by_lobe"] == [0, 0, 0, 0]
    assert len(table["by_speed"]) == 1
    assert table["by_speed"][0]["rpm"] == pytest.approx(900.0, rel=0.01)
    assert abs(table["burn_v"] - truth["burn_v"]) <= table["u_burn_v"]
    assert 1000.0 < ring["ring_hz"] < 6000.0
    assert 0.0 < ring["ring_decay"] < 1.0
    assert why["spark.by_tower"] == NO_PICKUP


@pytest.mark.parametrize("size", [1013, 1 << 18])
def test_blocks_do_not_matter(size: int) -> None:
    made = bench(rpm=1400.0, seconds=2.0, ignition=Ignition(gaps=(Gap(), Gap(), OUT, Gap())))
    kept = []
    for block in (1 << 16, size):
        source = simulate(made, 3, block)
        table, ring, why, notes, _, _ = tables(source.header, source)
        kept.append((table, ring, why, notes))
    assert kept[0] == kept[1]


def test_a_dead_tower_misses_every_time() -> None:
    made = bench(seconds=2.0, ignition=Ignition(gaps=(Gap(), Gap(), OUT, Gap())))
    table, _, _, _, spark, numbers, truth = measured(made)
    assert table["misses"] == pytest.approx(truth["misses"], abs=2)
    assert sorted(table["by_lobe"])[:3] == [0, 0, 0]
    assert sum(table["by_lobe"]) == table["misses"]
    missed = np.array(truth["each"]["opening_s"])[truth["each"]["missed"]]
    for number in spark.found().misses.tolist():
        at = numbers.open_at[number] / 250e3
        assert np.abs(missed - at).min() < 1e-4
    # Sparks of the other towers are measured as ever.
    assert table["duration_s"] == pytest.approx(truth["duration_s"], abs=30e-6)


def test_no_spark_at_all() -> None:
    table, _, why, _, _, _, truth = measured(bench(ignition=Ignition(gaps=(OUT,) * 4)))
    assert table["misses"] == pytest.approx(truth["misses"], abs=2)
    assert table["duration_s"] is None
    assert why["spark.duration_s"] == NO_SPARK


@pytest.mark.parametrize("range_v", [50.0, 400.0])
@pytest.mark.parametrize("positive_ground", [False, True])
def test_ranges_and_polarity(range_v: float, positive_ground: bool) -> None:
    made = bench(
        ignition=Ignition(positive_ground=positive_ground), points_range_v=range_v, seconds=1.2
    )
    table, _, _, _, spark, _, truth = measured(made)
    rest = spark.found().rest
    assert rest is not None
    assert rest.sign == (-1.0 if positive_ground else 1.0)
    assert table["duration_s"] == pytest.approx(truth["duration_s"], abs=30e-6)
    assert table["misses"] == 0


def test_cut_off_by_the_next_closing() -> None:
    """Sparks of some 3 ms where the points stay open for 1.5: no figure, and the reason."""
    gap = Gap(burn_v=600.0, slope_ohm=500.0)
    made = bench(
        rpm=2600.0, seconds=1.0, ignition=Ignition(gaps=(gap,) * 4, coil_h=11e-3, volts=15.0)
    )
    table, _, why, _, _, _, truth = measured(made)
    assert truth["cut"] > 0.8 * truth["openings"]
    assert table["duration_s"] is None
    assert "lower" in why["spark.duration_s"]
    assert table["misses"] in (0, None)


def test_pickup_on_tower_one() -> None:
    made = bench(
        seconds=2.0, ignition=Ignition(gaps=(Gap(), OUT, Gap(), Gap()), number_one_lobe=1),
        channels=("points_v", "current_a", "spark"), converter=replace(CLEAN, sample_rate_hz=166e3),
    )  # fmt: skip
    source = simulate(made, 5)
    table, _, why, _, _, _ = tables(source.header, source)
    pickup = table["pickup"]
    if pickup["on"] == "coil lead":
        assert why["spark.by_tower"] == PICKUP_ON_COIL
    else:
        by = {each["tower"]: each["misses"] for each in table["by_tower"]}
        assert set(by) == {1, 2, 3, 4}
        assert sum(by.values()) == table["misses"]
    assert pickup["sign"] in (-1, 1)


def test_what_is_missing_is_said() -> None:
    made = bench(seconds=1.0)
    source = simulate(made, 1)
    events = list(source)
    header = source.header
    why = tables(header, events, lobe_of="")[2]
    assert why["spark.by_lobe"] == why["spark.by_tower"] == NO_LOBES
    assert tables(header, events, order=())[2]["spark.by_tower"] == NO_ORDER
    assert tables(header, events, order=(1, 2, 3))[2]["spark.by_tower"] == OTHER_ORDER
    table, ring, why, _, _, _ = tables(header, events, coil=False)
    assert why["spark"] == why["condenser.ring_hz"] == NO_COIL
    assert table["misses"] is ring["ring_hz"] is None
    lone = replace(header, channels=header.channels[1:])
    blocks = [Block(e.first, e.samples[1:]) if isinstance(e, Block) else e for e in events]
    assert tables(lone, blocks)[2]["spark"] == NO_POINTS


def test_a_hole_costs_what_lies_in_it() -> None:
    made = bench(seconds=2.0)
    source = simulate(made, 1, 50_000)
    events: list[Event] = []
    for event in source:
        if isinstance(event, Block) and event.first == 200_000:
            events.append(Hole(event.first, event.first + len(event), 1, "frame refused"))
        else:
            events.append(event)
    table, _, _, _, _, _ = tables(source.header, events)
    truth = source.truth["spark"]
    assert table["duration_s"] == pytest.approx(truth["duration_s"], abs=40e-6)
    assert table["misses"] == 0
    assert table["openings"] < truth["openings"] - 4


def test_dry_feed_and_noise_do_no_harm() -> None:
    source = simulate(Bench(drive=steady(900.0, 0.6), converter=CLEAN), 1)
    table, _, why, _, _, _ = tables(source.header, source)
    assert table["duration_s"] is None
    assert why["spark"] == NO_COIL
    # As if it were one of a coil: nothing is made up.
    source = simulate(Bench(drive=steady(900.0, 0.6), converter=CLEAN), 1)
    table, _, why, _, _, _ = tables(source.header, source, coil=True)
    assert table["duration_s"] is None
    assert table["misses"] is None


def test_polarity_reversed_in_mid_trace() -> None:
    """The half that is upside down is not measured as sparks."""
    source = simulate(bench(seconds=2.0), 1, 50_000)
    events: list[Event] = []
    for e in source:
        if isinstance(e, Block) and e.first >= 250_000:
            rows = [
                np.clip(-e.samples[0].astype(int), -2048, 2047).astype(np.int16),
                *e.samples[1:],
            ]
            events.append(Block(e.first, tuple(rows)))
        else:
            events.append(e)
    table, _, _, _, _, _ = tables(source.header, events)
    truth = source.truth["spark"]
    if table["duration_s"] is not None:
        assert table["duration_s"] == pytest.approx(truth["duration_s"], abs=60e-6)
    assert not table["misses"]


def test_averaging_of_fast_traces() -> None:
    assert stride_of(250e3) == 1
    assert stride_of(10e6) == 30
    assert averaged(np.arange(7.0)[None], 3).tolist() == [[1.0, 4.0]]


def test_a_fast_import() -> None:
    """At 1 MHz, as floats: averaged, and its delay with it."""
    made = bench(seconds=0.8, converter=Converter(1e6, noise_counts=2.0))
    table, _, _, _, _, _, truth = measured(made)
    assert table["duration_s"] == pytest.approx(truth["duration_s"], abs=30e-6)


def test_openings_are_kept_evenly() -> None:
    held = Evenly()
    for k in range(1000):
        if held.wants():
            held.kept.append(Kept(k, 1.0, np.zeros(1, np.float32), 0.0, np.nan))
            if len(held.kept) > 100:
                held.thin()
    numbers = [k.number for k in held.kept]
    assert len(numbers) <= 100
    assert set(np.diff(numbers)) == {held.every}
    assert numbers[0] == 0
    assert numbers[-1] >= 1000 - held.every
    assert len(held.some(10)) <= 10
    assert KEPT > 100


def test_verdicts_grow() -> None:
    told = Verdicts()
    told.put(np.array([5, 5000]), np.array([Verdicts.MISS, Verdicts.SPARK], np.uint8))
    told.put(np.array([], np.int64), np.array([], np.uint8))
    assert told.numbers(Verdicts.MISS).tolist() == [5]
    assert told.numbers(Verdicts.SPARK).tolist() == [5000]


def test_reasons_read_as_sentences() -> None:
    for reason in (CUT, NOT_TOLD, NO_SPARK, BRIEF.format(ends=3, sparks=40), NO_PICKUP):
        assert reason[0].islower()
        assert not reason.endswith(".")


def test_nothing_came() -> None:
    source = simulate(bench(seconds=0.2), 1)
    spark = Spark(source.header)
    found = spark.found()
    assert duration(found, source.header.channels[0]).why == found.why != ""


# --- sweep ------------------------------------------------------------------------------------


@pytest.mark.sweep
def test_random_circuits() -> None:
    """Bounds: the goal (30 us; inside U 944 of 1,000, less what 40 draws scatter).

    Of all figures one in twenty may be worse: sparks that go out at one swing or another stand in
    clusters, and where the median falls between two a few openings without an end move it by
    a swing. Their U says so.
    """
    from breakerbench.bench.random_bench import random_ignition_bench  # noqa: PLC0415

    errors, inside, told, wrong = [], [], 0, 0
    for seed in range(500, 560):
        made = random_ignition_bench(seed, seconds=2.5)
        source = simulate(made, seed)
        table, _, _, _, spark, numbers = tables(source.header, source, lobes=None, lobe_of="")
        truth = source.truth["spark"]
        if table["duration_s"] is not None and truth["duration_s"] is not None:
            error = table["duration_s"] - truth["duration_s"]
            errors.append(error)
            inside.append(abs(error) <= table["u_duration_s"])
        if table["misses"] is None:
            continue
        opened = np.array(truth["each"]["opening_s"])
        missed = np.array(truth["each"]["missed"])
        lasted = np.array([np.nan if d is None else d for d in truth["each"]["duration_s"]])
        channel = source.header.channels[0]
        shift = channel.offset_s - channel.delay_s
        for number in spark.found().misses.tolist():
            at = numbers.open_at[number] / source.header.sample_rate_hz + shift
            k = int(np.argmin(np.abs(opened - at)))
            if abs(opened[k] - at) < 1e-4:
                told += 1
                # Sparks of less than 0.15 ms may count as none.
                wrong += not missed[k] and not lasted[k] < 0.15e-3
    print(
        f"{len(errors)} figures, 95 %: {np.quantile(np.abs(errors), 0.95) * 1e6:.1f} us, worst "
        f"{np.max(np.abs(errors)) * 1e6:.0f}; inside U {np.mean(inside):.3f}"
    )
    assert len(errors) >= 38
    assert np.quantile(np.abs(errors), 0.95) < 30e-6
    assert np.mean(inside) >= 0.9
    assert told > 500
    assert wrong == 0


@pytest.mark.parametrize("fault", ["tower-leaking", "tower-dead"])
def test_a_tower_whose_spark_leaks_away_is_no_spark_for_sure(fault: str) -> None:
    """A leak beside the gap takes the ring away without a spark: not counted, and said."""
    bench = apply(scenario.on_coil(scenario.after()), fault, "needs repair")
    made = simulate(replace(bench, channels=("points_v", "current_a")), 5)
    spark = analyze(made)["spark"]
    true = made.truth["spark"]["by_lobe"]
    for told, missed in zip(spark["by_lobe"], true, strict=True):
        assert told is None or abs(told - missed) <= 1
    bad = int(np.argmax(true))
    assert spark["by_lobe"][bad] is None or spark["by_lobe"][bad] > 0


def test_shorted_turns_leave_nothing_to_tell() -> None:
    bench = apply(scenario.on_coil(scenario.after()), "coil-shorted-turns", "dead")
    made = simulate(replace(bench, channels=("points_v", "current_a")), 5)
    assert min(made.truth["spark"]["by_lobe"]) > 0
    result = analyze(made)
    assert result["spark"]["misses"] is None
    assert result["why"]["spark.misses"]


@pytest.mark.parametrize("range_v", [50.0, 400.0])
@pytest.mark.parametrize("loss_ohm", [4e3, 12e3, 40e3])
def test_what_dies_away_by_itself_is_no_spark(loss_ohm: float, range_v: float) -> None:
    """Shorted turns: no gap ever fires, and the points fall evenly to the feed's level."""
    made = bench(ignition=Ignition(loss_ohm=loss_ohm), points_range_v=range_v, seconds=1.0)
    table, _, why, _, _, _, truth = measured(made)
    assert truth["misses"] == truth["openings"] > 0
    assert table["duration_s"] is None
    assert why["spark.duration_s"]


def test_gap_that_goes_out_and_strikes_again() -> None:
    """At each trough of the leakage's ring: the last of its ends counts."""
    gap = Gap(burn_v=1600.0, breakdown_v=12e3, breakdown_spread=0.03, burn_spread=0.01)
    made = bench(seconds=1.5, ignition=Ignition(gaps=(gap,) * 4, coil_h=6e-3, coupling=0.93))
    table, _, _, _, _, _, truth = measured(made)
    assert table["misses"] == 0
    assert table["duration_s"] == pytest.approx(truth["duration_s"], abs=30e-6)
    assert abs(table["duration_s"] - truth["duration_s"]) <= table["u_duration_s"]


@pytest.mark.parametrize("sense", [1.0, -1.0])
@pytest.mark.parametrize("wrong", [False, True])
def test_which_way_round_the_coil_is(sense: float, wrong: bool) -> None:
    bench = scenario.on_coil(scenario.after())
    assert bench.ignition is not None
    bench = replace(
        bench,
        channels=("points_v", "current_a", "spark"),
        pickup_sense=sense,
        ignition=replace(bench.ignition, reversed=wrong),
    )
    made = simulate(bench, 5)
    assert analyze(made)["coil"]["polarity"] == ("reversed" if wrong else "right")
    untold = analyze(Told(made, replace(made.header, pickup_sense=None)))
    assert untold["coil"]["polarity"] is None
    assert "--right-pulse" in untold["why"]["coil.polarity"]


class Told:
    """A trace with another header."""

    def __init__(self, source: Any, header: Header) -> None:
        self.header = header
        self._source = source

    def __iter__(self) -> Any:
        return iter(self._source)

    def progress(self) -> tuple[float, float]:
        return 0.0, 0.0

    def close(self) -> None:
        return
