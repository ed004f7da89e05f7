"""Write the trained network as ONNX (Open Neural Network Exchange), with batch norm folded in by the runtime."""

from __future__ import annotations

from pathlib import Path

import torch

from sporecount.steps.classify.crops import FINE_PX, GLANCE_PX, WIDE_PX
from sporecount.steps.classify.training.network import Glance, Network


def load(path: Path) -> Network:
    """Read back a network that `export` wrote, to train it further.

    Export folds each batch norm into its convolution; here the convolution takes the folded weights and the
    batch norm is left as an offset, so its running figures must stay frozen (`fit` sees to that).
    """
    import onnx
    from onnx import numpy_helper

    held = {
        one.name: torch.from_numpy(numpy_helper.to_array(one).copy())
        for one in onnx.load(str(path)).graph.initializer
    }
    folded = [held[name] for name in held if name.startswith("onnx::Conv")]
    network = Network()
    layers = [*network.fine, *network.wide]
    for layer, after in zip(layers[:-1], layers[1:], strict=True):
        if isinstance(layer, torch.nn.Conv2d) and isinstance(after, torch.nn.BatchNorm2d):
            layer.weight.data, after.bias.data = folded.pop(0), folded.pop(0)
            after.running_var.fill_(1 - after.eps)
    network.load_state_dict({k: v for k, v in held.items() if k.startswith("head.")}, strict=False)
    return network


def export_glance(network: Glance, path: Path) -> None:
    """Write the quick look to `path`."""
    torch.onnx.export(
        network.eval(),
        (torch.zeros(2, 3, GLANCE_PX, GLANCE_PX),),
        str(path),
        input_names=["crop"],
        output_names=["log_odds"],
        dynamic_axes={"crop": {0: "crops"}, "log_odds": {0: "crops"}},
        opset_version=17,
        dynamo=False,
    )


def export(network: Network, path: Path) -> None:
    """Write `network` to `path`; the number of crops a call is left open."""
    fine, wide = torch.zeros(2, 3, FINE_PX, FINE_PX), torch.zeros(2, 3, WIDE_PX, WIDE_PX)
    torch.onnx.export(
        network.eval(),
        (fine, wide),
        str(path),
        input_names=["fine", "wide"],
        output_names=["looks"],
        dynamic_axes={"fine": {0: "crops"}, "wide": {0: "crops"}, "looks": {0: "crops"}},
        opset_version=17,
        dynamo=False,
    )
