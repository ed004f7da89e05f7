"""Draw, harvest, fit, export: `python -m sporecount.steps.classify.training --help`."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import time
from pathlib import Path
from typing import Any

import numpy as np

from sporecount.steps.classify.training.gather import STYLES, gather


def main() -> None:
    """Make the model anew."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=600, help="simulated photos to draw")
    parser.add_argument("--draw-seconds", type=float, default=1e9, help="stop drawing after about this time")
    parser.add_argument("--steps", type=int, default=12000, help="training batches")
    parser.add_argument("--fit-seconds", type=float, default=1e9, help="stop training after about this time")
    parser.add_argument("--workers", type=int, default=multiprocessing.cpu_count())
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--mine", action="store_true", help="prefer what the present model gets wrong")
    parser.add_argument("--styles", nargs="+", default=list(STYLES))
    parser.add_argument("--network", choices=("first", "second"), default="first", help="which one to make")
    parser.add_argument("--out", type=Path, default=Path("sporecount/steps/classify"))
    arguments = parser.parse_args()

    from sporecount.steps.classify.training.export import export, export_glance
    from sporecount.steps.classify.training.fit import fit, fit_glance

    begun = time.monotonic()
    harvest, drawn = gather(
        arguments.photos,
        styles=arguments.styles,
        seed=arguments.seed,
        mine=arguments.mine,
        workers=arguments.workers,
        seconds=arguments.draw_seconds,
    )
    labels = np.bincount(harvest.label, minlength=9)[:9].tolist()
    print(
        f"{drawn} photos, {len(harvest.label)} crops in {time.monotonic() - begun:.0f} s; per kind {labels}",
        flush=True,
    )
    network = fit(
        harvest,
        name=arguments.network,
        steps=arguments.steps,
        seed=arguments.seed,
        seconds=arguments.fit_seconds,
    )
    arguments.out.mkdir(parents=True, exist_ok=True)
    export(network, arguments.out / f"{arguments.network}.onnx")
    if arguments.network == "first":
        export_glance(fit_glance(harvest, steps=5000, seed=arguments.seed), arguments.out / "glance.onnx")
    path = arguments.out / "model.json"
    card: dict[str, Any] = {"name": "looks", "parts": {}}
    if path.exists():
        card = json.loads(path.read_text("utf-8"))
    card["parts"][f"{arguments.network}.onnx"] = {
        "recipe": f"python -m sporecount.steps.classify.training --network {arguments.network}",
        "seed": arguments.seed,
        "styles": arguments.styles,
        "simulated_photos": drawn,
        "crops": len(harvest.label),
        "crops_per_kind": labels,
        "mined": arguments.mine,
    }
    path.write_text(json.dumps(card, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
