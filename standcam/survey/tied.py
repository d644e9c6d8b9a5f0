"""What tying gives: each photo with its plot, and the mismatches by kind."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from standcam import tables
from standcam.batch.inputs import Input
from standcam.survey.plot_list import CELLS

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
        tables.Column("kind", "str", "", "what sort of mismatch; see standcam.survey.tied.KINDS"),
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


@dataclass(frozen=True)
class Ties:
    """Photos of a survey with their plots."""

    folder: Path
    inputs: Sequence[Input]
    """As given, under the plots that they were tied to."""
    ties: pd.DataFrame
    """TIES, a line a photo."""
    mismatches: pd.DataFrame
    """MISMATCHES"""
    design: pd.DataFrame
    """A plot map by photo and row: what holds for the photo (row missing) and for single rows of it."""
    known: tuple[str, ...]
    """Plots that plots.csv or the outlines name."""


def below(folder: Path, path: Path) -> str:
    """A photo's path below the survey folder, parted by ``/``."""
    return Path(os.path.relpath(os.path.abspath(path), os.path.abspath(folder))).as_posix()
