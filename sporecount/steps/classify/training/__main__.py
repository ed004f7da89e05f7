"""Draw labelled crops of simulated photos, fit a network to them, or take the mean of finished networks.

python -m sporecount.steps.classify.training draw --crops FOLDER --mine
python -m sporecount.steps.classify.training fit --crops FOLDER --network first
"""

from __future__ import annotations

import argparse
import datetime
import multiprocessing
from pathlib import Path
from typing import Any

import numpy as np

from sporecount.steps.classify.network import model_id
from sporecount.steps.classify.training.card import drawn_into, note_draw, read_card, write_card
from sporecount.steps.classify.training.gather import STYLES, gather, load
from sporecount.steps.classify.training.photos import draw_photos


def main() -> None:
    """Make crops, or a network anew."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    works = parser.add_subparsers(required=True)

    drawing = works.add_parser("draw", help="draw simulated photos and keep labelled crops of them")
    drawing.add_argument("--crops", type=Path, required=True, help="folder for the crops")
    drawing.add_argument("--photos", type=int, default=5000, help="simulated photos to draw")
    drawing.add_argument("--seconds", type=float, default=1e9, help="stop drawing after about this time")
    drawing.add_argument("--workers", type=int, default=multiprocessing.cpu_count())
    drawing.add_argument("--seed", type=int, default=20261125)
    drawing.add_argument("--mine", action="store_true", help="prefer what the present model gets wrong")
    drawing.add_argument("--styles", nargs="+", default=list(STYLES))
    drawing.set_defaults(work=_draw)

    fitting = works.add_parser(
        "fit", help="fit a network to the crops; the first one brings the glance with it"
    )
    fitting.add_argument("--crops", type=Path, required=True, help="folder with the crops")
    fitting.add_argument("--network", choices=("first", "second"), required=True)
    fitting.add_argument("--go-on", type=Path, help="folder of a finished model to go on from")
    fitting.add_argument("--steps", type=int, default=20000, help="training batches")
    fitting.add_argument("--glance-steps", type=int, default=12000, help="batches for the glance")
    fitting.add_argument("--seconds", type=float, default=1e9, help="stop training after about this time")
    fitting.add_argument("--seed", type=int, default=20261125)
    fitting.add_argument("--out", type=Path, default=Path("sporecount/steps/classify"))
    fitting.set_defaults(work=_fit)

    meaning = works.add_parser(
        "mean", help="take the mean weights of finished models that went on from one another"
    )
    meaning.add_argument(
        "--of",
        type=Path,
        nargs="+",
        required=True,
        help="their folders, as eight_bits left them; the last gives the glance",
    )
    meaning.add_argument("--out", type=Path, default=Path("sporecount/steps/classify"))
    meaning.set_defaults(work=_mean)

    whole = works.add_parser(
        "photos", help="draw whole simulated photos, for all that is fitted after the networks that look"
    )
    whole.add_argument("--photos-in", type=Path, required=True, help="folder for the photos")
    whole.add_argument("--photos", type=int, default=400, help="of each style")
    whole.add_argument("--styles", nargs="+", default=list(STYLES), help="that the networks know")
    whole.add_argument("--unseen", nargs="+", default=[], help="more styles, which the networks never saw")
    whole.add_argument(
        "--crowded", action="store_true", help="more of them crowded, hardly any without a spore"
    )
    whole.add_argument("--seconds", type=float, default=1e9, help="stop drawing after about this time")
    whole.add_argument("--workers", type=int, default=multiprocessing.cpu_count())
    whole.add_argument("--seed", type=int, default=20261126)
    whole.set_defaults(work=_photos)

    arguments = parser.parse_args()
    arguments.work(arguments)


def _draw(wish: argparse.Namespace) -> None:
    mined_by = model_id() if wish.mine else ""
    note_draw(
        wish.crops,
        {"styles": wish.styles, "photos": wish.photos, "seed": wish.seed, "mined_by": mined_by},
    )
    gather(
        wish.crops,
        wish.photos,
        styles=wish.styles,
        seed=wish.seed,
        mine=wish.mine,
        workers=wish.workers,
        seconds=wish.seconds,
    )


def _mean(wish: argparse.Namespace) -> None:
    """Write both networks' means, the last model's glance, and where they came from."""
    from sporecount.steps.classify.training.export import export
    from sporecount.steps.classify.training.resume import mean_of, read_back

    cards = [read_card(folder) for folder in wish.of]
    for folder, card in zip(wish.of, cards, strict=True):
        if missing := {"first.onnx", "second.onnx", "glance.onnx"} - {*card["parts"]}:
            raise SystemExit(f"the card in {folder} does not tell of {', '.join(sorted(missing))}")
    glance = (wish.of[-1] / "glance.onnx").read_bytes()
    made: dict[str, dict[str, Any]] = {
        "glance.onnx": {"model": cards[-1]["name"], **cards[-1]["parts"]["glance.onnx"]}
    }
    means = {}
    for name in ("first", "second"):
        file = f"{name}.onnx"
        means[file] = mean_of([read_back(folder / file, name) for folder in wish.of])
        made[file] = {
            "what": cards[-1]["parts"][file]["what"],
            "recipe": f"python -m sporecount.steps.classify.training mean --of {' '.join(map(str, wish.of))}",
            "date": datetime.date.today().isoformat(),
            "mean_of": [{"model": card["name"], **card["parts"][file]} for card in cards],
        }
    wish.out.mkdir(parents=True, exist_ok=True)
    for file, network in means.items():
        export(network, wish.out / file)
    (wish.out / "glance.onnx").write_bytes(glance)
    card = read_card(wish.out)
    card["parts"] |= made
    write_card(wish.out, card)


def _photos(wish: argparse.Namespace) -> None:
    draw_photos(
        wish.photos_in,
        wish.photos,
        styles=(*wish.styles, *wish.unseen),
        seed=wish.seed,
        workers=wish.workers,
        seconds=wish.seconds,
        crowded=wish.crowded,
    )


def _fit(wish: argparse.Namespace) -> None:
    from sporecount.steps.classify.training.export import export, export_glance
    from sporecount.steps.classify.training.fit import BATCH, fit, fit_glance
    from sporecount.steps.classify.training.network import CLOSE_CROP, weights_of
    from sporecount.steps.classify.training.resume import read_back

    harvest = load(
        wish.crops, without=[crop for name, (crop, _) in CLOSE_CROP.items() if name != wish.network]
    )
    photos = len(np.unique(harvest.photo))
    labels = np.bincount(harvest.label, minlength=9)[:9].tolist()
    print(f"{photos} photos, {len(harvest.label)} crops; per kind {labels}", flush=True)
    begun = read_back(wish.go_on / f"{wish.network}.onnx", wish.network) if wish.go_on else None
    network, batches = fit(
        harvest, name=wish.network, steps=wish.steps, seed=wish.seed, begun=begun, seconds=wish.seconds
    )
    wish.out.mkdir(parents=True, exist_ok=True)
    export(network, wish.out / f"{wish.network}.onnx")
    made: dict[str, dict[str, Any]] = {
        f"{wish.network}.onnx": {
            "what": f"the {wish.network} network: {weights_of(network):,} weights",
            "recipe": f"python -m sporecount.steps.classify.training fit --network {wish.network}"
            f" --seed {wish.seed} --steps {wish.steps} --seconds {wish.seconds:g}"
            + (f" --go-on {wish.go_on}" if wish.go_on else ""),
            "date": datetime.date.today().isoformat(),
            "seed": wish.seed,
            "drawn": drawn_into(wish.crops),
            "simulated_photos": photos,
            "crops": len(harvest.label),
            "crops_per_kind": labels,
            "crops_per_kind_says": "besides these, places beside a spore, which teach where its centre is",
            "batches": batches,
            "batch": BATCH,
        }
    }
    if wish.go_on:
        before = read_card(wish.go_on)
        made[f"{wish.network}.onnx"]["went_on_from"] = {
            "model": before["name"],
            **before["parts"].get(f"{wish.network}.onnx", {}),
        }
    if wish.network == "first":
        quick = fit_glance(harvest, network, steps=wish.glance_steps, seed=wish.seed)
        export_glance(quick, wish.out / "glance.onnx")
        made["glance.onnx"] = {
            "what": f"the quick look: {weights_of(quick):,} weights",
            "recipe": "made with first.onnx, on the same crops, half from the truth and half from its answers:"
            f" --glance-steps {wish.glance_steps}",
            "batches": wish.glance_steps,
        }
    card = read_card(wish.out)
    card["parts"] |= made
    write_card(wish.out, card)


if __name__ == "__main__":
    main()
