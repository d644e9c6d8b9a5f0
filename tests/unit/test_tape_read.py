import numpy as np
import pytest

from standcam import tables
from standcam.errors import BadTape
from standcam.settings import SpacingSettings
from standcam.spacing.readings import split_header
from standcam.spacing.tape import plants_from_tape, read_tape
from standcam.summarise import summarise


@pytest.fixture
def read(tmp_path):
    def run(text, **options):
        path = tmp_path / "north.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_tape(path, **options)

    return run


@pytest.fixture
def mistakes(read):
    def run(text, **options):
        with pytest.raises(BadTape) as caught:
            read(text, **options)
        return str(caught.value)

    return run


def places(result):
    return list(result[0]["position_cm"])


# ---- what is read


@pytest.mark.parametrize(
    ("text", "cm"),
    [
        ("position_cm\n4.5\n22\n", [4.5, 22]),
        ("position_mm\n45\n220\n", [4.5, 22]),
        ("Position (m)\n0.045\n0.22\n", [4.5, 22]),
        ("position [in]\n3\n6.5\n", [7.62, 16.51]),
        ("pos in inches\n3\n6 1/2\n", [7.62, 16.51]),
        ("tape (ft)\n1\n2.5\n", [30.48, 76.2]),
        (
            "tape_ft_in\n8\"\n3'4\"\n4' 1/2\"\n5 ft 6 in\n6'\n7’2½”\n",
            [20.32, 101.6, 123.19, 167.64, 182.88, 219.71],
        ),
        ("reading\n3'4\"\n3'11\"\n", [101.6, 119.38]),
        ("reading\n34 cm\n51.5cm\n", [34, 51.5]),
        ('"position"\n"3\'4"""\n"3\'5"""\n', [101.6, 104.14]),
        ("position_cm\n4,5\n22,25\n", [4.5, 22.25]),
        ("row;position_cm\n1;4,5\n1;22\n", [4.5, 22]),
        ("row\tposition_cm\n1\t4.5\n1\t22\n", [4.5, 22]),
        ("sep=;\nrow;position_cm\n1;4,5\n1;22\n", [4.5, 22]),
        ('row,position_cm\n1,"4,5"\n1,22\n', [4.5, 22]),
        (b"\xef\xbb\xbfposition_cm\r\n4.5\r\n22\r\n", [4.5, 22]),
        ("position_cm\n4.5\n22\n".encode("utf-16"), [4.5, 22]),
        ("# walked by two\n\nposition_cm\n4.5\n# a rest\n\n22\n,,\n", [4.5, 22]),
        ("# unit: in\nposition\n1\n2\n", [2.54, 5.08]),
        ("#,position_cm\n1,4.5\n2,22\n", [4.5, 22]),
    ],
)
def test_readings(read, text, cm):
    assert places(read(text)) == pytest.approx(cm)


def test_gaps_become_positions(read):
    positions, stretches = read("gap_in\n6\n7\n6.5\n")
    assert places((positions,)) == pytest.approx(np.array([0, 6, 13, 19.5]) * 2.54)
    assert list(positions["plant"]) == [1, 2, 3, 4] and stretches.loc[0, "plants"] == 4


def test_option_gives_the_unit_only_where_the_file_is_silent(read):
    assert places(read("position\n1\n2\n", unit="in")) == pytest.approx([2.54, 5.08])
    assert places(read("position_cm\n1\n2\n", unit="in")) == pytest.approx([1, 2])


@pytest.mark.parametrize("header", ["plot,row,position_cm", "Plot,ROW NO.,Position (cm)", "Plot-ID,Row Nr,pos_cm"])
def test_rows_and_plots_by_any_usual_heading(read, header):
    positions, stretches = read(f"{header}\nB-1,2,5\nA,row 1,3\nB-1,R2,9\nA,1,11\n")
    assert stretches[["plot", "row", "plants"]].to_numpy().tolist() == [["B-1", 2, 2], ["A", 1, 2]]
    assert places((positions,)) == [5, 9, 3, 11]
    assert set(positions["photo"]) == {"north.csv"} and set(positions["source"]) == {"tape"}


def test_columns_in_any_order(read):
    a, _ = read("position_cm,row,plot\n5,2,x\n7,2,x\n")
    b, _ = read("plot,row,position_cm\nx,2,5\nx,2,7\n")
    assert a.equals(b)


def test_names_without_columns(read):
    positions, _ = read("position_cm\n5\n7\n", photo="east/north.csv")
    assert positions.loc[0, ["photo", "plot", "row"]].tolist() == ["east/north.csv", "north", 1]
    positions, _ = read("photo,position_cm\nP1.JPG,5\nP1.JPG,7\n")
    assert positions.loc[0, "plot"] == "P1"


