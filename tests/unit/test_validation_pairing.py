"""Which photo row is which tape row."""

import pandas as pd
import pytest

from standcam.validation.pairing import PairsMismatch, RowKey, pair_rows, read_pairs


def rows(*names):
    return pd.DataFrame(names, columns=["photo", "plot", "row"])


PHOTO = rows(("a.jpg", "north", 1), ("a.jpg", "north", 2), ("b.jpg", "south", 1))
TAPE = rows(("t.csv", "north", 1), ("t.csv", "south", 1), ("t.csv", "east", 1))


def written(tmp_path, text):
    path = tmp_path / "pairs.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_rows_of_one_name_are_one():
    tied = pair_rows(PHOTO, TAPE)
    assert [(p.photo, t.plot) for p, t in tied.pairs] == [("a.jpg", "north"), ("b.jpg", "south")]
    assert tied.photo_alone == (RowKey("a.jpg", "north", 2),) and tied.tape_alone == (RowKey("t.csv", "east", 1),)
    assert tied.how == "by plot and row" and tied.notes == ()


def test_several_photos_of_one_tape_row():
    tied = pair_rows(rows(("a.jpg", "p", 1), ("b.jpg", "p", 1)), rows(("t.csv", "p", 1)))
    assert [p.photo for p, _ in tied.pairs] == ["a.jpg", "b.jpg"] and not tied.tape_alone


def test_two_tape_rows_of_one_name_are_a_riddle():
    tied = pair_rows(rows(("a.jpg", "p", 1)), rows(("t.csv", "p", 1), ("u.csv", "p", 1)))
    assert tied.pairs == () and len(tied.photo_alone) == 1 and len(tied.tape_alone) == 2
    assert tied.notes == ("plot p, row 1 occurs 2 times among the tape rows: tell which is meant with --pairs.",)


def test_single_rows_need_no_names():
    tied = pair_rows(rows(("a.jpg", "p", 1)), rows(("t.csv", "q", 7)))
    assert len(tied.pairs) == 1 and tied.how == "as the only rows there are"
    assert pair_rows(rows(("a.jpg", "p", 1)), rows(("t.csv", "q", 7), ("t.csv", "r", 1))).pairs == ()


def test_a_pairs_file_decides(tmp_path):
    named = read_pairs(written(tmp_path, "# by hand\nPhoto;Row;Tape Plot\na.jpg;2;east\nb.jpg;;north\n"))
    tied = pair_rows(PHOTO, TAPE, named)
    assert [(str(p), t.plot) for p, t in tied.pairs] == [
        ("a.jpg, plot north, row 2", "east"),
        ("b.jpg, plot south, row 1", "north"),
    ]
    assert tied.photo_alone == (RowKey("a.jpg", "north", 1),)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("photo,tape_plot\na.jpg,north\n", "line 2 fits 2 rows of the photo results"),
        ("photo,row,tape_plot\na.jpg,1,west\n", "line 2 fits no row of the tape results"),
        ("plot,tape_plot\nsouth,east\nsouth,north\n", r"line 3 ties b.jpg, plot south, row 1 again \(line 2\)"),
        ("plot,tape_plot\n,east\n", "line 2 fits no row of the photo results"),
    ],
)
def test_lines_that_fit_not_one_row(tmp_path, text, message):
    with pytest.raises(PairsMismatch, match=message):
        pair_rows(PHOTO, TAPE, read_pairs(written(tmp_path, text)))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("photo,tape_plot\n", "names no rows"),
        ("photo,plot\na,b\n", "no column names the row of the tape"),
        ("tape_plot\nb\n", "no column names the row of the photo"),
        ("photo,tape_plot,unit\na,b,c\n", "column 'unit' is not known"),
        ("photo,photo,tape_plot\na,b,c\n", "column 'photo' occurs twice"),
        ("photo,tape_plot\na,b,c\n", "line 2 has 3 cells, the header 2"),
    ],
)
def test_files_that_make_no_sense(tmp_path, text, message):
    with pytest.raises(PairsMismatch, match=message):
        read_pairs(written(tmp_path, text))


def test_a_missing_file(tmp_path):
    with pytest.raises(PairsMismatch, match="cannot be read"):
        read_pairs(tmp_path / "none.csv")
