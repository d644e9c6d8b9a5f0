"""A sheet to take to the field for tape readings (PDF), and the CSV that its columns are typed into."""

from __future__ import annotations

from standcam import units
from standcam.errors import BadSettings
from standcam.ground.page import Page, Stroke, Text, text_width_mm, wrap
from standcam.stand.row_length import thousandth_acre_cm, thousandth_ha_cm

MARGIN_MM = 11.0
CLIP_MM = 14.0
"""Left free at the top, where the clipboard holds the sheet. [mm]"""
LINE_MM = 5.7
"""Height of a line. Pencils like 6 mm (common practice, no source), and 30 plants, a thousandth of an acre, like to
stand in one column. [mm]"""
COLUMNS = 4
"""Rows on one sheet. More would leave no room to write."""
MOST_ROWS = 40
_BOTTOM_MM = 44.0

US_WIDTHS_IN = (15, 20, 22, 30, 36, 38)
SI_WIDTHS_CM = (45, 50, 60, 70, 75, 76.2, 80)

CAUTIONS = (
    "Park, shut down and block machines before you kneel by them. Keep off roads and out of traffic; be seen. "
    "Treated seed, sprayed field: keep to the label and its waiting time."
)


def how_to(system: str) -> tuple[str, ...]:
    """Five lines on how to read a tape along a row."""
    example = "13 1/2 (or all as 3'4\")" if system == "us" else "34.5"
    return (
        "1. Choose places before you see them. Lay the tape along the row and let it lie; its zero is not at a plant.",
        f"2. Read it at the middle of each stem, where that leaves the soil, one plant a line: {example}.",
        "3. Write the length of row that the tape covers, whether a plant ends it or not. A row without plants: none.",
        "4. Late: tick plants two or more leaves behind their neighbours. Leaf: leaves with a visible collar.",
        "5. Two stems in one place are two lines. More plants than lines: go on in the next column, same row number.",
    )


