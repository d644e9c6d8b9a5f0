"""Going on from a network that ships: its weights taken back from ONNX, in a network as wide or wider.

Export folds batch norm into the convolutions. Here each norm is given the mean and spread that its input has on some
sheets, and the scale and shift that undo them, so that training goes on from the same function. A wider network
computes that function too, as long as the new channels lead nowhere (Chen et al. 2016, Net2Net, ICLR, in spirit): their
outgoing weights start at zero.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import torch
from torch import nn

from standcam.plants.networks import onnx_of
from standcam.training.model import Form, StemNet


def from_onnx(
    path: Path, sheets: torch.Tensor, depths: tuple[int, ...] = Form.depths, plain: int = Form.plain
) -> StemNet:
    """The network of a file written by ``training.export``, with a side head that knows nothing yet.

    Parameters
    ----------
    path : Path
    sheets : (n, planes, h, w) tensor
        Sheets by which norms get their mean and spread.
    depths, plain
        As of its ``Form``.
    """
    import onnx
    from onnx import numpy_helper

    graph = onnx.load_from_string(onnx_of(path)).graph
    values = {w.name: numpy_helper.to_array(w) for w in graph.initializer}
    folded = [_folded(n, values) for n in graph.node if n.op_type in ("Conv", "QLinearConv")]
    net = StemNet(Form(folded[0][0].shape[1], _widths(folded), depths, plain))
    pairs = _convolutions(net)
    if len(pairs) != len(folded):
        raise ValueError(f"{path} has {len(folded)} convolutions, not {len(pairs)} as this network without side head")
    hooks = []
    for (conv, norm), (weight, bias) in zip(pairs, folded, strict=True):
        conv.weight.data = torch.from_numpy(weight.copy())
        if norm is None:
            conv.bias = nn.Parameter(torch.from_numpy(bias.copy()))
        else:
            hooks.append(norm.register_forward_pre_hook(_settle(torch.from_numpy(bias.copy()))))
    net.train()
    with torch.no_grad():
        net(sheets)
    for hook in hooks:
        hook.remove()
    return net


def _folded(node, values: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Weights and bias of a convolution, of one in whole numbers too (``training.eight_bits``)."""
    if node.op_type == "Conv":
        return values[node.input[1]], values[node.input[2]]
    _, x_scale, _, whole, scale, _, _, _, bias = (values.get(name) for name in node.input)
    assert x_scale is not None and whole is not None and scale is not None and bias is not None
    return (whole * scale[:, None, None, None]).astype(np.float32), (bias * x_scale * scale).astype(np.float32)


def _convolutions(net: StemNet) -> list[tuple[nn.Conv2d, nn.BatchNorm2d | None]]:
    """Convolutions in the order they are run, each with the norm that follows it; the side head is not exported."""
    found: list[tuple[nn.Conv2d, nn.BatchNorm2d | None]] = []
    order = ("down0", "down1", "down2", "down3", "up2", "join2", "up1", "join1", "up0", "join0", "head")
    for part in (getattr(net, name) for name in order):
        for module in part.modules():
            if isinstance(module, nn.Conv2d):
                found.append((module, None))
            elif isinstance(module, nn.BatchNorm2d):
                found[-1] = (found[-1][0], module)
    return found


def widened(net: StemNet, widths: tuple[int, ...]) -> StemNet:
    """The same function with more channels: new ones look at the old at random, and nothing old looks at them.

    Raises
    ------
    ValueError
        A level has more channels than are asked for.
    """
    if any(wide < has for wide, has in zip(widths, net.form.widths, strict=True)):
        raise ValueError(f"{widths} channels are fewer than the {net.form.widths} there are")
    wide = StemNet(replace(net.form, widths=widths))
    old = net.state_dict()
    whole = wide.state_dict()
    for name, value in old.items():
        part = tuple(slice(n) for n in value.shape)
        if value.ndim == 4:  # of new channels nothing old is made
            whole[name][: len(value)] = 0
        whole[name][part] = value
    wide.load_state_dict(whole)
    return wide


def _widths(folded: list[tuple[np.ndarray, np.ndarray]]) -> tuple[int, ...]:
    """Channels of the levels: each is entered by a convolution that follows those of the level before."""
    counts: list[int] = []
    for weight, bias in folded:
        if weight.shape[2] > 1 and (not counts or len(bias) > counts[-1]):
            counts.append(len(bias))
    return tuple(counts)


def _settle(bias: torch.Tensor):
    """Hook that fits a norm to what it is first given: it then adds ``bias`` and does no more."""

    def settle(norm: nn.BatchNorm2d, given: tuple[torch.Tensor]) -> None:
        mean, variance = given[0].mean((0, 2, 3)), given[0].var((0, 2, 3), unbiased=False)
        norm.running_mean, norm.running_var = mean.clone(), variance.clone()
        norm.weight.data = torch.sqrt(variance + norm.eps)
        norm.bias.data = mean + bias

    return settle
