"""Photos tied to plots, and all that does not fit listed at once.

Every way that can tell is asked, and the first in order that speaks is believed. The ways are a photo's own line in
plots.csv, a plot label in the picture, the file name, the time, and the position.
A way that contradicts itself (two labels in one picture, two windows over one time) ties nothing.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from standcam import tables
from standcam.batch.inputs import Input
from standcam.errors import PlotMapMismatch, UnreadablePhoto
from standcam.settings import Settings
from standcam.survey.areas import PlotArea, read_areas
from standcam.survey.facts import PhotoFacts, exif_offset, exif_time, read_facts
from standcam.survey.marks import LabelsSeen, label_dictionary, read_labels
from standcam.survey.names import name_pattern
from standcam.survey.plot_list import (
    CELLS,
    PLOTS_FILE,
    PhotoNames,
    PlotList,
    empty_list,
    is_plot_list,
    read_plot_list,
    zone_text,
)
from standcam.survey.times import Clock, Window, clock_of, window_end

WAYS = {
    "plots_csv": "its line in plots.csv",
    "label": "its plot label",
    "file_name": "its file name",
    "time": "its time",
    "gps": "its position",
}

TIES = tables.Table(
    "ties",
    (
        tables.Column("photo", "str", "", "name of the photo in the tables"),
        tables.Column("plot", "str", "", "its plot; the photo's own name where nothing tied it"),
        *(tables.Column(name, "str", "", f"{name} of row 1 of the photo") for name in CELLS),
        tables.Column("tied_by", "str", "", "way that told the plot; empty: none did"),
        tables.Column("agreed_by", "str", "", "other ways that told the same plot, parted by spaces"),
        tables.Column("label", "str", "", "plot labels seen in the picture"),
        tables.Column("taken", "str", "", "time by the camera's clock, zone where it is known"),
        tables.Column("longitude", "float64", "degrees", "east positive, by the photo"),
        tables.Column("latitude", "float64", "degrees", "north positive, by the photo"),
    ),
)

MISMATCHES = tables.Table(
    "mismatches",
    (
        tables.Column("kind", "str", "", "what sort of mismatch; see standcam.survey.tie.KINDS"),
        tables.Column("photo", "str", "", "the photo, if it is about one"),
        tables.Column("plot", "str", "", "the plot, if it is about one"),
        tables.Column("reason", "str", "", "what does not fit"),
        tables.Column("remedy", "str", "", "what to do"),
    ),
)

KINDS = {
    "contradiction": "two ways tell different things of one photo; the first in order was taken",
    "label_twice": "a label stands for two plots, or a photo shows two labels; it ties nothing",
    "photo_twice": "a photo stands in plots.csv with two plots; its lines tie nothing",
    "times_overlap": "times of two plots overlap",
    "two_windows": "a photo was taken in the time of two plots; the time ties nothing",
    "two_areas": "a photo lies within two plots; its position ties nothing",
    "place_unsure": "a photo lies so near another plot that it may be of that one",
    "photo_without_plot": "nothing tells a photo's plot; it counts as a plot of its own",
    "plot_without_photo": "a plot has no photo",
    "plot_not_listed": "a plot that plots.csv does not list: perhaps a typing error",
    "line_without_photo": "plots.csv names a photo that is not there",
    "name_of_several": "plots.csv names a photo by a name that several have",
    "label_unreadable": "a plot label is seen but cannot be read",
    "label_not_listed": "a label that plots.csv does not list; it ties nothing",
    "no_time": "a photo without a time, or whose zone is unknown, among plots given by times",
    "wrong_line": "a line of plots.csv or an outline that cannot be used",
}
"""Kinds of mismatch, the gravest first."""

_Cells = dict[str, object]


@dataclass(frozen=True)
class Ties:
    """Photos of a survey with their plots."""

    folder: Path
    inputs: tuple[Input, ...]
    """As given, under the plots that they were tied to."""
    ties: pd.DataFrame
    """TIES, a line a photo."""
    mismatches: pd.DataFrame
    """MISMATCHES"""
    design: pd.DataFrame
    """A plot map by photo and row: what holds for the photo (row missing) and for single rows of it."""
    known: tuple[str, ...]
    """Plots that plots.csv or the outlines name."""


def is_survey(folder: Path, settings: Settings) -> bool:
    """Whether there is anything in a folder, or in the settings, that ties its photos to plots."""
    return (
        is_plot_list(folder / PLOTS_FILE)
        or settings.ties.file_name is not None
        or settings.ties.plot_areas is not None
        or settings.ties.plot_labels in ("aruco", "qr", "both")
    )


def below(folder: Path, path: Path) -> str:
    """A photo's path below the survey folder, parted by ``/``."""
    return Path(os.path.relpath(os.path.abspath(path), os.path.abspath(folder))).as_posix()


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
    """The work of :func:`tie_photos`: what is known beforehand, then photo by photo."""

    def __init__(self, folder: Path, inputs: Sequence[Input], settings: Settings) -> None:
        self.folder, self.inputs, self.settings = folder, inputs, settings
        self.ways = settings.ties.order
        self.found: list[tuple[str, str, str, str, str]] = []
        self.paths = [below(folder, item.path) for item in inputs]
        path = folder / PLOTS_FILE
        self.list: PlotList = read_plot_list(path) if is_plot_list(path) else empty_list()
        for wrong in self.list.wrong:
            self.miss("wrong_line", "", "", f"plots.csv: {wrong}.", "Mend that line; it was not used.")
        self.lines: dict[int, _Cells] = self.list.lines.to_dict("index")  # type: ignore[assignment]
        self.plot_lines = {n: line for n, line in self.lines.items() if not line["photo"]}
        self.by_plot: dict[str, list[_Cells]] = {}
        for line in self.plot_lines.values():
            self.by_plot.setdefault(str(line["plot"]), []).append(line)
        self.pattern = name_pattern(settings.ties.file_name) if settings.ties.file_name is not None else None
        self.of_photo = self._photo_lines()
        self.labels = self._label_lines()
        self.kinds = self._label_kinds()
        if "aruco" in self.kinds:
            label_dictionary(settings.ties.label_dictionary, settings.calibration)
        self.windows = self._windows()
        self.areas = self._areas()
        listed = [str(line["plot"]) for line in self.lines.values() if line["plot"]]
        self.known = list(dict.fromkeys([*listed, *(area.plot for area in self.areas)]))
        self.closed = {str(line["plot"]) for line in self.plot_lines.values()} | {area.plot for area in self.areas}

    def miss(self, kind: str, photo: str, plot: str, reason: str, remedy: str) -> None:
        self.found.append((kind, photo, plot, reason, remedy))

    # what is known beforehand

    def _photo_lines(self) -> dict[int, list[_Cells]]:
        names = PhotoNames(self.paths)
        out: dict[int, list[_Cells]] = {}
        for number, line in self.lines.items():
            name = str(line["photo"])
            if not name:
                continue
            at = names.find(name)
            if not at:
                self.miss(
                    "line_without_photo", name, str(line["plot"]),
                    f"plots.csv, line {number}: there is no photo {name}.",
                    "Copy the photo into the folder, or mend or delete the line.",
                )  # fmt: skip
            elif len(at) > 1:
                self.miss(
                    "name_of_several", name, str(line["plot"]),
                    f"plots.csv, line {number}: {name} may be any of {_list([self.paths[i] for i in at])}.",
                    "Write its folder before it.",
                )  # fmt: skip
            else:
                out.setdefault(at[0], []).append(line)
        return out

    def _label_lines(self) -> dict[str, list[_Cells]]:
        out: dict[str, list[_Cells]] = {}
        for line in self.plot_lines.values():
            if line["label"]:
                out.setdefault(str(line["label"]), []).append(line)
        for label, lines in out.items():
            plots = _unlike(lines, "plot")
            if len(plots) > 1:
                self.miss(
                    "label_twice", "", " ".join(plots), f"Label {label} stands for the plots {_list(plots)}.",
                    "Give each plot a label of its own in plots.csv; this one was not used.",
                )  # fmt: skip
        return out

    def _label_kinds(self) -> tuple[str, ...]:
        if "label" not in self.ways:
            return ()
        asked = self.settings.ties.plot_labels
        if asked == "auto":
            numbers = {label.isdecimal() for label in self.labels}
            return tuple(kind for kind, wanted in (("aruco", True in numbers), ("qr", False in numbers)) if wanted)
        return {"none": (), "both": ("aruco", "qr")}.get(asked, (asked,))

    def _windows(self) -> list[tuple[Window, _Cells]]:
        out: list[tuple[Window, _Cells]] = []
        for number, line in self.plot_lines.items():
            texts = (str(line["time_from"]), str(line["time_to"]))
            if not any(texts) or "time" not in self.ways:
                continue
            start, end = window_end(texts[0]), window_end(texts[1], last=True)
            said = f"plots.csv, line {number}: {texts[0] or 'nothing'} to {texts[1] or 'nothing'}"
            if start is None or end is None:
                reason = f"{said} is no stretch of time."
            elif (start.tzinfo is None) != (end.tzinfo is None):
                reason = f"{said}: one end names a time zone and the other none."
            elif end <= start:
                reason = f"{said} ends before it begins."
            else:
                out.append((Window(start, end), line))
                continue
            self.miss("wrong_line", "", str(line["plot"]), reason, "Write both ends as 2026-05-20 09:10.")
        by_start = sorted(out, key=lambda item: (item[0].start.tzinfo is None, item[0].start))
        for i, (window, line) in enumerate(by_start):
            for other, beside in by_start[i + 1 :]:
                if not window.overlaps(other):
                    break
                if line["plot"] != beside["plot"]:
                    self.miss(
                        "times_overlap", "", f"{line['plot']} {beside['plot']}",
                        f"The times of plots {line['plot']} and {beside['plot']} overlap from {other.start} to "
                        f"{min(window.end, other.end)}.",
                        "Let one end where the next begins.",
                    )  # fmt: skip
        return out

    def _areas(self) -> list[PlotArea]:
        if self.settings.ties.plot_areas is None or "gps" not in self.ways:
            return []
        path = Path(self.settings.ties.plot_areas)
        areas, wrong = read_areas(path, self.settings.ties.area_name)
        for reason in wrong:
            self.miss("wrong_line", "", "", f"{reason[0].upper()}{reason[1:]}.", "Mend the outlines.")
        if not areas:
            raise PlotMapMismatch(
                f"Plot outlines {path} hold no plot with a name in {self.settings.ties.area_name!r}.",
                "Name the property with ties.area_name in survey.toml.",
            )
        return areas

    # photo by photo

    def run(self, on_done: Callable[[object], None] | None) -> Ties:
        inputs: list[Input] = []
        records: list[dict[str, object]] = []
        design: list[_Cells] = []
        used: set[str] = set()
        for i, item in enumerate(self.inputs):
            facts = self._facts(i, read_facts(item.path))
            seen = self._labels_of(item, i)
            said = self._said(i, facts, seen)
            way = next((way for way in self.ways if said.get(way, {}).get("plot")), "")
            plot = str(said[way]["plot"]) if way else ""
            self._compare(i, said, plot, way)
            cells = self._cells(i, said, plot, facts)
            if plot:
                used.add(plot)
                if self.closed and plot not in self.closed:
                    self.miss(
                        "plot_not_listed", self.paths[i], plot,
                        f"{self.paths[i]}: plot {plot}, told by {WAYS[way]}, is not among the plots listed.",
                        "Mend the name, or add a line for the plot to plots.csv.",
                    )  # fmt: skip
            elif not cells.get("row_unit"):
                self._without_plot(i, facts)
            agreed = [w for w in self.ways if w != way and said.get(w, {}).get("plot") == plot]
            inputs.append(replace(item, plot=plot or item.plot, visit=str(cells.get("visit", ""))))
            records.append(
                {
                    "photo": item.photo, "plot": plot or item.plot, "tied_by": way, "agreed_by": " ".join(agreed),
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
        for plot in self.known:
            if plot not in used:
                self.miss(
                    "plot_without_photo", "", plot, f"Plot {plot} has no photo.",
                    "Look for it among the photos without plot, or photograph it.",
                )  # fmt: skip
        names = ["photo", "row", *CELLS, *self.list.further]
        frame = pd.DataFrame(design, columns=names)
        frame["row"] = frame["row"].astype("Int64")
        for name in self.list.further:  # numbers where all of the column are
            values = pd.to_numeric(frame[name].replace("", None), errors="coerce")
            if values.notna().sum() == (frame[name].astype("str") != "").sum() > 0:
                frame[name] = values
        order = {kind: n for n, kind in enumerate(KINDS)}
        self.found.sort(key=lambda line: order[line[0]])
        return Ties(
            self.folder,
            tuple(inputs),
            tables.conform(TIES, pd.DataFrame(records, columns=TIES.names)),
            tables.conform(MISMATCHES, pd.DataFrame(list(dict.fromkeys(self.found)), columns=MISMATCHES.names)),
            frame,
            tuple(self.known),
        )

    def _facts(self, i: int, facts: PhotoFacts) -> PhotoFacts:
        """Facts by the header, with those that plots.csv has otherwise."""
        for line in self.of_photo.get(i, []):
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
        if not self.kinds:
            return LabelsSeen()
        try:
            seen = read_labels(item.path, self.kinds, self.settings.ties.label_dictionary, self.settings.photo)
        except UnreadablePhoto:  # told when the photo is counted
            return LabelsSeen()
        if seen.unreadable:
            self.miss(
                "label_unreadable", self.paths[i], "",
                f"{self.paths[i]} shows a plot label that cannot be read.",
                "Give the photo a line with its plot in plots.csv.",
            )  # fmt: skip
        return seen

    def _said(self, i: int, facts: PhotoFacts, seen: LabelsSeen) -> dict[str, _Cells]:
        said: dict[str, _Cells] = {}
        for way in self.ways:
            ask: dict[str, Callable[[], _Cells]] = {
                "plots_csv": lambda: self._by_line(i),
                "label": lambda: self._by_label(i, seen),
                "file_name": lambda: self._by_name(i),
                "time": lambda: self._by_time(i, facts),
                "gps": lambda: self._by_place(i, facts),
            }
            cells = ask[way]()
            if cells:
                said[way] = cells
        return said

    def _by_line(self, i: int) -> _Cells:
        lines = self.of_photo.get(i, [])
        plots = _unlike(lines, "plot")
        if len(plots) > 1:
            self.miss(
                "photo_twice", self.paths[i], " ".join(plots),
                f"{self.paths[i]} stands in plots.csv with the plots {_list(plots)}.", "Keep one of them.",
            )  # fmt: skip
            return {}
        whole = [line for line in lines if pd.isna(line["row"])]
        cells = _agreed(whole, self._carried())
        first = _agreed([line for line in lines if line["row"] is not pd.NA and line["row"] == 1], self._carried())
        for name in _torn(whole, self._carried()):
            self.miss(
                "photo_twice", self.paths[i], "", f"{self.paths[i]} stands in plots.csv with two values of {name}.",
                "Keep one of them; neither was used.",
            )  # fmt: skip
        return {**cells, **first} | ({"plot": plots[0]} if plots else {})

    def _by_label(self, i: int, seen: LabelsSeen) -> _Cells:
        told: list[_Cells] = []
        for text in seen.texts:
            lines = self.labels.get(text, [])
            if lines and len(_unlike(lines, "plot")) == 1:
                told.append(_agreed(lines, self._carried()) | {"plot": lines[0]["plot"]})
            elif not lines and (text in self.closed or not (self.closed or self.labels)):
                told.append({"plot": text})
            elif not lines:
                self.miss(
                    "label_not_listed", self.paths[i], "",
                    f"{self.paths[i]} shows the label {text!r}, which no line names.",
                    "Add it to the column label of plots.csv if it is a plot label.",
                )  # fmt: skip
        plots = list(dict.fromkeys(str(cells["plot"]) for cells in told))
        if len(plots) > 1:
            self.miss(
                "label_twice", self.paths[i], " ".join(plots),
                f"{self.paths[i]} shows the labels of plots {_list(plots)}.",
                "Give the photo a line with its plot in plots.csv.",
            )  # fmt: skip
            return {}
        return _agreed(told, self._carried()) | {"plot": plots[0]} if plots else {}

    def _by_name(self, i: int) -> _Cells:
        found = self.pattern.read(self.paths[i]) if self.pattern else None
        return {**found} if found else {}

    def _by_time(self, i: int, facts: PhotoFacts) -> _Cells:
        if not self.windows:
            return {}
        ties = self.settings.ties
        clock: Clock | None = clock_of(facts, ties.camera_utc_offset, ties.clock_ahead_s)
        holds = [window.holds(clock) if clock else None for window, _ in self.windows]
        if all(answer is None for answer in holds):
            if not self.of_photo.get(i):
                self.miss(
                    "no_time", self.paths[i], "",
                    f"{self.paths[i]} {'tells no time' if clock is None else 'does not tell its time zone'}.",
                    "Fill in taken in its line of plots.csv."
                    if clock is None
                    else "Give camera_utc_offset in survey.toml, or write the times in plots.csv without a zone.",
                )  # fmt: skip
            return {}
        lines = [line for (_, line), answer in zip(self.windows, holds, strict=True) if answer]
        plots = _unlike(lines, "plot")
        if len(plots) > 1:
            self.miss(
                "two_windows", self.paths[i], " ".join(plots),
                f"{self.paths[i]} was taken in the time of plots {_list(plots)}.", "Let the times not overlap.",
            )  # fmt: skip
        return _agreed(lines, self._carried()) | {"plot": plots[0]} if len(plots) == 1 else {}

    def _depths(self, facts: PhotoFacts) -> dict[str, tuple[float, PlotArea]]:
        """Distance into each plot, the deepest of its outlines. [m]"""
        depths: dict[str, tuple[float, PlotArea]] = {}
        if facts.longitude is not None and facts.latitude is not None:
            for area in self.areas:
                depth = area.inside_m(facts.longitude, facts.latitude)
                if depth > depths.get(area.plot, (-float("inf"),))[0]:
                    depths[area.plot] = (depth, area)
        return depths

    def _by_place(self, i: int, facts: PhotoFacts) -> _Cells:
        depths = self._depths(facts)
        within = [plot for plot, (depth, _) in depths.items() if depth >= 0]
        if len(within) > 1:
            self.miss(
                "two_areas", self.paths[i], " ".join(within), f"{self.paths[i]} lies within plots {_list(within)}.",
                "Mend the outlines.",
            )  # fmt: skip
        if len(within) != 1:
            return {}
        error = max(self.settings.ties.gps_error_m, facts.gps_error_m or 0.0)
        near = [plot for plot, (depth, _) in depths.items() if plot != within[0] and depth > -error]
        if near and not any(line["plot"] for line in self.of_photo.get(i, [])):
            self.miss(
                "place_unsure", self.paths[i], within[0],
                f"{self.paths[i]} lies in plot {within[0]}, but {_list(near)} is within the {error:g} m that its "
                "position may be off.",
                "Give the photo a line with its plot in plots.csv.",
            )  # fmt: skip
        return {"plot": within[0], **depths[within[0]][1].cells}

    def _without_plot(self, i: int, facts: PhotoFacts) -> None:
        depths = self._depths(facts)
        more = ""
        if depths:
            plot, (depth, _) = max(depths.items(), key=lambda item: item[1][0])
            more = f" Its position lies {-depth:.0f} m outside plot {plot}, the nearest." if depth < 0 else ""
        self.miss(
            "photo_without_plot", self.paths[i], "", f"Nothing tells the plot of {self.paths[i]}.{more}",
            "Give it a line with its plot in plots.csv. Until then it counts as a plot of its own.",
        )  # fmt: skip

    def _compare(self, i: int, said: dict[str, _Cells], plot: str, way: str) -> None:
        """List what two ways tell differently."""
        for other, cells in said.items():
            if cells.get("plot") not in (None, "", plot):
                self.miss(
                    "contradiction", self.paths[i], plot,
                    f"{self.paths[i]}: {WAYS[way]} says plot {plot}, {WAYS[other]} says {cells['plot']}.",
                    f"Plot {plot} was taken. Mend whichever is wrong.",
                )  # fmt: skip
        for name in CELLS:
            told = [
                (other, str(cells[name]))
                for other, cells in said.items()
                if _filled(cells.get(name)) and cells.get("plot", plot) == plot
            ]
            for other, value in told[1:]:
                if value != told[0][1]:
                    self.miss(
                        "contradiction", self.paths[i], plot,
                        f"{self.paths[i]}: {WAYS[told[0][0]]} says {name} {told[0][1]}, {WAYS[other]} says {value}.",
                        f"{told[0][1]} was taken. Mend whichever is wrong.",
                    )  # fmt: skip

    def _carried(self) -> list[str]:
        return [*CELLS, *self.list.further]

    def _cells(self, i: int, said: dict[str, _Cells], plot: str, facts: PhotoFacts) -> _Cells:
        """What holds for row 1 of a photo: by the ways in order, then by the lines of its plot."""
        out: _Cells = {}
        for cells in said.values():
            if cells.get("plot", plot) == plot:
                out = {name: value for name, value in cells.items() if name != "plot" and _filled(value)} | out
        # the narrowest lines first: those of the same row and visit of the plot, then those of the plot alone
        lines = [
            line
            for line in self.by_plot.get(plot, [])
            if all(not _filled(line[key]) or str(line[key]) == str(out.get(key, "")) for key in ("plot_row", "visit"))
        ]
        # lines that differ only in how they tie, such as the labels of several units, tell what all of them tell
        for narrow in (2, 1, 0):
            level = [line for line in lines if _filled(line["plot_row"]) + _filled(line["visit"]) == narrow]
            out = _agreed(level, self._carried()) | out
        if not out.get("visit") and facts.taken is not None:
            out["visit"] = facts.taken.date().isoformat()
        return out

    def _design(self, item: Input, i: int, cells: _Cells) -> list[_Cells]:
        """Lines of a plot map: of the photo, whose neighbour rows are other units, of row 1, and of rows named."""
        own = ("row_unit", "plot_row")
        base = dict.fromkeys(self._carried(), "") | cells
        out = [
            {"photo": item.photo, "row": pd.NA} | base | dict.fromkeys(own, ""),
            {"photo": item.photo, "row": 1} | base,
        ]
        for line in self.of_photo.get(i, []):
            if not pd.isna(line["row"]) and line["row"] != 1:
                told = {name: line[name] for name in self._carried() if _filled(line[name])}
                out.append({"photo": item.photo, "row": line["row"]} | base | dict.fromkeys(own, "") | told)
        return out


def _filled(value: object) -> bool:
    return value is not None and not pd.isna(value) and str(value) != ""  # type: ignore[call-overload]


def _unlike(lines: Sequence[_Cells], name: str) -> list[str]:
    return list(dict.fromkeys(str(line[name]) for line in lines if _filled(line[name])))


def _agreed(lines: Sequence[_Cells], names: Sequence[str]) -> _Cells:
    """Cells that are filled in some line and the same in all that fill them."""
    out: _Cells = {}
    for name in names:
        values = list({str(line[name]): line[name] for line in lines if _filled(line.get(name))}.values())
        if len(values) == 1:
            out[name] = values[0]
    return out


def _torn(lines: Sequence[_Cells], names: Sequence[str]) -> list[str]:
    return [name for name in names if len(_unlike(lines, name)) > 1]


def _list(things: Sequence[str], most: int = 5) -> str:
    more = f" and {len(things) - most} more" if len(things) > most else ""
    return ", ".join(things[:most]) + more
