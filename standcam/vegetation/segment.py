"""The plant mask of a photo: pixels greener than this photo's own soil at the same brightness.

A fixed grey level fails between wet clay and dry sand, and a ratio of colours fails in the dark, where noise rules.
So the soil of the photo itself is the reference: the median excess green and green-minus-red of the picture as a
curve over brightness (sunlit soil, shadow and straw lie at different brightness). A pixel's greenness joins how far
it lies above those curves, in levels, with its plain chromaticity. The four weights were fitted once, by logistic
regression of plant on soil over 81 path-traced training photos, two-fold by photo: F1 of the pixel mask 0.80 with
one threshold for all photos against 0.83 with the best threshold of each; excess green alone gave 0.77.

As the score depends on colour alone it is worked out for 65,536 colours, not for millions of pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import cv2
import numpy as np

from standcam.ground.map import GroundMap
from standcam.images.photo import Photo
from standcam.settings import VegetationSettings
from standcam.vegetation.index import brightness, excess_green, green_minus_red

SCORE_ZERO = 128
SCORE_STEP = 24.0
"""The score map is uint8: ``SCORE_ZERO + SCORE_STEP * greenness``."""

BLOCK_PX = 4
"""Side of the squares that stand for plant pixels where places need no finer. [working px]"""

_DARK = 20.0
"""Added to brightness in ratios: below about 20 levels the colour of a pixel is noise. [levels]"""
_WEIGHTS = (1.46 / 20, 1.48 / 20, 5.22, 4.15)
_OFFSET = -4.42


@dataclass(frozen=True)
class Vegetation:
    """Greenness and plant mask on the working grid, a whole-number reduction of the upright photo."""

    score: np.ndarray
    """Greenness as uint8, see SCORE_ZERO and SCORE_STEP. (h, w)"""
    rgb: np.ndarray
    """The photo on the working grid, uint8. (h, w, 3)"""
    mask: np.ndarray
    """Living plant, bool. (h, w)"""
    factor: int
    """Photo pixels per working pixel along a side."""

    def to_work(self, points_px: np.ndarray) -> np.ndarray:
        """Photo pixels to working pixels, centres at integers in both. (n, 2)"""
        return (np.asarray(points_px, float) + 0.5) / self.factor - 0.5

    def to_photo(self, points_work: np.ndarray) -> np.ndarray:
        """Working pixels to photo pixels. (n, 2)"""
        return (np.asarray(points_work, float) + 0.5) * self.factor - 0.5

    @cached_property
    def blocks(self) -> np.ndarray:
        """Plant pixels in each square of ``BLOCK_PX`` working pixels, counted once a photo. uint16 (h', w')"""
        h, w = (n // BLOCK_PX for n in self.mask.shape)
        whole = self.mask[: h * BLOCK_PX, : w * BLOCK_PX].view(np.uint8)
        # whole rows and columns at a time: numpy sums along short axes slowly
        down = np.zeros((h, w * BLOCK_PX), np.uint8)
        counts = np.zeros((h, w), np.uint16)
        for k in range(BLOCK_PX):
            down += whole[k::BLOCK_PX]
        for k in range(BLOCK_PX):
            counts += down[:, k::BLOCK_PX]
        return counts

    @property
    def held(self) -> np.ndarray:
        """Which of these squares hold plant; those that the picture cuts off count as if they did. (h'', w'') bool"""
        h, w = self.mask.shape
        held = np.ones((-(-h // BLOCK_PX), -(-w // BLOCK_PX)), bool)
        held[: h // BLOCK_PX, : w // BLOCK_PX] = self.blocks > 0
        return held

    def block_places(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Row and column of the squares that hold plant, and their middles in the photo. (n,), (n,), (n, 2) [px]"""
        # by one index: numpy finds the rows and columns of a whole picture eight times as slowly
        y, x = np.divmod(np.flatnonzero(self.blocks.ravel() > 0), self.blocks.shape[1])
        return y, x, self.to_photo(np.stack([x, y], axis=1) * BLOCK_PX + (BLOCK_PX - 1) / 2)

    def smooth(self, cm_per_px: float, ground: GroundMap) -> np.ndarray:
        """The working picture, blurred and halved as often as sampling it at ``cm_per_px`` asks for. (h', w', 3)"""
        ratio = cm_per_px / (float(ground.cm_per_px(ground.middle_px)[0]) * self.factor)
        rgb = self.rgb
        while ratio >= 2.8 and min(rgb.shape[:2]) > 1:
            h, w = rgb.shape[0] // 2, rgb.shape[1] // 2
            rgb = cv2.resize(rgb[: 2 * h, : 2 * w], (w, h), interpolation=cv2.INTER_AREA)
            ratio /= 2
        return cv2.blur(rgb, (3, 3)) if ratio > 1.4 else rgb