def test_further_columns_travel_with_their_plants(read):
    positions, _ = read("position_cm,leaf stage,plant\n5,V2,a\n7,V3,b\n")
    assert list(positions["leaf stage"]) == ["V2", "V3"] and list(positions["tape_plant"]) == ["a", "b"]
    positions, _ = read("gap_cm,note\n5,x\n7,\n")
    assert list(positions["note"]) == ["", "x", ""]


def test_tables_fit_their_registers(read):
    positions, stretches = read("position_cm,position_sd\n5,0.2\n7,0.3\n")
    tables.check(tables.POSITIONS, positions)
    tables.check(tables.STRETCHES, stretches)
    assert list(positions["position_sd_cm"]) == [0.2, 0.3]
    plants = plants_from_tape(positions)
    tables.check(tables.PLANTS, plants)
    assert plants["is_crop"].all() and set(plants["crop_probability"]) == {1.0} and plants["x_px"].isna().all()


# ---- length of row


def test_given_length(read):
    for text in (
        "# row_length_cm: 600\nposition_cm\n5\n7\n",
        "# Row length = 6 m\nposition\n5 cm\n7 cm\n",
        "position_cm,row_length_m\n5,6\n7,6\n",
    ):
        stretch = read(text)[1].iloc[0]
        assert (stretch["from_cm"], stretch["to_cm"], stretch["flags"]) == (0, pytest.approx(600), "")


def test_length_without_unit_is_in_the_unit_of_readings(read):
    assert read("# row length: 20\nposition_ft\n1\n7\n")[1].loc[0, "to_cm"] == pytest.approx(609.6)


def test_gap_list_lies_in_the_middle_of_its_length(read):
    result = read("# row_length_cm: 100\ngap_cm\n20\n40\n")
    assert places(result) == [20, 40, 80]
    assert tuple(result[1].loc[0, ["from_cm", "to_cm"]]) == (0, 100)


def test_without_length_density_is_one_over_the_mean_gap(read):
    positions, stretches = read("position_cm\n3\n15\n35\n63\n")
    assert stretches.loc[0, "flags"] == "ends_at_plants"
    assert stretches.loc[0, "to_cm"] - stretches.loc[0, "from_cm"] == pytest.approx(60 * 4 / 3)
    row = summarise(positions, stretches, SpacingSettings(row_width_cm=75)).rows.iloc[0]
    assert row["plants_per_ha"] == pytest.approx(3 / (0.60 * 0.75) * 10_000)
    assert "ends_at_plants" in row["flags"]


def test_density_from_plant_to_plant_is_unbiased():
    """Rows cut from plant to plant out of a long one: gaps with a CV of 30 %, 12 plants, 2,000 rows."""
    from standcam.spacing.tape_rows import stretch_of

    rng = np.random.default_rng(8)
    naive, ours = [], []
    for _ in range(2000):
        place = np.cumsum(rng.normal(20, 6, 12))
        _, begin, end, _ = stretch_of(place, None, "position")
        ours.append(12 / (end - begin))
        naive.append(12 / (place[-1] - place[0]))
    # the docstring's CV² / (n - 1) is 0.8 %; plants over span would be 9 % too many
    assert np.mean(ours) * 20 == pytest.approx(1 + 0.09 / 11, abs=0.006)
    assert np.mean(naive) * 20 > 1.08


def test_one_plant_without_length_has_no_density(read):
    positions, stretches = read("position_cm\n3\n")
    row = summarise(positions, stretches, SpacingSettings(row_width_cm=75)).rows.iloc[0]
    assert row["plants"] == 1 and row["status"] == "ok"
    assert np.isnan(row["row_length_cm"]) and np.isnan(row["plants_per_ha"])
    assert "no_population" in row["flags"]


def test_a_row_without_plants(read):
    positions, stretches = read("plot,row,position_cm,row_length_cm\na,1,5,100\na,2,,100\na,1,30,100\n")
    assert stretches[["row", "plants", "status"]].to_numpy().tolist() == [[1, 2, "ok"], [2, 0, "empty"]]
    rows = summarise(positions, stretches, SpacingSettings(row_width_cm=75)).rows
    assert rows.loc[1, "plants_per_ha"] == 0
    assert read("# row_length_cm: 500\nposition_cm\n")[1].loc[0, "status"] == "empty"


# ---- mistakes


