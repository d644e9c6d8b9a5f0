"""The network for strips: patches of four by four pixels go in, and stem heat comes out at half the resolution.

A mosaic has a thousand times the ground of a photo, so a pixel may cost a fifth of what ``model.StemNet`` takes. What
is cheap was measured with OpenCV on one core: convolutions of 64 channels and more do 128 GFLOP/s, of 32 channels 94,
depthwise ones 26, and a first convolution that strides over pixels 30. So pixels are put into channels before the
network sees them (whoever draws the picture can draw it so), nothing is worked out at half the resolution, and one
cell gives the heat of the four cells that it stands for.
"""

from __future__ import annotations

import torch
from torch import nn
from torch.nn import functional as F

from standcam.plants.planes import FINER, PATCH_PX
from standcam.training import INPUTS
from standcam.training.model import OUTPUTS, SIDE_OUTPUTS, _conv, _doubled

COLOURS = 3


class _Step(nn.Module):
    """One convolution that corrects what it is given."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.conv = nn.Sequential(nn.Conv2d(width, width, 3, 1, 1, bias=False), nn.BatchNorm2d(width))

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return F.relu(x + self.conv(x))


def _steps(width: int, count: int) -> nn.Sequential:
    return nn.Sequential(*(_Step(width) for _ in range(count)))


class PatchNet(nn.Module):
    """Three levels, strides 4 to 16; skips are added."""

    def __init__(
        self,
        widths: tuple[int, ...] = (32, 64, 96),
        depths: tuple[int, ...] = (0, 1, 2, 0, 1),
        inputs: int = INPUTS + 1,
    ) -> None:
        """Channels of the levels; convolutions on the way down, level by level, then on the way up."""
        super().__init__()
        a, b, c = widths
        others = inputs - COLOURS
        self.stem = _conv(COLOURS * PATCH_PX**2 + others, a, 1)
        self.level0 = _steps(a, depths[0])
        self.down1, self.level1 = _conv(a, b, 3, 2), _steps(b, depths[1])
        self.down2, self.level2 = _conv(b, c, 3, 2), _steps(c, depths[2])
        self.up1, self.join1 = nn.Conv2d(c, b, 1), _steps(b, depths[3])
        self.up0, self.join0 = nn.Conv2d(b, a, 1), _steps(a, depths[4])
        self.head, self.side = nn.Conv2d(a, OUTPUTS * FINER**2, 1), nn.Conv2d(a, SIDE_OUTPUTS * FINER**2, 1)
        # stems are rare: start from their share, or the first steps are spent on unlearning
        self.head.bias.data[: 2 * FINER**2] = -4.0  # type: ignore[union-attr]

    def trunk(self, planes: torch.Tensor) -> torch.Tensor:
        """(n, planes, h / 4, w / 4), h and w multiples of 16 -> what the heads read, of the same size."""
        x0 = self.level0(self.stem(planes))
        x1 = self.level1(self.down1(x0))
        x2 = self.level2(self.down2(x1))
        x1 = self.join1(F.relu(x1 + _doubled(self.up1(x2))))
        return self.join0(F.relu(x0 + _doubled(self.up0(x1))))

    def forward(self, x: torch.Tensor) -> torch.Tensor | tuple[torch.Tensor, torch.Tensor]:
        """(n, inputs, h, w), h and w multiples of 16 -> (n, OUTPUTS, h / 2, w / 2); in training the side head too."""
        seen = self.trunk(planes_of(x))
        heat = F.pixel_shuffle(self.head(seen), FINER)
        return (heat, F.pixel_shuffle(self.side(seen), FINER)) if self.training else heat


class Exported(nn.Module):
    """What ships: from planes to heads as they come, four cells of heat in one; ``plants.planes`` does the rest."""

    def __init__(self, net: PatchNet) -> None:
        super().__init__()
        self.net = net

    def forward(self, planes: torch.Tensor) -> torch.Tensor:
        """(1, planes, h / 4, w / 4) -> (1, OUTPUTS * 4, h / 4, w / 4)"""
        return self.net.head(self.net.trunk(planes))


def planes_of(x: torch.Tensor) -> torch.Tensor:
    """Pixels of each patch as channels, colour by colour and line by line; means of the other inputs."""
    colours, others = x[:, :COLOURS], x[:, COLOURS:]
    return torch.cat([F.pixel_unshuffle(colours, PATCH_PX), F.avg_pool2d(others, PATCH_PX)], 1)


def restored_patches(weights: dict[str, torch.Tensor]) -> PatchNet:
    """The network, of whatever widths and depths, that weights belong to."""
    parts = ("level0", "level1", "level2", "join1", "join0")
    net = PatchNet(
        tuple(len(weights[f"{name}.0.weight"]) for name in ("stem", "down1", "down2")),
        tuple(len({k.split(".")[1] for k in weights if k.startswith(f"{part}.")}) for part in parts),
        weights["stem.0.weight"].shape[1] - COLOURS * PATCH_PX**2 + COLOURS,
    )
    net.load_state_dict(weights)
    return net
