"""plots.csv of a survey: a plot map with three kinds of lines.

- with a photo: what is known of that photo, its plot first of all; with a row too: of one row that it shows;
- with a plot and no photo: what is known of the plot, or of one ``plot_row`` or ``visit`` of it;
- such a line may name a plot label (``label``) or a stretch of time (``time_from``, ``time_to``): photos that show the
  label, or were taken then, are of that plot.
"""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import pandas as pd

from standcam import tables
from standcam.report.csv_tables import disarm, rearm
from standcam.stand.plotmap import DESIGN, read_lines
from standcam.survey.facts import PhotoFacts

PLOTS_FILE = "plots.csv"
TYING = ("label", "time_from", "time_to")
TOLD = ("taken", "longitude", "latitude")
"""What the camera noted. Filled in by hand where it did not, or did wrongly, the hand is believed."""
CELLS = ("plot_row", *DESIGN, "visit")
COLUMNS = (
    tables.Column("photo", "str", "", "path below the survey folder; empty: the line describes a plot"),
    tables.Column("plot", "str", "", "plot or place"),
    tables.Column("row", "str", "", "row within the photo (1: the one it was taken of); empty: the photo"),
    tables.Column("plot_row", "str", "", "which row of the plot"),
    tables.Column("row_unit", "str", "", "planter unit that planted row 1 of the photo"),
    tables.Column("treatment", "str", "", "treatment"),
    tables.Column("block", "str", "", "block"),
    tables.Column("visit", "str", "", "day or name of the visit"),
    tables.Column("label", "str", "", "plot label in the picture that means this plot"),
    tables.Column("time_from", "str", "", "photos taken from then on are of this plot"),
    tables.Column("time_to", "str", "", "until then"),
    tables.Column("taken", "str", "", "by the camera's clock, with its zone where the photo tells it"),
    tables.Column("longitude", "str", "degrees", "east positive, by the photo"),
    tables.Column("latitude", "str", "degrees", "north positive, by the photo"),
)
"""Columns of a new plots.csv, in order. Further ones travel along."""
NAMES = tuple(column.name for column in COLUMNS)


@dataclass(frozen=True)
class PlotList:
    """Lines of plots.csv that can be used."""

    lines: pd.DataFrame
    """The file's columns, texts as people mean them; the index is the number of the line."""
    wrong: tuple[str, ...] = ()
    """In words what is wrong with the others."""

    @property
    def further(self) -> list[str]:
        """Columns of the user's own."""
        return [name for name in self.lines if name not in NAMES]


def empty_list() -> PlotList:
    """A list without lines."""
    return PlotList(pd.DataFrame({name: pd.Series(dtype="Int64" if name == "row" else "str") for name in NAMES}))


def read_plot_list(path: str | Path) -> PlotList:
    """Read plots.csv; all of :data:`NAMES` are there afterwards, empty where the file lacks them.

    Raises
    ------
    PlotMapMismatch
        The file cannot be read, or is empty.
    """
    frame, wrong = read_lines(path, "Plot list", ("photo", "row", "plot", "plot_row", "visit", *TYING), NAMES)
    if wrong == ["it has a header and no lines"]:
        wrong = []
    taken = {name for table in tables.ALL for name in table.names} - {"photo", "plot", "row"}
    for name in [name for name in frame if name in taken]:
        wrong.append(f"column {name!r} has the name of a measured one; name it otherwise")
        frame = frame.drop(columns=name)
    for name in NAMES:
        if name not in frame:
            frame[name] = pd.Series("" if name != "row" else pd.NA, index=frame.index, dtype=None)
            frame[name] = frame[name].astype("Int64" if name == "row" else "str")
    for name in frame:
        if name == "row" or not pd.api.types.is_string_dtype(frame[name]):
            continue
        prefix = "./" if name == "photo" else "'"
        frame[name] = [rearm(str(text), prefix).removeprefix("./" if name == "photo" else "") for text in frame[name]]
    for number in frame.index[(frame["photo"] == "") & (frame["plot"] == "")]:
        wrong.append(f"line {number} names neither a photo nor a plot")
    frame = frame[(frame["photo"] != "") | (frame["plot"] != "")]
    return PlotList(frame, tuple(wrong))


