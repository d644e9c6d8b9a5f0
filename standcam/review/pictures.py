"""Photos of a results folder as the page needs them: where they are, where their rows lie, what is doubtful."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from standcam import flags
from standcam.files import read_file
from standcam.flags import GRADES
from standcam.ground.map import GroundMap
from standcam.report.results import MARKED
from standcam.rows.line import RowLine
from standcam.rows.record import geometry_from

UNSURE, UNSURE_WEED = 0.1, 0.3
"""Finds whose crop_probability is this far from 0 and 1 are shown as doubtful; weeds beside the row are many and seldom
plants, so more is asked of them (chosen by us). [1]"""
_JPEG = b"\xff\xd8\xff"
"""First bytes of the one kind of picture that every browser turns upright by its EXIF orientation, as standcam does."""
_MOST_MARKED_BYTES = 100_000_000


@dataclass(frozen=True)
class Placed:
    """One row of a picture: where it lies in it, and which row of the tables it is."""

    key: tuple[str, str, int]
    """photo, plot and row in the tables."""
    line: RowLine
    sign: float = 1.0
    shift_cm: float = 0.0
    """Position in the tables = sign x place from the beginning of the line in this picture + shift."""

    def position(self, places_cm: np.ndarray) -> np.ndarray:
        """Positions in the tables of ground points. (n, 2) [cm] -> (n,) [cm]"""
        return self.sign * (self.line.position(places_cm) - self.line.from_cm) + self.shift_cm

    def points(self, position_cm: np.ndarray) -> np.ndarray:
        """Ground points on the row line of positions in the tables. (n,) [cm] -> (n, 2) [cm]"""
        return self.line.points(self.sign * (np.asarray(position_cm, float) - self.shift_cm) + self.line.from_cm)

    @property
    def span_cm(self) -> tuple[float, float]:
        """What of the row this picture measured, as positions in the tables. [cm]"""
        ends = (self.shift_cm, self.sign * self.line.length_cm + self.shift_cm)
        return min(ends), max(ends)


@dataclass(frozen=True)
class Picture:
    """One photo of the results."""

    name: str
    record: Mapping[str, Any]
    """Of run.json."""
    ground: GroundMap | None
    """None where run.json keeps none: plants can be judged then, but not added or moved."""
    rows: tuple[Placed, ...]
    doubt: float = 0.0
    """How much there is to look at."""

    @property
    def width_px(self) -> int:
        """Width of the upright photo."""
        return int(self.record["width_px"])

    @property
    def height_px(self) -> int:
        """Height of the upright photo."""
        return int(self.record["height_px"])

    def nearest_row(self, x_px: float, y_px: float, reach_cm: float) -> tuple[Placed, float, float] | str:
        """The row that a pixel belongs to, with position and offset along it [cm]; or in words why none."""
        if self.ground is None or not self.rows:
            return "Where the rows lie was not kept with these results: count the photos anew to add or move plants."
        at = self.ground.to_ground(np.array([[x_px, y_px]]))
        if not np.isfinite(at).all():
            return "There is no ground at this place of the photo."
        offsets = [float(row.line.offset(at)[0]) for row in self.rows]
        n = int(np.argmin(np.abs(offsets)))
        if self.ground.has_scale and abs(offsets[n]) > reach_cm:
            return f"No measured row lies within {reach_cm:.0f} cm of this place."
        row = self.rows[n]
        if not self.ground.has_scale:
            return row, float("nan"), float("nan")
        # a chain may run through the picture the other way round
        return row, float(row.position(at)[0]), row.sign * offsets[n]


def picture_of(plants: pd.DataFrame) -> pd.Series:
    """Photo that shows each plant: of a chain of photos, the one that it was taken from."""
    if "source_photo" not in plants:
        return plants["photo"]
    source = plants["source_photo"].fillna("").astype(str)
    return source.where(source != "", plants["photo"])


def pictures(run: Mapping[str, Any], plants: pd.DataFrame, rows: pd.DataFrame) -> list[Picture]:
    """Photos of a run, the doubtful ones first."""
    shown = picture_of(plants)
    found = []
    for record in run.get("inputs", ()):
        if not isinstance(record, dict) or "photo" not in record or not record.get("width_px"):
            continue
        name = str(record["photo"])
        own = plants[shown == name]
        try:
            ground, lines = geometry_from(dict(record))
        except (KeyError, TypeError, ValueError, IndexError):
            ground, lines = None, ()
        placed = _placed(name, ground, lines, own, rows)
        keys = {p.key for p in placed} | set(zip(own["photo"], own["plot"], own["row"], strict=True))
        named = rows[[tuple(k) in keys for k in rows[["photo", "plot", "row"]].itertuples(index=False)]]
        if not len(named):
            named = rows[rows["photo"] == name]
        found.append(Picture(name, record, ground, placed, _doubt(own, named)))
    return sorted(found, key=lambda p: -p.doubt)


def _placed(
    name: str, ground: GroundMap | None, lines: Sequence[RowLine], own: pd.DataFrame, rows: pd.DataFrame
) -> tuple[Placed, ...]:
    placed = []
    for n, line in enumerate(lines, 1):
        plain = rows[(rows["photo"] == name) & (rows["row"] == n)]
        if len(plain):
            placed.append(Placed((name, str(plain["plot"].iloc[0]), n), line))
        elif "source_row" in own and ground is not None:
            chained = _in_chain(own[own["source_row"] == n], ground, line)
            placed += [chained] if chained else []
    return tuple(placed)


def _in_chain(own: pd.DataFrame, ground: GroundMap, line: RowLine) -> Placed | None:
    """A row that was joined to others: its direction and place in the chain, from plants that are in both."""
    here = line.position(ground.to_ground(own[["x_px", "y_px"]].to_numpy(float))) - line.from_cm
    there = own["position_cm"].to_numpy(float)
    good = np.isfinite(here) & np.isfinite(there)
    if good.sum() < 2:
        return None
    here, there = here[good], there[good]
    sign = 1.0 if ((here - here.mean()) * (there - there.mean())).sum() >= 0 else -1.0
    first = own.iloc[0]
    return Placed(
        (str(first["photo"]), str(first["plot"]), int(first["row"])), line, sign, float(np.median(there - sign * here))
    )


def doubtful(plants: pd.DataFrame) -> np.ndarray:
    """Which finds a person should look at. (n,) bool"""
    p = plants["crop_probability"].to_numpy(float)
    least = np.where(plants["judged"] == "weed", UNSURE_WEED, UNSURE)
    unsure = (p > least) & (p < 1 - least) & plants["judged"].isin(["crop", "doubtful", "weed"]).to_numpy()
    edited = np.array([bool(flags.parse(w) & flags.bit("edited", "labelled")) for w in plants["flags"]], bool)
    return unsure & ~edited


def _doubt(plants: pd.DataFrame, rows: pd.DataFrame) -> float:
    """Order of looking: grade of trust first, then the number of grave flags, then finds that may be either."""
    grade = min((GRADES.index(t) for t in rows["trust"] if t in GRADES), default=len(GRADES) - 1)
    bits = 0
    for words in rows["flags"]:
        bits |= flags.parse(words)
    grave = sum(flag.doubt != "none" for flag in flags.REGISTER if bits & flag.bit)
    p = plants.loc[doubtful(plants), "crop_probability"].to_numpy(float)
    return 1e4 * (len(GRADES) - 1 - grade) + 1e3 * grave + float((4 * p * (1 - p)).sum())


def original(picture: Picture, folder: Path, more: Path | None) -> tuple[Path, bytes] | None:
    """The photo itself where it was, as it lay to the results, or in the folder that was named; only with its bytes."""
    said = Path(str(picture.record.get("path", "")))
    places = [said, folder / said, folder.parent / said]
    from_results = picture.record.get("path_from_results")
    if isinstance(from_results, str) and from_results:
        places.append(folder / from_results)  # photos and results moved together
    if more is not None:
        places = [more / picture.name, more / said.name, *places]
    wanted = picture.record.get("sha256")
    for place in dict.fromkeys(places):
        try:
            if not place.is_file():
                continue
            data = place.read_bytes()
        except (OSError, ValueError):
            continue
        if hashlib.sha256(data).hexdigest() == wanted:
            return place, data
    return None


def shown_as_it_is(data: bytes) -> bool:
    """Whether every browser shows these bytes as standcam read them; others are packed anew."""
    return data.startswith(_JPEG)


def marked_bytes(picture: Picture, folder: Path) -> bytes | None:
    """The marked photo of the results; None if there is none, or if it is a way out of the folder."""
    name = picture.record.get("marked")
    if not isinstance(name, str) or not name or name != Path(name).name:
        return None
    home = (folder / MARKED).resolve()
    try:
        place = (home / name).resolve()
        if place.parent != home or not home.is_relative_to(folder.resolve()):
            return None
        return read_file(place, _MOST_MARKED_BYTES)
    except (OSError, ValueError):
        return None
