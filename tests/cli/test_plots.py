"""``analyze --plots DIR`` by the contract: what is written, and what is left where it goes wrong."""

from __future__ import annotations

import errno
import io
import os
import signal
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest
from PIL import Image

from breakerbench.cli.main import main
from breakerbench.papers.subject import (
    ADVANCE,
    BOUNCE,
    CONTACT,
    DWELL,
    FILES,
    INDEX,
    KINDS,
    LOBES,
    OF_A_COIL,
    OF_A_RUN,
    PICTURES,
    SPACING,
)
from cli.command import CLEAN, COMMAND, Ran, breakerbench, names, stopped_while_writing
from cli.traces import write_csv

#: What a second at one speed has: no lobes over speed, no advance.
STEADY = (DWELL, SPACING, BOUNCE, CONTACT)
SAID = """Pictures in new/pictures: dwell, spacing-scatter, bounce, contact (each as SVG
and PNG; index.html shows all)
No picture of dwell-by-lobe: one speed only; each lobe's dwell at it is in dwell
No picture of advance: needs a run through the speeds: three speeds or more, 100
rpm apart
No picture of coil, contact-drop, spark: a dry feed: there is no coil in the
circuit
"""


def files(*stems: str) -> set[str]:
    return {f"{stem}.{kind}" for stem in stems for kind in KINDS} | {INDEX}


def pictures(folder: Path, *stems: str) -> dict[str, bytes]:
    """All the pictures, each whole."""
    found = {each: (folder / each).read_bytes() for each in files(*(stems or STEADY))}
    for name, content in found.items():
        if name.endswith(".png"):
            image = Image.open(io.BytesIO(content))
            image.load()
            assert (image.format, image.size) == ("PNG", (2560, 1600))
        elif name.endswith(".svg"):
            assert ElementTree.fromstring(content).get("viewBox") == "0 0 921.6 576"
    return found


