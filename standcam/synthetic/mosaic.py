"""What piecing frames together does to a strip: seams with doubled edges and steps of brightness, a ragged rim."""

from __future__ import annotations

import cv2
import numpy as np

from standcam.synthetic.strip_recipe import StripRecipe

WANDER_MM = 160.0
"""Seams wander to both sides by about this. [mm]"""
FADE = 2.0
"""Frames disagree over so many blend widths from a seam; beyond, they lie right."""


class Mosaic:
    """Frames on a chequered pattern, each shifted a little at its edges and brighter or darker."""

    def __init__(self, strip: StripRecipe, rng: np.random.Generator) -> None:
        """Draw seams, shifts and gains of a recipe."""
        self.strip = strip
        if not strip.frame_mm:
            return
        frame, mm = strip.frame_mm, strip.mm_per_px
        self.start = rng.uniform(0, frame, 2)
        # column and row of the frame, from the one that holds the picture's upper left corner
        count = [int(size / frame) + 3 for size in (strip.length_mm, strip.width_mm)]
        turn = rng.uniform(0, 2 * np.pi, count)
        half = strip.seam_shift_mm / 2 / mm
        self.shift = (half * np.stack([np.cos(turn), np.sin(turn)], axis=-1)).astype(np.float32)
        self.gain = np.exp(rng.normal(0, strip.seam_gain, count)).astype(np.float32)
        self.wave = rng.uniform(0, 2 * np.pi, (2, 2))

    def pieced(self, linear: np.ndarray, first_row: int) -> np.ndarray:
        """A band of the picture as the mosaic shows it; ``first_row`` is its place in the picture. (h, W, 3)"""
        strip = self.strip
        if not strip.frame_mm:
            return linear
        h, w = linear.shape[:2]
        x = np.arange(w, dtype=np.float32)[None, :]
        y = (first_row + np.arange(h, dtype=np.float32))[:, None]
        mm = np.float32(strip.mm_per_px)
        across, down = self._side(x * mm, y * mm, 0), self._side(y * mm, x * mm, 1)
        (i, to_x, next_i), (j, to_y, next_j) = across, down
        blend = np.float32(strip.blend_mm)
        share_x, share_y = (np.clip(0.5 - t / blend, 0, 0.5) for t in (to_x, to_y))
        fade = np.exp(-((np.minimum(to_x, to_y) / (FADE * blend)) ** 2))
        local_y = np.arange(h, dtype=np.float32)[:, None]
        out = np.zeros_like(linear)
        for a, b, share in (
            (i, j, (1 - share_x) * (1 - share_y)),
            (next_i, j, share_x * (1 - share_y)),
            (i, next_j, share_y),
        ):
            shift = self.shift[a, b]
            at_x = np.ascontiguousarray(np.broadcast_to(x, (h, w)) + shift[..., 0] * fade)
            at_y = np.ascontiguousarray(np.broadcast_to(local_y, (h, w)) + shift[..., 1] * fade)
            moved = cv2.remap(linear, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            out += moved * (share * self.gain[a, b])[..., None]
        return out

    def _side(self, t: np.ndarray, other: np.ndarray, axis: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Number of the frame along an axis, distance to its nearest seam [mm], number of the frame beyond that."""
        frame = np.float32(self.strip.frame_mm)
        a, b = self.wave[axis].astype(np.float32)
        bend = np.float32(WANDER_MM) * (0.6 * np.sin(other / 730 + a) + 0.4 * np.sin(other / 310 + b))
        u = (t + bend + np.float32(self.start[axis])) / frame
        number = np.floor(u)
        part = u - number
        most = self.gain.shape[axis] - 1
        own = number.astype(int).clip(0, most)
        beyond = (number + np.where(part < 0.5, -1, 1)).astype(int).clip(0, most)
        return own, np.minimum(part, 1 - part) * frame, beyond


def data_mask(strip: StripRecipe, rng: np.random.Generator) -> np.ndarray:
    """Which pixels of the mosaic hold data: all but a ragged rim. (H, W)"""
    h, w = strip.height_px, strip.width_px
    valid = np.ones((h, w), bool)
    if not strip.rim_mm:
        return valid
    x, y = np.arange(w)[None, :], np.arange(h)[:, None]

    def depth(length_px: int) -> np.ndarray:
        """Depth of the rim along one edge. (length_px,) [px]"""
        count = max(int(length_px * strip.mm_per_px / 400), 2) + 2
        knots = rng.uniform(0, strip.rim_mm / strip.mm_per_px, count)
        return np.interp(np.arange(length_px), np.linspace(0, length_px, count), knots)

    valid &= (y >= depth(w)[None, :]) & (h - 1 - y >= depth(w)[None, :])
    valid &= (x >= depth(h)[:, None]) & (w - 1 - x >= depth(h)[:, None])
    return valid
