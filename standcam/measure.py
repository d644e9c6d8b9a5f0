"""The upper half as one function: a photo goes in, plants, positions and measured stretches come out."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from standcam.ground.map import GroundMap
from standcam.images.photo import Photo
from standcam.rows.line import RowLine
from standcam.settings import Settings


@dataclass(frozen=True)
class Measurement:
    """All that one photo gave. Holds no pixels, so it is small to store and to send between processes."""

    path: Path
    photo: str
    """File name of the photo."""
    plot: str
    width_px: int
    height_px: int
    sha256: str
    ground: GroundMap
    rows: tuple[RowLine, ...]
    """Row n of the tables is rows[n - 1]."""
    plants: pd.DataFrame
    """PLANTS table: crop and weeds, raw."""
    positions: pd.DataFrame
    """POSITIONS table: crop plants of measured rows; empty when there is no scale."""
    stretches: pd.DataFrame
    """STRETCHES table: one row a measured row."""
    flags: int = 0
    """Flags of the photo as a whole."""
    notes: tuple[str, ...] = ()
    """What a user should know, in sentences."""
    seconds: dict[str, float] = field(default_factory=dict)
    """Time a stage took. [s]"""


def measure_photo(photo: Photo, settings: Settings | None = None, plot: str | None = None) -> Measurement:
    """Find the plants of one photo."""
    raise NotImplementedError
