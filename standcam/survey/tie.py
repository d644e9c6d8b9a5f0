"""Photos tied to plots, and all that does not fit listed at once.

Every way that can tell is asked, and the first in order that speaks is believed. The ways are a photo's own line in
plots.csv, a plot label in the picture, the file name, the time, and the position.
A way that contradicts itself (two labels in one picture, two windows over one time) ties nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from standcam import tables
from standcam.batch.inputs import Input
from standcam.errors import UnreadablePhoto
from standcam.settings import Settings
from standcam.survey.cells import Cells, agreed, filled
from standcam.survey.facts import PhotoFacts, exif_offset, exif_time, read_facts
from standcam.survey.known import Known
from standcam.survey.marks import LabelsSeen, read_labels
from standcam.survey.plot_list import CELLS, PLOTS_FILE, is_plot_list, zone_text
from standcam.survey.tied import KINDS, MISMATCHES, TIES, WAYS, Ties
from standcam.survey.times import window_end
from standcam.survey.ways import Ways


def is_survey(folder: Path, settings: Settings) -> bool:
    """Whether there is anything in a folder, or in the settings, that ties its photos to plots."""
    return (
        is_plot_list(folder / PLOTS_FILE)
        or settings.ties.file_name is not None
        or settings.ties.plot_areas is not None
        or settings.ties.plot_labels in ("aruco", "qr", "both")
    )


def tie_photos(
    folder: str | Path,
    inputs: Sequence[Input],
    settings: Settings,
    on_done: Callable[[object], None] | None = None,
) -> Ties:
    """Tie photos to plots, and list all that does not fit.

    Parameters
    ----------
    folder : path
        The survey; plots.csv is read in it.
    inputs : sequence of Input
        Photos found in it.
    settings : Settings
        Of the survey; ``ties`` above all.
    on_done : callable, optional
        Told of each photo as it is done.

    Raises
    ------
    BadSettings
        The pattern of file names or the family of labels makes no sense.
    PlotMapMismatch
        plots.csv or the outlines cannot be read at all.
    """
    return _Tying(Path(folder), inputs, settings).run(on_done)


class _Tying:
    """The work of :func:`tie_photos`, photo by photo."""

    def __init__(self, folder: Path, inputs: Sequence[Input], settings: Settings) -> None:
        self.folder, self.inputs = folder, inputs
        self.known = Known(folder, inputs, settings)
        self.ask = Ways(self.known)

    def run(self, on_done: Callable[[object], None] | None) -> Ties:
        inputs: list[Input] = []
        records: list[dict[str, object]] = []
        design: list[Cells] = []
        used: set[str] = set()
        for i, item in enumerate(self.inputs):
            facts = self._facts(i, read_facts(item.path))
            seen = self._labels_of(item, i)
            said = self.ask.said(i, facts, seen)
            way = next((way for way in self.known.ways if said.get(way, {}).get("plot")), "")
            plot = str(said[way]["plot"]) if way else ""
            self._compare(i, said, plot, way)
            cells = self._cells(i, said, plot, facts)
            if plot:
                used.add(plot)
                if self.known.closed and plot not in self.known.closed:
                    self.known.miss(
                        "plot_not_listed", self.known.paths[i], plot,
                        f"{self.known.paths[i]}: plot {plot}, told by {WAYS[way]}, is not among the plots listed.",
                        "Mend the name, or add a line for the plot to plots.csv.",
                    )  # fmt: skip
            elif not cells.get("row_unit"):
                self._without_plot(i, facts)
            others = [w for w in self.known.ways if w != way and said.get(w, {}).get("plot") == plot]
            latitude, longitude = facts.latitude, facts.longitude
            place = None if latitude is None or longitude is None else (latitude, longitude)
            inputs.append(replace(item, plot=plot or item.plot, visit=str(cells.get("visit", "")), place=place))
            records.append(
                {
                    "photo": item.photo, "plot": plot or item.plot, "tied_by": way, "agreed_by": " ".join(others),
                    "label": " ".join(seen.texts),
                    "taken": f"{facts.taken.isoformat(' ')}{zone_text(facts)}" if facts.taken else "",
                    "longitude": float("nan") if facts.longitude is None else facts.longitude,
                    "latitude": float("nan") if facts.latitude is None else facts.latitude,
                }
                | {name: str(cells.get(name, "")) for name in CELLS}
            )  # fmt: skip
            design += self._design(item, i, cells)
            if on_done:
                on_done(item)
        for plot in self.known.plots:
            if plot not in used:
                self.known.miss(
                    "plot_without_photo", "", plot, f"Plot {plot} has no photo.",
                    "Look for it among the photos without plot, or photograph it.",
                )  # fmt: skip
        names = ["photo", "row", *CELLS, *self.known.list.further]
        frame = pd.DataFrame(design, columns=names)
        frame["row"] = frame["row"].astype("Int64")
        for name in self.known.list.further:  # numbers where all of the column are
            values = pd.to_numeric(frame[name].replace("", None), errors="coerce")
            if values.notna().sum() == (frame[name].astype("str") != "").sum() > 0:
                frame[name] = values
        order = {kind: n for n, kind in enumerate(KINDS)}
        self.known.found.sort(key=lambda line: order[line[0]])
        return Ties(
            self.folder,
            tuple(inputs),
            tables.conform(TIES, pd.DataFrame(records, columns=TIES.names)),
            tables.conform(MISMATCHES, pd.DataFrame(list(dict.fromkeys(self.known.found)), columns=MISMATCHES.names)),
            frame,
            tuple(self.known.plots),
        )

    def _facts(self, i: int, facts: PhotoFacts) -> PhotoFacts:
        """Facts by the header, with those that plots.csv has otherwise."""
        for line in self.known.of_photo.get(i, []):
            text = str(line["taken"])
            time = exif_time(text[:19].strip()) or window_end(text)
            if text and time is not None:
                offset = time.utcoffset() if time.tzinfo else exif_offset(text[19:])
                facts = replace(facts, taken=time.replace(tzinfo=None), utc_offset=offset or facts.utc_offset)
            try:
                place = (float(str(line["longitude"])), float(str(line["latitude"])))
            except ValueError:
                continue
            if abs(place[0]) <= 180 and abs(place[1]) <= 90:
                facts = replace(facts, longitude=place[0], latitude=place[1])
        return facts

    def _labels_of(self, item: Input, i: int) -> LabelsSeen:
        if not self.known.kinds:
            return LabelsSeen()
        try:
            settings = self.known.settings
            seen = read_labels(item.path, self.known.kinds, settings.ties.label_dictionary, settings.photo)
        except UnreadablePhoto:  # told when the photo is counted
            return LabelsSeen()
        if seen.unreadable:
            self.known.miss(
                "label_unreadable", self.known.paths[i], "",
                f"{self.known.paths[i]} shows a plot label that cannot be read.",
                "Give the photo a line with its plot in plots.csv.",
            )  # fmt: skip
        return seen

    def _without_plot(self, i: int, facts: PhotoFacts) -> None:
        depths = self.ask.depths(facts)
        more = ""
        if depths:
            plot, (depth, _) = max(depths.items(), key=lambda item: item[1][0])
            more = f" Its position lies {-depth:.0f} m outside plot {plot}, the nearest." if depth < 0 else ""
        self.known.miss(
            "photo_without_plot", self.known.paths[i], "", f"Nothing tells the plot of {self.known.paths[i]}.{more}",
            "Give it a line with its plot in plots.csv. Until then it counts as a plot of its own.",
        )  # fmt: skip

    def _compare(self, i: int, said: dict[str, Cells], plot: str, way: str) -> None:
        """List what two ways tell differently."""
        for other, cells in said.items():
            if cells.get("plot") not in (None, "", plot):
                self.known.miss(
                    "contradiction", self.known.paths[i], plot,
                    f"{self.known.paths[i]}: {WAYS[way]} says plot {plot}, {WAYS[other]} says {cells['plot']}.",
                    f"Plot {plot} was taken. Mend whichever is wrong.",
                )  # fmt: skip
        for name in CELLS:
            told = [
                (other, str(cells[name]))
                for other, cells in said.items()
                if filled(cells.get(name)) and cells.get("plot", plot) == plot
            ]
            for other, value in told[1:]:
                if value != told[0][1]:
                    self.known.miss(
                        "contradiction", self.known.paths[i], plot,
                        f"{self.known.paths[i]}: {WAYS[told[0][0]]} says {name} {told[0][1]}, "
                        f"{WAYS[other]} says {value}.",
                        f"{told[0][1]} was taken. Mend whichever is wrong.",
                    )  # fmt: skip

    def _cells(self, i: int, said: dict[str, Cells], plot: str, facts: PhotoFacts) -> Cells:
        """What holds for row 1 of a photo: by the ways in order, then by the lines of its plot."""
        out: Cells = {}
        for cells in said.values():
            if cells.get("plot", plot) == plot:
                out = {name: value for name, value in cells.items() if name != "plot" and filled(value)} | out
        # the narrowest lines first: those of the same row and visit of the plot, then those of the plot alone
        lines = [
            line
            for line in self.known.by_plot.get(plot, [])
            if all(not filled(line[key]) or str(line[key]) == str(out.get(key, "")) for key in ("plot_row", "visit"))
        ]
        # lines that differ only in how they tie, such as the labels of several units, tell what all of them tell
        for narrow in (2, 1, 0):
            level = [line for line in lines if filled(line["plot_row"]) + filled(line["visit"]) == narrow]
            out = agreed(level, self.known.carried()) | out
        if not out.get("visit") and facts.taken is not None:
            out["visit"] = facts.taken.date().isoformat()
        return out

    def _design(self, item: Input, i: int, cells: Cells) -> list[Cells]:
        """Lines of a plot map: of the photo, whose neighbour rows are other units, of row 1, and of rows named."""
        own = ("row_unit", "plot_row")
        base = dict.fromkeys(self.known.carried(), "") | cells
        out = [
            {"photo": item.photo, "row": pd.NA} | base | dict.fromkeys(own, ""),
            {"photo": item.photo, "row": 1} | base,
        ]
        for line in self.known.of_photo.get(i, []):
            if not pd.isna(line["row"]) and line["row"] != 1:
                told = {name: line[name] for name in self.known.carried() if filled(line[name])}
                out.append({"photo": item.photo, "row": line["row"]} | base | dict.fromkeys(own, "") | told)
        return out
