"""Where the files of made scenes go, and the files that photos and strips have in common."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd

from standcam.errors import UnwritableResults


@dataclass(frozen=True)
class Places:
    """Folders of a set of scenes."""

    folder: Path
    flat: bool
    """Pictures straight into the folder, and nothing else."""

    @classmethod
    def made(cls, folder: Path, flat: bool) -> Places:
        """The folders, made where they are missing.

        Raises
        ------
        UnwritableResults
            One cannot be made.
        """
        places = cls(folder, flat)
        for path in {places.images} if flat else {places.images, places.truth, places.scenes, places.masks}:
            try:
                path.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise UnwritableResults(f"{path} cannot be made: {error.strerror}.", "Choose another folder.") from None
        return places

    @property
    def images(self) -> Path:
        """Pictures."""
        return self.folder if self.flat else self.folder / "images"

    @property
    def truth(self) -> Path:
        """Truth tables, one a picture."""
        return self.folder / "truth"

    @property
    def scenes(self) -> Path:
        """What each picture was made of."""
        return self.folder / "scenes"

    @property
    def masks(self) -> Path:
        """Classes and plant numbers, pixel by pixel."""
        return self.folder / "masks"


def write_truth(path: Path, truth: pd.DataFrame) -> None:
    """Truth table as CSV."""
    truth.to_csv(path, index=False, lineterminator="\n")


def write_record(places: Places, name: str, record: dict[str, Any]) -> None:
    """What one picture was made of, as JSON."""
    (places.scenes / f"{name}.scene.json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


def write_masks(places: Places, name: str, labels: np.ndarray, numbers: np.ndarray) -> None:
    """Masks of one picture: 1 crop, 2 weed; plant numbers, 16 bit."""
    cv2.imwrite(str(places.masks / f"{name}_class.png"), labels)
    cv2.imwrite(str(places.masks / f"{name}_plants.png"), numbers)


def numbered(truth: pd.DataFrame, plant_ids: np.ndarray) -> np.ndarray:
    """Plant numbers as in ``plant_id``, weeds above 10000 (30000 in a large strip), 16 bit. (H, W)

    ``plant_ids`` are 1 + row of ``truth``, 0 for none.
    """
    number = truth.plant_id.str[1:].astype(int) + weeds_from(truth) * truth.plant_id.str.startswith("w")
    return np.r_[0, number].astype(np.uint16)[plant_ids]


def weeds_from(truth: pd.DataFrame) -> int:
    """What the numbers of weeds are raised by in a mask: more than any crop plant has."""
    crop = truth.plant_id[truth.plant_id.str.startswith("p")].str[1:].astype(int)
    return 10000 if crop.max() < 10000 or not len(crop) else 30000
