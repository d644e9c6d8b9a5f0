"""What scouts really type: bare counts, one column a row, remarks, merged cells, and what spreadsheets do to it."""

import numpy as np
import pytest

from standcam import tables
from standcam.errors import BadTape
from standcam.settings import SpacingSettings
from standcam.spacing.tape import read_tape, read_tape_file
from standcam.summarise import summarise


@pytest.fixture
def file(tmp_path):
    def run(text, **options):
        path = tmp_path / "north.csv"
        path.write_bytes(text.encode())
        return read_tape_file(path, **options)

    return run


@pytest.fixture
def mistakes(file):
    def run(text):
        with pytest.raises(BadTape) as caught:
            file(text)
        return str(caught.value)

    return run


def places(found, row=1):
    return found.positions.loc[found.positions["row"] == row, "position_cm"].tolist()


# ---- counts only


@pytest.mark.parametrize(
    "text",
    [
        "plot,row,plants,row_length_m\nA,1,29,5.31\nA,2,0,5.31\nB,1,31,5.31\n",
        "row length (m);Count;row;Plot\n5,31;29;1;A\n5,31;none;2;A\n5,31;31 plants;1;B\n",
        "# row_length_cm: 531\nplace,row,stand count\nA,1,29\nA,2,no plants\nB,1,31.0\n",
        "# row_length_m: 5.31\n# readings: counts\nplot,row 1,row 2\nA,29,0\nB,31,\n",
    ],
)
def test_bare_counts(file, text):
    found = file(text)
    assert len(found.positions) == 0
    tables.check(tables.POSITIONS, found.positions)
    tables.check(tables.STRETCHES, found.stretches)
    told = found.stretches[["plot", "row", "plants", "status"]].to_numpy().tolist()
    assert told == [["A", 1, 29, "counted"], ["A", 2, 0, "empty"], ["B", 1, 31, "counted"]]
    assert found.stretches["to_cm"].tolist() == pytest.approx([531, 531, 531])


def test_counts_give_population_and_no_spacing(file):
    """29, 31, 27, 30, 28 plants on 1/1000 acre of 30 in rows: 29,000 per acre, 71,660 per ha (DERIVED values)."""
    found = file("# row_length: 17.424 ft\nplants\n29\n31\n27\n30\n28\n")
    assert found.stretches["row"].tolist() == [1, 2, 3, 4, 5]
    summary = summarise(found.positions, found.stretches, SpacingSettings(row_width_cm=76.2, nominal_spacing_cm=16))
    rows, plots = summary.rows, summary.plots
    assert rows["status"].tolist() == ["ok"] * 5 and rows["plants"].tolist() == [29, 31, 27, 30, 28]
    assert plots["plants_per_ha"].iloc[0] == pytest.approx(71_660, abs=1)
    assert rows[["mean_gap_cm", "sd_gap_cm", "cv_pct", "misses_pct"]].isna().all(axis=None)
    assert len(summary.gaps) == 0 and not rows["flags"].str.contains("censored_ends").any()


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("plants\n29\n", "Line 2: a count needs the length of row"),
        ("row,plants,row_length_m\n1,29,5\n2,31,\n", "Line 3: a count needs the length of row"),
        ("row,plants,row_length_m\n1,29,5\n1,31,5\n", "Line 3: row 1 of plot north again, as in line 2; typed twice?"),
        ("row,plants,row_length_m\n1,29.5,5\n", "Line 2: '29.5' is no whole number of plants"),
        ("row,plants,row_length_m\n1,-3,5\n", "Line 2: '-3' is no whole number"),
        ('row,plants,row_length_m\n1,"1,024",5\n', "Line 2: '1,024' is no whole number"),
        ("row,plants,row_length_m\n1,,5\n", "Line 2: no count; write 0"),
        ("row,plants,row_length_m\n,29,5\n", "Line 2: the row is missing"),
        ("row,plants,row_length_m\n1,29,0\n", "Line 2: row length: '0' is not above zero"),
    ],
)
def test_mistakes_of_counts(mistakes, text, part):
    assert part in mistakes(text)


def test_a_count_beside_readings_is_a_remark(file):
    found = file("row,position_cm,plants\n1,4,2\n1,20,2\n")
    assert found.stretches["plants"].tolist() == [2] and found.stretches["tape_plants"].tolist() == ["2"]


# ---- wide


WIDE = "row 1 (cm),row 2 (cm)\n4.5,3\n22,19.5\n39,36\n57.5,\n"


def test_wide_layout_is_the_long_one(file):
    long = "row,position_cm\n1,4.5\n1,22\n1,39\n1,57.5\n2,3\n2,19.5\n2,36\n"
    a, b = file(WIDE), file(long)
    assert a.positions.equals(b.positions) and a.stretches.equals(b.stretches)
    assert file("Row 1,Row 2\n4.5,3\n22,19.5\n39,36\n57.5,\n", unit="cm").positions.equals(b.positions)


