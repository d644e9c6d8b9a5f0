"""Fitting the stem network to samples: ``python -m standcam.training.fit SAMPLES.pkl... --out OUT.pt``.

Every step draws pieces of sheets at random, turns them all the way round, shifts, stretches, mirrors and re-lights
them, and carries stems and lean along.
"""

from __future__ import annotations

import argparse
import pickle
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from torch.nn import functional as F

from standcam.plants.heat import SHEET_CM
from standcam.training import CROP, SAMPLE_CM, UNSURE, WEED
from standcam.training.model import StemNet

SIZE_PX = 224
"""Side of the pieces. [px]"""
MADE_SHARE = 0.4
"""Share of pieces from generated scenes, where there are any: they vary more, path-traced photos look truer."""
SPREAD_CELLS = 1.4
"""Standard deviation of a stem's heat. [cells]"""


class Deck:
    """Samples on the device, drawn with chance changes."""

    def __init__(self, samples: list[dict], device: str, seed: int) -> None:
        """Take samples, as ``standcam.training.samples`` writes them, to a device."""
        self.device, self.rng = device, np.random.default_rng(seed)
        self.items = [s for s in samples if len(s["stems"])]
        dtype = torch.float16 if device != "cpu" else torch.float32
        self.images = [
            # about the grey that fills ground the photo does not show: outside, grid_sample gives zero
            ((_decoded(s["jpeg"]).to(device) - 128) / 255).to(dtype)
            for s in self.items
        ]
        share = np.sqrt([im.shape[2] * im.shape[3] for im in self.images])
        made = np.array([s["made"] for s in self.items])
        for group, part in ((made, MADE_SHARE), (~made, 1 - MADE_SHARE)):
            if group.any():
                share[group] *= (part if made.any() and not made.all() else 1.0) / share[group].sum()
        self.share = share / share.sum()
        h = w = SIZE_PX
        ys, xs = np.mgrid[:h, :w].astype(np.float32)
        self.xy = torch.from_numpy(np.stack([xs - (w - 1) / 2, ys - (h - 1) / 2])).to(device)

    def draw(self, count: int) -> tuple[torch.Tensor, np.ndarray]:
        """Network input (count, 5, h, w) and stems x, y, class in input pixels, padded by class -1 (count, n, 3)."""
        h = w = SIZE_PX
        chosen = self.rng.choice(len(self.items), count, p=self.share)
        plans = [self._plan(i) for i in chosen]
        to_sheet = np.stack([turn * scale for turn, scale, _ in plans])
        middle = np.stack([m for _, _, m in plans])
        place = self._device(middle)[:, :, None, None] + torch.einsum(
            "nij,jhw->nihw", self._device(to_sheet), self.xy
        )
        sizes = self._device(np.array([self.images[i].shape[:1:-1] for i in chosen]))[:, :, None, None]
        grid = ((place + 0.5) / sizes * 2 - 1).permute(0, 2, 3, 1)
        rgb = (
            torch.cat(
                [
                    F.grid_sample(self.images[i], g[None].to(self.images[i].dtype), align_corners=False)
                    for i, g in zip(chosen, grid, strict=True)
                ]
            ).float()
            + 128 / 255
        )
        rgb = self._light(rgb)
        foot = self._device(np.array([self.items[i]["foot_px"] for i in chosen]))[:, :, None, None]
        height = self._device(np.array([self.items[i]["height_px"] for i in chosen]))[:, None, None, None]
        turns = self._device(np.stack([turn for turn, _, _ in plans]))
        lean = torch.einsum("nji,njhw->nihw", turns, (place - foot) / height)
        stems = np.full((count, max(len(self.items[i]["stems"]) for i in chosen), 3), -1, np.float32)
        for k, i in enumerate(chosen):
            s = self.items[i]["stems"].copy()
            s[:, :2] = (s[:, :2] - middle[k]) @ np.linalg.inv(to_sheet[k]).T + [(w - 1) / 2, (h - 1) / 2]
            stems[k, : len(s)] = s
        return torch.cat([rgb, lean], 1), stems

    def _device(self, array: np.ndarray) -> torch.Tensor:
        return torch.from_numpy(np.asarray(array, np.float32)).to(self.device)

    def _plan(self, i: int) -> tuple[np.ndarray, float, np.ndarray]:
        """Turn (with mirroring), scale and middle, all in sheet pixels."""
        rng, item = self.rng, self.items[i]
        ih, iw = self.images[i].shape[2:]
        angle, flip = rng.uniform(0, 2 * np.pi), (rng.choice([-1, 1]), 1)
        near = rng.uniform(0, 1, 2) * [iw, ih]
        if rng.random() < 0.75:
            near = item["stems"][rng.integers(len(item["stems"])), :2]
        middle = near + rng.normal(0, 60, 2)
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) @ np.diag(flip)
        return turn, SHEET_CM / SAMPLE_CM * float(np.exp(rng.normal(0, 0.13))), middle

    def _light(self, rgb: torch.Tensor) -> torch.Tensor:
        rng, n = self.rng, len(rgb)
        gain = np.exp(rng.normal(0, 0.22, (n, 1))) * np.exp(rng.normal(0, 0.06, (n, 3)))
        gamma = np.exp(rng.normal(0, 0.15, n))
        rgb = (
            rgb.clamp(1e-4, 1) ** self._device(gamma)[:, None, None, None]
            * self._device(gain)[:, :, None, None]
        )
        colour = np.where(rng.random(n) < 0.3, rng.uniform(0.6, 1.4, n), 1.0)
        grey = rgb.mean(1, keepdim=True)
        rgb = grey + (rgb - grey) * self._device(colour)[:, None, None, None]
        soft = F.avg_pool2d(F.pad(rgb, (1, 1, 1, 1), mode="replicate"), 3, 1)
        rgb = torch.where(self._device(rng.random(n) < 0.25)[:, None, None, None] > 0, soft, rgb)
        rgb = rgb + torch.randn_like(rgb) * self._device(np.abs(rng.normal(0, 0.02, n)))[:, None, None, None]
        return rgb.clamp(0, 1)


