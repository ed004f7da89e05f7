"""Write the trained network as ONNX (Open Neural Network Exchange), with batch norm folded in by the runtime."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import onnx
import onnx.numpy_helper
import torch
from torch import nn

from sporecount.steps.classify.crops import GLANCE_PX, WIDE_PX
from sporecount.steps.classify.network import BODY_PX, SIDE_PX, SIDE_WIDE_PX, TWOFOLD_PX
from sporecount.steps.classify.training.network import (
    CLOSE_CROP,
    SIDE_FIGURE_SIZES,
    Bodies,
    Glance,
    Network,
    SideBySide,
    Twofold,
)


def export_glance(network: Glance, path: Path) -> None:
    """Write the quick look to `path`."""
    _write(network, path, {"crop": (3, GLANCE_PX, GLANCE_PX)}, ["log_odds"])


def export(network: Network, path: Path) -> None:
    """Write `network` to `path`."""
    crop, side_px = CLOSE_CROP[network.name]
    shapes = {crop: (3, side_px, side_px), "wide": (3, WIDE_PX, WIDE_PX)}
    _write(network, path, shapes, ["looks", "hidden"])


def export_twofold(network: Twofold, path: Path) -> None:
    """Write the network that finds a second spore to `path`."""
    _write(network, path, {"crops": (5, TWOFOLD_PX, TWOFOLD_PX), "figures": (6,)}, ["answers"])


def export_bodies(network: Bodies, path: Path) -> None:
    """Write a network that tells parts of larger bodies to `path`."""
    _write(network, path, {"crops": (3, BODY_PX, BODY_PX), "figures": (3,)}, ["log_odds"])


def export_side_by_side(network: SideBySide, path: Path) -> None:
    """Write the network that holds objects against the photo's spores to `path`."""
    shapes = {
        "crops": (6, SIDE_PX, SIDE_PX),
        "wide": (3, SIDE_WIDE_PX, SIDE_WIDE_PX),
        "figures": (len(SIDE_FIGURE_SIZES),),
    }
    _write(network, path, shapes, ["log_odds"])


def _write(network: nn.Module, path: Path, shapes: Mapping[str, tuple[int, ...]], outputs: list[str]) -> None:
    """Write a network that takes arrays of such shapes by name; how many a call is left open."""
    torch.onnx.export(
        network.eval(),
        tuple(torch.zeros(2, *shape) for shape in shapes.values()),
        str(path),
        input_names=list(shapes),
        output_names=outputs,
        dynamic_axes={name: {0: "crops"} for name in (*shapes, *outputs)},
        opset_version=17,
        dynamo=False,
    )
    store_halved(path)


def store_halved(path: Path) -> None:
    """Store all weights in 16 bits; the runtime widens them once, on loading, and reckons in 32."""
    model = onnx.load(str(path))
    for weight in _floats(model):
        halved = onnx.numpy_helper.to_array(weight).astype(np.float16)
        name = f"{weight.name}.half"
        _replace(model, weight, {name: halved}, [_to_float(name, weight.name)])
    onnx.checker.check_model(model)
    onnx.save(model, str(path))


def store_dense_in_eight_bits(path: Path) -> None:
    """Store the weights of dense layers in 8 bits, row by row; the runtime widens them once, on loading."""
    model = onnx.load(str(path))
    for weight in _floats(model):
        values = onnx.numpy_helper.to_array(weight)
        if values.ndim != 2:
            continue
        step = np.maximum(np.abs(values).max(axis=1, keepdims=True), 1e-12) / np.float32(127)
        whole, steps = f"{weight.name}.whole", f"{weight.name}.step"
        nodes = [
            _to_float(whole, f"{whole}.float"),
            onnx.helper.make_node("Mul", [f"{whole}.float", steps], [weight.name]),
        ]
        _replace(model, weight, {whole: np.round(values / step).astype(np.int8), steps: step}, nodes)
    onnx.checker.check_model(model)
    onnx.save(model, str(path))


def _floats(model: onnx.ModelProto) -> list[onnx.TensorProto]:
    return [one for one in model.graph.initializer if one.data_type == onnx.TensorProto.FLOAT]


def _to_float(name: str, output: str) -> onnx.NodeProto:
    return onnx.helper.make_node("Cast", [name], [output], to=onnx.TensorProto.FLOAT)


def _replace(
    model: onnx.ModelProto,
    weight: onnx.TensorProto,
    stored: dict[str, np.ndarray],
    nodes: list[onnx.NodeProto],
) -> None:
    """Put stored values and the nodes that make the weight of them in its place."""
    model.graph.initializer.remove(weight)
    model.graph.initializer.extend(
        onnx.numpy_helper.from_array(values, name) for name, values in stored.items()
    )
    for number, node in enumerate(nodes):
        model.graph.node.insert(number, node)
