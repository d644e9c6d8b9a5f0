"""Places on the plant mask where a stem may stand, and what the shape of the plants says of each.

The mask is drawn on the ground at one scale. Every small cell of it that holds plant gives one place, in the middle of
whatever leaf or stem crosses the cell. From each place the plant around it is looked at along rays, turned so that
ray 0 points where upright things lean in the picture: a whorl has several arms, the middle of a leaf two opposite
ones, a tip one; a base has plant on its leaning side and soil on the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from standcam.ground.map import GroundMap
from standcam.plants.sheet import Frame, PhotoPlaces
from standcam.plants.stems import frame_over
from standcam.plants.view import View
from standcam.settings import StemSettings
from standcam.vegetation.segment import BLOCK_PX, Vegetation

SHEET_CM = 0.15
"""Pixel of the drawn mask: about that of the mask itself. [cm]"""
CELL_PX = 4
"""Side of the cells that give one place each. [sheet px]"""
RAYS = 24
REACH_CM = np.array([0.3, 0.6, 0.9, 1.2, 1.6, 2.0, 2.5, 3.0, 3.6, 4.3, 5.0, 6.0, 7.0, 8.5, 10.0])
"""Distances looked at along each ray: no plant that can be counted reaches much farther. [cm]"""
_GAP_PX = 5
"""Pieces of plant nearer than this are one region: thin leaves break in the mask. [sheet px]"""
_LEAST_CM2 = 0.15
"""Smaller regions are noise. [cm²]"""
_MOST = 20_000
"""Places judged at most: a closed canopy must not fill the memory."""


@dataclass(frozen=True)
class Places:
    """Places where a stem may stand."""

    frame: Frame
    mask: np.ndarray
    """Plant on the sheet, uint8 0 to 255. (h, w)"""
    xy_cm: np.ndarray
    """From the sheet's corner, along its axes. (n, 2) [cm]"""
    cell: np.ndarray
    """Row and column of the cell. int (n, 2)"""
    rays: np.ndarray
    """Plant along rays, ray 0 outward along the lean, then on from the sheet's x axis to its y axis; 0 to 1.
    float32 (n, RAYS, len(REACH_CM))"""
    half_width_cm: np.ndarray
    """Distance to the nearest soil. (n,) [cm]"""
    lean: np.ndarray
    """(n, 2) [cm/cm]"""
    region: np.ndarray
    """Number of the connected piece of plant, from 0. (n,)"""
    region_cm2: np.ndarray
    """Green area of that piece. (n,) [cm²]"""
    log_rgb: np.ndarray
    """Natural logarithms of the picture's levels there. (n, 3)"""
    greenness: np.ndarray
    """Score of the plant mask, less its median over the places. (n,)"""

    def __len__(self) -> int:
        return len(self.xy_cm)


