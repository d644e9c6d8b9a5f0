"""All sheets on the device, from which pieces are dealt: turned all the way round, shifted, stretched, re-lit.

Sheets lie end to end in one tensor, so that a piece of any of them is a gather, and a batch costs the same however many
sheets there are.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import NamedTuple

import cv2
import numpy as np
import torch
from torch.nn import functional as F

from standcam.plants.networks import STEP_PX, Cell
from standcam.training import CROP, UNSEEN, UNSURE
from standcam.training.paste import to_next
from standcam.training.reduced import Drawn, Look, drawn

CROWDED_CM, CROWDED_WEIGHT = 6.0, 3
"""Stems with a neighbour nearer than this are aimed at so many times as often: nearly all errors are among them."""
MADE_SHARE = 0.4
"""Share of pieces from generated scenes, where there are any: they vary more, path-traced photos look truer."""
ALONG_SD, ON_ROW = 0.05, 0.45
"""Pieces along the rows are turned from them by so much, one standard deviation [radians], and lie beside them by such
a share of what others lie beside a stem."""
GREY = 128.0
"""What stands for ground that the photo does not show, as in ``plants.sheet``. [levels]"""


class Light(NamedTuple):
    """Light and camera of a batch of pieces."""

    power: torch.Tensor
    """(n,)"""
    gain: torch.Tensor
    """Exposure and white balance. (n, 3)"""
    colour: torch.Tensor
    """How colourful. (n,)"""
    lens: torch.Tensor
    """0 to 1; soft below 0.2, sharpened above 0.85. (n,)"""
    grains: torch.Tensor
    """(n, 3, h, w)"""
    noise: torch.Tensor
    """Standard deviation of the grains. (n,)"""


@dataclass(frozen=True)
class Pieces:
    """A batch of network inputs with all that is true about them; steps are two pixels, whatever the cell."""

    x: torch.Tensor
    """(n, planes, rows, columns)"""
    stem: torch.Tensor
    """Place of every stem of the sheet. (n, stems, 2) [steps]"""
    stem_class: torch.Tensor
    """(n, stems)"""
    ground: torch.Tensor
    """0 soil, 1 crop, 2 weed. (n, rows, columns)"""
    to_stem: torch.Tensor
    """From a cell to the stem of the plant that shows there. (n, 2, rows, columns) [steps]"""


class Deck:
    """Samples on the device, dealt with chance changes."""

    def __init__(self, samples: list[dict], look: Look, device: str, seed: int, workers: int) -> None:
        """Take samples to a device; ``workers`` threads unpack them."""
        self.device, self.look = device, look
        self.chance = torch.Generator(device=device)
        self.chance.manual_seed(seed)
        # room for all at once: joined at the end they would take twice the memory of the device
        most_px = sum(_pixels(sample, look) for sample in samples)
        self.rgb = torch.empty((most_px, 3), dtype=torch.uint8, device=device)
        self.numbers = torch.empty(most_px, dtype=torch.int16, device=device)
        sizes, sheets, zooms, filled = [], [], [], 0
        # threads, not processes: most of the work is OpenCV's, and sheets are too large to be sent about
        with ThreadPoolExecutor(workers) as pool:
            for several in pool.map(partial(_unpacked, look=look), samples):
                for sheet, rgb, number, zoom in several:
                    end = filled + number.size
                    self.rgb[filled:end] = torch.from_numpy(rgb.reshape(-1, 3))
                    self.numbers[filled:end] = torch.from_numpy(number.ravel())
                    filled = end
                    sizes.append(number.shape)
                    zooms.append(zoom)
                    sheets.append(sheet)
        shape: np.ndarray = np.array(sizes, np.int64)
        self.size = self._device(shape)
        area = shape.prod(axis=1)
        self.begin = self._device(np.cumsum(area) - area)
        most = max(len(sheet.stems) for sheet in sheets)
        padded = np.full((len(sheets), most, 3), -1e6, np.float32)
        padded[..., 2] = UNSEEN
        aim, crops = np.zeros((len(sheets), most * CROWDED_WEIGHT), np.int64), np.zeros(len(sheets), np.int64)
        for k, sheet in enumerate(sheets):
            padded[k, : len(sheet.stems)] = sheet.stems[:, :3]
            crop = _aims(sheet)
            aim[k, : len(crop)], crops[k] = crop, len(crop)
        self.stems, self.aim, self.crops = self._device(padded), self._device(aim), self._device(crops)
        self.foot = self._device(np.array([sheet.foot_px for sheet in sheets], np.float32))
        self.height = self._device(np.array([sheet.height_px for sheet in sheets], np.float32))
        self.cm_per_px = self._device(np.array([sheet.cm_per_px for sheet in sheets], np.float32))
        self.log_zoom = self._device(np.log(np.array(zooms, np.float32)))
        ground = area * np.array([sheet.cm_per_px for sheet in sheets]) ** 2
        crop = np.array([int((sheet.stems[:, 2] == CROP).sum()) for sheet in sheets])
        self.share = self._device(_shares(ground, crop, np.array([sheet.made for sheet in sheets])))
        axes = np.array([sheet.row_axis for sheet in sheets], np.float32)
        self.row_angle = self._device(np.arctan2(axes[:, 1], axes[:, 0]))
        self.shape = torch.tensor(look.shape_px, device=device).float()
        across, down = (torch.arange(side, device=device).float() - (side - 1) / 2 for side in look.shape_px)
        self.xy = torch.stack([across.expand(len(down), -1), down[:, None].expand(-1, len(across))])
        if device != "cpu":  # one pass over the pieces in place of thirty
            self._cut = torch.compile(self._cut, dynamic=False)  # type: ignore[method-assign]

    def deal(self, count: int) -> Pieces:
        """A batch of pieces."""
        i = torch.multinomial(self.share, count, replacement=True, generator=self.chance)
        turn, scale, middle = self._plan(i)
        to_sheet = turn * scale[:, None, None]
        return Pieces(*self._cut(i, turn, scale, middle, torch.linalg.inv(to_sheet), self._light(count)))

    def _cut(
        self,
        i: torch.Tensor,
        turn: torch.Tensor,
        scale: torch.Tensor,
        middle: torch.Tensor,
        to_piece: torch.Tensor,
        light: Light,
    ) -> tuple[torch.Tensor, ...]:
        """The parts of ``Pieces``, cut as planned; it draws no chances, so that it can be compiled as a whole."""
        count, (w, h), cell = len(i), self.look.cells, self.look.cell
        place = middle[:, :, None, None] + torch.einsum("nij,jhw->nihw", turn * scale[:, None, None], self.xy)
        rgb = lit(self._picture(i, place), light)
        lean = (place - self.foot[i][:, :, None, None]) / self.height[i][:, None, None, None]
        lean = torch.einsum("nji,njhw->nihw", turn, lean)
        x = planes_of(rgb, lean, cell)
        if self.look.tells_pixel:
            told = coarseness(self.cm_per_px[i] * scale)[:, None, None, None]
            x = torch.cat([x, told.expand(-1, -1, h, w)], 1)

        stems, kind = self.stems[i], self.stems[i][..., 2]
        px = torch.einsum("nij,nkj->nki", to_piece, stems[..., :2] - middle[:, None])
        stem = (px + self.shape / 2) / STEP_PX - 0.5
        number = self._numbers_at(i, F.avg_pool2d(place, tuple(cell)))  # what shows at the middle of a cell
        owner = (number - 1).clamp(min=0).flatten(1)
        owner_kind = kind.gather(1, owner).view(count, h, w)
        crop = (owner_kind == CROP) | (owner_kind == UNSURE)
        ground = torch.where(number == 0, 0, torch.where(crop, 1, 2))
        across, down = middles(self.look, self.device)
        to_stem = torch.stack(
            [
                stem[..., 0].gather(1, owner).view(count, h, w) - across,
                stem[..., 1].gather(1, owner).view(count, h, w) - down[:, None],
            ],
            dim=1,
        )
        return x, stem, kind, ground, to_stem

    def _plan(self, i: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Turn (with mirroring), scale and middle, in sheet pixels; three pieces of four lie about a crop stem."""
        n = len(i)
        anywhere = self._uniform(n, 2) * self.size[i].flip(1)
        pick = self.aim[i, (self._uniform(n) * self.crops[i]).long().clamp(max=self.aim.shape[1] - 1)]
        aimed = (self._uniform(n) < 0.75) & (self.crops[i] > 0)
        low, high = self.log_zoom[i].T
        scale = torch.exp(low + (high - low) * self._uniform(n))
        angle, flip = self._uniform(n) * 2 * torch.pi, torch.where(self._uniform(n) < 0.5, -1.0, 1.0)
        lies = self._uniform(n) < self.look.along
        about = self.row_angle[i] + torch.pi * (self._uniform(n) < 0.5) + self._normal(n) * ALONG_SD
        angle = torch.where(lies, about, angle)
        c, s = angle.cos(), angle.sin()
        turn = torch.stack([torch.stack([c * flip, -s], 1), torch.stack([s * flip, c], 1)], 1)
        stray = self._normal(n, 2) * scale[:, None] * self.shape / 4
        stray[:, 1] *= torch.where(lies, ON_ROW, 1.0)
        stray = torch.einsum("nij,nj->ni", turn, stray)
        return turn, scale, torch.where(aimed[:, None], self.stems[i, pick, :2], anywhere) + stray

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

    def _light(self, n: int) -> Light:
        """Other light and another camera for each piece."""
        exposure, cast = torch.exp(self._normal(n, 1) * 0.22), torch.exp(self._normal(n, 3) * 0.07)
        power = torch.exp(self._normal(n) * 0.15)
        colour = torch.where(self._uniform(n) < 0.35, 0.6 + 0.8 * self._uniform(n), 1.0)
        w, h = self.look.shape_px
        lens, grains = self._uniform(n), self._normal(n, 3, h, w)
        return Light(power, exposure * cast, colour, lens, grains, (self._normal(n) * 0.02).abs())

    def _uniform(self, *shape: int) -> torch.Tensor:
        return torch.rand(*shape, device=self.device, generator=self.chance)

    def _normal(self, *shape: int) -> torch.Tensor:
        return torch.randn(*shape, device=self.device, generator=self.chance)

    def _device(self, array: np.ndarray) -> torch.Tensor:
        return torch.from_numpy(array).to(self.device)