def _decoded(jpeg: bytes) -> torch.Tensor:
    bgr = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    assert bgr is not None, "samples hold whole JPEGs"
    return torch.from_numpy(np.ascontiguousarray(bgr[..., ::-1])).permute(2, 0, 1)[None].float()


def targets(stems: np.ndarray, h: int, w: int, device: str) -> tuple[torch.Tensor, ...]:
    """Heat (n, 2, h, w), weight (n, 1, h, w), offset (n, 2, h, w) and its mask (n, h, w) on the output grid.

    Heat is a Gaussian of ``SPREAD_CELLS`` about each stem: narrow enough for doubles to stay two, wide enough that
    a place known to a few millimetres can be learnt. Offsets count within two cells of a crop stem.
    """
    s = torch.from_numpy(_near(stems, h, w)).to(device)
    # stride 2, the middle of a cell between its two input pixels
    cx, cy = ((s[..., k, None, None] + 0.5) / 2 - 0.5 for k in (0, 1))
    gx = torch.arange(w, device=device, dtype=torch.float32)[None, None, None]
    gy = torch.arange(h, device=device, dtype=torch.float32)[None, None, :, None]
    d2 = (gx - cx) ** 2 + (gy - cy) ** 2
    heat = []
    for kind in (CROP, WEED):
        here = (s[..., 2] == kind)[..., None, None]
        heat.append(torch.where(here, torch.exp(-d2 / (2 * SPREAD_CELLS**2)), 0.0).amax(1))
    unsure = ((s[..., 2] == UNSURE)[..., None, None] & (d2 < 16)).any(1)
    crop = torch.where((s[..., 2] == CROP)[..., None, None], d2, 1e9)
    nearest, which = crop.min(1)
    pick = which[:, None]
    offset = torch.stack(
        [(c.expand_as(d2).gather(1, pick)[:, 0] - g[:, 0]) for c, g in ((cx, gx), (cy, gy))], 1
    )
    mask = (nearest < 4).float()
    return torch.stack(heat, 1), (~unsure).float()[:, None], offset * mask[:, None], mask


def _near(stems: np.ndarray, h: int, w: int) -> np.ndarray:
    """Only stems that warm a cell of the grid, packed to the front; most of a photo's lie outside a piece."""
    reach = 16
    x, y = stems[..., 0], stems[..., 1]
    inside = (stems[..., 2] >= 0) & (x > -reach) & (x < 2 * w + reach) & (y > -reach) & (y < 2 * h + reach)
    packed = np.full((len(stems), max(int(inside.sum(axis=1).max()), 1), 3), -1, np.float32)
    for k, own in enumerate(inside):
        packed[k, : own.sum()] = stems[k, own]
    return packed


