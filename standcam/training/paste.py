"""More doubles and crowding than photos hold: plants cut out of a sheet and set beside others.

Doubles are a few in a hundred, and photos with truth some dozens. A pasted plant keeps its lean: it is turned about the
camera's foot with its new place, or mirrored across that line. It comes from the same sheet and lands within half a
metre, where light agrees, or from another sheet of the like crop, where the camera saw it as slantwise; then it is lit
as the leaves of the new sheet are. Some sheets get whole stretches of row sown more thickly: dense stands of small
crops are what photos with truth show least of, and where most plants of a photo stand.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import find_objects

from standcam.training import CROP, SAMPLE_CM, UNSURE, WEED

NEAR_CM = 45.0
"""A plant is set down at most this far from where it grew. [cm]"""
APART_CM = 0.9
"""No two stems nearer than this: nothing tells those apart. [cm]"""
WEED_SHARE = 0.2
THICK_SHARE = 0.4
"""Collages that get a stretch of row sown more thickly; the others get plants here and there."""
THICK_CM, THICKEST_CM = (40.0, 150.0), 2.2
"""Length of such a stretch, from and to; plants in it stand no nearer than this on average. [cm]"""
SLANT = 0.08
"""Plants of another sheet lean as much as what grows where they are set down, within this. [cm/cm]"""
BEHIND_SHARE = 0.35
"""Pasted plants that go behind the leaves already there."""
_PX_PER_CM2 = SAMPLE_CM**-2


def unpacked(sample: dict) -> tuple[np.ndarray, np.ndarray]:
    """Picture, BGR uint8 (h, w, 3), and plant numbers, int32 (h, w): 1 + row of ``stems``, 0 for soil."""
    bgr = cv2.imdecode(np.frombuffer(sample["jpeg"], np.uint8), cv2.IMREAD_COLOR)
    numbers = cv2.imdecode(np.frombuffer(sample["numbers"], np.uint8), cv2.IMREAD_UNCHANGED)
    assert bgr is not None and numbers is not None, "samples hold whole pictures"
    return bgr, numbers.astype(np.int32)


def to_next(xy: np.ndarray) -> np.ndarray:
    """From each place to the nearest other, inf where there is none. (n, 2) -> (n,)"""
    apart = np.linalg.norm(xy[:, None] - xy[None], axis=2)
    np.fill_diagonal(apart, np.inf)
    return apart.min(axis=1, initial=np.inf)


class Plants:
    """The plants of a sheet that serve for pasting."""

    def __init__(self, sample: dict) -> None:
        """Unpack a sample as ``standcam.training.samples`` writes them."""
        self.bgr, self.numbers = unpacked(sample)
        self.stems = sample["stems"].copy()
        self.foot, self.height = sample["foot_px"], sample["height_px"]
        self.area = np.bincount(self.numbers.ravel(), minlength=len(self.stems) + 1)[1:].astype(float)
        """Pixels of each plant when it came. (n,)"""
        self.boxes = find_objects(self.numbers, len(self.stems))
        """Where each plant showed when it came. (n,) of slices"""
        self.came_whole = self.stems[:, 3].copy()
        """Share of each that showed when it came. (n,)"""

    def inside(self) -> np.ndarray:
        """Whether each stem stands well within the sheet. (n,) bool"""
        xy = self.stems[:, :2]
        return (xy > 20).all(axis=1) & (xy < np.array(self.numbers.shape[::-1]) - 20).all(axis=1)

    def whole(self, kind: int, share: float, least_cm2: float) -> np.ndarray:
        """Indices of plants of a kind that show enough of themselves."""
        shown = (self.stems[:, 3] > share) & (self.area > least_cm2 * _PX_PER_CM2)
        serve = np.flatnonzero((self.stems[:, 2] == kind) & self.inside() & shown)
        return serve[serve < len(self.boxes)]  # none that was pasted itself

    def slant(self) -> np.ndarray:
        """How slantwise the camera saw each stem. (n,) [cm/cm]"""
        return np.linalg.norm(self.stems[:, :2] - self.foot, axis=1) / self.height

    def leaf_colour(self) -> np.ndarray:
        """Mean colour of the crop's leaves, BGR. (3,)"""
        crop = np.flatnonzero(self.stems[:, 2] == CROP) + 1
        leaf = self.bgr[np.isin(self.numbers, crop)]
        return leaf.mean(axis=0) + 1.0 if len(leaf) else np.full(3, 128.0)