def working_factor(photo: Photo, ground: GroundMap, settings: VegetationSettings) -> int:
    """Largest whole reduction that keeps working pixels within ``settings.work_mm_per_px`` at the picture's middle.

    A wrong scale may ask for any; some 16 working pixels are left along the shorter side.
    """
    mm_per_px = float(ground.cm_per_px(ground.middle_px)[0]) * 10
    if not mm_per_px > 0:
        return 1
    return max(1, int(min(settings.work_mm_per_px / mm_per_px, min(photo.width_px, photo.height_px) / 16)))


def segment(photo: Photo, ground: GroundMap, settings: VegetationSettings | None = None) -> Vegetation:
    """Greenness and plant mask of a photo.

    Parameters
    ----------
    photo : Photo
    ground : GroundMap
        For sizes on the ground, and for the outline of the scale mark, which is no plant.
    settings : VegetationSettings, optional

    Returns
    -------
    Vegetation
    """
    settings = settings or VegetationSettings()
    factor = working_factor(photo, ground, settings)
    rgb, left = (photo.rgb, factor) if factor % 2 else (photo.half, factor // 2)
    if left > 1:
        h, w = rgb.shape[0] // left, rgb.shape[1] // left
        rgb = cv2.resize(rgb[: h * left, : w * left], (w, h), interpolation=cv2.INTER_AREA)
    covered = _mark_mask(ground, factor, rgb.shape[:2])
    score = cv2.blur(greenness(rgb, score_table(rgb, covered)), (3, 3))
    if covered is not None:
        # a leaf over the board is still a leaf: only what is not plainly green is taken out
        x = np.flatnonzero(covered.max(axis=0))
        across = slice(x[0], x[-1] + 1) if len(x) else slice(0)  # a tenth of the picture, mostly
        part = score[:, across]
        part[(covered[:, across] > 0) & (part < level(settings.sure_greenness))] = 0
    cm = ground.cm_per_px(_spread(photo))
    mm2 = (float(np.median(cm[np.isfinite(cm)])) * 10 * factor) ** 2 if np.isfinite(cm).any() else np.inf
    mask = _grow(score, settings, mm2)
    return Vegetation(score, rgb, mask, factor)


def level(greenness: float) -> int:
    """Greenness as the score map holds it."""
    return round(SCORE_ZERO + SCORE_STEP * greenness)


def _spread(photo: Photo) -> np.ndarray:
    x, y = np.meshgrid(np.linspace(0.2, 0.8, 4) * photo.width_px, np.linspace(0.2, 0.8, 4) * photo.height_px)
    return np.c_[x.ravel(), y.ravel()]


def _mark_mask(ground: GroundMap, factor: int, shape: tuple[int, int]) -> np.ndarray | None:
    """Where boards and sticks lie, uint8 (h, w); None when there are none."""
    covered = None
    for outline in ground.hulls_px:
        hull = (np.array(outline) + 0.5) / factor - 0.5
        if len(hull) < 3 or not np.isfinite(hull).all():
            continue
        if covered is None:
            covered = np.zeros(shape, np.uint8)
        cv2.fillPoly(covered, [np.round(hull).astype(np.int32)], 255)
    return covered


@dataclass(frozen=True)
class _Colours:
    """What greenness reads of colours: light, excess green and green minus red. (n,) each [levels]"""

    light: np.ndarray
    green: np.ndarray
    red: np.ndarray

    @staticmethod
    def of(r: np.ndarray, g: np.ndarray, b: np.ndarray) -> _Colours:
        return _Colours(brightness(r, g, b), excess_green(r, g, b), green_minus_red(r, g, b))

    def __getitem__(self, which: np.ndarray) -> _Colours:
        return _Colours(self.light[which], self.green[which], self.red[which])

    def __len__(self) -> int:
        return len(self.light)

    @cached_property
    def quarters(self) -> np.ndarray:
        """Light in quarters of a level, in which it comes. (n,) int"""
        return (self.light * 4).astype(np.intp)

    @cached_property
    def plain(self) -> np.ndarray:
        """Greenness were the soil grey at every light. (n,)"""
        w = _WEIGHTS
        ratio = (w[2] * self.green + w[3] * self.red) / (self.light + _DARK)
        return w[0] * self.green.astype(float) + w[1] * self.red.astype(float) + ratio + _OFFSET


@cache
def _every_colour() -> _Colours:
    """All 5-6-5 codes, at the middle of the levels they stand for."""
    code = np.arange(65536)
    # OpenCV's name BGR565 puts blue in the low bits
    return _Colours.of((code >> 11) * 8 + 3.5, (code >> 5 & 63) * 4 + 1.5, (code & 31) * 8 + 3.5)


def greenness(rgb: np.ndarray, table: np.ndarray) -> np.ndarray:
    """Greenness of every pixel, looked up by its colour. (h, w, 3) uint8 -> (h, w) uint8, see SCORE_ZERO"""
    return cv2.LUT(codes(rgb), table)


def codes(rgb: np.ndarray) -> np.ndarray:
    """Colours as the table counts them. (h, w, 3) uint8 -> (h, w) uint16"""
    return cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR565).view(np.uint16)[..., 0]


