"""What networks are taught to look at: sheets of photos, and the coarser pictures that a drone brings home.

A drone's picture of seedlings shows what a near photo shows, at a tenth of the pixels. So the samples of near photos,
reduced by the mean over squares of pixels, teach the network for strips too, beside strips of the generator.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from standcam.plants.heat import COARSEST_SHEET_CM, SHEET_CM
from standcam.plants.networks import ALONG_CELL, SHEET_CELL, Cell
from standcam.training import COLOURS, CROP, SAMPLE_CM, UNSEEN, UNSURE, WEED
from standcam.training.paste import unpacked


@dataclass(frozen=True)
class Look:
    """How a network looks at the ground."""

    shape_px: tuple[int, int]
    """Width and height of the pieces it is taught by. [px]"""
    reductions: tuple[int, ...]
    """Sample pixels to a pixel of the sheets, along one side."""
    sheet_cm: tuple[float, float]
    """Pixel of the pieces, from and to. [cm]"""
    stretch: tuple[float, float]
    """Bounds of the pixel of a piece over that of its sheet: below 1 the picture is enlarged. [1]"""
    spread: float
    """Standard deviation of a stem's heat. [steps]"""
    cell: Cell
    tells_pixel: bool = False
    """How coarse a pixel is, is told."""
    along: float = 0.0
    """Share of the pieces that lie along the rows, with a row in the middle; the others are turned any way."""

    @property
    def planes(self) -> int:
        """Channels of the network: pixels of a cell, lean along x and y, and what the pixel is."""
        return COLOURS * self.cell.down * self.cell.across + 2 + self.tells_pixel

    @property
    def cells(self) -> tuple[int, int]:
        """Of a piece, across and down."""
        rows, columns = self.cell.grid(*self.shape_px[::-1])
        return columns, rows

    def zooms(self, cm_per_px: float) -> tuple[float, float] | None:
        """Pixels of a sheet to one of a piece, from and to; None where no piece can be cut of such a sheet."""
        low = max(self.sheet_cm[0] / cm_per_px, self.stretch[0])
        high = min(self.sheet_cm[1] / cm_per_px, self.stretch[1])
        return (low, high) if low < high else None


LOOKS = {
    "photo": Look((320, 320), (1,), (SHEET_CM / 1.13, COARSEST_SHEET_CM * 1.07), (0.0, 9.0), 1.6, SHEET_CELL),
    "strip": Look((128, 128), (2, 3, 4, 5, 8, 11), (0.27, 0.62), (0.45, 1.25), 1.3, ALONG_CELL, True),
    "row": Look((256, 32), (2, 3, 4, 5, 8, 11), (0.36, 0.56), (0.27, 1.35), 1.3, ALONG_CELL, True, along=1.0),
}
"""Near photos; strips of 2 to 10 mm a pixel; the same drawn along their rows at about 4 mm a pixel."""
FEWEST_PX = {CROP: 3, WEED: 2}
"""A plant that shows with fewer pixels is not asked for. [px]"""


@dataclass(frozen=True)
class Drawn:
    """A sheet ready to be cut to pieces."""

    bgr: np.ndarray
    """uint8 (h, w, 3)"""
    numbers: np.ndarray
    """1 + row of ``stems`` of the plant that shows, 0 for soil. int32 (h, w)"""
    stems: np.ndarray
    """x, y [px], class, share that shows. (n, 4)"""
    foot_px: np.ndarray
    height_px: float
    cm_per_px: float
    made: bool
    row_axis: np.ndarray
    """Unit vector along the rows. (2,)"""


def drawn(sample: dict, look: Look) -> list[Drawn]:
    """Sheets of a sample, reduced as the look asks."""
    bgr, numbers = unpacked(sample)
    whole = Drawn(
        bgr,
        numbers,
        sample["stems"],
        np.asarray(sample["foot_px"], float),
        float(sample["height_px"]),
        float(sample.get("cm_per_px", SAMPLE_CM)),
        sample["made"],
        np.asarray(sample["row_axis"], float),
    )
    rng = np.random.default_rng(len(sample["jpeg"]))
    return [reduced(whole, times, rng) if times > 1 else whole for times in look.reductions]


def reduced(sheet: Drawn, times: int, rng: np.random.Generator) -> Drawn:
    """A sheet at a pixel so many times as large, stored as a mosaic is: as JPEG."""
    h, w = (side // times * times for side in sheet.numbers.shape)
    bgr = cv2.resize(sheet.bgr[:h, :w], (w // times, h // times), interpolation=cv2.INTER_AREA)
    if rng.random() < 0.4:  # mosaics are blended, and soft of it
        bgr = cv2.GaussianBlur(bgr, (0, 0), rng.uniform(0.3, 0.8))
    code = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(65, 96))])[1]
    stored = cv2.imdecode(code, cv2.IMREAD_COLOR)
    assert stored is not None
    numbers = sheet.numbers[times // 2 : h : times, times // 2 : w : times]
    stems = sheet.stems.copy()
    stems[:, :2] = (stems[:, :2] + 0.5) / times - 0.5
    own = np.bincount(sheet.numbers.ravel(), minlength=len(stems) + 1)[1 : len(stems) + 1] / times**2
    kind = stems[:, 2]
    kind[(kind == CROP) & (own < FEWEST_PX[CROP])] = UNSURE
    kind[(kind == WEED) & (own < FEWEST_PX[WEED])] = UNSEEN
    return Drawn(
        stored,
        numbers,
        stems,
        (sheet.foot_px + 0.5) / times - 0.5,
        sheet.height_px / times,
        sheet.cm_per_px * times,
        sheet.made,
        sheet.row_axis,
    )
