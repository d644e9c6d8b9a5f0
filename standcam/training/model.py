"""The stem network: a U-shaped convolutional network from a sheet to stem heat at half its resolution.

While it is fitted, a second head says for every cell which kind of plant shows there and where its stem stands. Thus
millions of leaf pixels teach, not only some thousand stems; the head is left out of the exported network.
"""

from __future__ import annotations

import torch
from torch import nn
from torch.nn import functional as F

from standcam.training import INPUTS

OUTPUTS = 5
"""Crop stem, weed stem (logits), offset of the stem from the cell along x and y (cells), log standard error."""
SIDE_OUTPUTS = 5
"""Soil, crop, weed (logits), way from the cell to the stem of the plant that shows there, along x and y (cells)."""


def _conv(a: int, b: int, size: int = 3, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(nn.Conv2d(a, b, size, stride, size // 2, bias=False), nn.BatchNorm2d(b), nn.ReLU(inplace=True))


class _Residual(nn.Module):
    """Two convolutions that correct what they are given (He et al. 2016, CVPR)."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = _conv(width, width)
        self.second = nn.Sequential(nn.Conv2d(width, width, 3, 1, 1, bias=False), nn.BatchNorm2d(width))

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return F.relu(x + self.second(self.first(x)))


class StemNet(nn.Module):
    """Four levels, strides 2 to 16; skips are added, so that no tensor is copied for joining."""

    def __init__(
        self,
        widths: tuple[int, ...] = (24, 48, 96, 160),
        depths: tuple[int, ...] = (1, 1, 2, 3),
        inputs: int = INPUTS,
    ) -> None:
        """Channels and residual blocks of the four levels; most work is done where cells are few."""
        super().__init__()
        self.widths, self.depths, self.inputs = widths, depths, inputs
        a, b, c, d = widths
        blocks = [nn.Sequential(*(_Residual(w) for _ in range(n))) for w, n in zip(widths, depths, strict=True)]
        self.down0 = nn.Sequential(_conv(inputs, a, 5, 2), blocks[0])
        self.down1 = nn.Sequential(_conv(a, b, 3, 2), blocks[1])
        self.down2 = nn.Sequential(_conv(b, c, 3, 2), blocks[2])
        self.down3 = nn.Sequential(_conv(c, d, 3, 2), blocks[3])
        self.up2, self.join2 = nn.Conv2d(d, c, 1), _Residual(c)
        self.up1, self.join1 = nn.Conv2d(c, b, 1), _Residual(b)
        self.up0, self.join0 = nn.Conv2d(b, a, 1), _Residual(a)
        self.head, self.side = nn.Conv2d(a, OUTPUTS, 1), nn.Conv2d(a, SIDE_OUTPUTS, 1)
        # stems are rare: start from their share, or the first steps are spent on unlearning
        self.head.bias.data[:2] = -4.0  # type: ignore[union-attr]

    def forward(self, x: torch.Tensor) -> torch.Tensor | tuple[torch.Tensor, torch.Tensor]:
        """(n, inputs, h, w), h and w multiples of 16 -> (n, OUTPUTS, h / 2, w / 2); in training the side head too."""
        x0 = self.down0(x)
        x1 = self.down1(x0)
        x2 = self.down2(x1)
        x3 = self.down3(x2)
        x2 = self.join2(F.relu(x2 + _doubled(self.up2(x3))))
        x1 = self.join1(F.relu(x1 + _doubled(self.up1(x2))))
        x0 = self.join0(F.relu(x0 + _doubled(self.up0(x1))))
        return (self.head(x0), self.side(x0)) if self.training else self.head(x0)


def restored(weights: dict[str, torch.Tensor]) -> StemNet:
    """The network for photos, of whatever widths and depths, that weights belong to."""
    levels = [f"down{level}" for level in range(4)]
    net = StemNet(
        tuple(len(weights[f"{level}.0.0.weight"]) for level in levels),
        tuple(len({k.split(".")[2] for k in weights if k.startswith(f"{level}.1.")}) for level in levels),
        weights["down0.0.0.weight"].shape[1],
    )
    net.load_state_dict(weights)
    return net


def _doubled(x: torch.Tensor) -> torch.Tensor:
    return F.interpolate(x, scale_factor=2.0, mode="nearest")