def places_on(
    field_cm: np.ndarray, vegetation: Vegetation, ground: GroundMap, view: View, settings: StemSettings
) -> Places:
    """Draw the mask on the ground and look at each of its places.

    Parameters
    ----------
    field_cm : (n, 2) array
        Ground whose bounding box is looked at. [cm]
    vegetation, ground, view, settings
    """
    frame = frame_over(field_cm, ground, settings, SHEET_CM)
    at = PhotoPlaces(frame, ground, vegetation.factor)
    mask, source = np.zeros((frame.height_px, frame.width_px), np.uint8), _no_marks(vegetation, ground)
    drawn = np.zeros(frame.height_px, bool)
    drawn[0] = True  # one line at least
    for down, across in at.parts_near(vegetation.held, BLOCK_PX):
        mask[down, across] = cv2.remap(source, *at.part(down, across), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        drawn[max(down.start - _GAP_PX, 0) : down.stop + _GAP_PX] = True
    # from here on lines that hold nothing, nor are near any that does, are left out: half of them, mostly
    lines = np.flatnonzero(drawn)
    plant = (mask[lines] > 127).view(np.uint8)
    joined = cv2.dilate(plant, np.ones((_GAP_PX, _GAP_PX), np.uint8))
    _, regions = cv2.connectedComponents(joined)
    width = cv2.distanceTransform(plant, cv2.DIST_L2, 3)
    y, x = np.divmod(np.flatnonzero(plant.view(bool)), frame.width_px)
    region, half_width = regions[y, x], width[y, x]
    y = lines[y]
    area = np.bincount(region) * SHEET_CM**2
    columns = frame.width_px // CELL_PX + 1
    cell = (y // CELL_PX) * columns + x // CELL_PX
    # the widest pixel of each cell stands for it
    order = np.argsort(cell * 256 + np.minimum(half_width * 4, 255).astype(np.int64))
    last = order[np.flatnonzero(np.diff(cell[order], append=-1))]
    last = last[area[region[last]] >= _LEAST_CM2]
    if len(last) > _MOST:
        last = last[:: -(-len(last) // _MOST)]
    x, y, region, half_width = x[last], y[last], region[last], half_width[last]
    foot = frame.to_sheet(np.array([view.foot_cm]))[0]
    lean = (np.stack([x, y], axis=1) - foot) * (SHEET_CM / view.height_cm)
    h, w = vegetation.mask.shape
    work_x, work_y = at.at(x, y)
    work_x = np.clip(np.round(work_x), 0, w - 1).astype(int)
    work_y = np.clip(np.round(work_y), 0, h - 1).astype(int)
    score = vegetation.score[work_y, work_x].astype(float)
    return Places(
        frame,
        mask,
        np.stack([x, y], axis=1) * SHEET_CM,
        np.stack([y // CELL_PX, x // CELL_PX], axis=1),
        _rays(mask, x, y, lean),
        half_width * SHEET_CM,
        lean,
        np.unique(region, return_inverse=True)[1],
        area[region],
        np.log(vegetation.rgb[work_y, work_x].astype(float) + 8),
        score - (np.median(score) if len(score) else 0.0),
    )


def _no_marks(vegetation: Vegetation, ground: GroundMap) -> np.ndarray:
    """The plant mask without boards and sticks, whose tinge may pass for leaves. uint8 0 or 255"""
    mask = vegetation.mask.view(np.uint8) * np.uint8(255)
    for outline in ground.hulls_px:
        hull = vegetation.to_work(np.array(outline))
        if len(hull) >= 3 and np.isfinite(hull).all():
            cv2.fillPoly(mask, [np.round(hull).astype(np.int32)], 0)
    return mask


def _rays(mask: np.ndarray, x: np.ndarray, y: np.ndarray, lean: np.ndarray) -> np.ndarray:
    pad = int(REACH_CM[-1] / SHEET_CM) + 2
    soft = cv2.copyMakeBorder(cv2.blur(mask, (3, 3)), pad, pad, pad, pad, cv2.BORDER_CONSTANT, value=0)
    angle = np.arange(RAYS) * (2 * np.pi / RAYS)
    step_x = np.round(np.cos(angle)[:, None] * REACH_CM / SHEET_CM).astype(np.int32)
    step_y = np.round(np.sin(angle)[:, None] * REACH_CM / SHEET_CM).astype(np.int32)
    steps = step_y * soft.shape[1] + step_x
    turn = np.round(np.arctan2(lean[:, 1], lean[:, 0]) / (2 * np.pi / RAYS)).astype(int)
    turned = steps[(np.arange(RAYS) + np.arange(RAYS)[:, None]) % RAYS]
    start = ((y + pad) * soft.shape[1] + x + pad).astype(np.int32)
    seen = soft.ravel()[start[:, None, None] + turned[turn % RAYS]]
    return seen.astype(np.float32) * np.float32(1 / 255)


MEASURES = (
    "half_width", "green_1", "green_3", "green_6", "green_10", "pull_near", "sway_near", "pull_mid", "sway_mid",
    "pull_far", "sway_far", "lop_near", "lop_mid", "ray_1", "ray_2", "ray_3", "ray_5", "ray_7", "ray_10", "ray_13",
    "arms", "arm_1", "arm_2", "arm_3", "bend", "lean", "back", "ahead", "lean_back", "lean_ahead", "lean_pull_near",
    "lean_pull_mid", "behind_near", "behind_1", "behind_2", "behind_4", "drawn_out", "drawn_along", "region",
    "along", "along_share", "across_share", "off_share", "below", "below_share", "above", "light", "green", "uneven",
    "width_share", "greenness",
)  # fmt: skip
"""What is measured at each place; see ``measures``."""


def measures(places: Places) -> np.ndarray:
    """What the shape around each place says, in the order of ``MEASURES``. float32 (n, len(MEASURES))

    ``green_r`` plant within r cm; ``pull``, ``sway`` way to the middle of the plant within 2, 4.3 and 10 cm, along the
    lean and across; ``lop`` its length. ``ray_k`` k-th longest unbroken ray; ``arms`` rays longer than their neighbours
    and the width, with the angle between the longest two (``bend``). ``back``, ``ahead`` longest unbroken ray towards
    the camera's foot and away; ``behind`` plant towards the foot. ``drawn_out`` how far the nearest plant is a strip,
    ``drawn_along`` along the lean. ``along`` to ``above``: place within its region. ``light``, ``green``: against the
    plant around.
    """
    rays = places.rays
    n = len(places)
    if not n:
        return np.empty((0, len(MEASURES)), np.float32)
    step = np.diff(REACH_CM, prepend=0).astype(np.float32)
    ring = (REACH_CM * step * 2 * np.pi).astype(np.float32)
    angle = np.arange(RAYS) * (2 * np.pi / RAYS)
    # means along an axis by products with vectors, which take a fifth of the time
    mean = np.full(RAYS, 1 / RAYS, np.float32) @ rays * ring
    out = (np.cos(angle).astype(np.float32) / RAYS) @ rays * ring
    side = (np.sin(angle).astype(np.float32) / RAYS) @ rays * ring
    green, out, side = (np.cumsum(v, axis=1) for v in (mean, out, side))
    near, mid, far = 5, 9, 14
    pull = [out[:, k] / (green[:, k] + 1e-3) for k in (near, mid, far)]
    sway = [np.abs(side[:, k]) / (green[:, k] + 1e-3) for k in (near, mid, far)]
    # one missed sample does not break a ray
    held = np.maximum(rays, np.concatenate([rays[..., 1:], np.zeros_like(rays[..., :1])], axis=2)) > 0.35
    length = np.minimum.accumulate(held, axis=2) @ step
    longest = -np.sort(-length, axis=1)
    wide = np.maximum(1.2, 2 * places.half_width_cm).astype(np.float32)
    is_arm = (length > np.roll(length, 1, 1)) & (length >= np.roll(length, -1, 1)) & (length > wide[:, None])
    arm = np.where(is_arm, length, 0)
    first = np.argsort(-arm, axis=1)[:, :3]
    arms = np.take_along_axis(arm, first, axis=1)
    turn = np.abs((first[:, 0] - first[:, 1] + RAYS // 2) % RAYS - RAYS // 2) * (2 * np.pi / RAYS)
    half = RAYS // 2
    back, ahead = length[:, half - 2 : half + 3].max(axis=1), length[:, [-2, -1, 0, 1, 2]].max(axis=1)
    behind = rays[:, half - 2 : half + 3].mean(axis=1)
    inner = rays[:, :, :5] @ np.full(5, 1 / 5, np.float32)
    strip = inner @ np.exp(2j * angle).astype(np.complex64) / RAYS
    lean = np.linalg.norm(places.lean, axis=1)
    body = inner.mean(axis=1) + 0.02
    log_area = np.log1p(places.region_cm2)
    columns = [
        places.half_width_cm, *(np.log1p(green[:, k]) for k in (3, 7, 11, 14)),
        pull[0], sway[0], pull[1], sway[1], pull[2], sway[2], np.hypot(pull[0], sway[0]), np.hypot(pull[1], sway[1]),
        *longest[:, [0, 1, 2, 4, 6, 9, 12]].T, is_arm.sum(axis=1), *arms.T, np.where(arms[:, 1] > 0, turn, 0),
        lean, back, ahead, lean * back, lean * ahead, lean * pull[0], lean * pull[1],
        *behind[:, [1, 3, 6, 9]].T, np.abs(strip) / body, strip.real / body, log_area,
        *_in_region(places), *_against_around(places),
        places.greenness,
    ]  # fmt: skip
    return np.stack(columns, axis=1).astype(np.float32)


def _in_region(places: Places) -> list[np.ndarray]:
    """Where in its region each place lies, along the lean and across."""
    r, xy = places.region, places.xy_cm
    count = np.bincount(r)[r]
    lean = np.linalg.norm(places.lean, axis=1)
    out = places.lean / np.maximum(lean, 1e-6)[:, None]
    middle = np.stack([np.bincount(r, xy[:, k])[r] / count for k in (0, 1)], axis=1)
    away = xy - middle
    along = (away * out).sum(axis=1)
    across = away[:, 0] * out[:, 1] - away[:, 1] * out[:, 0]
    size = np.sqrt(places.region_cm2)
    reach = (xy * out).sum(axis=1)
    low, high = np.full(r.max() + 1, np.inf), np.full(r.max() + 1, -np.inf)
    np.minimum.at(low, r, reach)
    np.maximum.at(high, r, reach)
    below, above = reach - low[r], high[r] - reach
    return [
        along,
        along / size,
        np.abs(across) / size,
        np.hypot(along, across) / size,
        np.minimum(below, 15),
        below / (below + above + 0.3),
        np.minimum(above, 15),
    ]


def _against_around(places: Places) -> list[np.ndarray]:
    """Light, green and unevenness of the nearest plant against the plant around, and width against the widest near."""
    light = places.log_rgb.mean(axis=1)
    green = places.log_rgb[:, 1] - light
    y, x = places.cell.T
    shape = (y.max() + 1, x.max() + 1)

    def around(values: np.ndarray, cells: int) -> np.ndarray:
        sheet = np.zeros(shape, np.float32)
        sheet[y, x] = values
        return cv2.boxFilter(sheet, -1, (cells, cells), normalize=False, borderType=cv2.BORDER_CONSTANT)[y, x]

    one = np.ones(len(places), np.float32)
    near, wide = around(one, 3), around(one, 13)
    light_near, light_wide = around(light, 3) / near, around(light, 13) / wide
    widths = np.zeros(shape, np.float32)
    widths[y, x] = places.half_width_cm
    widest = cv2.dilate(widths, np.ones((13, 13), np.uint8))[y, x]
    return [
        light_near - light_wide,
        around(green, 3) / near - around(green, 13) / wide,
        np.sqrt(np.maximum(around(light**2, 3) / near - light_near**2, 0)),
        places.half_width_cm / widest,
    ]
