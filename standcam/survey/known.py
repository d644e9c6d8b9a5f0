"""What a survey says beforehand of its plots: lines of plots.csv, labels, times, outlines; and what is wrong there."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from standcam.batch.inputs import Input
from standcam.errors import PlotMapMismatch
from standcam.settings import Settings
from standcam.survey.areas import PlotArea, read_areas
from standcam.survey.cells import Cells, in_words, unlike
from standcam.survey.marks import label_dictionary
from standcam.survey.names import name_pattern
from standcam.survey.plot_list import CELLS, PLOTS_FILE, PhotoNames, PlotList, empty_list, is_plot_list, read_plot_list
from standcam.survey.tied import below
from standcam.survey.times import Window, window_end


class Known:
    """What is known before any photo is looked at.

    Parameters
    ----------
    folder : path
    inputs : sequence of Input
    settings : Settings

    Raises
    ------
    BadSettings
        The pattern of file names or the family of labels makes no sense.
    PlotMapMismatch
        plots.csv or the outlines cannot be read at all.
    """

    def __init__(self, folder: Path, inputs: Sequence[Input], settings: Settings) -> None:
        self.settings = settings
        self.ways = settings.ties.order
        self.found: list[tuple[str, str, str, str, str]] = []
        self.paths = [below(folder, item.path) for item in inputs]
        path = folder / PLOTS_FILE
        self.list: PlotList = read_plot_list(path) if is_plot_list(path) else empty_list()
        for wrong in self.list.wrong:
            self.miss("wrong_line", "", "", f"plots.csv: {wrong}.", "Mend that line; it was not used.")
        self.lines: dict[int, Cells] = self.list.lines.to_dict("index")  # type: ignore[assignment]
        self.plot_lines = {n: line for n, line in self.lines.items() if not line["photo"]}
        self.by_plot: dict[str, list[Cells]] = {}
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
        self.plots = list(dict.fromkeys([*listed, *(area.plot for area in self.areas)]))
        self.closed = {str(line["plot"]) for line in self.plot_lines.values()} | {area.plot for area in self.areas}

    def miss(self, kind: str, photo: str, plot: str, reason: str, remedy: str) -> None:
        """Note a mismatch."""
        self.found.append((kind, photo, plot, reason, remedy))

    def carried(self) -> list[str]:
        """Columns that tell of photos and plots, those of the user's own behind."""
        return [*CELLS, *self.list.further]

    def _photo_lines(self) -> dict[int, list[Cells]]:
        names = PhotoNames(self.paths)
        out: dict[int, list[Cells]] = {}
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
                    f"plots.csv, line {number}: {name} may be any of {in_words([self.paths[i] for i in at])}.",
                    "Write its folder before it.",
                )  # fmt: skip
            else:
                out.setdefault(at[0], []).append(line)
        return out

    def _label_lines(self) -> dict[str, list[Cells]]:
        out: dict[str, list[Cells]] = {}
        for line in self.plot_lines.values():
            if line["label"]:
                out.setdefault(str(line["label"]), []).append(line)
        for label, lines in out.items():
            plots = unlike(lines, "plot")
            if len(plots) > 1:
                self.miss(
                    "label_twice", "", " ".join(plots), f"Label {label} stands for the plots {in_words(plots)}.",
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

    def _windows(self) -> list[tuple[Window, Cells]]:
        out: list[tuple[Window, Cells]] = []
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
