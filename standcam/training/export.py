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

from standcam.training.model import restored

KEPT_BITS = 13


def export(weights: Path, out: Path) -> None:
    """Trace the network with free height and width; batch norm is folded into the convolutions.

    Parameters
    ----------
    weights : Path
        Of ``training.fit``.
    out : Path
        Ends in .onnx, or in .onnx.gz for a file that ships.
    """
    net = restored(torch.load(weights, map_location="cpu")).eval()
    plain = out.with_suffix("") if out.suffix == ".gz" else out
    torch.onnx.export(
        net,
        (torch.zeros(1, net.form.planes, 32, 64),),
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