def loss_of(out: torch.Tensor, heat, weight, offset, mask) -> torch.Tensor:
    """Cross entropy on soft heat, weighed by the squared miss, and Laplace likelihood on offsets.

    The weighing (quality focal loss, Li et al. 2020, NeurIPS, eq. 3) keeps the many empty cells from drowning the
    few stems.
    """
    p = out[:, :2].sigmoid()
    miss = F.binary_cross_entropy_with_logits(out[:, :2], heat, reduction="none") * (heat - p).abs() ** 2
    stems = (heat > 0.7).float().sum((0, 2, 3)).clamp(min=4) / (0.71 * 2 * np.pi * SPREAD_CELLS**2)
    parts = (miss * weight).sum((0, 2, 3)) / stems
    log_sd = out[:, 4].clamp(-3, 2)
    far = (out[:, 2:4] - offset).abs().sum(1)
    likelihood = (far * (-log_sd).exp() + 2 * log_sd) * mask
    return parts[0] + 0.3 * parts[1] + 0.25 * likelihood.sum() / mask.sum().clamp(min=1)


@dataclass(frozen=True)
class Course:
    """How long and how fast to fit."""

    steps: int = 12_000
    seconds: float = 0.0
    """Fewer steps, so that fitting takes about this long on the machine at hand. 0: all steps. [s]"""
    batch: int = 32
    rate: float = 3e-3
    """Highest learning rate of the cycle; 1e-3 suits batches of 8."""
    seed: int = 1


def fit(samples: list[dict], course: Course, device: str, start: Path | None = None, log=print) -> StemNet:
    """Fit a network; repeatable from its seed, for a given number of steps, up to the rounding of the device's sums."""
    torch.manual_seed(course.seed)
    deck, net = Deck(samples, device, course.seed), StemNet().to(device)
    if start is not None:
        net.load_state_dict(torch.load(start, map_location=device))
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    optimiser = torch.optim.AdamW(net.parameters(), lr=course.rate / 25, weight_decay=1e-2, fused=device != "cpu")
    net.train()

    def one_step() -> torch.Tensor:
        x, stems = deck.draw(course.batch)
        loss = loss_of(net(x), *targets(stems, SIZE_PX // 2, SIZE_PX // 2, device))
        optimiser.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        return loss.detach()

    steps = course.steps
    if course.seconds:
        for _ in range(10):
            one_step()
        since = time.time()
        for _ in range(30):
            float(one_step())
        steps = min(steps, int(course.seconds / (time.time() - since) * 30))
        log(f"{steps} steps", flush=True)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, course.rate, total_steps=steps, pct_start=0.1)
    total, since = 0.0, time.time()
    for step in range(1, steps + 1):
        loss = one_step()
        schedule.step()
        total += float(loss) if step % 10 == 0 else 0.0
        if step % 500 == 0:
            log(f"step {step} loss {total / 50:.3f} {time.time() - since:.0f} s", flush=True)
            total = 0.0
    return net.eval()


def main() -> None:
    """Command line."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("samples", type=Path, nargs="+")
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--steps", type=int, default=Course.steps)
    ask.add_argument("--batch", type=int, default=Course.batch)
    ask.add_argument("--rate", type=float, default=Course.rate)
    ask.add_argument("--seed", type=int, default=Course.seed)
    ask.add_argument("--start", type=Path, help="weights to go on from")
    ask.add_argument(
        "--seconds", type=float, default=0, help="fewer steps, so that fitting takes about this long"
    )
    ask.add_argument(
        "--leave-out", type=int, default=0, help="leave out every n-th photo that was not made, for a check"
    )
    a = ask.parse_args()
    samples = [s for path in a.samples for s in pickle.loads(path.read_bytes())]
    if a.leave_out:
        names = sorted({s["photo"] for s in samples if not s["made"]})
        left = set(names[:: a.leave_out])
        samples = [s for s in samples if s["photo"] not in left]
    device = "cuda" if torch.cuda.is_available() else "cpu"
    course = Course(a.steps, a.seconds, a.batch, a.rate, a.seed)
    net = fit(samples, course, device, a.start)
    torch.save(net.cpu().state_dict(), a.out)


if __name__ == "__main__":
    main()