def lit(rgb: torch.Tensor, light: Light) -> torch.Tensor:
    """Other exposure, white balance, contrast, colour, sharpness and noise. (n, 3, h, w) in 0 to 1"""
    rgb = rgb.clamp(1e-4, 1) ** _each(light.power) * light.gain[:, :, None, None]
    grey = rgb.mean(1, keepdim=True)
    rgb = grey + (rgb - grey) * _each(light.colour)
    soft = F.avg_pool2d(F.pad(rgb, (1, 1, 1, 1), mode="replicate"), 3, 1)
    lens = _each(light.lens)
    rgb = torch.where(lens < 0.2, soft, torch.where(lens > 0.85, rgb + 0.6 * (rgb - soft), rgb))
    return (rgb + light.grains * _each(light.noise)).clamp(0, 1)


def planes_of(rgb: torch.Tensor, others: torch.Tensor, cell: Cell) -> torch.Tensor:
    """Pictures as ``plants.networks`` hands them over; of what is no colour, the mean. (n, planes, rows, columns)"""
    parts = rgb.unflatten(3, (-1, cell.across)).unflatten(2, (-1, cell.down)).permute(0, 1, 3, 5, 2, 4)
    return torch.cat([parts.flatten(1, 3), F.avg_pool2d(others, tuple(cell))], 1)