def test_lines_of_a_wide_file_tell_of_its_rows(file):
    found = file(
        "Field north;;\n;row 1;row 2\nrow length;6 m;600 cm\nrow unit;3;7\nplant 1;4,5 cm;3 cm\n2;22 cm;19,5 cm\n"
        "3;39 cm;36 cm\n4;58 cm;\n"
    )
    assert places(found) == [4.5, 22, 39, 58] and places(found, 2) == [3, 19.5, 36]
    assert found.stretches["to_cm"].tolist() == [600, 600] and found.stretches["row_unit"].tolist() == ["3", "7"]
    assert found.positions["row_unit"].tolist() == ["3"] * 4 + ["7"] * 3
    assert found.positions["tape_plant"].tolist()[:2] == ["plant 1", "2"]
    assert "line 1: 'Field north;;' stands above the headings" in found.notes[0]


@pytest.mark.parametrize("late", ["late 1,late 2", "late,late"])
def test_columns_of_a_row_in_a_wide_file(file, late):
    one, two = late.split(",")
    found = file(f"row 1 cm,{one},row 2 cm,{two}\n4.5,,3,x\n22,x,19,\n39,,35,\n57,,50,\n")
    assert found.positions["late"].tolist() == ["", "x", "", "", "x", "", "", ""]
    assert "late" not in found.stretches


def test_wide_gaps_when_it_is_said(file):
    lines = "14.5,13\n22,19\n13,15\n16,\n"
    said = file(f"# readings: gaps\nrow 1 (cm),row 2 (cm)\n{lines}")
    assert places(said) == [0, 14.5, 36.5, 49.5, 65.5] and places(said, 2) == [0, 13, 32, 47]
    assert file(f"gap row 1 cm,gap row 2 cm\n{lines}").positions.equals(said.positions)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("row 1 (cm),row 2 (cm)\n14.5,13\n22,19\n13,15\n16,14\n", "Line 1: these may be running positions, gaps or"),
        ("plot,row 1,row 2\nA,29,31\nB,30,28\n", "Line 1: these may be running positions, gaps or counts"),
        # gaps that happen to rise never leave their first value far behind
        ("row 1 (cm),row 2 (cm)\n14,13\n16,14\n17,15\n19,17\n", "Line 1: these may be running positions, gaps or"),
        ("# readings: heaps\nrow 1 (cm)\n4\n9\n", "Line 1: readings 'heaps' are none of positions, gaps and counts"),
        ("# readings: gaps\nposition_cm\n4\n9\n", "Line 1: readings are called gaps here, and otherwise"),
        ("row 1 (cm),row 2 (cm)\n4.5,3\n22,\n39,35\n58,52\n71,70\n", "Line 3: no reading in row 2"),
        ("row 1 (cm),row 1 (cm)\n4.5,3\n22,20\n39,35\n58,52\n", "Line 1: two columns give row 1"),
        ("row 1 (cm),row 2 (in)\n4.5,3\n22,20\n39,35\n58,52\n", "Line 1: mixed units among the headings"),
        ("row 1,row 2\n4.5,3\n22,20\n39,35\n58,52\n", "Line 1: the unit is missing; say it in the heading"),
        (
            "row 1 (cm),row 2 (cm)\n4.5,3\n22,19\n39,35\n58,52\n57,70\n90,85\n",
            "Line 6: the tape runs backwards, 57 after 58 in line 5",
        ),
    ],
)
def test_mistakes_of_wide_files(mistakes, text, part):
    assert part in mistakes(text)


# ---- where the tape begins, and rows without plants


def test_tape_that_does_not_begin_at_zero(file):
    for text in (
        "# tape_from: 100\n# tape_to: 700\nposition_cm\n104.5\n690\n",
        "# tape_from_cm: 100\n# row_length_m: 6\nposition_cm\n104.5\n690\n",
        "row,position_cm,tape_from_cm,tape_to_cm\n1,104.5,100,700\n1,690,100,700\n",
    ):
        found = file(text)
        assert found.stretches.loc[0, ["from_cm", "to_cm"]].tolist() == [100, 700]
        rows = summarise(found.positions, found.stretches, SpacingSettings(row_width_cm=75)).rows
        assert rows.loc[0, "row_length_cm"] == 600 and rows.loc[0, "plants"] == 2


def test_gaps_lie_in_the_middle_of_a_shifted_tape(file):
    found = file("# tape_from: 50\n# row_length_cm: 100\ngap_cm\n20\n40\n")
    assert places(found) == [70, 90, 130]


