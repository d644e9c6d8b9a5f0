"""The stem network: a small U-shaped convolutional network from a sheet to stem heat at half its resolution."""

from __future__ import annotations

import torch
from torch import nn

INPUTS = 5
"""Red, green, blue, lean along x, lean along y."""
OUTPUTS = 5
"""Crop stem, weed stem (logits), offset of the stem from the cell along x and y (cells), log standard error."""


def _conv(a: int, b: int, stride: int = 1, size: int = 3) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(a, b, size, stride, size // 2, bias=False), nn.BatchNorm2d(b), nn.ReLU(inplace=True)
    )


class StemNet(nn.Module):
    """Four levels, strides 2 to 16; skips are added, so that no tensor is copied for joining."""

    def __init__(self, widths: tuple[int, int, int, int] = (16, 32, 48, 64)) -> None:
        """Channels of the four levels."""
        super().__init__()
        a, b, c, d = widths
        self.stem = nn.Sequential(_conv(INPUTS, a, 2, 5), _conv(a, a))
        self.down1 = nn.Sequential(_conv(a, b, 2), _conv(b, b), _conv(b, b))
        self.down2 = nn.Sequential(_conv(b, c, 2), _conv(c, c), _conv(c, c))
        self.down3 = nn.Sequential(_conv(c, d, 2), _conv(d, d), _conv(d, d), _conv(d, d))
        self.up2 = nn.Conv2d(d, c, 1)
        self.join2 = _conv(c, c)
        self.up1 = nn.Conv2d(c, b, 1)
        self.join1 = _conv(b, b)
        self.up0 = nn.Conv2d(b, a, 1)
        self.join0 = _conv(a, a)
        self.head = nn.Sequential(_conv(a, a), nn.Conv2d(a, OUTPUTS, 1))
        # stems are rare: start from their share, or the first steps are spent on unlearning
        last: nn.Conv2d = self.head[-1]  # type: ignore[assignment]
        last.bias.data[:2] = -4.0  # type: ignore[union-attr]

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """(n, INPUTS, h, w), h and w multiples of 16 -> (n, OUTPUTS, h / 2, w / 2)"""
        up = nn.functional.interpolate
        x0 = self.stem(x)
        x1 = self.down1(x0)
        x2 = self.down2(x1)
        x3 = self.down3(x2)
        x2 = self.join2(x2 + up(self.up2(x3), scale_factor=2.0, mode="nearest"))
        x1 = self.join1(x1 + up(self.up1(x2), scale_factor=2.0, mode="nearest"))
        x0 = self.join0(x0 + up(self.up0(x1), scale_factor=2.0, mode="nearest"))
        return self.head(x0)