def test_all_mistakes_at_once_with_their_lines(mistakes):
    said = mistakes("position_cm\n3\n4\n4\n2\n-5\nabc\n\n34 mm\n3'\n1,2,3\n9.9.9\n")
    for line, part in {
        4: "4 again, as in line 3",
        5: "the tape runs backwards, 2 after 4 in line 4",
        6: "'-5' is negative",
        7: "'abc' is no number",
        9: "mixed units, '34 mm' in a column of cm",
        10: 'mixed units, "3\'" in a column of cm',
        11: "'1,2,3' is no number",
        12: "'9.9.9' is no number",
    }.items():
        assert f"Line {line}: {part}" in said
    assert said.count("Line ") == 8 and "8 mistakes" in said
    assert "nothing of it was used" in said


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("position\n3\n4\n", "Line 1: the unit is missing"),
        ("tape\n3'4\"\n48\n", "Line 3: no unit, while line 2 is in feet and inches"),
        ("tape_ft\n3.2\n3'4\"\n", "Line 3: mixed units, '3\\'4\"' is in feet and inches, line 2 in ft"),
        ("tape\n30 cm\n4'\n", "Line 3: mixed units"),
        ("tape_ft_in\n3'13\"\n", "Line 2: '3\\'13\"' has 13 inches behind its feet"),
        ("tape_ft_in\n3\n", "Line 2: '3' has no mark for feet or inches"),
        ("position_cm\n3 1/2\n", "Line 2: '3 1/2' is a fraction in a column of cm"),
        ("position_in\n3 1/0\n", "Line 2: '3 1/0' divides by zero"),
        ("position_cm\n3 cubits\n", "Line 2: '3 cubits' is in no unit known here"),
        ("row;position_cm\n1;3,5\n1;4.5\n", "Line 3: '4.5' has a decimal point, line 2 a decimal comma"),
        (
            "row,position_cm\n1,3,5\n",
            "Line 2: 3 values under 2 headings; with a decimal comma, part columns by",
        ),
        (
            "row,position_cm\nleft,3\n0,4\n,5\n",
            "Line 2: row 'left' is no whole number from 1. Line 3: row '0' is no",
        ),
        ("row,position_cm\n,5\n", "Line 2: the row is missing"),
        ("plot,position_cm\n,5\n", "Line 2: the plot is missing"),
        ("plot,position_cm\na,\na,4\n", "Line 2: no reading"),
        ("plot,gap_cm,row_length_cm\na,,50\n", "Line 2: no reading"),
        ("position_cm,\n3,x\n", "Line 2: 'x' stands under no heading"),
        ("position_cm\n40\n30\n20\n10\n", "Line 3: the tape runs backwards from here to line 5; turn"),
        ("position_cm,gap_cm\n4,5\n", "Line 1: positions and gaps in one file"),
        ("position_cm,pos_in\n4,5\n", "Line 1: two columns give the position"),
        ("position_cm,row_length_cm\n4,90\n5,80\n", "Line 3: row length 80 is not that of line 2"),
        (
            "position_cm,row_length_cm\n4,90\n95,90\n",
            "Line 3: 95 lies beyond the row length of 90 cm (line 2)",
        ),
        ("# row_length_cm: 30\ngap_cm\n20\n15\n", "Line 4: the sum of gaps with 15, 35 cm, lies beyond"),
        ("# row_length_cm: six\nposition_cm\n20\n", "Line 1: row length: 'six' is no number"),
        ("# row_length_cm: 20 ft\nposition_cm\n20\n", "Line 1: row length: mixed units"),
        ("# row_length_cm: 60\n# row_length_cm: 70\nposition_cm\n20\n", "Line 2: a second row length"),
        ("# row_length_cm: 0\nposition_cm\n20\n", "Line 1: row length: '0' is not above zero"),
        ("# unit: cubits\nposition\n20\n", "Line 1: 'cubits' is no unit known here"),
        ("3\n4\n", "line 1: no column is a running position or a gap"),
        ("distance_cm\n4\n", "line 1: no column is a running position or a gap"),
        ("position_cm\n", "holds a header and no readings"),
        ("# nothing\n", "holds no readings"),
        ("", "is empty"),
        (b"PK\x03\x04zip", "is a workbook"),
        (b"\x00\x01\x02", "is no text file"),
    ],
)
def test_mistake(mistakes, text, part):
    assert part in mistakes(text)


def test_an_inch_mark_swallows_no_lines(mistakes):
    said = mistakes('plot,position_in\na,"3"\na,"4\na,5"\na,x\n')
    assert "Line 5: 'x' is no number" in said


def test_one_wrong_reading_is_one_mistake(mistakes):
    # 435 for 43.5: only the line after it runs backwards
    assert mistakes("position_cm\n20\n435\n60\n81\n").count("Line ") == 1


def test_missing_file(tmp_path):
    with pytest.raises(BadTape, match=r"none\.csv cannot be read: No such file"):
        read_tape(tmp_path / "none.csv")


@pytest.mark.parametrize(
    ("heading", "name", "unit"),
    [
        ("position_cm", "position", "cm"),
        ("Position (in)", "position", "in"),
        ('gap (")', "gap", "in"),
        ("position in cm", "position", "cm"),
        ("tape, feet and inches", "tape", "ft-in"),
        ("Row No.", "row_no", None),
        ("", "", None),
    ],
)
def test_headings(heading, name, unit):
    assert split_header(heading) == (name, unit)
