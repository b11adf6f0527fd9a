"""The board's drive: found, told from others, written."""

from __future__ import annotations

from pathlib import Path

import pytest

from breakerbench.cli.main import main
from breakerbench.errors import BadInput
from breakerbench.firmware import IMAGE, TOLD_BY, load
from breakerbench.firmware.drives import NAME, the_drive, write

INFO = "UF2 Bootloader v3.0\nModel: RP2\nBoard-ID: RPI-RP2\n"


def drive(where: Path, name: str, info: str | None = INFO) -> Path:
    made = where / name
    made.mkdir()
    if info is not None:
        (made / TOLD_BY).write_text(info)
    return made


def test_the_one_board_is_found_among_other_drives(tmp_path: Path) -> None:
    others = [drive(tmp_path, "stick", None), drive(tmp_path, "other", "Board-ID: another\n")]
    board = drive(tmp_path, "board")
    assert the_drive(None, [*others, board, tmp_path / "gone"]) == board
    with pytest.raises(BadInput, match="no board shows"):
        the_drive(None, others)
    with pytest.raises(BadInput, match="more than one"):
        the_drive(None, [board, drive(tmp_path, "second")])
    for wrong in [*others, tmp_path / "gone"]:
        with pytest.raises(BadInput, match="is not the drive"):
            the_drive(wrong)


def test_it_is_written_whole(tmp_path: Path) -> None:
    board = drive(tmp_path, "board")
    assert write(load(), board).read_bytes() == IMAGE.read_bytes()
    with pytest.raises(BadInput, match="cannot be written"):
        write(load(), tmp_path / "gone")


def test_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    board = drive(tmp_path, "board")
    assert main(["firmware", "--drive", str(board)]) == 0
    assert (board / NAME).read_bytes() == IMAGE.read_bytes()
    said = capsys.readouterr().out
    assert "breakerbench ports" in said
    assert main(["firmware", "--show"]) == 0
    shown = capsys.readouterr().out
    assert load().build in shown
    assert str(IMAGE) in shown
    assert main(["firmware", "--drive", str(tmp_path)]) == 2
    assert "BOOTSEL" in capsys.readouterr().err
