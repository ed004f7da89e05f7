"""Store the convolutions of the two networks in 8 bits: less than half the time of a look.

    python -m sporecount.steps.classify.training.eight_bits

Run it between the networks and the sorter, which then learns what the rounded answers are worth. It draws some
simulated photos of the training styles to see how far the values reach, and tells by how much the answers move
on crops that it did not look at for that.
"""

from __future__ import annotations

import argparse
import multiprocessing
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import onnx
import onnxruntime
from onnxruntime.quantization import (
    CalibrationDataReader,
    CalibrationMethod,
    QuantFormat,
    QuantType,
    quantize_static,
)

from sporecount.steps.classify.network import PALER, spore_margin
from sporecount.steps.classify.training.card import read_card, write_card
from sporecount.steps.classify.training.export import store_dense_in_eight_bits
from sporecount.steps.classify.training.gather import STYLES
from sporecount.steps.classify.training.harvest import Harvest, densities, draw, harvest_photo, joined
from sporecount.steps.classify.training.network import CLOSE_CROP

Crops = dict[str, np.ndarray]
"""What a network is fed, by name: crops of shape (n, channels, px, px), and figures, float32."""

_PRESETS = ("ordinary", "hard", "heavy")


class _Reader(CalibrationDataReader):
    def __init__(self, crops: Crops) -> None:
        count = len(next(iter(crops.values())))
        starts = range(0, max(count - count % 64, 1), 64)  # the reader takes portions of one size only
        self._parts = ({name: values[k : k + 64] for name, values in crops.items()} for k in starts)

    def get_next(self) -> dict[str, np.ndarray] | None:
        return next(self._parts, None)


def to_eight_bits(path: Path, crops: Crops) -> None:
    """Rewrite a network of `export` with its convolutions in 8 bits, and its dense weights stored in as many.

    Weights take 7 of them: processors without instructions for sums of bytes add two products in 16 bits, which
    would overflow with 8, and every processor gives the same sums so.

    Parameters
    ----------
    path : Path
    crops : dict
        Such as the network sees, about a thousand: how far the values of each layer reach is taken from them.

    Raises
    ------
    ValueError
        A network that is in 8 bits already.
    """
    if any(node.op_type == "QuantizeLinear" for node in onnx.load(str(path)).graph.node):
        raise ValueError(
            f"{path.name} is in 8 bits already: train it anew, or take it from where it came from"
        )
    with tempfile.TemporaryDirectory() as folder:
        plain = Path(folder) / "plain.onnx"
        options = onnxruntime.SessionOptions()
        # what is constant is reckoned out and batch norm folded in, nothing that is special to one processor
        options.graph_optimization_level = onnxruntime.GraphOptimizationLevel.ORT_ENABLE_BASIC
        options.optimized_model_filepath = str(plain)
        onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
        see_pixels_by_fours(plain)
        quantize_static(
            str(plain),
            str(path),
            _Reader(crops),
            quant_format=QuantFormat.QDQ,
            op_types_to_quantize=["Conv", "Relu", "MaxPool"],
            per_channel=True,
            reduce_range=True,
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
            calibrate_method=CalibrationMethod.Percentile,
        )
    store_dense_in_eight_bits(path)


