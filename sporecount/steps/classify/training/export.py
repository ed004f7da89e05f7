"""Write the trained network as ONNX (Open Neural Network Exchange), with batch norm folded in by the runtime."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
import onnx.numpy_helper
import torch
from torch import nn

from sporecount.steps.classify.crops import FINE_PX, GLANCE_PX, WIDE_PX
from sporecount.steps.classify.training.network import Glance, Network


def export_glance(network: Glance, path: Path) -> None:
    """Write the quick look to `path`."""
    _write(network, path, {"crop": GLANCE_PX}, "log_odds")


def export(network: Network, path: Path) -> None:
    """Write `network` to `path`."""
    _write(network, path, {"fine": FINE_PX, "wide": WIDE_PX}, "looks")


def _write(network: nn.Module, path: Path, side_px: dict[str, int], output: str) -> None:
    """Write a network that takes square crops of such sides by name; the number of crops a call is left open."""
    torch.onnx.export(
        network.eval(),
        tuple(torch.zeros(2, 3, side, side) for side in side_px.values()),
        str(path),
        input_names=list(side_px),
        output_names=[output],
        dynamic_axes={name: {0: "crops"} for name in (*side_px, output)},
        opset_version=17,
        dynamo=False,
    )
    store_halved(path)


def store_halved(path: Path, at_least: int = 0) -> None:
    """Store weights of so many values in 16 bits; the runtime widens them once, on loading, and reckons in 32."""
    model = onnx.load(str(path))
    graph = model.graph
    for number, weight in enumerate(list(graph.initializer)):
        values = onnx.numpy_helper.to_array(weight)
        if weight.data_type != onnx.TensorProto.FLOAT or values.size < at_least:
            continue
        graph.initializer.remove(weight)
        graph.initializer.append(
            onnx.numpy_helper.from_array(values.astype(np.float16), f"{weight.name}.half")
        )
        widen = onnx.helper.make_node(
            "Cast", [f"{weight.name}.half"], [weight.name], to=onnx.TensorProto.FLOAT
        )
        graph.node.insert(number, widen)
    onnx.checker.check_model(model)
    onnx.save(model, str(path))
