import numpy as np
import pytest

from standcam.errors import BadSettings
from standcam.ground.geometry import (
    BoardGeometry,
    Marker,
    board_toml,
    built_in_boards,
    default_board,
    read_board,
    read_boards,
    small_board,
)


def test_default_board_is_the_described_one():
    board = default_board()
    assert (board.dictionary, board.width_mm, board.height_mm) == ("DICT_4X4_50", 400, 300)
    # clockwise from the top left as printed, y down
    centres = [board.marker(i).centre_mm for i in (0, 1, 2, 3)]
    assert centres == [(-150, -100), (150, -100), (150, 100), (-150, 100)]
    assert {m.side_mm for m in board.markers} == {50.0}


def test_small_board_is_the_described_one():
    board = small_board()
    centres = [board.marker(i).centre_mm for i in (4, 5, 6, 7)]
    assert centres == [(-100, -65), (100, -65), (100, 65), (-100, 65)]
    assert {m.side_mm for m in board.markers} == {50.0}
    # covers A4 (ISO 216) and Letter (8.5 x 11 in) laid lengthwise
    assert (board.width_mm, board.height_mm) == (297, 215.9)


def test_no_marker_is_on_two_built_in_boards():
    marks = [(board.dictionary, id) for board in built_in_boards() for id in board.ids]
    assert built_in_boards()[0] == default_board()
    assert len(set(marks)) == len(marks) == 8


def test_ids_in_words():
    def words(*ids):
        markers = tuple(Marker(id, (40.0 * i, 0.0), 30.0) for i, id in enumerate(ids))
        return BoardGeometry("b", "DICT_4X4_50", markers, 400, 300).ids_text

    assert words(4, 7, 6, 5) == "ids 4 to 7"
    assert words(9) == "id 9"
    assert words(3, 4) == "ids 3, 4"
    assert words(1, 2, 5) == "ids 1, 2, 5"


def test_corners_come_in_the_order_top_left_top_right_bottom_right_bottom_left():
    board = BoardGeometry("b", "DICT_4X4_50", (Marker(7, (10.0, -20.0), 40.0),), 200, 200)
    assert board.corners_mm(7).tolist() == [[-10, -40], [30, -40], [30, 0], [-10, 0]]
    with pytest.raises(KeyError):
        board.corners_mm(8)


def test_toml_keeps_a_board(tmp_path):
    board = BoardGeometry(
        'odd "name"',
        "DICT_APRILTAG_36h11",
        (Marker(3, (-30.25, 0.1), 41.7), Marker(9, (40.0, 0.0), 50.0)),
        300,
        111.5,
    )
    path = tmp_path / "board.toml"
    path.write_text(board_toml(board), encoding="utf-8")
    assert read_board(path) == board


def test_a_file_may_describe_several_boards(tmp_path):
    two = (
        board_toml(default_board())
        .replace("[[board.marker]]", "[[board.marker ]]")
        .replace("[board]", "[[board]]")
        .replace("[[board.marker ]]", "[[board.marker]]")
    )
    path = tmp_path / "boards.toml"
    path.write_text(two + two.replace("id = 0", "id = 10"), encoding="utf-8")
    assert [b.ids for b in read_boards(path)] == [(0, 1, 2, 3), (10, 1, 2, 3)]
    with pytest.raises(BadSettings, match="describes 2 boards"):
        read_board(path)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("DICT_4X4_50", "DICT_9X9_50"), "DICT_9X9_50"),
        (("width_mm = 400.0\n", ""), "lacks 'width_mm'"),
        (("side_mm = 50.0", "side_mm = 'wide'"), "garbles"),
        (("side_mm = 50.0", "side_mm = -50.0"), "not above zero"),
        (("id = 1\n", "id = 0\n"), "ids"),
        (("centre_mm = [150.0, -100.0]", "centre_mm = [190.0, -100.0]"), "marker 1 sticks out"),
        (("centre_mm = [150.0, -100.0]", "centre_mm = [-120.0, -100.0]"), "markers 0 and 1 overlap"),
        (("[board]", "[board"), "not valid TOML"),
    ],
)
def test_bad_files_are_named_with_what_is_wrong(tmp_path, change, words):
    path = tmp_path / "bad.toml"
    path.write_text(board_toml(default_board()).replace(*change), encoding="utf-8")
    with pytest.raises(BadSettings, match=words) as error:
        read_board(path)
    assert "bad.toml" in str(error.value)
    assert error.value.remedy


def test_missing_file_is_named(tmp_path):
    with pytest.raises(BadSettings, match=r"nowhere\.toml cannot be read"):
        read_board(tmp_path / "nowhere.toml")


def test_empty_board_is_refused():
    with pytest.raises(BadSettings, match="has no markers"):
        BoardGeometry("none", "DICT_4X4_50", (), 100, 100)


def test_outline_is_the_board():
    assert np.ptp(default_board().outline_mm(), axis=0).tolist() == [400, 300]