def see_pixels_by_fours(path: Path) -> None:
    """Let the convolutions that look at the crops, 5 x 5 at every other pixel, take 2 x 2 pixels as one.

    The sums are the same: 3 x 3 places of 12 channels (of three colours) are 6 x 6 pixels, of which the last row
    and column weigh nothing. In 8 bits the runtime lays the numbers that belong to a place together before it sums
    them, and that took it longer than the sums: 9 pieces of 12 numbers instead of 25 of 3 save a seventh of a
    look. In 32 bits it sums straight from the crop, and nothing is won.

    Parameters
    ----------
    path : Path
        A network with batch norm folded in, rewritten in place.

    Raises
    ------
    ValueError
        Where something else looks at a crop.
    """
    model = onnx.load(str(path))
    graph = model.graph
    weights = {one.name: one for one in graph.initializer}
    for crop in [one.name for one in graph.input if len(one.type.tensor_type.shape.dim) == 4]:
        convolution = next(node for node in graph.node if crop in node.input)
        weight = weights[convolution.input[1]]
        values = onnx.numpy_helper.to_array(weight)
        way = {one.name: onnx.helper.get_attribute_value(one) for one in convolution.attribute}
        outputs, colours = values.shape[:2]
        if values.shape[2:] != (5, 5) or (way.get("strides"), way.get("pads")) != ([2, 2], [2, 2, 2, 2]):
            raise ValueError(
                f"{path.name}: what looks at {crop} is no convolution of 5 x 5 at every other pixel"
            )
        values = np.pad(values, ((0, 0), (0, 0), (0, 1), (0, 1)))
        # row and column within a place, then colour: the order in which SpaceToDepth lays channels
        by_place = values.reshape(outputs, colours, 3, 2, 3, 2).transpose(0, 3, 5, 1, 2, 4)
        by_place = by_place.reshape(outputs, 4 * colours, 3, 3)
        weight.CopyFrom(onnx.numpy_helper.from_array(by_place, weight.name))
        fours = f"{crop}.fours"
        seeing = onnx.helper.make_node(
            "Conv",
            [fours, *convolution.input[1:]],
            convolution.output,
            kernel_shape=[3, 3],
            pads=[1, 1, 1, 1],
        )
        convolution.CopyFrom(seeing)
        graph.node.insert(0, onnx.helper.make_node("SpaceToDepth", [crop], [fours], blocksize=2))
    onnx.checker.check_model(model)
    onnx.save(model, str(path))


def looks_of(path: Path, crops: Crops) -> np.ndarray:
    """Run a network on crops; rows as `training.network.Network` gives them."""
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    return np.asarray(session.run(None, crops)[0])


def _drawn(photos: int, seeds: Sequence[int], workers: int) -> list[Harvest]:
    """Harvest so many photos for each seed."""
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        parts = [pool.map(_drawn_one, range(photos), [seed] * photos) for seed in seeds]
        return [joined(list(part)) for part in parts]


def _drawn_one(number: int, seed: int) -> Harvest:
    cv2.setNumThreads(1)
    # shifted once a round, so that no style keeps to one preset
    preset = _PRESETS[(number + number // len(STYLES)) % len(_PRESETS)]
    simulated = draw(STYLES[number % len(STYLES)], seed + number, preset, 800, 700)
    harvest = harvest_photo(simulated, number, np.random.default_rng([seed, number]))
    return harvest.take(np.random.default_rng(number).permutation(len(harvest.label))[:100])


def _fed(harvest: Harvest, close: str, factor: float) -> Crops:
    return {name: densities(getattr(harvest, name)) * np.float32(factor) for name in (close, "wide")}


def main() -> None:
    """Rewrite both networks, and say so in the card."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument(
        "--photos", type=int, default=3 * len(STYLES), help="simulated photos to set the ranges by"
    )
    parser.add_argument("--seed", type=int, default=20261127)
    parser.add_argument("--workers", type=int, default=multiprocessing.cpu_count())
    parser.add_argument("--out", type=Path, default=Path("sporecount/steps/classify"))
    wish = parser.parse_args()
    seen, unseen = _drawn(wish.photos, (wish.seed, wish.seed + 1000), wish.workers)
    card = read_card(wish.out)
    for network, factor in (("first", 1.0), ("second", PALER)):
        name, (close, _) = f"{network}.onnx", CLOSE_CROP[network]
        test = _fed(unseen, close, factor)
        exact = spore_margin(looks_of(wish.out / name, test)[:, :9])
        to_eight_bits(wish.out / name, _fed(seen, close, factor))
        moved = spore_margin(looks_of(wish.out / name, test)[:, :9]) - exact
        rms, near = (float(np.sqrt(np.mean(part**2))) for part in (moved, moved[np.abs(exact) < 2]))
        print(
            f"{name}: log odds move by {rms:.2f} (root mean square), near even by {near:.2f}; "
            f"their own spread is {exact.std():.1f}"
        )
        card["parts"][name]["eight_bits"] = {
            "recipe": "python -m sporecount.steps.classify.training.eight_bits",
            "seed": wish.seed,
            "simulated_photos": wish.photos,
            "log_odds_move_rms": round(rms, 3),
            "log_odds_move_near_even_rms": round(near, 3),
        }
    write_card(wish.out, card)


if __name__ == "__main__":
    main()
