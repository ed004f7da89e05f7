"""Teach the network that tells parts of larger bodies, on simulated photos into which mould and strands are laid.

    python -m sporecount.steps.classify.training photos --seed 6 --photos-in FOLDER --unseen MODULE
    python -m sporecount.steps.classify.training.bodies --photos-in FOLDER --unseen MODULE

Run it after the calibration, since it learns from what could count by it, and before `twofold` and `recall`.
"""

from __future__ import annotations

import datetime
import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
import torch
from torch.nn import functional

from sporecount.settings import CountSettings
from sporecount.simulate.bodies import lay_bodies
from sporecount.simulate.truth import SimulatedPhoto
from sporecount.steps.bodies import views
from sporecount.steps.classify.crops import CropSource
from sporecount.steps.classify.kinds import classify
from sporecount.steps.classify.network import BODIES, SIDE_BY_SIDE, SORTINGS
from sporecount.steps.classify.training.card import drawn_into, read_card, refuse_known, write_card
from sporecount.steps.classify.training.eight_bits import to_eight_bits
from sporecount.steps.classify.training.export import export_bodies
from sporecount.steps.classify.training.fit import rate_at
from sporecount.steps.classify.training.harvest import (
    LOWEST_DENSITY,
    STEPS_PER_DENSITY,
    densities,
    in_steps,
)
from sporecount.steps.classify.training.network import Bodies, weights_of
from sporecount.steps.classify.training.photos import asked_photos, read_photo
from sporecount.steps.classify.training.sorter import SPORE, label_by_truth, settle_photo
from sporecount.steps.classify.training.twofold import varied_densities
from sporecount.steps.outline import follow_outlines
from sporecount.steps.rescale import to_photo

_MOULDS, _STRANDS = (4, 14), (0, 5)
"""How many bodies are laid into a photo, from and to."""

_LIKELY_PART = 0.02
"""Probability of spore from which a part of a body is learnt from: those that pass for spores are few."""

_MOST_SPORES = 120
"""Spores of a photo that are kept."""

_BATCHES, _RATE, _SEED = 8000, 3e-3, 1
_LOOSENED = (0.05, 0.05, 0.1)
"""Standard deviations of what is added to the figures."""


class Rows(NamedTuple):
    """Objects of photos; n rows.

    Parameters
    ----------
    crops : ndarray of shape (n, 3, BODY_PX, BODY_PX), uint8
        As `steps.bodies.views` cuts them, as `harvest.in_steps` stores them.
    figures : ndarray of shape (n, 3), float32
    part : ndarray of shape (n,), bool
        Of a larger body; else a spore.
    spore : ndarray of shape (n,), float32
        Probability of spore that it had.
    """

    crops: np.ndarray
    figures: np.ndarray
    part: np.ndarray
    spore: np.ndarray


def label_parts(simulated: SimulatedPhoto, seed: int) -> Rows:
    """Lay bodies into a photo, run the steps on it, and keep their parts and its spores."""
    rng = np.random.default_rng([seed, len(simulated.spores), *simulated.rgb.shape])
    photo, mould, strand = lay_bodies(
        simulated, rng, int(rng.integers(*_MOULDS)), int(rng.integers(*_STRANDS))
    )
    work, flat, large, settled = settle_photo(photo)
    spore = classify(settled, follow_outlines(work, flat, settled), large, work, flat).spore
    x_px, y_px = to_photo(work, settled.row, settled.col)
    height, width = mould.shape
    at = np.clip(np.round(y_px).astype(int), 0, height - 1), np.clip(np.round(x_px).astype(int), 0, width - 1)
    in_mould, in_strand = mould[at] > 0.5, strand[at] > 0.5
    clipped = np.clip(spore.astype(float), 1e-6, 1 - 1e-6)
    is_spore = label_by_truth(simulated, work, settled, np.log(clipped / (1 - clipped))) == SPORE
    parts = np.flatnonzero((in_mould | in_strand) & ~is_spore & (spore > _LIKELY_PART))
    # a strand lets the spores beneath it show, a true spore beneath or upon mould is neither
    spores = np.flatnonzero(~in_mould & is_spore & (spore > CountSettings().doubt_low))
    rows = np.concatenate((parts, rng.permutation(spores)[:_MOST_SPORES]))
    crops, figures = views(CropSource(work, flat), settled.take(rows))
    return Rows(in_steps(crops), figures, np.arange(len(rows)) < len(parts), spore[rows].astype(np.float32))


