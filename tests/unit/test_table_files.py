import io
import tempfile
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from fixtures.report_runs import a_run

from standcam import tables
from standcam.aside import Lines
from standcam.errors import BadSettings
from standcam.report import extras, long_table, spreadsheet
from standcam.report.csv_tables import rounded

NAMES = ("plants", "gaps", "rows", "plots", "problems")


def book_of(lines, summary=(), notes=()):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.xlsx"
        spreadsheet.workbook(path, lines, list(summary), list(notes))
        return openpyxl.load_workbook(io.BytesIO(path.read_bytes()))


def parquet_of(lines, folder):
    long_table.long_parquet(folder / "a.parquet", lines)
    return pd.read_parquet(folder / "a.parquet")


def in_parts(lines, size):
    """The same tables, each in parts of so many lines."""
    return {
        name: Lines(held.table, lambda f=held.whole(): (f.iloc[k : k + size] for k in range(0, max(len(f), 1), size)))
        for name, held in lines.items()
    }


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "#N/A", "=HYPERLINK(1)", "1", "TRUE"])
def test_no_text_becomes_a_formula(text):
    run = a_run(names=[text, "b", "c"], design={"treatment": text}, problems=[(text, text, "")])
    book = book_of(run.lines, [(text, text, text)], [text])
    for name, place in (("rows", "A2"), ("problems", "B2"), ("summary", "A2"), ("summary", "B2"), ("summary", "A3")):
        cell = book[name][place]
        assert (cell.value, cell.data_type) == (text, "s")
    assert not any(c.data_type == "f" for sheet in book for line in sheet.iter_rows() for c in line)


def test_a_tab_or_control_letter_in_front_is_no_formula_either():
    run = a_run(names=["\t=1+1", "\r=2", "\x07"])
    cells = [book_of(run.lines)["rows"][f"A{n}"] for n in (2, 3, 4)]
    assert all(c.data_type == "s" for c in cells) and cells[0].value.endswith("=1+1")


def test_sheets_hold_the_tables_with_frozen_heads():
    run = a_run()
    book = book_of(run.lines, extras.summary_lines(run))
    assert book.sheetnames == ["summary", "rows", "plots", "gaps", "plants", "problems", "columns"]
    for name in NAMES:
        sheet = book[name]
        frame = rounded(next(t for t in tables.ALL if t.name == name), run.lines[name].whole())
        assert [c.value for c in sheet[1]] == list(frame.columns) and sheet.freeze_panes is not None
        assert sheet.max_row == len(frame) + 1 and sheet["A1"].font.bold
    values = [c.value for c in book["rows"]["H"][1:]]
    assert book["rows"]["H1"].value == "cv_pct" and values == run.rows["cv_pct"].round(2).tolist()
    known = {(r[0].value, r[1].value): (r[2].value, r[3].value) for r in book["columns"].iter_rows(min_row=2)}
    column = next(c for c in tables.ROWS.columns if c.name == "row_length_cm")
    assert known["rows", "row_length_cm"] == (column.unit, column.meaning)
    assert book["rows"].column_dimensions["A"].width > 8


def test_the_summary_is_that_of_the_tables():
    run = a_run()
    lines = {what: value for what, value, _ in extras.summary_lines(run)}
    assert lines["plants"] == run.rows["plants"].sum()
    assert lines["plants per ha"] == pytest.approx(run.rows["plants_per_ha"].mean())  # rows of one length
    assert lines["CV of gaps, from (95 %)"] < lines["CV of gaps"] < lines["CV of gaps, to"]


def test_long_sheets_are_cut_and_say_so(monkeypatch):
    monkeypatch.setattr(spreadsheet, "MOST_LINES", 10)
    run = a_run()
    book = book_of(run.lines)
    assert book["plants"].max_row == 11
    said = [c.value for c in book["summary"]["A"]]
    assert f"Sheet plants holds the first 10 of {len(run.plants)} lines; plants.csv holds all." in said


