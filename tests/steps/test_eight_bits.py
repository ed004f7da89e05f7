"""The networks in 8 bits answer as those they were made from, within the step of 7 bits."""

import numpy as np
import pytest

pytest.importorskip("torch", reason="training alone needs it")
pytest.importorskip("onnx", reason="training alone needs it")


def crops_of(seed):
    """Dark discs of all sizes on a light ground, with noise."""
    rng = np.random.default_rng(seed)
    colour = rng.uniform(0.5, 1.0, (64, 3, 1, 1))
    crops = {}
    for name, side in (("finest", 48), ("wide", 32)):
        rows, cols = np.indices((side, side)) - (side - 1) / 2
        radius, depth = rng.uniform(2, 12, (64, 1, 1)), rng.uniform(0.05, 0.8, (64, 1, 1))
        disc = depth / (1 + np.exp(np.hypot(rows, cols) - radius))
        crops[name] = (colour * disc[:, None] + rng.normal(0, 0.02, (64, 3, side, side))).astype(np.float32)
    return crops


@pytest.mark.filterwarnings("ignore")
def test_answers_stay(tmp_path):
    import onnxruntime
    import torch

    from sporecount.steps.classify.network import HIDDEN
    from sporecount.steps.classify.training.eight_bits import looks_of, to_eight_bits
    from sporecount.steps.classify.training.export import export
    from sporecount.steps.classify.training.network import Network

    torch.manual_seed(3)
    path, crops = tmp_path / "second.onnx", crops_of(2)
    network = Network("second")
    with torch.no_grad():
        for _ in range(3):  # the batch norms learn the crops' range, as in training
            network.train()(*(torch.from_numpy(part) for part in crops_of(1).values()))
    export(network, path)
    exact, size = looks_of(path, crops), path.stat().st_size
    to_eight_bits(path, crops_of(1))
    moved = looks_of(path, crops) - exact
    assert path.stat().st_size < size
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    assert [one.name for one in session.get_outputs()] == ["looks", "hidden"]
    hidden = session.run(["hidden"], crops)[0]
    assert hidden.shape == (64, HIDDEN["second"])
    assert hidden.min() == 0 < hidden.max()  # a layer of rectified sums
    # each of ten roundings to 7 bits brings an error of about 1/127 of the range; 16 answers of nearly one size
    assert np.sqrt(np.mean(moved**2)) < 0.05 * exact.std()
    assert np.abs(moved).max() > 0
    with pytest.raises(ValueError, match=r"second\.onnx is in 8 bits already"):
        to_eight_bits(path, crops)


@pytest.mark.filterwarnings("ignore")
def test_places_of_four_pixels_give_the_sums_of_single_ones(tmp_path):
    """A convolution of 5 x 5 at every other pixel, by torch, beside the rewritten one by the runtime."""
    import onnx
    import torch

    from sporecount.steps.classify.training.eight_bits import looks_of, see_pixels_by_fours

    def write(layer):
        torch.onnx.export(
            layer,
            (torch.from_numpy(crop),),
            str(path),
            input_names=["finest"],
            opset_version=17,
            dynamo=False,
        )

    torch.manual_seed(5)
    path, crop = tmp_path / "layer.onnx", crops_of(3)["finest"]
    for other in (torch.nn.Conv2d(3, 4, 5, 1, 2), torch.nn.Conv2d(3, 4, 5, 2)):
        write(other)
        with pytest.raises(ValueError, match=r"layer\.onnx: what looks at finest is no convolution of 5 x 5"):
            see_pixels_by_fours(path)
    layer = torch.nn.Conv2d(3, 4, 5, 2, 2)
    write(layer)
    see_pixels_by_fours(path)
    assert [node.op_type for node in onnx.load(str(path)).graph.node] == ["SpaceToDepth", "Conv"]
    with torch.no_grad():
        truth = layer(torch.from_numpy(crop)).numpy()
    assert np.abs(looks_of(path, {"finest": crop}) - truth).max() < 1e-5  # sums of 75 numbers in 32 bits
