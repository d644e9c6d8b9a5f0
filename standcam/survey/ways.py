"""What each way tells of a photo: its line in plots.csv, its label, its name, its time, its position."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from standcam.survey.areas import PlotArea
from standcam.survey.cells import Cells, agreed, in_words, torn, unlike
from standcam.survey.facts import PhotoFacts
from standcam.survey.known import Known
from standcam.survey.marks import LabelsSeen
from standcam.survey.times import Clock, clock_of


class Ways:
    """Asks all ways that the settings name."""

    def __init__(self, known: Known) -> None:
        self.known = known

    def said(self, i: int, facts: PhotoFacts, seen: LabelsSeen) -> dict[str, Cells]:
        """What is told of photo ``i``, by way, in order."""
        said: dict[str, Cells] = {}
        for way in self.known.ways:
            ask: dict[str, Callable[[], Cells]] = {
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

    def _by_line(self, i: int) -> Cells:
        lines = self.known.of_photo.get(i, [])
        plots = unlike(lines, "plot")
        if len(plots) > 1:
            self.known.miss(
                "photo_twice", self.known.paths[i], " ".join(plots),
                f"{self.known.paths[i]} stands in plots.csv with the plots {in_words(plots)}.", "Keep one of them.",
            )  # fmt: skip
            return {}
        whole = [line for line in lines if pd.isna(line["row"])]
        cells = agreed(whole, self.known.carried())
        first = agreed([line for line in lines if line["row"] is not pd.NA and line["row"] == 1], self.known.carried())
        for name in torn(whole, self.known.carried()):
            self.known.miss(
                "photo_twice", self.known.paths[i], "",
                f"{self.known.paths[i]} stands in plots.csv with two values of {name}.",
                "Keep one of them; neither was used.",
            )  # fmt: skip
        return {**cells, **first} | ({"plot": plots[0]} if plots else {})

    def _by_label(self, i: int, seen: LabelsSeen) -> Cells:
        told: list[Cells] = []
        for text in seen.texts:
            lines = self.known.labels.get(text, [])
            if lines and len(unlike(lines, "plot")) == 1:
                told.append(agreed(lines, self.known.carried()) | {"plot": lines[0]["plot"]})
            elif not lines and (text in self.known.closed or not (self.known.closed or self.known.labels)):
                told.append({"plot": text})
            elif not lines:
                self.known.miss(
                    "label_not_listed", self.known.paths[i], "",
                    f"{self.known.paths[i]} shows the label {text!r}, which no line names.",
                    "Add it to the column label of plots.csv if it is a plot label.",
                )  # fmt: skip
        plots = list(dict.fromkeys(str(cells["plot"]) for cells in told))
        if len(plots) > 1:
            self.known.miss(
                "label_twice", self.known.paths[i], " ".join(plots),
                f"{self.known.paths[i]} shows the labels of plots {in_words(plots)}.",
                "Give the photo a line with its plot in plots.csv.",
            )  # fmt: skip
            return {}
        return agreed(told, self.known.carried()) | {"plot": plots[0]} if plots else {}

    def _by_name(self, i: int) -> Cells:
        found = self.known.pattern.read(self.known.paths[i]) if self.known.pattern else None
        return {**found} if found else {}

    def _by_time(self, i: int, facts: PhotoFacts) -> Cells:
        if not self.known.windows:
            return {}
        ties = self.known.settings.ties
        clock: Clock | None = clock_of(facts, ties.camera_utc_offset, ties.clock_ahead_s)
        holds = [window.holds(clock) if clock else None for window, _ in self.known.windows]
        if all(answer is None for answer in holds):
            if not self.known.of_photo.get(i):
                self.known.miss(
                    "no_time", self.known.paths[i], "",
                    f"{self.known.paths[i]} {'tells no time' if clock is None else 'does not tell its time zone'}.",
                    "Fill in taken in its line of plots.csv."
                    if clock is None
                    else "Give camera_utc_offset in survey.toml, or write the times in plots.csv without a zone.",
                )  # fmt: skip
            return {}
        lines = [line for (_, line), answer in zip(self.known.windows, holds, strict=True) if answer]
        plots = unlike(lines, "plot")
        if len(plots) > 1:
            self.known.miss(
                "two_windows", self.known.paths[i], " ".join(plots),
                f"{self.known.paths[i]} was taken in the time of plots {in_words(plots)}.",
                "Let the times not overlap.",
            )  # fmt: skip
        return agreed(lines, self.known.carried()) | {"plot": plots[0]} if len(plots) == 1 else {}

    def _by_place(self, i: int, facts: PhotoFacts) -> Cells:
        depths = self.depths(facts)
        within = [plot for plot, (depth, _) in depths.items() if depth >= 0]
        if len(within) > 1:
            self.known.miss(
                "two_areas", self.known.paths[i], " ".join(within),
                f"{self.known.paths[i]} lies within plots {in_words(within)}.",
                "Mend the outlines.",
            )  # fmt: skip
        if len(within) != 1:
            return {}
        error = max(self.known.settings.ties.gps_error_m, facts.gps_error_m or 0.0)
        near = [plot for plot, (depth, _) in depths.items() if plot != within[0] and depth > -error]
        if near and not any(line["plot"] for line in self.known.of_photo.get(i, [])):
            self.known.miss(
                "place_unsure", self.known.paths[i], within[0],
                f"{self.known.paths[i]} lies in plot {within[0]}, but {in_words(near)} is within the {error:g} m "
                "that its position may be off.",
                "Give the photo a line with its plot in plots.csv.",
            )  # fmt: skip
        return {"plot": within[0], **depths[within[0]][1].cells}

    def depths(self, facts: PhotoFacts) -> dict[str, tuple[float, PlotArea]]:
        """Distance into each plot, the deepest of its outlines. [m]"""
        depths: dict[str, tuple[float, PlotArea]] = {}
        if facts.longitude is not None and facts.latitude is not None:
            for area in self.known.areas:
                depth = area.inside_m(facts.longitude, facts.latitude)
                if depth > depths.get(area.plot, (-float("inf"),))[0]:
                    depths[area.plot] = (depth, area)
        return depths
