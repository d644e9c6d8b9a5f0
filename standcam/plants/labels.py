"""Labels: what a person says that some plants of a survey are, and which listed plants they mean."""

from __future__ import annotations

import math
import os
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standcam.errors import StandcamError
from standcam.small_csv import read_small_csv
from standcam.tables import Column, Table

LABELS_FILE = "labels.csv"
WORDS = ("crop", "weed", "nothing")
_NEEDED = ("photo", "x_px", "y_px", "label")
_REMEDY = "Write a header photo,x_px,y_px,label and, if you like, note."

LABELLED = Table(
    "labelled",
    (
        Column("photo", "str", "", "photo of the label, as the other tables name it"),
        Column("x_px", "float64", "px", "where the label was put in the upright original photo, to the right"),
        Column("y_px", "float64", "px", "where it was put, down"),
        Column("label", "str", "", "crop, weed or nothing"),
        Column("note", "str", "", "as written"),
        Column("line", "int64", "", "line of the labels file"),
        Column("became", "str", "", "used, missed (crop, no plant listed there), set_aside"),
        Column("plant", "Int64", "", "plant it was tied to, numbered as in plants.csv; missing where there is none"),
        Column("distance_cm", "float64", "cm", "from the label to that plant; missing without a scale"),
        Column("crop_probability_before", "float64", "1", "of that plant, before any label"),
        Column("was_crop", "boolean", "", "decision about that plant before any label; missing where there is none"),
        Column("why", "str", "", "why a label was not used, in words"),
    ),
)


_NOBODY, _TAKEN = "no plant is listed there", "another label means the only plant listed there"
MISSING = (_NOBODY, _TAKEN)
"""Why a label of a place on a measured row means no plant."""


_GAINSAY = 2.0
"""How much farther a plant counts that was taken for something else than the label says (chosen by us)."""


class BadLabels(StandcamError):
    """A labels file cannot be read."""


@dataclass(frozen=True)
class Label:
    """One line of a labels file."""

    line: int
    """Number of the line in the file, from 1."""
    photo: str
    """As written."""
    x_px: float
    y_px: float
    label: str
    """One of ``WORDS``."""
    note: str = ""


@dataclass(frozen=True)
class Tie:
    """What became of one label of a photo."""

    plant: int | None
    """Index of the listed plant it means; None when it means none."""
    distance_cm: float
    why: str = ""
    """Why it means none, in words."""


def read_labels(path: str | Path) -> tuple[Label, ...]:
    """Labels of a CSV file with the columns photo, x_px, y_px, label and perhaps note; others are left alone.

    Raises
    ------
    BadLabels
        The file cannot be read, lacks a column, or a line of it does not make sense.
    """
    path = Path(path)
    sheet = read_small_csv(path, "Labels file", BadLabels, _REMEDY)
    (_, header), *lines = sheet.lines
    names = [name.lower() for name in header]
    if missing := [name for name in _NEEDED if name not in names]:
        raise BadLabels(f"Labels file {path} has no column {', '.join(missing)}.", _REMEDY)
    if twice := sorted({name for name in names if name and names.count(name) > 1}):
        raise BadLabels(f"Labels file {path} has column {', '.join(twice)} twice.", "Keep one of them.")
    labels = []
    for number, cells in lines:
        where = f"Labels file {path}, line {number}"
        if len(cells) > len(names):
            raise BadLabels(
                f"{where} has {len(cells)} cells, and the header names {len(names)}.",
                "Put a note with commas in quotes.",
            )
        cell = dict(zip(names, [*cells, *[""] * (len(names) - len(cells))], strict=True))
        if not cell["photo"]:
            raise BadLabels(f"{where} names no photo.", "Write the name that the tables use.")
        word = cell["label"].lower()
        if word not in WORDS:
            raise BadLabels(f"{where} has the label {cell['label']!r}.", f"Use {', '.join(WORDS[:-1])} or {WORDS[-1]}.")
        x, y = (_pixel(cell[name], name, where) for name in ("x_px", "y_px"))
        labels.append(Label(number, cell["photo"], x, y, word, cell.get("note", "")))
    return tuple(labels)


