"""Boards with numbers: told apart in one photo, and never mistaken for one another."""

import numpy as np
import pytest
from fixtures.series import drawn, series
from typer.testing import CliRunner

from standcam.cli.app import app
from standcam.errors import BadSettings
from standcam.ground import page as vector
from standcam.ground import printing
from standcam.ground.board import find_boards, map_from_board
from standcam.ground.geometry import (
    BOARD_NUMBERS,
    board_label,
    built_in_boards,
    default_board,
    known_boards,
    numbered,
    numbered_boards,
    read_board,
    small_board,
)
from standcam.ground.markers import Greys
from standcam.settings import CalibrationSettings


def test_no_two_known_boards_share_a_marker():
    ids = [id for board in known_boards() for id in board.ids]
    assert len(ids) == len(set(ids)) == 8 * BOARD_NUMBERS
    assert max(ids) < 50  # the family has no more
    assert known_boards()[:2] == built_in_boards()


@pytest.mark.parametrize("number", range(1, BOARD_NUMBERS + 1))
def test_markers_tell_the_number(number):
    for board, name in ((default_board(), "board"), (small_board(), "small board")):
        own = numbered(board, number)
        assert {board_label(id) for id in own.ids} == {f"{name} {number}"}
        assert [m.centre_mm for m in own.markers] == [m.centre_mm for m in board.markers]
    assert board_label(40) == board_label(-1) == ""


@pytest.mark.parametrize("number", [0, 6])
def test_other_numbers_are_refused(number):
    with pytest.raises(BadSettings, match="board number"):
        numbered(default_board(), number)


def test_two_boards_in_one_photo_are_both_found():
    photo = drawn(series(photos=1, seed=2, width_px=1300), 0)
    views = find_boards(Greys(photo.rgb), built_in_boards(), numbered_boards())
    assert {board_label(view.geometry.ids[0]) for view in views} == {"board 1", "board 2"}
    assert all(len(view.readings) == 4 for view in views)
    ground = map_from_board(photo, CalibrationSettings())
    names = np.array(ground.mark_names, int)
    middles = [ground.to_ground(np.array(ground.marks_px)[names // 8 == n].reshape(-1, 2)).mean(0) for n in (0, 1)]
    assert np.linalg.norm(middles[1] - middles[0]) == pytest.approx(145.0, abs=1.5)  # as they were laid


def test_a_photo_without_boards_shows_none():
    rng = np.random.default_rng(5)
    soil = rng.integers(60, 150, (600, 800, 3), dtype=np.uint8)
    assert find_boards(Greys(soil), built_in_boards(), numbered_boards()) == []


def test_print_with_a_number(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    run = CliRunner().invoke(app, ["board", "--paper", "a4", "--number", "3"])
    assert run.exit_code == 0, run.output
    board = read_board(tmp_path / "board-a4-3.toml")
    assert board.ids == (20, 21, 22, 23) and "number 3" in board.name
    assert (tmp_path / "board-a4-3.pdf").read_bytes()[:4] == b"%PDF"
    assert "--board board" not in run.output.replace("standcam board", "")  # found without being named
    assert "--number 3 --measured-ruler-mm" in run.output  # else its markers would be those of the first board
    both = CliRunner().invoke(app, ["board", "--number", "2", "--first-id", "44"])
    assert both.exit_code == 2 and "one or the other" in both.output


@pytest.mark.parametrize("halves", [False, True])
def test_the_sheet_shows_its_number_and_the_command_to_mend_it(halves):
    board = numbered(default_board(), 4)
    page = (printing.board_halves(board, "a4") if halves else printing.board_pages(board, "a3"))[0]
    texts = [item for item in page.items if isinstance(item, vector.Text)]
    assert any(item.text == "4" and item.size_mm > 12 for item in texts)
    assert "--number 4 --measured-ruler-mm" in " ".join(item.text for item in texts)
    first = printing.board_pages(default_board(), "a3")[0]
    assert "--number" not in " ".join(item.text for item in first.items if isinstance(item, vector.Text))
