"""Go on from a network that was shipped: read its weights back, so that new photos and styles teach it further."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import onnx.numpy_helper
import onnxruntime
import torch
from torch import nn

from sporecount.steps.classify.crops import WIDE_PX
from sporecount.steps.classify.training.network import CLOSE_CROP, Network

_EPS = nn.BatchNorm2d(1).eps


def read_back(path: Path, name: str) -> Network:
    """Read a network that `export` wrote and `eight_bits` rewrote.

    Its weights are what 7 and 8 bits left of them. Batch norm comes back folded into the convolutions: each norm
    only adds; `free_norms` lets them learn again.

    Parameters
    ----------
    path : Path
        Of the network's file.
    name : {"first", "second"}

    Raises
    ------
    ValueError
        Another network, or one that `eight_bits` did not rewrite.
    """
    held = _weights(path, name)
    network = Network(name)
    values = network.state_dict()
    for branch in ("close", "wide"):
        for place, layer in enumerate(getattr(network, branch)):
            if isinstance(layer, nn.Conv2d):
                weight, bias = held[f"/{branch}/{branch}.{place + 2}/Relu_output_0"]
                values[f"{branch}.{place}.weight"] = _by_pixels(weight) if place == 0 else weight
                # a norm that only adds
                norm = f"{branch}.{place + 1}"
                values[f"{norm}.bias"] = bias
                values[f"{norm}.running_var"] = np.full_like(bias, 1 - _EPS)
    for dense in ("hidden.0", "head.1"):
        values[f"{dense}.weight"], values[f"{dense}.bias"] = held[dense]
    for part in ("weight", "bias", "running_mean", "running_var"):
        (values[f"hidden.1.{part}"],) = held[f"hidden.1.{part}"]
    try:
        network.load_state_dict({part: torch.tensor(np.asarray(value)) for part, value in values.items()})
    except RuntimeError as fault:
        raise ValueError(f"{path.name} is no {name} network of this shape: {fault}") from fault
    return network.eval()


def mean_of(networks: Sequence[Network]) -> Network:
    """Take the mean of the weights of networks that `read_back` gave.

    Networks that went on from one another lie in one basin, and the middle of it often travels better than they do
    (Izmailov et al. 2018, Averaging weights leads to wider optima and better generalization, UAI). They take the
    statistics of norms anew; here those of the one norm that is not folded are averaged, too.

    Parameters
    ----------
    networks : sequence of Network
        Of one kind, each gone on from the one before; at least one.
    """
    states = [network.state_dict() for network in networks]
    mean = Network(networks[0].name)
    mean.load_state_dict(
        {
            part: torch.stack([state[part].float() for state in states]).mean(0).to(value.dtype)
            for part, value in states[0].items()
        }
    )
    return mean.eval()


def free_norms(network: Network, close: torch.Tensor, wide: torch.Tensor) -> None:
    """Give each norm the mean and spread of what it sees, undone by its own weight and shift.

    The network's answers stay as they are, and training finds every layer as if it had been normed all along.

    Parameters
    ----------
    network : Network
        In evaluation.
    close, wide : Tensor of shape (n, 3, px, px)
        Crops such as training shows, some thousands.
    """

    def free(norm: Any, seen: tuple[torch.Tensor]) -> None:
        values = seen[0]
        across = [axis for axis in range(values.ndim) if axis != 1]
        mean, variance = values.mean(across), values.var(across)
        gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)
        shift = norm.bias - gain * norm.running_mean
        norm.weight.copy_(gain * torch.sqrt(variance + norm.eps))
        norm.bias.copy_(shift + gain * mean)
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(variance)

    hooks = [
        m.register_forward_pre_hook(free)
        for m in network.modules()
        if isinstance(m, nn.BatchNorm1d | nn.BatchNorm2d)
    ]
    with torch.no_grad():
        network(close, wide)
    for hook in hooks:
        hook.remove()


def _weights(path: Path, name: str) -> dict[str, tuple[np.ndarray, ...]]:
    """Weight and bias of each layer by what it gives, widened as the runtime widens them."""
    model = onnx.load(str(path))
    crop, side_px = CLOSE_CROP[name]
    if [one.name for one in model.graph.input] != [crop, "wide"]:
        raise ValueError(f"{path.name} is no {name} network: it takes other crops")
    if not any(node.op_type == "SpaceToDepth" for node in model.graph.node):
        raise ValueError(f"{path.name} sees single pixels: let eight_bits rewrite it first")
    initial = {one.name for one in model.graph.initializer}
    wanted: dict[str, list[str]] = {}
    for node in model.graph.node:
        if node.op_type == "Conv":
            wanted[node.output[0]] = list(node.input[1:])
        elif node.op_type == "Gemm":
            wanted[node.input[1].removesuffix(".weight")] = list(node.input[1:])
        elif node.op_type == "BatchNormalization":
            wanted |= {part: [part] for part in node.input[1:]}
    needed = {one for parts in wanted.values() for one in parts} - initial
    model.graph.output.extend(onnx.ValueInfoProto(name=one) for one in sorted(needed))
    session = onnxruntime.InferenceSession(model.SerializeToString(), providers=["CPUExecutionProvider"])
    blank = {
        one: np.zeros((1, 3, side, side), np.float32) for one, side in ((crop, side_px), ("wide", WIDE_PX))
    }
    widened = dict(zip(sorted(needed), session.run(sorted(needed), blank), strict=True))
    widened |= {
        one.name: onnx.numpy_helper.to_array(one)
        for one in model.graph.initializer
        if one.name not in widened
    }
    return {output: tuple(widened[part] for part in parts) for output, parts in wanted.items()}


def _by_pixels(fours: np.ndarray) -> np.ndarray:
    """Undo `eight_bits.see_pixels_by_fours`."""
    pixels = fours.reshape(-1, 2, 2, 3, 3, 3).transpose(0, 3, 4, 1, 5, 2).reshape(-1, 3, 6, 6)
    return np.ascontiguousarray(pixels[..., :5, :5])
