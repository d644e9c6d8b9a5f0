"""Writing a fitted network as ONNX: ``python -m standcam.training.export WEIGHTS.pt OUT.onnx.gz``.

Weights keep 13 bits of mantissa, three more than half precision has, so that the file shrinks by a third when it is
gzipped. With 11 bits one find in some 160 crossed the line between crop and doubtful.
"""

from __future__ import annotations

import argparse
import gzip
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.nn import functional as F

from standcam.plants.networks import PATCH_PX
from standcam.training.model import StemNet, restored

KEPT_BITS = 13


COLOURS = 3


class OfPlanes(nn.Module):
    """The network as it ships: its first convolution takes squares of pixels as channels (``plants.networks``)."""

    def __init__(self, net: StemNet) -> None:
        super().__init__()
        pixels: nn.Conv2d = net.down0[0][0]  # type: ignore[index,assignment]
        weight = on_planes(pixels.weight.data)
        first = nn.Conv2d(weight.shape[1], weight.shape[0], 3, 1, 1, bias=False)
        first.weight.data = weight
        net.down0[0][0] = first  # type: ignore[index,operator]
        self.net = net

    def forward(self, planes: torch.Tensor) -> torch.Tensor:
        """(1, planes, h / 2, w / 2) -> (1, OUTPUTS, h / 2, w / 2)"""
        return self.net(planes)


def on_planes(weight: torch.Tensor) -> torch.Tensor:
    """Weights of five by five pixels, two at a step, as of three by three squares.

    What is no colour hardly changes from pixel to pixel: one plane, its mean, serves. (out, inputs, 5, 5) ->
    (out, 12 + inputs - 3, 3, 3)
    """
    squares = F.pad(weight, (0, 1, 0, 1)).unflatten(3, (3, PATCH_PX)).unflatten(2, (3, PATCH_PX))
    colours, others = squares[:, :COLOURS], squares[:, COLOURS:]
    return torch.cat([colours.permute(0, 1, 3, 5, 2, 4).flatten(1, 3), others.sum((3, 5))], 1)


def on_pixels(weight: torch.Tensor) -> torch.Tensor:
    """``on_planes`` undone; what is no colour is shared out evenly. (out, 12 + k, 3, 3) -> (out, 3 + k, 5, 5)"""
    colours, others = weight.split([COLOURS * PATCH_PX**2, weight.shape[1] - COLOURS * PATCH_PX**2], 1)
    squares = colours.unflatten(1, (COLOURS, PATCH_PX, PATCH_PX)).permute(0, 1, 4, 2, 5, 3)
    pixels = squares.flatten(4, 5).flatten(2, 3)[..., :5, :5]
    there = torch.tensor([0.5, 0.5, 0.5, 0.5, 1.0])  # of the last squares the first lines only are looked at
    shared = others.repeat_interleave(PATCH_PX, 2).repeat_interleave(PATCH_PX, 3)[..., :5, :5] * there * there[:, None]
    return torch.cat([pixels, shared], 1)


def planes_of(x: torch.Tensor) -> torch.Tensor:
    """Inputs of the network that is fitted as of the one that ships. (n, inputs, h, w) -> (n, planes, h / 2, w / 2)"""
    return torch.cat([F.pixel_unshuffle(x[:, :COLOURS], PATCH_PX), F.avg_pool2d(x[:, COLOURS:], PATCH_PX)], 1)


def export(weights: Path, out: Path) -> None:
    """Trace the network with free height and width; batch norm is folded into the convolutions.

    Parameters
    ----------
    weights : Path
        Of ``training.fit``.
    out : Path
        Ends in .onnx, or in .onnx.gz for a file that ships.
    """
    net = OfPlanes(restored(torch.load(weights, map_location="cpu"))).eval()
    plain = out.with_suffix("") if out.suffix == ".gz" else out
    torch.onnx.export(
        net,
        (torch.zeros(1, net.net.down0[0][0].in_channels, 64, 128),),  # type: ignore[index,arg-type]
        str(plain),
        input_names=["planes"],
        output_names=["heat"],
        dynamic_axes={"planes": {2: "h", 3: "w"}, "heat": {2: "h", 3: "w"}},
        opset_version=13,
        dynamo=False,
    )
    if out != plain:
        shrink(plain, out)
        plain.unlink()


def shrink(plain: Path, out: Path) -> None:
    """The network of an ONNX file with rounded weights, gzipped; the same bytes whenever it is made."""
    import onnx
    from onnx import numpy_helper

    model = onnx.load(str(plain))
    for k, tensor in enumerate(model.graph.initializer):
        values = numpy_helper.to_array(tensor)
        if values.dtype == np.float32:
            model.graph.initializer[k].CopyFrom(numpy_helper.from_array(rounded(values), tensor.name))
    out.write_bytes(gzip.compress(model.SerializeToString(), 9, mtime=0))


def rounded(values: np.ndarray) -> np.ndarray:
    """float32 to the nearest with ``KEPT_BITS`` bits of mantissa."""
    drop = 23 - KEPT_BITS
    bits = np.ascontiguousarray(values).view(np.uint32).astype(np.int64)
    near = ((bits + (1 << (drop - 1))) >> drop) << drop
    return near.astype(np.uint32).view(np.float32).reshape(values.shape)


if __name__ == "__main__":
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("weights", type=Path)
    ask.add_argument("out", type=Path)
    a = ask.parse_args()
    export(a.weights, a.out)
