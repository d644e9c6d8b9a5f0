"""Photos whose every stem is known: folders with images/, truth/ and scenes/, as ``standcam scene`` writes.

Pixels are put on the ground by the scene's own camera, not by the ground map that a count made: an error of
scale must show as an error.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from standcam.errors import BadSettings

_NEEDED = (
    "plant_id",
    "row_id",
    "kind",
    "x_px",
    "y_px",
    "x_along_row_mm",
    "y_across_mm",
    "visible",
    "is_double_of",
)


@dataclass(frozen=True)
class TrueScene:
    """What is true about one photo."""

    image: Path
    record: dict[str, Any]
    """The scene's JSON."""
    plants: pd.DataFrame
    """One row a plant."""

    def to_ground(self, points_px: np.ndarray) -> np.ndarray:
        """Where pixels see the soil, taken as the plane Z = 0: along the row, across it. (n, 2) [px] -> [cm]

        NaN at and above the horizon.
        """
        camera = self.record["camera"]
        points = np.asarray(points_px, float).reshape(-1, 2)
        seen = (points - [camera["cx_px"], camera["cy_px"]]) / [camera["fx_px"], camera["fy_px"]]
        flat = undistorted(seen, float(self.record.get("distortion", {}).get("k1", 0.0)))
        # camera axes: x right, y up, z back
        to_world = np.asarray(camera["R_cam_to_world"], float)
        rays = np.c_[flat[:, 0], -flat[:, 1], -np.ones(len(flat))] @ to_world.T
        place = np.asarray(camera["position_mm"], float)
        down = rays[:, 2] < 0
        reach = -place[2] / np.where(down, rays[:, 2], np.nan)
        return (place[:2] + rays[:, :2] * reach[:, None]) / 10

    def group(self, key: str) -> str:
        """A value of the record by its dotted name, as ``soil.kind``; "all" for an empty one."""
        value: Any = self.record if key else "all"
        for part in key.split(".") if key else ():
            value = value.get(part) if isinstance(value, dict) else None
        return str(value)


def undistorted(seen: np.ndarray, k1: float) -> np.ndarray:
    """Undo ``x_d = x_u (1 + k1 r_u²)`` by Newton's method on the radius. (n, 2) -> (n, 2)"""
    radius = np.linalg.norm(seen, axis=1)
    r = radius.copy()
    for _ in range(8):
        r -= (r * (1 + k1 * r**2) - radius) / (1 + 3 * k1 * r**2)
    return seen * np.divide(r, radius, out=np.ones_like(r), where=radius > 0)[:, None]


def read_scenes(folder: str | Path) -> Iterator[TrueScene]:
    """Scenes of near photos in a folder, by name. Drone strips (``mode`` other than ``hand``) are left out.

    Raises
    ------
    BadSettings
        The folder has no scenes, or a scene lacks its photo, its truth, or a column of it.
    """
    folder = Path(folder)
    records = sorted(folder.glob("scenes/*.json"))
    if not records:
        raise BadSettings(
            f"{folder} holds no scenes/*.json.", "Name a folder that `standcam scene` wrote (without --flat)."
        )
    for path in records:
        try:
            record = json.loads(path.read_text(encoding="utf-8"))
            if record.get("mode", "hand") != "hand":
                continue
            image = folder / "images" / record["image"]
            truth = folder / "truth" / f"{image.stem}.csv"
            plants = pd.read_csv(truth, dtype={"plant_id": str, "is_double_of": str})
        except (OSError, ValueError, KeyError) as error:
            raise BadSettings(f"Scene {path} cannot be used: {error}.", "Make the folder anew.") from None
        lacking = [name for name in _NEEDED if name not in plants]
        if lacking or not image.is_file():
            what = f"{truth} has no {', '.join(lacking)}" if lacking else f"{image} is missing"
            raise BadSettings(f"{what}.", "Make the folder anew.")
        yield TrueScene(image, record, plants)