def test_pictures_beside_the_report(trace_csv: Path, shown: Ran, tmp_path: Path) -> None:
    arguments = ("analyze", trace_csv, "--spec", "four-lobe", "--plots", "new/pictures")
    ran = breakerbench(*arguments, folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    alone, out = ("".join(f"{x.rstrip()}\n" for x in r.out.splitlines()) for r in (shown, ran))
    assert out.count(SAID) == 1
    assert out.replace(SAID, "") == alone
    # Between the title, as long as the name of the file makes it, and the rest.
    assert alone.startswith(out[: out.index(SAID)])
    assert "\n\n" not in out[: out.index(SAID)]
    first = pictures(tmp_path / "new" / "pictures")
    assert names(tmp_path / "new" / "pictures") == files(*STEADY)
    # again, into the same folder, with another display: ours are replaced, no others are touched,
    # and a picture of another run that this one has none of goes
    (tmp_path / "new" / "pictures" / "mine.png").write_text("mine")
    (tmp_path / "new" / "pictures" / f"{ADVANCE}.svg").write_text("of an earlier run")
    ran = breakerbench(*arguments, "--degrees", "crankshaft", folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    second = pictures(tmp_path / "new" / "pictures")
    assert all(first[each] != second[each] for each in first)
    assert names(tmp_path / "new" / "pictures") == {*files(*STEADY), "mine.png"}
    assert (tmp_path / "new" / "pictures" / "mine.png").read_text() == "mine"


def test_the_index_lists_what_was_drawn_and_why_not_the_rest(
    trace_csv: Path, tmp_path: Path
) -> None:
    ran = breakerbench("analyze", trace_csv, "--plots", ".", folder=tmp_path)
    assert ran.status == 0
    page = (tmp_path / INDEX).read_text()
    for stem in STEADY:
        assert f'<img src="{stem}.svg"' in page
        assert f'<a href="{stem}.png"' in page
    for stem in (LOBES, ADVANCE):
        assert f"{stem}.svg" not in page
        assert f"<li>{PICTURES[stem]}: " in page
    assert ("SIMULATED" in page) is ("SIMULATED" in ran.out)
    assert "Tens of kilovolts" in page
    assert "<script" not in page
    assert "http" not in page


def test_a_sweep_of_the_simulated_bench_has_every_picture(tmp_path: Path) -> None:
    speeds = "0:300,2:300,8:1500,9:1500,15:300,17:300"
    made = breakerbench(
        "simulate", "--out", "run.bbr", "--speed", speeds, "--sample-rate", "50000", folder=tmp_path
    )
    assert made.status == 0, made.err
    ran = breakerbench("analyze", "run.bbr", "--plots", "p", folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    drawn = pictures(tmp_path / "p", *OF_A_RUN)
    assert names(tmp_path / "p") == files(*OF_A_RUN)
    assert ran.out.count("No picture") == 1
    assert "No picture of coil, contact-drop, spark: a dry feed" in ran.out
    for each, content in drawn.items():
        if each.endswith((".svg", ".html")):
            assert b"SIMULATED: no real distributor was measured" in content


def test_a_trace_on_a_coil_has_those_of_the_circuit(tmp_path: Path) -> None:
    made = breakerbench(
        "simulate", "--out", "coil.bbr", "--kind", "coil", "--seconds", "2", folder=tmp_path
    )
    assert made.status == 0, made.err
    ran = breakerbench("analyze", "coil.bbr", "--plots", "p", folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    pictures(tmp_path / "p", CONTACT, *OF_A_COIL)
    assert names(tmp_path / "p") == files(CONTACT, *OF_A_COIL)
    assert "No picture" not in ran.out


def test_standard_output_stays_clean(trace_csv: Path, as_json: Ran, tmp_path: Path) -> None:
    ran = breakerbench(
        "analyze", trace_csv, "--spec", "four-lobe", "--json", "-", "--plots", tmp_path
    )
    assert (ran.status, ran.err) == (0, "")
    assert ran.out == as_json.out
    pictures(tmp_path)


def test_the_json_may_go_into_the_same_new_folder(trace_csv: Path, tmp_path: Path) -> None:
    out = ("--plots", "new", "--json", "new/result.json")
    ran = breakerbench("analyze", trace_csv, *out, folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    assert names(tmp_path / "new") == {*files(*STEADY), "result.json"}


def test_neither_surroundings_nor_settings_matter(trace_csv: Path, tmp_path: Path) -> None:
    (tmp_path / "matplotlibrc").write_text("figure.facecolor: black\nnonsense: 1\n")
    for number, environment in enumerate(
        ({"MPLBACKEND": "nonsense"}, {"MPLCONFIGDIR": "matplotlibrc/no"})
    ):
        ran = breakerbench(
            "analyze", trace_csv, "--plots", str(number), folder=tmp_path, environment=environment
        )
        assert (ran.status, ran.err) == (0, "")
    assert pictures(tmp_path / "0") == pictures(tmp_path / "1")
    plain = breakerbench("analyze", trace_csv, "--plots", tmp_path / "plain")
    assert plain.status == 0
    assert pictures(tmp_path / "plain") == pictures(tmp_path / "0")


def test_the_pictures_library_is_imported_for_pictures_alone(
    trace_csv: Path, tmp_path: Path
) -> None:
    code = (
        "import sys\n"
        "from breakerbench.cli.main import main\n"
        "assert main(sys.argv[1:]) == 0\n"
        "print('matplotlib' in sys.modules, file=sys.stderr)\n"
    )
    for plots, imported in (((), "False"), (("--plots", str(tmp_path)), "True")):
        ran = subprocess.run(
            [sys.executable, "-c", code, "analyze", str(trace_csv), "--spec", "four-lobe", *plots],
            env=CLEAN,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert ran.stderr.strip() == imported


# --- what goes wrong: one line, status 2, nothing left behind -----------------------------------


def test_places_that_cannot_be(trace_csv: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    (tmp_path / "lost").symlink_to(tmp_path / "nowhere")
    (tmp_path / "there" / FILES[-1]).mkdir(parents=True)
    for place, named in (
        ("file", "file: is a file, not a folder; name another folder"),
        ("file/sub", "file/sub: cannot be written (not a directory); check the folder's name"),
        ("lost", "lost: is a file"),
        ("new/" + "x" * 300, "file name too long"),
        ("there", f"there/{FILES[-1]}: is a folder"),
        (" ", "--plots: is empty"),
    ):
        ran = breakerbench("analyze", trace_csv, "--plots", place, folder=tmp_path)
        assert named in ran.error
        assert ran.out == ""
    assert names(tmp_path) == {"file", "lost", "there"}
    assert names(tmp_path / "there") == {FILES[-1]}
    assert (tmp_path / "file").read_text() == "mine"


@pytest.mark.parametrize("there", [True, False], ids=["folder was there", "folder is made"])
def test_a_trace_that_cannot_be_read_leaves_nothing(there: bool, tmp_path: Path) -> None:
    (tmp_path / "bad.csv").write_text("time_s,points_v\n0,0.1\n1e-5,zero\n2e-5,0.1\n")
    place = tmp_path / "new" / "pictures"
    if there:
        place.mkdir(parents=True)
        for each in ("mine.txt", FILES[0]):
            (place / each).write_text("older")
    out = ("--plots", place, "--json", place / "result.json")
    assert "line 3" in breakerbench("analyze", tmp_path / "bad.csv", *out).error
    if there:
        assert names(place) == {"mine.txt", FILES[0]}
        assert (place / FILES[0]).read_text() == "older"
    else:
        assert names(tmp_path) == {"bad.csv"}


def test_another_output_that_cannot_be_written_leaves_nothing(
    trace_csv: Path, tmp_path: Path
) -> None:
    out = ("--plots", "new", "--json", "missing/result.json")
    assert "missing/result.json" in breakerbench("analyze", trace_csv, *out, folder=tmp_path).error
    assert not names(tmp_path)


def test_the_input_is_never_overwritten(tmp_path: Path) -> None:
    trace = write_csv(tmp_path / FILES[0], 0.2)
    before = trace.read_bytes()
    ran = breakerbench("analyze", trace, "--plots", tmp_path)
    assert "is the input itself" in ran.error
    assert trace.read_bytes() == before
    assert names(tmp_path) == {FILES[0]}


@pytest.mark.skipif(os.name == "nt", reason="needs the limits of Unix")
def test_no_room_for_a_picture(trace_csv: Path, tmp_path: Path) -> None:
    """The system itself refuses the write half way, as a full disk does."""
    import resource  # noqa: PLC0415

    ran = subprocess.run(
        [COMMAND, "analyze", trace_csv, "--plots", "new", "--json", "result.json"],
        cwd=tmp_path,
        env=CLEAN,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000)),
    )
    error = Ran(ran.returncode, ran.stdout, ran.stderr).error
    assert error == f"new/{FILES[0]}: cannot be written (file too large); check the disk"
    assert ran.stdout == ""
    assert not names(tmp_path)


@pytest.mark.parametrize(
    ("number", "named"),
    [
        (errno.ENOSPC, "the disk is full; make room or choose another disk"),
        (errno.EACCES, "choose a folder that you may write to"),
        (errno.EROFS, "choose a folder that you may write to"),
    ],
)
@pytest.mark.parametrize("where", ["mkdir", "write_bytes", "touch"])
def test_the_system_refuses(
    where: str,
    number: int,
    named: str,
    trace_csv: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """In this process, because the tests may run as root, whom nothing is refused."""
    original = getattr(Path, where)

    def refuse(path: Path, *arguments: object, **named: object) -> object:
        if where == "mkdir" or FILES[-1] in path.name:  # the first picture has its place by then
            raise OSError(number, os.strerror(number), str(path))
        return original(path, *arguments, **named)

    monkeypatch.setattr(signal, "signal", lambda *_: None)
    monkeypatch.setattr(Path, where, refuse)
    place = tmp_path / "new"
    status = main(["analyze", str(trace_csv), "--plots", str(place)])
    error = Ran(status, *capsys.readouterr()).error
    assert error.startswith(str(place if where == "mkdir" else place / FILES[-1]))
    assert error.endswith(named)
    assert not names(tmp_path)


@pytest.mark.skipif(os.name == "nt", reason="needs the signals of Unix")
@pytest.mark.parametrize(
    ("sent", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)], ids=["Ctrl-C", "told to end"]
)
def test_stopped_while_drawing(
    sent: signal.Signals, status: int, recording: Path, tmp_path: Path
) -> None:
    ran = stopped_while_writing(["analyze", recording, "--plots", "new/pictures"], sent, tmp_path)
    assert (ran.status, ran.out) == (status, "")
    assert "Traceback" not in ran.err
    assert not names(tmp_path)
