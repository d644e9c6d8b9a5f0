import numpy as np
import pypdfium2
import pytest

from standcam.errors import BadSettings
from standcam.ground.page import Stroke, Text, pdf, text_width_mm
from standcam.report import field_sheet
from standcam.report.field_sheet import sheet_csv, sheet_pages
from standcam.spacing.tape import read_tape_file
from standcam.stand.row_length import thousandth_acre_cm


def words(page):
    return [item for item in page.items if isinstance(item, Text)]


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("system", ["si", "us"])
def test_everything_lies_on_the_paper_and_nothing_on_something_else(paper, system):
    (page,) = sheet_pages(paper, 4, system)
    texts = words(page)
    boxes = []
    for t in texts:
        width = text_width_mm(t.text, t.size_mm, t.bold)
        x = t.place[0] - {"start": 0, "middle": width / 2, "end": width}[t.anchor]
        assert x >= 9 and x + width <= page.width_mm - 9, t.text
        assert t.place[1] - t.size_mm >= 8 and t.place[1] <= page.height_mm - 8, t.text
        boxes.append((x, t.place[1] - 0.7 * t.size_mm, x + width, t.place[1] + 0.2 * t.size_mm))
    boxes = np.array([b for b, t in zip(boxes, texts, strict=True) if t.text])
    for i, box in enumerate(boxes):
        apart = (boxes[:, 0] >= box[2]) | (boxes[:, 2] <= box[0]) | (boxes[:, 1] >= box[3]) | (boxes[:, 3] <= box[1])
        assert apart.sum() == len(boxes) - 1, texts[i].text
    for item in page.items:
        if isinstance(item, Stroke):
            for x, y in (item.start, item.end):
                assert 9 <= x <= page.width_mm - 9 and 9 <= y <= page.height_mm - 9


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_there_is_room_to_write(paper):
    (page,) = sheet_pages(paper, 4)
    numbered = [t for t in words(page) if t.text.isdigit() and t.anchor == "end"]
    assert max(int(t.text) for t in numbered) >= 28 and len({t.place[0] for t in numbered}) == 4
    first = sorted(t.place[1] for t in numbered if t.place[0] == numbered[0].place[0])
    assert np.diff(first) == pytest.approx(field_sheet.LINE_MM) and field_sheet.LINE_MM >= 5.5
    # the tape column is wide enough for 3'11 1/2" in a hand of 4 mm letters
    across = sorted({i.start[0] for i in page.items if isinstance(i, Stroke) and i.start[0] == i.end[0]})
    assert max(np.diff(across[:5])) >= 18


@pytest.mark.parametrize(("rows", "pages"), [(1, 1), (4, 1), (5, 2), (12, 3)])
def test_rows_to_pages(rows, pages):
    made = sheet_pages("a4", rows)
    assert len(made) == pages
    assert sum(t.text == "Row" for page in made for t in words(page)) == rows
    assert len(pypdfium2.PdfDocument(pdf(made, "Tape sheet"))) == pages


def test_the_pdf_says_what_is_needed_in_the_field():
    document = pypdfium2.PdfDocument(pdf(sheet_pages("letter", 4, "us"), "Tape sheet"))
    text = document[0].get_textpage().get_text_range()
    assert document[0].get_size() == pytest.approx((612, 792))
    heads = ("Place", "Date", "Row width (in)", "Tape length (ft)", "unit", "late", "leaf", "inches", "1/1000 acre")
    for word in heads:
        assert word in text
    for step in "12345":
        assert f"{step}. " in text
    assert "Park, shut down and block machines" in text and "roads" in text
    # University of Tennessee Extension 2011, printed
    for width, feet in ((15, "34'10\""), (20, "26'2\""), (30, "17'5\""), (36, "14'6\""), (38, "13'9\"")):
        assert feet in text and f"{width}" in text
    assert len(pypdfium2.PdfDocument(pdf(sheet_pages("letter", 4, "us"), "t"))[0].render(scale=0.5).to_numpy()) == 396


def test_row_lengths_are_those_of_the_plan():
    heads, lengths, name = field_sheet.row_length_table("us")
    assert name == "1/1000 acre"
    for head, length in zip(heads, lengths, strict=True):
        feet, inches = (int(part) for part in length.rstrip('"').split("'"))
        assert feet * 12 + inches == pytest.approx(thousandth_acre_cm(float(head) * 2.54) / 2.54, abs=0.5)
    heads, lengths, name = field_sheet.row_length_table("si")
    assert name == "1/1000 ha" and dict(zip(heads, lengths, strict=True))["75"] == "13.33 m"


@pytest.mark.parametrize(("system", "filled", "cm"), [
    ("si", "A,1,4,slow,2,6,34.5,,V3\n,,,,,,51,x,V1\nA,2,5,slow,2,6,none,,\n", [34.5, 51]),
    ("us", "A,1,4,slow,2,17'5\",13 1/2,,V3\n,,,,,,20,x,V1\nA,2,5,slow,2,17.5,none,,\n", [34.29, 50.8]),
])  # fmt: skip
def test_the_twin_is_read_when_filled(tmp_path, system, filled, cm):
    path = tmp_path / "sheet.csv"
    path.write_text(sheet_csv(system) + filled)
    found = read_tape_file(path)
    assert found.positions["position_cm"].tolist() == pytest.approx(cm)
    assert found.positions[["late", "leaf_stage"]].to_numpy().tolist() == [["", "V3"], ["x", "V1"]]
    assert found.stretches["status"].tolist() == ["ok", "empty"]
    assert found.stretches[["row_unit", "treatment", "block"]].to_numpy().tolist() == [
        ["4", "slow", "2"],
        ["5", "slow", "2"],
    ]


def test_the_twin_shows_true_examples(tmp_path):
    """The example line in its comments, and the headings for bare counts, are read as they stand."""
    for system in ("si", "us"):
        lines = sheet_csv(system).splitlines()
        example = lines[0].split("such as ")[1]
        path = tmp_path / f"{system}.csv"
        path.write_text(f"{lines[-1]}\n{example}\n")
        assert read_tape_file(path).stretches["plants"].tolist() == [1]
        headings = next(line for line in lines if "bare counts" in line).split("headings ")[1]
        path.write_text(f"{headings}\nA,1,4,,,29,17.4\n")
        assert read_tape_file(path).stretches[["plants", "status"]].to_numpy().tolist() == [[29, "counted"]]


@pytest.mark.parametrize(("paper", "rows"), [("a3", 4), ("a4", 0), ("a4", 41)])
def test_nonsense_is_refused(paper, rows):
    with pytest.raises(BadSettings, match="field sheet"):
        sheet_pages(paper, rows)
