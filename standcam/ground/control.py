"""Scale and place of frames from ground control points: targets whose places on the map were measured."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standcam import flags
from standcam.errors import BadSettings, NoScale
from standcam.ground.map import GroundMap
from standcam.small_csv import read_small_csv

COLUMNS = ("frame", "x_px", "y_px", "easting_m", "northing_m")
_REMEDY = f"Write a header {', '.join(COLUMNS)}, and a line for each target in each frame."
FEWEST_SPREAD = 0.02
"""Points must spread over this share of their greatest distance, across their longest direction: else they lie on a
line, which tells nothing of what lies beside it."""


@dataclass(frozen=True)
class ControlPoints:
    """Control points as seen in frames."""

    frame: tuple[str, ...]
    """File names."""
    px: np.ndarray
    """In the upright frame. (n, 2) [px]"""
    map_m: np.ndarray
    """Easting and northing. (n, 2) [m]"""

    def of(self, name: str) -> tuple[np.ndarray, np.ndarray]:
        """Pixels and map places of one frame, by file name with or without its ending."""
        here = np.array([f in (name, Path(name).stem) for f in self.frame], bool)
        return self.px[here], self.map_m[here]


def read_control_points(path: str | Path) -> ControlPoints:
    """Read a CSV file with columns frame, x_px, y_px, easting_m, northing_m.

    Raises
    ------
    BadSettings
        It cannot be read, lacks a column, or has something other than a number in it.
    """
    path = Path(path)
    found = read_small_csv(path, "File of control points", BadSettings, _REMEDY)
    header = [cell.lower() for cell in found.lines[0][1]]
    if missing := [name for name in COLUMNS if header.count(name) != 1]:
        raise BadSettings(f"File of control points {path} lacks or repeats {', '.join(missing)}.", _REMEDY)
    at = [header.index(name) for name in COLUMNS]
    names: list[str] = []
    numbers: list[list[float]] = []
    for line, cells in found.lines[1:]:
        try:
            names.append(cells[at[0]])
            values = [float(cells[k]) for k in at[1:]]
        except (IndexError, ValueError):
            values = [math.nan]
        if not all(math.isfinite(v) and abs(v) < 1e8 for v in values) or not names[-1]:
            raise BadSettings(f"File of control points {path}: line {line} lacks a name or number.", "Mend that line.")
        numbers.append(values)
    if not numbers:
        raise BadSettings(f"File of control points {path} has no point.", _REMEDY)
    table = np.array(numbers)
    return ControlPoints(tuple(names), table[:, :2], table[:, 2:])


def map_from_control(
    name: str, width_px: int, height_px: int, points: ControlPoints, origin_m: tuple[float, float]
) -> GroundMap:
    """Ground map of a frame from its control points: a similarity of two or three, a plane map of four or more.

    Parameters
    ----------
    name : str
        File name of the frame.
    width_px, height_px : int
    points : ControlPoints
    origin_m : tuple of float
        Easting and northing of the ground frame's zero. [m]

    Raises
    ------
    NoScale
        Fewer than two points in the frame, or they lie on each other or on a line.
    """
    px, map_m = points.of(name)
    if len(px) < 2:
        raise NoScale(f"{name} has {len(px)} control points.", "Give at least two, better five or more.")
    cm = (map_m - origin_m) * 100
    spread = np.linalg.svd(px - px.mean(axis=0), compute_uv=False)
    if spread[0] < 2 or np.ptp(cm, axis=0).max() < 1:
        raise NoScale(f"The control points of {name} lie on each other.", "Spread them over the frame.")
    if len(px) < 4:
        H, flagged = _similarity(px, cm), flags.bit("scale_flat", "no_parallax")
        note = f"Scale from {len(px)} control points; tilt is not corrected, which four or more would allow."
        free = 2 * len(px) - 4
    else:
        if spread[1] < FEWEST_SPREAD * spread[0]:
            raise NoScale(f"The control points of {name} lie on one line.", "Spread them over the frame.")
        H, flagged = _homography(px, cm), flags.bit("no_parallax")
        note = f"Scale and tilt from {len(px)} control points."
        free = 2 * len(px) - 8
    back = np.c_[px, np.ones(len(px))] @ H.T
    miss = back[:, :2] / back[:, 2:] - cm
    # so many numbers were spent on the fit: what is left of the misfit is that much too small
    residual = float(10 * np.sqrt(2 * (miss**2).sum() / max(free, 1)))
    notes = [note] if free > 0 else [note, "So few points fit exactly: they cannot tell their own error."]
    middle = px.mean(axis=0)
    return GroundMap(
        H,
        width_px,
        height_px,
        "control",
        residual_mm=residual if free > 0 else math.nan,
        mark_px=(float(middle[0]), float(middle[1])),
        flags=flagged,
        notes=tuple(notes),
        marks_px=tuple(((float(x), float(y)),) for x, y in px),
    )


def _similarity(px: np.ndarray, cm: np.ndarray) -> np.ndarray:
    """Least squares shift, turn and scale; the picture's y runs down. (3, 3)"""
    z, w = px[:, 0] - 1j * px[:, 1], cm[:, 0] + 1j * cm[:, 1]
    a = np.vdot(z - z.mean(), w - w.mean()) / np.vdot(z - z.mean(), z - z.mean())
    b = w.mean() - a * z.mean()
    return np.array([[a.real, a.imag, b.real], [a.imag, -a.real, b.imag], [0, 0, 1.0]])


def _homography(px: np.ndarray, cm: np.ndarray) -> np.ndarray:
    """Least squares of the misfit on the ground, from the algebraic solution on. (3, 3)"""
    import cv2

    H, _ = cv2.findHomography(px, cm, 0)
    if H is None or not np.isfinite(H).all() or abs(np.linalg.det(H)) < 1e-12:
        raise NoScale("The control points fit no plane.", "Check their numbers and places.")
    return np.asarray(H)