def is_plot_list(path: Path) -> bool:
    """Whether a file is there and is no table of results, which has the same name."""
    try:
        with open(path, encoding="utf-8-sig", errors="replace") as file:
            header = file.readline().strip().split(",")
    except OSError:
        return False
    return not {"row_length_cm", "rows", "plants"} <= set(header)


class PhotoNames:
    """Finds the photos that names in plots.csv mean."""

    def __init__(self, paths: Sequence[str]) -> None:
        """Take paths below the survey folder, parted by ``/``."""
        self._ends: dict[str, list[int]] = {}
        for i, path in enumerate(paths):
            parts = PurePosixPath(spoken(path)).parts
            for k in range(len(parts)):
                self._ends.setdefault("/".join(parts[k:]), []).append(i)
        self._whole = {spoken(path): i for i, path in enumerate(paths)}

    def find(self, name: str) -> list[int]:
        """Photos whose path is the name, else those whose path ends with it, by whole folders."""
        key = spoken(name.replace("\\", "/").removeprefix("./"))
        if key in self._whole:
            return [self._whole[key]]
        return self._ends.get(key, [])


def spoken(path: str) -> str:
    """A path in the form in which a CSV can hold it: one spelling of accents, no blanks at its ends, valid Unicode."""
    valid = path.encode("utf-8", "backslashreplace").decode("utf-8")
    return unicodedata.normalize("NFC", valid).strip()


def photo_line(path: str, facts: PhotoFacts) -> dict[str, str]:
    """A line of plots.csv for a photo that was found."""
    line = dict.fromkeys(NAMES, "")
    line["photo"] = spoken(path)
    if facts.taken is not None:
        line["taken"] = facts.taken.isoformat(" ") + zone_text(facts)
        line["visit"] = facts.taken.date().isoformat()
    if facts.longitude is not None and facts.latitude is not None:
        line["longitude"], line["latitude"] = f"{facts.longitude:.7f}", f"{facts.latitude:.7f}"
    return line


def zone_text(facts: PhotoFacts) -> str:
    """Zone as ISO 8601 writes it, empty where the photo does not tell."""
    if facts.utc_offset is None:
        return ""
    minutes = round(facts.utc_offset.total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def can_be_written(path: str) -> bool:
    """Whether a photo's name fits into one line of a CSV."""
    return len(spoken(path).splitlines()) == 1


def lines_text(
    lines: Sequence[dict[str, str]], header: Sequence[str] = NAMES, delimiter: str = ",", with_header: bool = True
) -> str:
    """Lines as CSV: nothing that a spreadsheet would run, nothing that reads as a comment."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\n")
    if with_header:
        writer.writerow(header)
    for line in lines:
        writer.writerow([_safe(name, line.get(name, "")) for name in header])
    return out.getvalue()


def _safe(name: str, text: str) -> str:
    prefix = "./" if name == "photo" else "'"
    text = disarm(text, prefix)
    return f"./{text}" if name == "photo" and text.startswith("#") else text


def appended(text: str, lines: Sequence[dict[str, str]]) -> str:
    """The text of a plots.csv with lines for further photos behind it; nothing of what it holds is changed.

    Columns follow the file's own header, and so does the character that parts them.
    """
    from standcam.stand.plotmap import column_name

    rest = text.removeprefix("\ufeff")
    first = next((line for line in rest.splitlines() if line.strip() and not line.startswith("#")), "")
    if not first:
        return text + lines_text(lines)
    delimiter = max(",;\t", key=first.count)
    header = [column_name(cell) for cell in next(csv.reader([first], delimiter=delimiter, skipinitialspace=True))]
    known: Collection[str] = set(NAMES)
    body = lines_text(lines, [name if name in known else "" for name in header], delimiter, with_header=False)
    return text + ("" if text.endswith("\n") else "\n") + body
