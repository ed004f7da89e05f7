"""Write the trained network as ONNX (Open Neural Network Exchange), with batch norm folded in by the runtime."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
import onnx.numpy_helper
import torch

from sporecount.steps.classify.crops import FINE_PX, GLANCE_PX, WIDE_PX
from sporecount.steps.classify.training.network import Glance, Network


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
    _store_halved(path)


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
    _store_halved(path)


def _store_halved(path: Path) -> None:
    """Store the weights in 16 bits; the runtime widens them once, on loading, and reckons in 32."""
    model = onnx.load(str(path))
    graph = model.graph
    for number, weight in enumerate(list(graph.initializer)):
        if weight.data_type != onnx.TensorProto.FLOAT:
            continue
        values = onnx.numpy_helper.to_array(weight)
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