def middles(look: Look, device: str | torch.device) -> tuple[torch.Tensor, torch.Tensor]:
    """Of the cells of a piece, across and down. (columns,), (rows,) [steps]"""
    columns, rows = look.cells
    across = (torch.arange(columns, device=device) + 0.5) * (look.cell.across / STEP_PX) - 0.5
    down = (torch.arange(rows, device=device) + 0.5) * (look.cell.down / STEP_PX) - 0.5
    return across, down


def coarseness(cm_per_px: torch.Tensor) -> torch.Tensor:
    """What the sixth input tells: doublings of the pixel over 0.4 cm, as ``plants.strip_stems`` does. [cm] -> [1]"""
    return torch.log2(cm_per_px / 0.4)


def _pixels(sample: dict, look: Look) -> int:
    """Pixels of all sheets that are cut of a sample, at most."""
    w, h = (int.from_bytes(sample["numbers"][at : at + 4], "big") for at in (16, 20))  # where a PNG tells its size
    return sum((h // times) * (w // times) for times in look.reductions)


def _unpacked(sample: dict, look: Look) -> list[tuple[Drawn, np.ndarray, np.ndarray, tuple[float, float]]]:
    """Sheets of a sample without their pixels; pixels, RGB; plant numbers; pixels of the sheet to one of a piece."""
    found = []
    for sheet in drawn(sample, look):
        if (zoom := look.zooms(sheet.cm_per_px)) is not None:
            rgb = cv2.cvtColor(sheet.bgr, cv2.COLOR_BGR2RGB)
            number = sheet.numbers.astype(np.int16)
            found.append((replace(sheet, bgr=rgb[:0], numbers=number[:0]), rgb, number, zoom))
    return found


def _aims(sheet: Drawn) -> np.ndarray:
    """Indices of the crop stems, those that stand crowded ``CROWDED_WEIGHT`` times."""
    stems = sheet.stems
    crop = np.flatnonzero(stems[:, 2] == CROP)
    crowded = to_next(stems[crop, :2]) < CROWDED_CM / sheet.cm_per_px
    return np.repeat(crop, np.where(crowded, CROWDED_WEIGHT, 1))


def _shares(area: np.ndarray, crop: np.ndarray, made: np.ndarray) -> np.ndarray:
    """How often each sheet is dealt; generated ones ``MADE_SHARE`` in all.

    By the side of its ground, for there is more to see, and by the root of its crop plants, for each is asked for.
    """
    share = np.sqrt(area.astype(np.float64) * (crop + 8))
    if made.any() and not made.all():
        for group, part in ((made, MADE_SHARE), (~made, 1 - MADE_SHARE)):
            share[group] *= part / share[group].sum()
    return (share / share.sum()).astype(np.float32)


def _each(values: torch.Tensor) -> torch.Tensor:
    return values[:, None, None, None]