@pytest.mark.parametrize("word", ["none", "No plants", "0 plants", ""])
@pytest.mark.parametrize("kind", ["position_cm", "gap_cm"])
def test_a_row_without_plants(file, word, kind):
    if kind == "gap_cm" and not word:
        return  # a single plant has no gap either: nothing written is not enough there
    found = file(f"row,{kind},row_length_cm,treatment\n1,{word},500,slow\n2,20,500,fast\n2,41,500,fast\n")
    assert found.stretches["status"].tolist() == ["empty", "ok"]
    assert found.stretches["treatment"].tolist() == ["slow", "fast"]
    rows = summarise(found.positions, found.stretches, SpacingSettings(row_width_cm=75)).rows
    assert rows.loc[0, "plants_per_ha"] == 0


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("row,position_cm\n1,none\n2,4\n2,20\n", "Line 2: a row without plants needs its row length"),
        ("position_cm,row_length_cm\n4,600\nnone,600\n", "Line 3: no plants here, but line 2 has one"),
        ("position_cm,row_length_cm\n0,600\n", "Line 2: one plant at the tape's zero, or no plants?"),
        ("# tape_from: 100\n# tape_to: 90\nposition_cm\n95\n", "Line 2: the tape ends before it begins"),
        ("# tape_from: 100\n# tape_to: 700\nposition_cm\n94.5\n200\n", "Line 4: 94.5 lies before the tape's beg"),
        ("# tape_from: 100\n# tape_to: 700\nposition_cm\n200\n709\n", "Line 5: 709 lies beyond the row's end at 700"),
        (
            "# tape_from: 100\n# tape_to: 700\n# row_length_cm: 500\nposition_cm\n200\n",
            "Line 2: the tape's ends are 600 cm apart, the row length is 500 cm",
        ),
    ],
)
def test_mistakes_of_ends(mistakes, text, part):
    assert part in mistakes(text)


# ---- remarks, merged cells, lines above the headings


def test_remarks_behind_readings_travel(file):
    found = file("position_cm\n4.5 (late)\n22*\n39 [double?]\n55?\n71\n")
    assert places(found) == [4.5, 22, 39, 55, 71]
    assert found.positions["tape_note"].tolist() == ["late", "*", "double?", "?", ""]
    assert found.positions["late"].tolist() == ["late", "", "", "", ""]


@pytest.mark.parametrize("text", ["71 (1/2)", "4.5 late", "4.5 22", "x", "-"])
def test_what_is_no_remark_is_named(mistakes, text):
    assert f"Line 3: {text!r} is" in mistakes(f"position_cm\n3\n{text}\n90\n")


def test_merged_cells_mean_the_line_above(file):
    found = file("plot,row,row unit,position_cm\nA,1,3,4\n,,,20\n,,,37\nB,1,5,4\n,,,22\n")
    assert found.stretches[["plot", "row", "plants"]].to_numpy().tolist() == [["A", 1, 3], ["B", 1, 2]]
    assert found.positions["row_unit"].tolist() == ["3", "3", "3", "5", "5"]
    (note,) = found.notes
    assert note == "north.csv, line 3: plot left empty, taken as A like line 2; likewise in 5 more."


def test_lines_above_the_headings(file):
    found = file("Field 7,north\nrow length,600\nunit,cm\nposition\n4.5\n22\n")
    assert places(found) == [4.5, 22] and found.stretches.loc[0, "to_cm"] == 600
    assert len(found.notes) == 1 and "line 1: 'Field 7,north' stands above" in found.notes[0]


def test_units_in_their_own_line_or_column(file):
    assert places(file("plot,row,position\n,,in\nA,1,1\nA,1,2\n")) == pytest.approx([2.54, 5.08])
    assert places(file("row,reading,unit\n1,1,in\n1,2,in\n")) == pytest.approx([2.54, 5.08])
    found = file("row,position_cm,unit\n1,4,7\n1,20,7\n")
    assert found.stretches["row_unit"].tolist() == ["7"]


def test_place_is_a_plot_beside_readings_and_a_reading_alone(file):
    assert set(file("place,position_cm\nA,4\nA,20\n").stretches["plot"]) == {"A"}
    assert places(file("place_cm\n4\n20\n")) == [4, 20]


# ---- columns of rows


def test_columns_that_are_the_same_along_each_row_are_told_of_the_row(file):
    found = file(
        "row,position_cm,treatment,Rep,hybrid,late,stage\n1,4,slow,1,H1,,V3\n1,20,,,H1,x,V2\n2,5,fast,2,H2,,V3\n2,21,,,H2,,V3\n"
    )
    further = [name for name in found.stretches if name not in tables.STRETCHES.names]
    # stage differs within row 1; late is of plants even where all are alike
    assert further == ["treatment", "block", "hybrid"]
    assert found.stretches["treatment"].tolist() == ["slow", "fast"]
    assert found.positions["treatment"].tolist() == ["slow", "slow", "fast", "fast"]
    assert found.positions["late"].tolist() == ["", "x", "", ""]


