"""Uniform to 1 % or refused with the line; what the printing of the times explains is no fault."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from breakerbench.errors import BadInput
from breakerbench.sources import csv as csv_source
from breakerbench.sources.csv import CsvSource
from breakerbench.sources.options import ImportOptions

ROWS = 10_000


@pytest.fixture(autouse=True)
def _several_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(csv_source, "_PIECE_BYTES", 1 << 16)


Form = Callable[[float], str]

FORMS: dict[str, Form] = {
    "shortest": repr,
    "6 decimals": "{:.6f}".format,
    "7 decimals": "{:.7f}".format,
    "12 decimals": "{:.12f}".format,
    "6 digits": "{:.6g}".format,
    "7 digits": "{:.7g}".format,
    "10 digits": "{:.10g}".format,
    "4 digits, exponent": "{:.3E}".format,
    "7 digits, exponent": "{:.6E}".format,
    "single precision, shortest": lambda t: str(np.float32(t)),
    "single precision, 12 digits": lambda t: f"{float(np.float32(t)):.12g}",
}


def read(
    path: Path, texts: Sequence[str], options: ImportOptions | None = None
) -> tuple[float, int]:
    """Sample rate and number of rows."""
    lines = [f"{text},{n % 7}" for n, text in enumerate(texts)]
    path.write_text("\n".join(["time_s,points_v", *lines, ""]))
    with CsvSource(path, options) as source:
        return source.header.sample_rate_hz, sum(len(block) for block in source)  # type: ignore[arg-type]


@pytest.mark.parametrize("rate_hz", [250e3, 1e6 / 6, 20e3])
@pytest.mark.parametrize("start_s", [0.0, 12.3456])
@pytest.mark.parametrize("form", FORMS)
def test_forms_that_instruments_print(
    tmp_path: Path, form: str, start_s: float, rate_hz: float
) -> None:
    if form == "4 digits, exponent":
        start_s = 0.0  # with four digits, seconds after twelve would not tell the sample time
    times = (start_s + np.arange(ROWS) / rate_hz).tolist()
    texts = [FORMS[form](t) for t in times]
    got_hz, rows = read(tmp_path / "a.csv", texts)
    assert rows == ROWS
    assert got_hz == pytest.approx(rate_hz, rel=2e-4)
    if form in ("shortest", "12 decimals"):
        assert got_hz == pytest.approx(rate_hz, rel=1e-9)


def test_five_decimals_for_four_microseconds(tmp_path: Path) -> None:
    texts = [f"{n * 4e-6:.5f}" for n in range(ROWS)]
    got_hz, rows = read(tmp_path / "a.csv", texts)
    assert (rows, got_hz) == (ROWS, pytest.approx(250e3, rel=1e-6))


def test_seconds_since_1970(tmp_path: Path) -> None:
    """A double holds them to a quarter of a microsecond."""
    texts = [f"{1_760_000_000 + n * 4e-6:.7f}" for n in range(ROWS)]
    got_hz, rows = read(tmp_path / "a.csv", texts)
    assert (rows, got_hz) == (ROWS, pytest.approx(250e3, rel=1e-5))


def test_milliseconds(tmp_path: Path) -> None:
    texts = [f"{n * 4e-3:.3f}" for n in range(ROWS)]
    got_hz, _ = read(tmp_path / "a.csv", texts, ImportOptions(scales={"time_s": 1e-3}))
    assert got_hz == 250e3


def test_rates_come_out_round(tmp_path: Path) -> None:
    for rate_hz in (250e3, 100e3, 20e3, 48e3, 44.1e3, 1e6 / 3):
        got_hz, _ = read(tmp_path / "a.csv", [repr(n / rate_hz) for n in range(2000)])
        assert got_hz == float(f"{rate_hz:.10g}")


@pytest.mark.parametrize("rows", [2, 3, 5, 30])
@pytest.mark.parametrize("form", ["{:.6f}", "{!r}", "{:.6g}"])
def test_short_tables(tmp_path: Path, rows: int, form: str) -> None:
    got_hz, got = read(tmp_path / "a.csv", [form.format(n * 4e-6) for n in range(rows)])
    assert (got, got_hz) == (rows, 250e3)


def test_jitter_below_one_percent(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    times = (np.arange(ROWS) + rng.uniform(-0.0048, 0.0048, ROWS)) * 4e-6
    got_hz, rows = read(tmp_path / "a.csv", [repr(t) for t in times.tolist()])
    assert (rows, got_hz) == (ROWS, pytest.approx(250e3, rel=1e-6))


def refused(tmp_path: Path, texts: Sequence[str]) -> tuple[int, str]:
    """Row (from 0) that is refused, and the message."""
    with pytest.raises(BadInput, match=r"a\.csv line \d+: ") as caught:
        read(tmp_path / "a.csv", texts)
    message = str(caught.value)
    return int(message.split(" line ")[1].split(":")[0]) - 2, message


PLACES = [1, 2, 2500, 7000, ROWS - 2]


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(
    "form", ["shortest", "6 decimals", "12 decimals", "single precision, shortest"]
)
@pytest.mark.parametrize("missing", [1, 10_000])
def test_a_gap(tmp_path: Path, form: str, missing: int, place: int) -> None:
    """Rows that are missing are seen at the first row after them."""
    n = np.arange(ROWS)
    n[place:] += missing
    texts = [FORMS[form](t) for t in (n / 166_667).tolist()]
    row, message = refused(tmp_path, texts)
    assert row == place
    assert "time steps by" in message
    assert "6e-06 is usual" in message or "5.99" in message


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("form", ["{:.3f}", "{!r}"])
@pytest.mark.parametrize("missing", [1, -1, 2])
def test_a_gap_where_a_step_is_one_printed_digit(
    tmp_path: Path, form: str, missing: int, place: int
) -> None:
    n = np.arange(ROWS)
    n[place:] += missing
    row, message = refused(tmp_path, [form.format(t) for t in (n / 1000).tolist()])
    assert row == place
    assert "0.001 is usual" in message or "time stands still" in message


@pytest.mark.parametrize("rate_hz", [990.0, 953.7, 900.0, 833.3, 700.0, 600.0, 1234.5, 2000.0])
def test_rates_that_three_decimals_do_not_hold(tmp_path: Path, rate_hz: float) -> None:
    texts = [f"{n / rate_hz:.3f}" for n in range(ROWS)]
    got_hz, rows = read(tmp_path / "a.csv", texts)
    assert (rows, got_hz) == (ROWS, pytest.approx(rate_hz, rel=1e-5))


def test_three_rows_lost_here_and_there_are_not_rounding(tmp_path: Path) -> None:
    n = np.delete(np.arange(ROWS), [1000, 1300, 2800, 4500])
    assert refused(tmp_path, [f"{t:.3f}" for t in (n / 1000).tolist()])[0] == 1000


@pytest.mark.parametrize("place", PLACES)
def test_a_row_twice(tmp_path: Path, place: int) -> None:
    n = np.arange(ROWS)
    n[place:] -= 1
    row, message = refused(tmp_path, [repr(t) for t in (n * 4e-6).tolist()])
    assert row == place
    assert "time stands still" in message


@pytest.mark.parametrize("place", PLACES)
def test_time_that_goes_back(tmp_path: Path, place: int) -> None:
    texts = [f"{n * 4e-6:.6f}" for n in range(ROWS)]
    row, message = refused(tmp_path, texts[:place] + texts[: ROWS - place])
    assert row == place
    assert "time goes back" in message or "time stands still" in message


def test_a_slow_drift(tmp_path: Path) -> None:
    """No interval differs from its neighbours, the last are 3 % longer than the first."""
    steps = 4e-6 * np.linspace(1, 1.03, ROWS)
    for form in (repr, "{:.7f}".format, "{:.5f}".format):
        row, message = refused(tmp_path, [form(t) for t in np.cumsum(steps).tolist()])
        assert row < 2000 or row > 4000
        assert "time steps by" in message or "is no longer 4.0" in message


def test_another_rate_from_the_middle_on(tmp_path: Path) -> None:
    steps = np.full(ROWS, 4e-6)
    steps[8000:] *= 1.02
    for form in (repr, "{:.7f}".format):
        texts = [form(t) for t in np.cumsum(steps).tolist()]
        assert 8000 <= refused(tmp_path, texts)[0] < 8050


@pytest.mark.parametrize("jitter", [0.02, 0.3, 3.0])
def test_jitter_above_one_percent(tmp_path: Path, jitter: float) -> None:
    rng = np.random.default_rng(4)
    times = (np.arange(2000) + jitter * rng.uniform(-1, 1, 2000)) * 4e-6
    row, _ = refused(tmp_path, [repr(t) for t in times.tolist()])
    assert row < 1000


def test_no_time_at_all(tmp_path: Path) -> None:
    assert refused(tmp_path, ["0"] * 100) == (
        1,
        f"{tmp_path}/a.csv line 3: time stands still; "
        "export time_s with more digits, each row once",
    )
    assert "goes back" in refused(tmp_path, [str(-n) for n in range(100)])[1]
    assert "too coarsely" in refused(tmp_path, [f"{n * 4e-6:.2f}" for n in range(ROWS)])[1]


def test_a_spike(tmp_path: Path) -> None:
    texts = [repr(n * 4e-6) for n in range(ROWS)]
    texts[7777] = "5"
    assert refused(tmp_path, texts)[0] == 7777


@settings(
    max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(
    rate_hz=st.floats(1.0, 1e6),
    start_s=st.sampled_from([0.0, -1.0, 0.1234567, 99.0, 1e5]),
    form=st.sampled_from(["{!r}", "{:.12f}", "{:.15g}", "{:.9e}"]),
    rows=st.integers(10, 300),
    place=st.floats(0, 1),
    change=st.sampled_from([0.0, 0.3, -0.4, 1.0, 17.0]),
)
def test_any_rate_with_enough_digits(
    tmp_path: Path,
    rate_hz: float,
    start_s: float,
    form: str,
    rows: int,
    place: float,
    change: float,
) -> None:
    """Printed finely enough, every table is taken, and every step changed by a third is found."""
    if start_s == 1e5 and (form == "{:.9e}" or rate_hz > 1e4):
        start_s = 0.0
    at = 1 + int(place * (rows - 2))
    n = np.arange(rows, dtype=float)
    n[at:] += change
    texts = [form.format(t) for t in (start_s + n / rate_hz).tolist()]
    if form == "{:.9e}" and start_s:
        return  # ten digits do not do for all of these
    if change:
        assert refused(tmp_path, texts)[0] == at
    else:
        got_hz, got = read(tmp_path / "a.csv", texts)
        assert (got, got_hz) == (rows, pytest.approx(rate_hz, rel=1e-5))
