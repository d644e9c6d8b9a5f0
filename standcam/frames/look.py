"""One frame looked at: facts of its header, and points that can be found again in other frames."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from standcam import flags
from standcam.errors import BoardNotFound, NoScale
from standcam.ground.board import map_from_board
from standcam.images.frame_facts import FrameFacts, read_frame_facts
from standcam.images.photo import Photo, read_photo
from standcam.images.reduce import reduce
from standcam.settings import Settings

CELLS = 8
"""Points are spread over so many columns and rows of the frame: else all sit on plants, which rise from the plane."""
_CONTRAST = 0.015
"""Least contrast of a point, of the grey range: soil has little (library's default 0.04)."""


@dataclass(frozen=True)
class Look:
    """What laying frames on each other needs of a frame; no pixels, so it is small to send between processes."""

    path: Path
    width_px: int
    height_px: int
    facts: FrameFacts
    points_px: np.ndarray
    """In the upright frame. (n, 2) [px]"""
    words: np.ndarray
    """What each point looks like, uint8. (n, 128)"""
    step_px: float
    """Pixels of the frame for one of the picture in which points were found."""
    board_cm_per_px: float | None = None
    """Ground length of a pixel by a board that shows in it. [cm/px]"""


def look(path: str | Path, settings: Settings | None = None) -> Look:
    """Read a frame and find its points.

    Raises
    ------
    UnreadablePhoto
        The file cannot be read or is damaged.
    BadSettings
        The board file of the settings makes no sense.
    """
    settings = settings or Settings()
    photo = read_photo(path, settings.photo)
    grey = cv2.cvtColor(reduce(photo.rgb, settings.flight.register_px), cv2.COLOR_RGB2GRAY)
    ratio = np.array([photo.width_px / grey.shape[1], photo.height_px / grey.shape[0]])
    px, words = find_points(grey, settings.flight.features)
    full = (px + 0.5) * ratio - 0.5
    facts = read_frame_facts(path)
    board = _board(photo, settings) if settings.flight.boards else None
    return Look(Path(path), photo.width_px, photo.height_px, facts, full, words, float(ratio.mean()), board)


def _board(photo: Photo, settings: Settings) -> float | None:
    """Scale by a board of which three markers and more are read: one alone may be chance."""
    try:
        ground = map_from_board(photo, settings.calibration)
    except (BoardNotFound, NoScale):
        return None
    if ground.mark_px is None or ground.flags & flags.bit("few_markers", "scale_residual"):
        return None
    scale = float(ground.cm_per_px(np.array([ground.mark_px]))[0])
    return scale if np.isfinite(scale) and scale > 0 else None


def find_points(grey: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Scale-invariant points (Lowe 2004, IJCV 60:91-110, as OpenCV has it), the strongest of each cell.

    Returns
    -------
    px : ndarray
        (n, 2) [px]
    words : ndarray
        uint8 (n, 128)
    """
    finder = cv2.SIFT_create(0, 3, _CONTRAST)  # type: ignore[attr-defined]
    found = finder.detect(grey, None)
    height, width = grey.shape
    cells: dict[tuple[int, int], list] = {}
    for point in found:
        x, y = point.pt
        cells.setdefault((int(x * CELLS / width), int(y * CELLS / height)), []).append(point)
    share = max(1, most // CELLS**2)
    kept = [point for cell in cells.values() for point in sorted(cell, key=lambda p: -p.response)[:share]]
    if not kept:
        return np.empty((0, 2)), np.empty((0, 128), np.uint8)
    kept, words = finder.compute(grey, kept)
    # this finder gives places in which a pixel's centre is at an integer
    return np.array([point.pt for point in kept], float), np.clip(words, 0, 255).astype(np.uint8)