def fit_bodies(rows: Rows, *, batches: int, seed: int, batch: int = 1024) -> Bodies:
    """Train the network; parts that pass for spores weigh most, and half of each batch are spores.

    Parameters
    ----------
    rows : Rows
    batches : int
    seed : int
    batch : int
        Rows of each.

    Returns
    -------
    Bodies
        On the CPU.
    """
    torch.manual_seed(seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    network = Bodies().to(device)
    weight = np.where(rows.part, 0.2 + rows.spore, 1.0)
    for one in (rows.part, ~rows.part):
        weight[one] /= max(weight[one].sum(), 1e-9)
    crops, figures, part, chance = (
        torch.from_numpy(np.ascontiguousarray(column)).to(device)
        for column in (rows.crops, rows.figures, rows.part.astype(np.float32), weight)
    )
    optimiser = torch.optim.AdamW(network.parameters(), lr=_RATE, weight_decay=0.02)
    for number in range(batches):
        optimiser.param_groups[0]["lr"] = rate_at(_RATE, number / batches)
        some = torch.multinomial(chance, batch, replacement=True)
        seen = crops[some].float() / STEPS_PER_DENSITY + LOWEST_DENSITY
        for side in (2, 3):
            seen = torch.where(torch.rand(batch, 1, 1, 1, device=device) < 0.5, seen.flip(side), seen)
        told = figures[some] + torch.randn(batch, 3, device=device) * figures.new_tensor(_LOOSENED)
        answers = network(varied_densities(seen), told)
        loss = functional.binary_cross_entropy_with_logits(answers, part[some])
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        optimiser.step()
    return network.cpu().eval()


def _one(task: tuple[int, Path]) -> Rows:
    cv2.setNumThreads(1)
    number, path = task
    return label_parts(read_photo(path), number)


def main() -> None:
    """Lay bodies, label, fit, write the network in 8 bits, and that into the card."""
    wish, paths = asked_photos((__doc__ or "").splitlines()[0])
    card, drawn = read_card(wish.out), drawn_into(wish.photos_in)
    refuse_known(card, drawn, wish.photos_in, (*SORTINGS, SIDE_BY_SIDE))
    with ProcessPoolExecutor(wish.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        parts = list(pool.map(_one, enumerate(paths), chunksize=4))
    rows = Rows(*(np.concatenate(column) for column in zip(*parts, strict=True)))
    found = int(rows.part.sum())
    print(f"{len(parts)} photos: {found} parts of bodies, {len(rows.part) - found} spores", flush=True)
    network = fit_bodies(rows, batches=_BATCHES, seed=_SEED)
    path = wish.out / BODIES
    export_bodies(network, path)
    sample = np.random.default_rng(_SEED).permutation(len(rows.part))[:1000]
    to_eight_bits(path, {"crops": densities(rows.crops[sample]), "figures": rows.figures[sample]})
    card["parts"][BODIES] = {
        "what": f"the network that tells parts of larger bodies: {weights_of(network):,} weights",
        "recipe": f"python -m sporecount.steps.classify.training.bodies --unseen {' '.join(wish.unseen)}",
        "date": datetime.date.today().isoformat(),
        "seed": _SEED,
        "drawn": drawn,
        "simulated_photos": len(parts),
        "objects": {"parts_of_bodies": found, "spores": len(rows.part) - found},
        "batches": _BATCHES,
    }
    write_card(wish.out, card)


if __name__ == "__main__":
    main()