class Collage(Plants):
    """A sheet onto which plants are pasted one by one."""

    def __init__(self, sample: dict, rng: np.random.Generator, donor: dict | None = None) -> None:
        """Start from a sample; plants come from it too, or from the sheet of ``donor``."""
        super().__init__(sample)
        self.rng, self.row = rng, sample["row_axis"]
        self.across = np.array([-self.row[1], self.row[0]])
        self.donor: Plants = self if donor is None else Plants(donor)
        self.gain = np.ones(3) if donor is None else self.leaf_colour() / self.donor.leaf_colour()

    def paste(self, count: int) -> None:
        """Paste up to ``count`` plants here and there; places that do not serve are passed over."""
        donor = self.donor
        crops, weeds, hosts = self._crops(), donor.whole(WEED, 0.6, 1.5), self._hosts()
        if not len(crops) or not len(hosts):
            return
        slant, donor_slant = self.slant(), donor.slant()
        for _ in range(count):
            weed = len(weeds) > 0 and self.rng.random() < WEED_SHARE
            plant = int(self.rng.choice(weeds if weed else crops))
            if donor is self:
                near = hosts[self._far(hosts, self.stems[plant, :2]) < NEAR_CM / SAMPLE_CM]
            else:
                near = hosts[np.abs(slant[hosts] - donor_slant[plant]) < SLANT]
            if len(near):
                self._try(plant, self.stems[self.rng.choice(near), :2] + self._away(weed))
        self._judge()

    def sow(self) -> None:
        """Sow a stretch of row, through one of its plants, more thickly than it stands."""
        rng, donor = self.rng, self.donor
        crops, hosts = self._crops(), self._hosts()
        if not len(crops) or len(hosts) < 2:
            return
        usual_cm = float(np.median(to_next(self.stems[hosts, :2]))) * SAMPLE_CM
        apart_cm = max(usual_cm * rng.uniform(0.4, 0.9), THICKEST_CM)
        middle, length_cm = self.stems[rng.choice(hosts), :2].copy(), rng.uniform(*THICK_CM)
        along_cm, donor_slant = rng.uniform(-1, 0) * length_cm, donor.slant()[crops]
        for _ in range(int(length_cm / apart_cm)):
            along_cm += apart_cm * np.exp(rng.normal(0, 0.3))
            place = middle + (self.row * along_cm + self.across * rng.normal(0, 0.5)) / SAMPLE_CM
            if donor is self:
                serve = crops[self._far(crops, place) < NEAR_CM / SAMPLE_CM]
            else:
                slant = float(np.linalg.norm(place - self.foot)) / self.height
                serve = crops[np.abs(donor_slant - slant) < SLANT]
            if len(serve):
                self._try(int(rng.choice(serve)), place)
        self._judge()

    def _crops(self) -> np.ndarray:
        """Crop plants that may be pasted."""
        return self.donor.whole(CROP, 0.55, 3.0)

    def _hosts(self) -> np.ndarray:
        """Crop plants beside which others may be set."""
        return np.flatnonzero((self.stems[:, 2] == CROP) & self.inside())

    def _far(self, plants: np.ndarray, place: np.ndarray) -> np.ndarray:
        """How far plants stand from a place. [px]"""
        return np.linalg.norm(self.stems[plants, :2] - place, axis=1)

    def _try(self, plant: int, place: np.ndarray) -> None:
        """Set a plant where no crop stem is too near and the sheet has room."""
        size = np.array(self.numbers.shape[::-1])
        taken = self.stems[self.stems[:, 2] == CROP, :2]
        free = np.linalg.norm(taken - place, axis=1).min() > APART_CM / SAMPLE_CM
        if free and (place > 15).all() and (place < size - 15).all():
            self._set(plant, place)

    def _away(self, weed: bool) -> np.ndarray:
        """From the host to the new stem: doubles of 1 to 5 cm and close neighbours along the row, weeds anywhere."""
        rng = self.rng
        if weed:
            way = rng.normal(0, 1, 2)
            return way / np.linalg.norm(way) * rng.uniform(2, 12) / SAMPLE_CM
        far = rng.choice([rng.uniform(1.0, 5.0), rng.uniform(1.2, 3.5), rng.uniform(5, 16)])
        return (self.row * far * rng.choice([-1, 1]) + self.across * rng.normal(0, 0.6)) / SAMPLE_CM

    def _turn(self, stem: np.ndarray, place: np.ndarray) -> np.ndarray:
        """Linear map that brings a plant's looks to its new place. (2, 2)"""
        rng, before, after = self.rng, stem - self.donor.foot, place - self.foot
        turn = _rotation(np.arctan2(after[1], after[0]) - np.arctan2(before[1], before[0]))
        lean = float(np.linalg.norm(before)) / self.donor.height
        if rng.random() < 0.5:
            u = before / max(float(np.linalg.norm(before)), 1e-6)
            turn = turn @ (2 * np.outer(u, u) - np.eye(2))
        if lean < 0.25:  # seen from above, a plant may stand turned
            turn = _rotation(rng.normal(0, 0.5) if lean > 0.1 else rng.uniform(0, 2 * np.pi)) @ turn
        return turn * np.exp(rng.normal(0, 0.12))

    def _set(self, plant: int, place: np.ndarray) -> None:
        rng, donor, stem = self.rng, self.donor, self.donor.stems[plant, :2]
        down, across = donor.boxes[plant]
        low = np.maximum([across.start - 2, down.start - 2], 0)
        high = np.array([across.stop + 2, down.stop + 2])
        cut = donor.numbers[low[1] : high[1], low[0] : high[0]] == plant + 1
        if cut.sum() < max(_PX_PER_CM2, 0.8 * donor.area[plant]):  # covered by now
            return
        turn = self._turn(stem, place)
        corners = np.array([low, (high[0], low[1]), (low[0], high[1]), high]) - stem
        ends = corners @ turn.T + place
        begin = np.maximum(np.floor(ends.min(axis=0)).astype(int) - 1, 0)
        end = np.minimum(np.ceil(ends.max(axis=0)).astype(int) + 2, self.numbers.shape[::-1])
        if (end - begin < 4).any():
            return
        window = (slice(begin[1], end[1]), slice(begin[0], end[0]))
        affine = np.c_[turn, place - begin - turn @ (stem - low)]
        size = (int(end[0] - begin[0]), int(end[1] - begin[1]))
        picture = cv2.warpAffine(
            donor.bgr[low[1] : high[1], low[0] : high[0]], affine, size, borderMode=cv2.BORDER_REPLICATE
        )
        cover = cv2.warpAffine(cut.astype(np.uint8) * 255, affine, size)
        there = self.numbers[window]
        whole = cover > 127
        own, alpha = whole, cv2.GaussianBlur(cover.astype(np.float32) / 255, (3, 3), 0.6)
        if rng.random() < BEHIND_SHARE:
            own, alpha = whole & (there == 0), alpha * (there == 0)
        shade = cv2.GaussianBlur(cover.astype(np.float32) / 255, (0, 0), 5) * rng.uniform(0, 0.35) * (there == 0)
        under = self.bgr[window] * (1 - shade)[..., None]
        over = picture * self.gain * np.exp(rng.normal(0, 0.06))
        mixed = under * (1 - alpha)[..., None] + over * alpha[..., None]
        self.bgr[window] = np.clip(mixed, 0, 255).astype(np.uint8)
        shown = donor.came_whole[plant]
        self.stems = np.r_[self.stems, np.array([[*place, donor.stems[plant, 2], shown]], np.float32)]
        self.came_whole = np.r_[self.came_whole, shown]
        self.area = np.r_[self.area, float(whole.sum())]
        there[own] = len(self.stems)

    def _judge(self) -> None:
        """Crop plants that hardly show any more are unsure."""
        left = np.bincount(self.numbers.ravel(), minlength=len(self.stems) + 1)[1:]
        shown = self.came_whole * left / np.maximum(self.area, 1)
        hidden = (self.stems[:, 2] == CROP) & (left < self.area) & ((shown < 0.25) | (left < 0.6 * _PX_PER_CM2))
        self.stems[hidden, 2] = UNSURE


def pasted(
    sample: dict, rng: np.random.Generator, donor: dict | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Picture, plant numbers and stems of a sample with some plants more, of its own or of another sheet."""
    collage = Collage(sample, rng, donor)
    hosts = int((sample["stems"][:, 2] == CROP).sum())
    if rng.random() < THICK_SHARE:
        collage.sow()
    collage.paste(int(rng.integers(2, max(3, min(14, hosts // 2 + 3)))))
    return collage.bgr, collage.numbers, collage.stems


def _rotation(angle: float) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s], [s, c]])
