"""A network goes on from what was shipped: weights come back, and answers stay while its norms are freed."""

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("torch", reason="training alone needs it")
pytest.importorskip("onnx", reason="training alone needs it")

CLASSIFY = Path(__file__).parents[2] / "sporecount/steps/classify"


def discs(side_px):
    """Amber discs of many sizes on a light ground, with noise, shape (256, 3, side_px, side_px)."""
    rng = np.random.default_rng(4)
    rows, cols = np.indices((side_px, side_px)) - (side_px - 1) / 2
    radius, depth = rng.uniform(2, 12, (256, 1, 1)), rng.uniform(0.05, 0.6, (256, 1, 1))
    disc = depth / (1 + np.exp(np.hypot(rows, cols) - radius))
    amber = np.array([0.5, 0.8, 1.2])[:, None, None]
    return (amber * disc[:, None] + rng.normal(0, 0.02, (256, 3, side_px, side_px))).astype(np.float32)


@pytest.mark.parametrize("name", ["first", "second"])
def test_shipped_network_comes_back_as_it_answers(name):
    """Beside the runtime's answers in 8 bits, as the trained network's were when it was rewritten."""
    import torch

    from sporecount.steps.classify.training.eight_bits import looks_of
    from sporecount.steps.classify.training.network import CLOSE_CROP
    from sporecount.steps.classify.training.resume import free_norms, read_back

    close, side_px = CLOSE_CROP[name]
    crops = {close: discs(side_px), "wide": discs(32)}
    shipped = looks_of(CLASSIFY / f"{name}.onnx", crops)
    network = read_back(CLASSIFY / f"{name}.onnx", name)
    fed = [torch.from_numpy(part) for part in crops.values()]
    with torch.no_grad():
        back = network(*fed)[0].numpy()
        # sums alone are rounded to 8 bits, so answers agree as closely as a rewritten network's with its own
        assert np.sqrt(np.mean((back - shipped) ** 2)) < 0.05 * shipped.std()
        free_norms(network, *fed)
        assert np.abs(network(*fed)[0].numpy() - back).max() < 1e-4  # sums in 32 bits
        network.train()
        network.head[0].eval()  # no dropout
        # what training sees first differs by the divisor of the variance only, 256 instead of 255
        assert np.abs(network(*fed)[0].numpy() - back).max() < 0.02 * back.std()


@pytest.mark.filterwarnings("ignore")
def test_another_network_and_one_not_in_8_bits_are_refused(tmp_path):
    from sporecount.steps.classify.training.export import export
    from sporecount.steps.classify.training.network import Network
    from sporecount.steps.classify.training.resume import read_back

    with pytest.raises(ValueError, match=r"first\.onnx is no second network: it takes other crops"):
        read_back(CLASSIFY / "first.onnx", "second")
    export(Network("first"), tmp_path / "first.onnx")
    with pytest.raises(ValueError, match=r"first\.onnx sees single pixels: let eight_bits rewrite it first"):
        read_back(tmp_path / "first.onnx", "first")


def test_the_mean_of_networks_has_the_mean_of_their_weights():
    import torch

    from sporecount.steps.classify.training.resume import mean_of, read_back

    one, other = (read_back(CLASSIFY / "first.onnx", "first") for _ in range(2))
    other.load_state_dict({part: 3 * value for part, value in other.state_dict().items()})
    mean = mean_of([one, other])
    before = one.state_dict()
    for part, value in mean.state_dict().items():
        torch.testing.assert_close(value, 2 * before[part])
    assert not mean.training


@pytest.mark.filterwarnings("ignore")
def test_mean_command_notes_its_models_and_spoils_nothing_without_a_card(tmp_path, monkeypatch):
    import json
    import shutil
    import sys

    from sporecount.steps.classify.training.__main__ import main

    def mean(*folders):
        monkeypatch.setattr(
            sys, "argv", ["training", "mean", "--of", *map(str, folders), "--out", str(tmp_path / "out")]
        )
        main()

    for folder in ("one", "next"):
        shutil.copytree(
            CLASSIFY, tmp_path / folder, ignore=shutil.ignore_patterns("*.py", "training", "__pycache__")
        )
    trained = json.loads((tmp_path / "next/model.json").read_text())
    trained["parts"]["glance.onnx"].pop("model", None)  # as fit leaves it
    (tmp_path / "next/model.json").write_text(json.dumps(trained))
    mean(tmp_path / "one", tmp_path / "next")
    parts = json.loads((tmp_path / "out/model.json").read_text())["parts"]
    shipped = json.loads((CLASSIFY / "model.json").read_text())
    assert [one["model"] for one in parts["second.onnx"]["mean_of"]] == [shipped["name"]] * 2
    assert parts["glance.onnx"]["model"] == shipped["name"]
    assert (tmp_path / "out/glance.onnx").read_bytes() == (CLASSIFY / "glance.onnx").read_bytes()
    written = (tmp_path / "out/first.onnx").read_bytes()
    (tmp_path / "one/model.json").unlink()
    with pytest.raises(
        SystemExit, match=r"the card in .*one does not tell of first\.onnx, glance\.onnx, second\.onnx"
    ):
        mean(tmp_path / "one", tmp_path / "next")
    assert (tmp_path / "out/first.onnx").read_bytes() == written