def test_no_rows_give_a_workbook_with_heads_alone():
    book = book_of(a_run(rows=0).lines, extras.summary_lines(a_run(rows=0)))
    assert book["rows"].max_row == 1


def test_parquet_gives_the_tables_back(monkeypatch, tmp_path):
    monkeypatch.setattr(long_table, "CHUNK", 7)
    monkeypatch.setattr(long_table, "GROUP", 50)
    run = a_run(names=["a.jpg", "\udce9.jpg", "c.jpg"], design={"row_unit": ["1", "2", ""]})
    table = parquet_of(run.lines, tmp_path)
    assert list(table.columns) == [c.name for c in long_table.COLUMNS]
    rows = table[table["of"] == "row"].astype({"plot": str, "measure": str})
    wide = rows[rows["value"].notna()].pivot_table(index="plot", columns="measure", values="value")
    for name in ("plants", "row_length_cm", "cv_pct", "plants_per_ha"):
        np.testing.assert_array_equal(wide[name].to_numpy(), run.rows[name].to_numpy(float))
    places = table[(table["of"] == "plant") & (table["measure"] == "position_cm")]
    np.testing.assert_array_equal(places["value"].to_numpy(), run.plants.whole()["position_cm"].to_numpy())
    assert set(places["unit"]) == {"cm"} and places["photo"].iloc[-1] == "c.jpg"
    assert "\\udce9.jpg" in set(places["photo"].astype(str))
    cv = table[(table["of"] == "plot") & (table["measure"] == "cv_pct")]
    np.testing.assert_array_equal(cv["low"].to_numpy(), run.plots.whole()["cv_pct_low"].to_numpy())
    assert not table["measure"].astype(str).isin(["cv_pct_low", "photo", "row_unit"]).any()
    assert rows.groupby("plot", observed=True)["row_unit"].first().astype(object).tolist()[:2] == ["1", "2"]
    trusts = rows[rows["measure"] == "trust"]["text"].astype(str).tolist()
    assert trusts == run.rows["trust"].tolist()


def test_parquet_of_nothing_has_all_columns(tmp_path):
    table = parquet_of(a_run(rows=0).lines, tmp_path)
    assert len(table) == 0 and list(table.columns) == [c.name for c in long_table.COLUMNS]


def test_parquet_without_its_library_names_the_remedy(monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(long_table.ParquetMissing, match="pip install"):
        extras.parse_kinds("parquet")


def test_kinds_of_tables():
    assert extras.parse_kinds("xlsx, Parquet") == ("xlsx", "parquet")
    assert extras.parse_kinds("none") == () and extras.parse_kinds(None, ("xlsx",)) == ("xlsx",)
    for text in ("csv", "", "none,xlsx"):
        with pytest.raises(BadSettings, match="--tables"):
            extras.parse_kinds(text)


def test_a_page_that_fails_costs_no_numbers(monkeypatch, tmp_path):
    monkeypatch.setattr("standcam.report.html_report.report_html", lambda run: 1 / 0)
    names, notes = extras.further_files(a_run(), True, ("xlsx",), tmp_path)
    assert names == ["results.xlsx"] == [path.name for path in tmp_path.iterdir()]
    assert notes == ["report.html could not be made: ZeroDivisionError: division by zero."]


@pytest.mark.parametrize("size", [1, 13, 1000])
def test_tables_in_parts_give_the_files_of_whole_ones(monkeypatch, tmp_path, size):
    monkeypatch.setattr(long_table, "CHUNK", 20)
    monkeypatch.setattr(spreadsheet, "MOST_LINES", 50)
    monkeypatch.setattr(spreadsheet, "AT_ONCE", 8)
    run = a_run()
    parts = in_parts(run.lines, size)
    pd.testing.assert_frame_equal(parquet_of(parts, tmp_path), parquet_of(run.lines, tmp_path))
    one, other = (
        [[[c.value for c in line] for line in sheet.iter_rows()] for sheet in book_of(lines)]
        for lines in (parts, run.lines)
    )
    assert one == other
