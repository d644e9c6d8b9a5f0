"""What must hold for any tape count, however it was written down."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standcam.errors import BadTape
from standcam.settings import SpacingSettings
from standcam.spacing.tape import read_tape_file
from standcam.summarise import summarise
from standcam.units import CM_PER_FOOT, CM_PER_INCH

QUICK = settings(max_examples=20, deadline=None, derandomize=True)
SPACING = SpacingSettings(nominal_spacing_cm=16.3, row_width_cm=76.2)

# Whole millimetres; no two plants in one place, which the reader asks about, and no gap of ten usual ones
gaps = st.lists(st.integers(20, 400), min_size=1, max_size=25).map(lambda g: np.array(g) / 10)
ends = st.integers(0, 200).map(lambda e: e / 10)


@pytest.fixture(scope="module")
def read(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tape")

    def run(text):
        (folder / "t.csv").write_text(text, encoding="utf-8")
        found = read_tape_file(folder / "t.csv")
        return found, summarise(found.positions, found.stretches, SPACING)

    return run


def running(before, gap):
    return before + np.concatenate([[0.0], np.cumsum(gap)])


def numbers(summary, columns=("plants", "row_length_cm", "mean_gap_cm", "sd_gap_cm", "misses_pct", "plants_per_ha")):
    return summary.rows[list(columns)].to_numpy(float)[0]


def feet_and_inches(cm):
    inches = cm / CM_PER_INCH
    return f"{int(inches // 12)}'{inches % 12:.10f}\""


WRITTEN = {
    "position_mm": lambda cm: f"{10 * cm:.10f}",
    "position_m": lambda cm: f"{cm / 100:.12f}",
    "position_in": lambda cm: f"{cm / CM_PER_INCH:.11f}",
    "position_ft": lambda cm: f"{cm / CM_PER_FOOT:.12f}",
    "position_ft_in": feet_and_inches,
    "position": lambda cm: f"{cm:.10f} cm",
}


@QUICK
@given(gaps, ends, ends, st.sampled_from(sorted(WRITTEN)))
def test_every_unit_is_one(read, gap, before, after, heading):
    place = running(before + 0.1, gap)
    length = place[-1] + after
    one = read(f"# row_length_cm: {length:.6f}\nposition_cm\n" + "\n".join(f"{p:.10f}" for p in place))
    other = read(f"# row_length_cm: {length:.6f}\n{heading}\n" + "\n".join(WRITTEN[heading](p) for p in place))
    assert one[0].positions["position_cm"].to_numpy() == pytest.approx(
        other[0].positions["position_cm"].to_numpy(), abs=1e-6
    )
    assert numbers(one[1]) == pytest.approx(numbers(other[1]), abs=1e-6, rel=1e-7, nan_ok=True)


@QUICK
@given(gaps, ends, ends)
def test_reading_the_tape_from_the_other_end_changes_nothing(read, gap, before, after):
    place = running(before + 0.1, gap)
    length = place[-1] + after + 0.1
    head = f"# row_length_cm: {length:.6f}\nposition_cm\n"
    there = read(head + "\n".join(f"{p:.8f}" for p in place))
    back = read(head + "\n".join(f"{p:.8f}" for p in (length - place)[::-1]))
    assert numbers(there[1]) == pytest.approx(numbers(back[1]), abs=1e-5, rel=1e-7, nan_ok=True)


@QUICK
@given(gaps, ends, st.sampled_from([";", ",", "\t"]))
def test_gaps_positions_and_wide_columns_are_one(read, gap, before, delimiter):
    place = running(before + 0.1, gap)
    long = read("position_cm\n" + "\n".join(f"{p:.6f}" for p in place))
    listed = read("gap_cm\n" + "\n".join(f"{g:.6f}" for g in gap))
    other = place[: max(2, len(place) // 2)]  # columns are of different length
    lines = [f"{p:.6f}{delimiter}{other[i] if i < len(other) else '':}" for i, p in enumerate(place)]
    wide = read(f"# readings: positions\nrow 1 (cm){delimiter}row 2 (cm)\n" + "\n".join(lines))
    assert numbers(long[1]) == pytest.approx(numbers(listed[1]), abs=1e-5, rel=1e-6, nan_ok=True)
    assert numbers(long[1]) == pytest.approx(numbers(wide[1]), abs=1e-6, nan_ok=True)
    assert wide[0].stretches["plants"].tolist() == [len(place), len(other)]


@QUICK
@given(st.lists(st.tuples(gaps, ends), min_size=1, max_size=5))
def test_bare_counts_give_the_population_of_positions(read, rows):
    placed, counted = ["row,position_cm,row_length_cm"], ["row,plants,row_length_cm"]
    for i, (gap, after) in enumerate(rows, 1):
        place = running(5.0, gap)
        length = f"{place[-1] + after:.6f}"
        placed += [f"{i},{p:.6f},{length}" for p in place]
        counted.append(f"{i},{len(place)},{length}")
    positions, counts = read("\n".join(placed))[1], read("\n".join(counted))[1]
    for name in ("plants", "row_length_cm", "plants_per_ha"):
        for table in ("rows", "plots"):
            a, b = (getattr(s, table)[name].to_numpy(float) for s in (positions, counts))
            assert a == pytest.approx(b, rel=1e-9)
    assert counts.rows["mean_gap_cm"].isna().all() and len(counts.gaps) == 0


@QUICK
@given(gaps, ends, st.integers(0, 500))
def test_where_the_tape_begins_changes_nothing(read, gap, after, begin):
    place = running(3.0, gap)
    end = place[-1] + after
    one = read(f"# row_length_cm: {end:.6f}\nposition_cm\n" + "\n".join(f"{p:.6f}" for p in place))
    moved = read(
        f"# tape_from_cm: {begin}\n# tape_to_cm: {end + begin:.6f}\nposition_cm\n"
        + "\n".join(f"{p + begin:.6f}" for p in place)
    )
    assert numbers(one[1]) == pytest.approx(numbers(moved[1]), abs=1e-5, rel=1e-7, nan_ok=True)


@QUICK
@given(gaps, st.data())
def test_two_readings_that_changed_places_are_named(read, gap, data):
    place = running(3.0, gap)
    i = data.draw(st.integers(0, len(place) - 2))
    place[[i, i + 1]] = place[[i + 1, i]]
    with pytest.raises(BadTape, match=rf"Line {i + 3}: the tape runs backwards"):
        read("position_cm\n" + "\n".join(f"{p:.2f}" for p in place))


HEADINGS = (
    "row 1 (cm),row 2 (cm)",
    "plot,row 1,late 1,row 2,late 2",
    "# readings: counts\nplot,row 1,row 2",
    "plot,row,plants,row_length_m",
    "plants\t# \tlength",
    "row;gap_in;unit;rep",
    "# tape_from: 5\n# tape_to: 90\nposition_cm,late",
    ",row 1,row 2",
    "place,row,count,late",
    "# row_length: 6 m\nrow,position_cm,row unit",
)
CELLS = st.one_of(
    st.text(alphabet="0123456789.,'\"/- incmf(?*)#x", max_size=8),
    st.sampled_from(["none", "0", "4.5", "row length", "row unit", "29", "A", "1", "22 cm", "#REF!", "cm", "", ""]),
)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.sampled_from(HEADINGS), st.lists(st.lists(CELLS, max_size=5), max_size=8), st.sampled_from(",;\t"))
def test_any_layout_is_read_or_refused(tmp_path_factory, heading, lines, delimiter):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    body = "\n".join(delimiter.join(cells) for cells in lines)
    path.write_text(f"{heading.replace(',', delimiter)}\n{body}\n", encoding="utf-8")
    try:
        found = read_tape_file(path)
    except BadTape as error:
        assert error.remedy and "any.csv" in error.reason
        return
    placed = found.stretches.loc[found.stretches["status"] != "counted", "plants"].sum()
    assert placed == len(found.positions) and np.isfinite(found.positions["position_cm"]).all()
    summary = summarise(found.positions, found.stretches, SPACING)
    assert summary.rows["plants"].tolist() == found.stretches["plants"].tolist()
