"""All sheets on the device, from which pieces are dealt: turned all the way round, shifted, stretched, re-lit.

Sheets lie end to end in one tensor, so that a piece of any of them is a gather, and a batch costs the same however many
sheets there are.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
import torch
from torch.nn import functional as F

from standcam.plants.heat import SHEET_CM
from standcam.training import CROP, SAMPLE_CM, UNSEEN, UNSURE
from standcam.training.paste import pasted, unpacked

SIZE_PX = 256
"""Side of the pieces. [px]"""
CROWDED_CM, CROWDED_WEIGHT = 6.0, 3
"""Stems with a neighbour nearer than this are aimed at so many times as often: nearly all errors are among them."""
MADE_SHARE = 0.4
"""Share of pieces from generated scenes, where there are any: they vary more, path-traced photos look truer."""
GREY = 128.0
"""What stands for ground that the photo does not show, as in ``plants.sheet``. [levels]"""


@dataclass(frozen=True)
class Pieces:
    """A batch of network inputs with all that is true about them; cells are those of the output grid."""

    x: torch.Tensor
    """(n, 5, h, w)"""
    stem_cell: torch.Tensor
    """Place of every stem of the sheet. (n, stems, 2) [cells]"""
    stem_class: torch.Tensor
    """(n, stems)"""
    ground: torch.Tensor
    """0 soil, 1 crop, 2 weed. (n, h / 2, w / 2)"""
    to_stem: torch.Tensor
    """From a cell to the stem of the plant that shows there. (n, 2, h / 2, w / 2) [cells]"""


class Deck:
    """Samples on the device, dealt with chance changes."""

    def __init__(self, samples: list[dict], device: str, seed: int, collages: int, workers: int) -> None:
        """Take samples, and ``collages`` copies of each photo with pasted plants, to a device."""
        self.device = device
        self.chance = torch.Generator(device=device)
        self.chance.manual_seed(seed)
        jobs: list[tuple[dict, list[int] | None]] = [(s, None) for s in samples]
        jobs += [(s, [seed, k, c]) for k, s in enumerate(samples) if not s["made"] for c in range(collages)]
        pictures, numbers, stems = [], [], []
        with ProcessPoolExecutor(workers) as pool:
            for bgr, ids, own in pool.map(_sheet, jobs, chunksize=2):
                pictures.append(torch.from_numpy(np.ascontiguousarray(bgr[..., ::-1]).reshape(-1, 3)).to(device))
                numbers.append(torch.from_numpy(ids.astype(np.int16).ravel()).to(device))
                stems.append((ids.shape, own))
        self.rgb, self.numbers = torch.cat(pictures), torch.cat(numbers)
        self.size = self._device(np.array([shape for shape, _ in stems], np.int64))
        area = np.array([h * w for (h, w), _ in stems])
        self.begin = self._device(np.cumsum(area) - area)
        most = max(len(own) for _, own in stems)
        padded = np.full((len(stems), most, 3), -1e6, np.float32)
        padded[..., 2] = UNSEEN
        aim, crops = np.zeros((len(stems), most * CROWDED_WEIGHT), np.int64), np.zeros(len(stems), np.int64)
        for k, (_, own) in enumerate(stems):
            padded[k, : len(own)] = own[:, :3]
            crop = _aims(own)
            aim[k, : len(crop)], crops[k] = crop, len(crop)
        self.stems, self.aim, self.crops = self._device(padded), self._device(aim), self._device(crops)
        self.foot = self._device(np.array([s["foot_px"] for s, _ in jobs], np.float32))
        self.height = self._device(np.array([s["height_px"] for s, _ in jobs], np.float32))
        self.share = self._device(_shares(area, np.array([s["made"] for s, _ in jobs])))
        step = torch.arange(SIZE_PX, device=device)
        y, x = torch.meshgrid(step, step, indexing="ij")
        self.xy = torch.stack([x, y]).float() - (SIZE_PX - 1) / 2

    def deal(self, count: int) -> Pieces:
        """A batch of pieces."""
        i = torch.multinomial(self.share, count, replacement=True, generator=self.chance)
        turn, scale, middle = self._plan(i)
        to_sheet = turn * scale[:, None, None]
        place = middle[:, :, None, None] + torch.einsum("nij,jhw->nihw", to_sheet, self.xy)
        rgb = self._lit(self._picture(i, place))
        lean = (place - self.foot[i][:, :, None, None]) / self.height[i][:, None, None, None]
        lean = torch.einsum("nji,njhw->nihw", turn, lean)

        stems, kind = self.stems[i], self.stems[i][..., 2]
        px = torch.einsum("nij,nkj->nki", torch.linalg.inv(to_sheet), stems[..., :2] - middle[:, None])
        cell = (px + SIZE_PX / 2) / 2 - 0.5  # stride 2, the middle of a cell between its two input pixels
        number = self._numbers_at(i, (place[:, :, ::2, ::2] + place[:, :, 1::2, 1::2]) / 2)
        n = SIZE_PX // 2
        owner = (number - 1).clamp(min=0).flatten(1)
        owner_kind = kind.gather(1, owner).view(count, n, n)
        crop = (owner_kind == CROP) | (owner_kind == UNSURE)
        ground = torch.where(number == 0, 0, torch.where(crop, 1, 2))
        grid = torch.arange(n, device=self.device).float()
        to_stem = torch.stack(
            [
                cell[..., 0].gather(1, owner).view(count, n, n) - grid,
                cell[..., 1].gather(1, owner).view(count, n, n) - grid[:, None],
            ],
            dim=1,
        )
        return Pieces(torch.cat([rgb, lean], 1), cell, kind, ground, to_stem)

    def _plan(self, i: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Turn (with mirroring), scale and middle, in sheet pixels; three pieces of four lie about a crop stem."""
        n = len(i)
        anywhere = self._uniform(n, 2) * self.size[i].flip(1)
        pick = self.aim[i, (self._uniform(n) * self.crops[i]).long().clamp(max=self.aim.shape[1] - 1)]
        aimed = (self._uniform(n) < 0.75) & (self.crops[i] > 0)
        middle = torch.where(aimed[:, None], self.stems[i, pick, :2], anywhere) + self._normal(n, 2) * 80
        angle, flip = self._uniform(n) * 2 * torch.pi, torch.where(self._uniform(n) < 0.5, -1.0, 1.0)
        c, s = angle.cos(), angle.sin()
        turn = torch.stack([torch.stack([c * flip, -s], 1), torch.stack([s * flip, c], 1)], 1)
        return turn, SHEET_CM / SAMPLE_CM * torch.exp(self._normal(n) * 0.13), middle

    def _picture(self, i: torch.Tensor, place: torch.Tensor) -> torch.Tensor:
        """Bilinear samples of the sheets. (n, 3, h, w) in 0 to 1"""
        low = place.floor()
        fx, fy = (place - low).permute(1, 0, 2, 3)[..., None]
        x, y = low.long().permute(1, 0, 2, 3)
        top = self._tap(i, x, y) * (1 - fx) + self._tap(i, x + 1, y) * fx
        bottom = self._tap(i, x, y + 1) * (1 - fx) + self._tap(i, x + 1, y + 1) * fx
        return (top * (1 - fy) + bottom * fy).permute(0, 3, 1, 2) / 255

    def _tap(self, i: torch.Tensor, x: torch.Tensor, y: torch.Tensor) -> torch.Tensor:
        inside, at = self._index(i, x, y)
        return torch.where(inside[..., None], self.rgb[at].float(), GREY)

    def _numbers_at(self, i: torch.Tensor, place: torch.Tensor) -> torch.Tensor:
        x, y = place.round().long().permute(1, 0, 2, 3)
        inside, at = self._index(i, x, y)
        return torch.where(inside, self.numbers[at].long(), 0)

    def _index(self, i: torch.Tensor, x: torch.Tensor, y: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        h, w = self.size[i, 0, None, None], self.size[i, 1, None, None]
        inside = (x >= 0) & (y >= 0) & (x < w) & (y < h)
        return inside, torch.where(inside, self.begin[i][:, None, None] + y * w + x, 0)

    def _lit(self, rgb: torch.Tensor) -> torch.Tensor:
        """Other exposure, white balance, contrast, colour, sharpness and noise."""
        n = len(rgb)
        gain = torch.exp(self._normal(n, 1) * 0.22) * torch.exp(self._normal(n, 3) * 0.07)
        rgb = rgb.clamp(1e-4, 1) ** _each(torch.exp(self._normal(n) * 0.15)) * gain[:, :, None, None]
        colour = torch.where(self._uniform(n) < 0.35, 0.6 + 0.8 * self._uniform(n), 1.0)
        grey = rgb.mean(1, keepdim=True)
        rgb = grey + (rgb - grey) * _each(colour)
        soft = F.avg_pool2d(F.pad(rgb, (1, 1, 1, 1), mode="replicate"), 3, 1)
        lens = _each(self._uniform(n))
        rgb = torch.where(lens < 0.2, soft, torch.where(lens > 0.85, rgb + 0.6 * (rgb - soft), rgb))
        return (rgb + self._normal(*rgb.shape) * _each((self._normal(n) * 0.02).abs())).clamp(0, 1)

    def _uniform(self, *shape: int) -> torch.Tensor:
        return torch.rand(*shape, device=self.device, generator=self.chance)

    def _normal(self, *shape: int) -> torch.Tensor:
        return torch.randn(*shape, device=self.device, generator=self.chance)

    def _device(self, array: np.ndarray) -> torch.Tensor:
        return torch.from_numpy(array).to(self.device)


def _sheet(job: tuple[dict, list[int] | None]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    sample, seed = job
    if seed is not None:
        return pasted(sample, np.random.default_rng(seed))
    return *unpacked(sample), sample["stems"]


def _aims(stems: np.ndarray) -> np.ndarray:
    """Indices of the crop stems, those that stand crowded ``CROWDED_WEIGHT`` times."""
    crop = np.flatnonzero(stems[:, 2] == CROP)
    apart = np.linalg.norm(stems[crop, None, :2] - stems[None, crop, :2], axis=2)
    np.fill_diagonal(apart, np.inf)
    crowded = apart.min(axis=1, initial=np.inf) < CROWDED_CM / SAMPLE_CM
    return np.repeat(crop, np.where(crowded, CROWDED_WEIGHT, 1))


def _shares(area: np.ndarray, made: np.ndarray) -> np.ndarray:
    """How often each sheet is dealt: by its side, generated ones ``MADE_SHARE`` in all."""
    share = np.sqrt(area.astype(np.float64))
    if made.any() and not made.all():
        for group, part in ((made, MADE_SHARE), (~made, 1 - MADE_SHARE)):
            share[group] *= part / share[group].sum()
    return (share / share.sum()).astype(np.float32)


def _each(values: torch.Tensor) -> torch.Tensor:
    return values[:, None, None, None]