def _pixel(text: str, name: str, where: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BadLabels(f"{where}: {name} is {text!r}.", "Give a pixel of the original photo, such as 1520.")
    return value


def photo_of(name: str, photos: Sequence[str], paths: Sequence[Path]) -> int | str:
    """Which photo a label names: its index, or in words why none.

    The name in the tables serves, as does any end of the file's path that belongs to one photo alone.
    """
    # one disk writes an accent as a letter of its own and another does not; people see one name
    name, photos = unicodedata.normalize("NFC", name), [unicodedata.normalize("NFC", photo) for photo in photos]
    parts = Path(name.replace("\\", "/")).parts
    same = [k for k, photo in enumerate(photos) if photo == name or Path(photo).parts == parts]
    if not same:
        whole = [Path(unicodedata.normalize("NFC", os.path.abspath(path))).parts for path in paths]
        same = [k for k, path in enumerate(whole) if path[-len(parts) :] == parts]
    if len(same) == 1:
        return same[0]
    if same:
        return f"{len(same)} photos have this name: write its folder before it"
    return "no photo of this name was counted"


def tie(
    labels: Sequence[Label],
    places_cm: np.ndarray,
    plants_cm: np.ndarray,
    is_crop: np.ndarray,
    reach_cm: float,
    apart_cm: float,
) -> list[Tie]:
    """Tie the labels of one photo to its listed plants, one to one, the nearest pairs first.

    Who corrects a plant puts the label on it; who labels a weed that is not listed puts it beside one. So a label that
    gainsays what a plant was taken for counts as twice as far from it.

    Parameters
    ----------
    labels : sequence of Label
    places_cm : (n, 2) array
        Where they lie on the ground; NaN outside the photo. [cm]
    plants_cm : (m, 2) array
        Listed plants, crop, doubtful and weeds. [cm]
    is_crop : (m,) bool
        Which of them were taken for crop.
    reach_cm : float
        Farthest that a label may lie from its plant. [cm]
    apart_cm : float
        Labels nearer than this to each other mean one place: where their words differ, neither is used. [cm]
    """
    n = len(labels)
    ties = [Tie(None, math.nan, "") for _ in range(n)]
    apart = np.linalg.norm(places_cm[:, None] - places_cm[None], axis=2)
    for i in range(n):
        if not np.isfinite(places_cm[i]).all():
            ties[i] = Tie(None, math.nan, "it lies outside the photo")
            continue
        others = [int(j) for j in np.flatnonzero(apart[i] < apart_cm) if j != i]
        against = [j for j in others if labels[j].label != labels[i].label]
        earlier = [j for j in others if j < i]
        if against:
            ties[i] = Tie(
                None, math.nan, f"line {labels[against[0]].line} says {labels[against[0]].label} of this place"
            )
        elif earlier:
            ties[i] = Tie(None, math.nan, f"line {labels[earlier[0]].line} says the same of this place")
    free = [i for i in range(n) if not ties[i].why]
    distance = np.linalg.norm(places_cm[free][:, None] - plants_cm[None], axis=2)
    crop = np.array([labels[i].label == "crop" for i in free], bool)
    counted = distance * np.where(crop[:, None] == np.asarray(is_crop, bool)[None], 1.0, _GAINSAY)
    taken: set[int] = set()
    done: set[int] = set()
    for flat in np.argsort(counted, axis=None, kind="stable"):
        a, plant = divmod(int(flat), len(plants_cm))
        if counted[a, plant] > reach_cm:
            break
        if a not in done and plant not in taken:
            ties[free[a]] = Tie(plant, float(distance[a, plant]))
            done.add(a)
            taken.add(plant)
    for a, i in enumerate(free):
        if a not in done:
            near = counted.size and float(counted[a].min()) <= reach_cm
            ties[i] = Tie(None, math.nan, _TAKEN if near else _NOBODY)
    return ties