# ---- doubts and typing errors


@pytest.mark.parametrize(
    ("text", "part"),
    [
        (
            "position_cm\n4.5\n22.0\n38.5\n55.0\n71.5\n880\n",
            "Line 7: 880 makes a gap 49 times the usual gap; has it lost its decimal mark? If it is right, write",
        ),
        (
            "position_cm\n4.5\n220\n38.5\n55.0\n71.5\n88.0\n",
            "Line 4: the tape runs backwards, 38.5 after 220 in line 3; has 220 lost its decimal mark (22.0)?",
        ),
        ("gap_cm\n17.5\n16.0\n18.5\n16.5\n171\n16.5\n", "Line 6: 171 makes a gap 10 times the usual gap; has it lost"),
        (
            "position_cm\n4\n22\n38\n55\n71\n5\n21\n40\n57\n",
            "Line 7: the tape runs backwards, 5 after 71 in line 6; does another row begin here?",
        ),
        ("position_mm\n45\n220\n\"1,024\"\n", "its comma is read as a decimal mark, a thousand is written without one"),
        ("position_cm\n4\n12-Apr\n", "Line 3: '12-Apr' looks like a date; has a spreadsheet turned a reading"),
        ("position_cm\n4\n03.04.2026\n", "Line 3: '03.04.2026' looks like a date"),
        ("position_cm\n4\n1.2E+02\n", "Line 3: '1.2E+02' was shortened by a spreadsheet"),
        ("position_cm,x\n4.5,1\n#REF!,2\n", "Line 3: '#REF' is no number"),
        ("position_cm,x\n4.5,1\n####,2\n", "Line 3: '####' is no number"),
        ("position_cm,late,late\n4,x,\n", "Line 1: two columns are called 'late'"),
    ],
)  # fmt: skip
def test_typing_errors(mistakes, text, part):
    said = mistakes(text)
    assert part in said and said.count("Line ") == 1


def test_a_large_gap_with_its_decimals_is_read_and_told_of(file):
    found = file("position_cm\n4.5\n22.0\n38.5\n55.0\n71.5\n880.0\n")
    assert places(found)[-1] == 880
    assert found.notes == ("north.csv, line 7: 880.0 makes a gap 49 times the usual gap: right?",)
    assert file("gap_cm\n17\n16\n18\n16\n180\n16\n").notes[0].startswith("north.csv, line 6: 180 makes a gap 11 times")
    assert not file("position_cm\n4.5\n22.0\n38.5\n55.0\n71.5\n200.0\n").notes


def test_rows_typed_twice_are_told_of(file):
    lines = "".join(f"{row},{place}\n" for row in (1, 2) for place in (3, 20, 37, 55, 71))
    (note,) = file(f"row,position_cm\n{lines}").notes
    assert note == "north.csv, line 7: row 2 has the readings of row 1 from line 2 on: typed twice?"


@pytest.mark.parametrize(
    ("text", "cm"),
    [
        ('position_mm\n45.5\n220.5\n"1,024.5"\n', [4.55, 22.05, 102.45]),
        ("position_mm;x\n45,5;\n1.024,5;\n", [4.55, 102.45]),
        ("position_mm\n45\n1\N{NO-BREAK SPACE}024\n", [4.5, 102.4]),
        ("position;;\n4,5 cm;;\n22 cm.;;\n", [4.5, 22]),
        ('"row";"position (cm)"\n"1";"4,5"\n"1";"22"\n', [4.5, 22]),
        ("position_cm\n4\n######\n20\n", None),
    ],
)
def test_marks_of_spreadsheets(file, text, cm):
    if cm is None:  # below the headings a line of hashes is a cell that could not be shown, and no comment
        with pytest.raises(BadTape, match="Line 3: '######' is no number"):
            file(text)
    else:
        assert places(file(text)) == pytest.approx(cm)


def test_the_two_readers_agree(file, tmp_path):
    found = file(WIDE)
    positions, stretches = read_tape(tmp_path / "north.csv")
    assert positions.equals(found.positions) and stretches.equals(found.stretches)
    assert np.isfinite(positions["position_cm"]).all()


def test_a_column_that_was_not_filled_is_no_empty_row(file):
    found = file("# row_length_m: 6\nrow 1 (cm),row 2 (cm),row 3 (cm)\n4.5,none,\n22,,\n39,,\n57.5,,\n71,,\n")
    assert found.stretches[["row", "plants"]].to_numpy().tolist() == [[1, 5], [2, 0]]
    assert found.notes == (
        "north.csv, line 3: row 3 of plot north has no reading and is left out; none says that no plant stands.",
    )
