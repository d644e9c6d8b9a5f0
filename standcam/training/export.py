"""Writing a fitted network as ONNX: ``python -m standcam.training.export WEIGHTS.pt OUT.onnx``."""

from __future__ import annotations

import argparse
from pathlib import Path

import torch

from standcam.training.model import restored


def export(weights: Path, out: Path) -> None:
    """Trace the network with free height and width; batch norm is folded into the convolutions."""
    net = restored(torch.load(weights, map_location="cpu")).eval()
    inputs = net.down0[0][0].in_channels  # type: ignore[index,union-attr]
    torch.onnx.export(
        net,
        (torch.zeros(1, inputs, 128, 256),),
        str(out),
        input_names=["sheet"],
        output_names=["heat"],
        dynamic_axes={"sheet": {2: "h", 3: "w"}, "heat": {2: "h2", 3: "w2"}},
        opset_version=13,
        dynamo=False,
    )


if __name__ == "__main__":
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("weights", type=Path)
    ask.add_argument("out", type=Path)
    a = ask.parse_args()
    export(a.weights, a.out)