def sheet_pages(paper: str = "a4", rows: int = COLUMNS, system: str = "si") -> list[Page]:
    """The sheet for so many rows; four go on a page.

    Parameters
    ----------
    paper : str
        a4 or letter.
    rows : int
        Rows to read, 1 to 40.
    system : str
        si or us: centimetres and 1/1000 ha, or inches and 1/1000 acre.

    Raises
    ------
    BadSettings
        Another paper, or a number of rows that makes no sense.
    """
    from standcam.ground.printing import PAPERS

    if paper not in ("a4", "letter"):
        raise BadSettings(f"The field sheet was asked for on {paper!r}.", "Use a4 or letter.")
    if not 1 <= rows <= MOST_ROWS:
        raise BadSettings(f"A field sheet for {rows} rows was asked for.", f"Give 1 to {MOST_ROWS}.")
    pages = []
    count = -(-rows // COLUMNS)
    for i in range(count):
        page = Page(*PAPERS[paper])
        first = i * COLUMNS
        _draw(page, min(COLUMNS, rows - first), system, f"sheet {i + 1} of {count}" if count > 1 else "")
        pages.append(page)
    return pages


def sheet_csv(system: str = "si") -> str:
    """The CSV twin of the sheet: headings that ``standcam tape`` reads, and no readings."""
    place, length = ("position_in", "row_length_ft") if system == "us" else ("position_cm", "row_length_m")
    example = "13.5" if system == "us" else "34.5"
    return (
        f"# Typed from the field sheet: one plant a line, such as north-3,1,4,,,{'17.5' if system == 'us' else '6'},"
        f"{example},x,V3\n"
        "# plot, row unit, treatment, block and row length may be written in the first line of each row only\n"
        "# a row without plants: none as its position, and its row length\n"
        f"# bare counts go under the headings plot,row,row_unit,treatment,block,plants,{length}\n"
        f"plot,row,row_unit,treatment,block,{length},{place},late,leaf_stage\n"
    )


def _draw(page: Page, rows: int, system: str, number: str) -> None:
    left, right = MARGIN_MM, page.width_mm - MARGIN_MM
    y = CLIP_MM + 4
    page.add(Text((left, y), "Tape sheet", 5.2, bold=True))
    page.add(Text((right, y), number, 3.4, "end"))
    unit = "inches" if system == "us" else "cm"
    page.add(Text((left + 34, y), f"readings in {unit}, from the tape's zero", 3.6))
    y += 9.5
    _blanks(page, y, (("Place", 3.0), ("Date", 2.0), ("By", 1.8), ("Treatment", 2.6), ("Block", 1.2)))
    y += 9.5
    length = "ft" if system == "us" else "m"
    _blanks(page, y, ((f"Row width ({'in' if system == 'us' else 'cm'})", 2.2), (f"Tape length ({length})", 2.2),
                      ("Crop, seed", 2.4), ("Direction of pass", 2.2)))  # fmt: skip
    y += 4
    bottom = page.height_mm - MARGIN_MM - _BOTTOM_MM
    _columns(page, y, bottom, rows, unit)
    _foot(page, bottom + 5.5, system)


def _blanks(page: Page, y: float, fields: tuple[tuple[str, float], ...]) -> None:
    """Words with a line to write on behind them, over the width of the page."""
    left, right = MARGIN_MM, page.width_mm - MARGIN_MM
    words = [text_width_mm(name, 3.4) + 1.5 for name, _ in fields]
    room = right - left - sum(words) - 3.0 * (len(fields) - 1)
    share = room / sum(weight for _, weight in fields)
    x = left
    for (name, weight), width in zip(fields, words, strict=True):
        page.add(Text((x, y), name, 3.4))
        page.add(Stroke((x + width, y + 0.8), (x + width + share * weight, y + 0.8), 0.2))
        x += width + share * weight + 3.0


def _columns(page: Page, top: float, bottom: float, rows: int, unit: str) -> None:
    left, right = MARGIN_MM, page.width_mm - MARGIN_MM
    gap = 3.0
    width = (right - left - gap * (COLUMNS - 1)) / COLUMNS
    head = top + 17.0
    lines = int((bottom - head - 5.0) // LINE_MM)
    if rows < COLUMNS:
        page.add(Text((left + rows * (width + gap), top + 5.8), "Notes", 3.8, bold=True))
    for i in range(rows):
        x = left + i * (width + gap)
        marks = (x, x + 6.5, x + width - 19.0, x + width - 9.5, x + width)
        page.add(Text((x + 1, top + 5.8), "Row", 3.8, bold=True), Stroke((x + 10, top + 6.6), (x + 20, top + 6.6)))
        page.add(Text((x + 22, top + 5.8), "unit", 3.4), Stroke((x + 29, top + 6.6), (x + width - 1, top + 6.6)))
        page.add(Text((x + 1, top + 13.8), "Plants", 3.4), Stroke((x + 12, top + 14.6), (x + 22, top + 14.6)))
        page.add(Text((x + 24, top + 13.8), "length", 3.4), Stroke((x + 34.5, top + 14.6), (x + width - 1, top + 14.6)))
        y = head
        for text, a, b in ((unit, 1, 2), ("late", 2, 3), ("leaf", 3, 4)):
            page.add(Text(((marks[a] + marks[b]) / 2, y + 3.6), text, 3.2, "middle", bold=True))
        y += 5.0
        page.add(Stroke((x, y), (x + width, y), 0.5))
        for k in range(1, lines + 1):
            page.add(Text((marks[1] - 1.2, y + LINE_MM - 1.8), str(k), 2.9, "end"))
            y += LINE_MM
            # every fifth line heavier, so that the eye keeps its place
            page.add(Stroke((x, y), (x + width, y), 0.4 if k % 5 == 0 else 0.12))
        for mark in marks:
            heavy = mark in (marks[0], marks[4])
            page.add(Stroke((mark, head), (mark, y), 0.4 if heavy else 0.15))
        page.add(Stroke((x, top), (x + width, top), 0.4), Stroke((x, head), (x + width, head), 0.4))
        page.add(Stroke((x, top), (x, head), 0.4), Stroke((x + width, top), (x + width, head), 0.4))


def _foot(page: Page, y: float, system: str) -> None:
    left, width = MARGIN_MM, page.width_mm - 2 * MARGIN_MM
    for text in how_to(system):
        for part in wrap(text, width, 3.2):
            page.add(Text((left, y), part, 3.2))
            y += 4.1
    y += 1.2
    heads, lengths, name = row_length_table(system)
    label = 34.0
    step = (width - label) / len(heads)
    page.add(Text((left, y + 1.0), f"Row {'in' if system == 'us' else 'cm'}", 3.2, bold=True))
    page.add(Text((left, y + 5.6), name, 3.2, bold=True))
    for i, (head, length) in enumerate(zip(heads, lengths, strict=True)):
        x = left + label + (i + 0.5) * step
        page.add(Text((x, y + 1.0), head, 3.2, "middle", bold=True), Text((x, y + 5.6), length, 3.2, "middle"))
    page.add(Stroke((left, y + 2.2), (left + width, y + 2.2), 0.15))
    y += 11.2
    for part in wrap(CAUTIONS, 0.92 * width, 3.2):  # bold letters are wider than those that wrap measures
        page.add(Text((left, y), part, 3.2, bold=True))
        y += 4.1


def row_length_table(system: str) -> tuple[list[str], list[str], str]:
    """Row widths, the row lengths that cover 1/1000 acre or ha, and what they are."""
    if system == "us":
        lengths = [_feet_inches(thousandth_acre_cm(w * units.CM_PER_INCH)) for w in US_WIDTHS_IN]
        return [f"{w:g}" for w in US_WIDTHS_IN], lengths, "1/1000 acre"
    lengths = [f"{thousandth_ha_cm(w) / 100:.2f} m" for w in SI_WIDTHS_CM]
    return [f"{w:g}" for w in SI_WIDTHS_CM], lengths, "1/1000 ha"


def _feet_inches(cm: float) -> str:
    inches = round(units.inches(cm))
    return f"{inches // 12}'{inches % 12}\""
