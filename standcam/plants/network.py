"""A small fully connected network, evaluated with numpy: weights come as arrays, no framework at run time."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np


@dataclass(frozen=True)
class Network:
    """Layers of weights and offsets with rectified linear units between them."""

    layers: tuple[tuple[np.ndarray, np.ndarray], ...]

    def __call__(self, x: np.ndarray) -> np.ndarray:
        """Outputs of the last layer, no activation. (n, inputs) -> (n, outputs)"""
        for i, (weight, offset) in enumerate(self.layers):
            x = x @ weight + offset
            if i + 1 < len(self.layers):
                np.maximum(x, 0, out=x)
        return x


@cache
def load(name: str) -> Network:
    """A network that ships with the package, by name of its file in ``standcam/plants/weights``."""
    with np.load(str(files("standcam.plants") / "weights" / f"{name}.npz")) as data:
        count = len(data.files) // 2
        return Network(
            tuple((data[f"w{i}"].astype(np.float32), data[f"b{i}"].astype(np.float32)) for i in range(count))
        )


def save(path: str, network: Network) -> None:
    """Write a network as half precision: its rounding (0.05 %) is far below the noise of any picture."""
    arrays: dict[str, np.ndarray] = {}
    for i, (weight, offset) in enumerate(network.layers):
        arrays[f"w{i}"], arrays[f"b{i}"] = weight.astype(np.float16), offset.astype(np.float16)
    np.savez_compressed(path, **arrays)  # type: ignore[arg-type]
