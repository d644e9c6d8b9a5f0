"""The stem network: a U-shaped convolutional network from a sheet to stem heat, cell by cell.

It takes the pixels of a cell as channels, as ``plants.networks`` gives them: two by two in sheets of photos, two along
and four across in strips along rows, where it matters most how far along a stem stands.

While it is fitted, a second head says for every cell which kind of plant shows there and where its stem stands. Thus
millions of leaf pixels teach, not only some thousand stems; the head is left out of the exported network.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import nn
from torch.nn import functional as F

OUTPUTS = 5
"""Crop stem, weed stem (logits), offset of the stem from the cell along x and y (steps), log standard error."""
SIDE_OUTPUTS = 5
"""Soil, crop, weed (logits), way from the cell to the stem of the plant that shows there, along x and y (steps)."""


def _conv(a: int, b: int, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(nn.Conv2d(a, b, 3, stride, 1, bias=False), nn.BatchNorm2d(b), nn.ReLU(inplace=True))


class _Residual(nn.Module):
    """Two convolutions that correct what they are given (He et al. 2016, CVPR)."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = _conv(width, width)
        self.second = nn.Sequential(nn.Conv2d(width, width, 3, 1, 1, bias=False), nn.BatchNorm2d(width))

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return F.relu(x + self.second(self.first(x)))


@dataclass(frozen=True)
class Form:
    """What a network is built of, level by level, cells of the finest first."""

    planes: int
    """Channels it is given: pixels of a cell, colour by colour, and what else is told of it."""
    widths: tuple[int, ...] = (24, 48, 96, 160)
    """Channels."""
    depths: tuple[int, ...] = (1, 1, 2, 3)
    """Blocks of two convolutions; most work is done where cells are few."""
    plain: int = 0
    """So many of the finest levels add nothing to what their blocks give, and are joined by one convolution: a sum of
    8 bits costs as much as a convolution there."""


class StemNet(nn.Module):
    """Four levels, strides 1 to 8; skips are added, so that no tensor is copied for joining."""

    def __init__(self, form: Form) -> None:
        """A network that knows nothing."""
        super().__init__()
        self.form = form
        a, b, c, d = form.widths
        plain = [level < form.plain for level in range(len(form.widths))]
        blocks = [_blocks(*level) for level in zip(form.widths, form.depths, plain, strict=True)]
        joins = [_conv(w, w) if bare else _Residual(w) for w, bare in zip(form.widths, plain, strict=True)]
        self.down0 = nn.Sequential(_conv(form.planes, a), blocks[0])
        self.down1 = nn.Sequential(_conv(a, b, 2), blocks[1])
        self.down2 = nn.Sequential(_conv(b, c, 2), blocks[2])
        self.down3 = nn.Sequential(_conv(c, d, 2), blocks[3])
        self.up2, self.join2 = nn.Conv2d(d, c, 1), joins[2]
        self.up1, self.join1 = nn.Conv2d(c, b, 1), joins[1]
        self.up0, self.join0 = nn.Conv2d(b, a, 1), joins[0]
        self.head, self.side = nn.Conv2d(a, OUTPUTS, 1), nn.Conv2d(a, SIDE_OUTPUTS, 1)
        # stems are rare: start from their share, or the first steps are spent on unlearning
        self.head.bias.data[:2] = -4.0  # type: ignore[union-attr]

    def forward(self, x: torch.Tensor) -> torch.Tensor | tuple[torch.Tensor, torch.Tensor]:
        """(n, planes, h, w), h and w multiples of 8 -> (n, OUTPUTS, h, w); in training the side head too."""
        x0 = self.down0(x)
        x1 = self.down1(x0)
        x2 = self.down2(x1)
        x3 = self.down3(x2)
        x2 = self.join2(F.relu(x2 + _doubled(self.up2(x3))))
        x1 = self.join1(F.relu(x1 + _doubled(self.up1(x2))))
        x0 = self.join0(F.relu(x0 + _doubled(self.up0(x1))))
        return (self.head(x0), self.side(x0)) if self.training else self.head(x0)


def restored(weights: dict[str, torch.Tensor]) -> StemNet:
    """The network, of whatever form, that weights belong to."""
    levels = [f"down{level}" for level in range(4)]
    plain = sum(f"join{level}.0.weight" in weights for level in range(3))
    parts = [len({k.split(".")[2] for k in weights if k.startswith(f"{level}.1.")}) for level in levels]
    form = Form(
        weights["down0.0.0.weight"].shape[1],
        tuple(len(weights[f"{level}.0.0.weight"]) for level in levels),
        tuple(n // 2 if level < plain else n for level, n in enumerate(parts)),
        plain,
    )
    net = StemNet(form)
    net.load_state_dict(weights)
    return net


def _blocks(width: int, depth: int, plain: bool) -> nn.Sequential:
    return nn.Sequential(*(_conv(width, width) if plain else _Residual(width) for _ in range(depth * (1 + plain))))


def _doubled(x: torch.Tensor) -> torch.Tensor:
    return F.interpolate(x, scale_factor=2.0, mode="nearest")