def score_table(rgb: np.ndarray, covered: np.ndarray | None = None) -> np.ndarray:
    """Greenness of every 5-6-5 bit colour for the soil of this picture. uint8 (65536,)

    Parameters
    ----------
    rgb : (h, w, 3) uint8
    covered : (h, w) uint8, optional
        Where it is not 0, no soil shows.
    """
    step = max(1, int(np.sqrt(rgb.shape[0] * rgb.shape[1] / 25_000)))
    sample = rgb[::step, ::step].reshape(-1, 3)
    if covered is not None:
        sample = sample[covered[::step, ::step].ravel() == 0]
    soil = colours = _Colours.of(*sample.T)
    curves = _NO_SOIL
    for _ in range(2):  # the second round leaves out what the first found green: canopy must not pass for soil
        if len(soil) < 200:
            break
        curves = _soil_curves(soil)
        soil = colours[_greenness(colours, curves) < 1.0]
    levels = SCORE_ZERO + SCORE_STEP * _greenness(_every_colour(), curves)
    return np.clip(np.round(levels), 0, 255).astype(np.uint8)


_LIGHTS = np.arange(4 * 255 + 1) / 4
_Curves = tuple[np.ndarray, np.ndarray, np.ndarray]
_NO_SOIL: _Curves = (np.zeros(1), np.zeros(1), np.zeros(1))


def _soil_curves(soil: _Colours) -> _Curves:
    """Median excess green and green minus red over brightness, in sixteen parts of equal size."""
    order = np.argsort(soil.light.astype(np.uint8), kind="stable")  # whole levels sort by radix, far faster
    # the first parts hold one more where it does not come out even; all parts of one size in one go
    size, longer = divmod(len(order), 16)
    split = longer * (size + 1)
    parts = [p for p in (order[:split].reshape(longer, size + 1), order[split:].reshape(16 - longer, size)) if len(p)]
    # whole levels again
    green, red = soil.green.astype(np.int16), soil.red.astype(np.int16)
    return (
        np.concatenate([soil.light[p].mean(axis=1) for p in parts]),
        np.concatenate([_medians(green[p]) for p in parts]),
        np.concatenate([_medians(red[p]) for p in parts]),
    )


def _medians(levels: np.ndarray) -> np.ndarray:
    """Median of each line of whole levels. (m, n) int16 -> (m,)"""
    levels = np.sort(levels, axis=1, kind="stable")  # by radix: twice as fast as np.median
    n = levels.shape[1]
    return (levels[:, (n - 1) // 2] + levels[:, n // 2]) / 2


def _greenness(colours: _Colours, curves: _Curves) -> np.ndarray:
    at, soil_green, soil_red = curves
    # light comes in quarters of a level, so what the soil takes off is worked out once for all that there can be
    soil = _WEIGHTS[0] * np.interp(_LIGHTS, at, soil_green) + _WEIGHTS[1] * np.interp(_LIGHTS, at, soil_red)
    return colours.plain - soil[colours.quarters]


def _grow(score: np.ndarray, settings: VegetationSettings, mm2_per_px: float) -> np.ndarray:
    """Fairly green pixels within reach of plainly green ones that do not stand alone."""
    sure = (score > level(settings.sure_greenness)).view(np.uint8)
    few = max(2, round(settings.min_sure_mm2 / mm2_per_px))
    seeds = cv2.boxFilter(sure, -1, (5, 5), normalize=False) >= min(few, 20)
    # under a wrong scale no farther than across the picture
    reach = min(max(1, round(settings.grow_mm / np.sqrt(mm2_per_px))), max(score.shape))
    near = cv2.dilate((seeds & (sure > 0)).view(np.uint8), np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
    return (near > 0) & (score > level(settings.fair_greenness))
