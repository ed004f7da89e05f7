"""Teach the network that finds a second spore under one lemon, on what the steps count in simulated photos.

    python -m sporecount.steps.classify.training photos --crowded --seed 3 --photos-in FOLDER --unseen MODULE
    python -m sporecount.steps.classify.training.twofold --photos-in FOLDER --unseen MODULE

Run it after `side_by_side` and the calibration, since it learns from the objects that count by them, and before
`recall`. Of 4000 photos it keeps half a million crops in memory, 2.5 GB, twice that while they are put together.
"""

from __future__ import annotations

import datetime
import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np
import torch
from scipy.optimize import linear_sum_assignment
from torch.nn import functional

from sporecount.settings import CountSettings
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth
from sporecount.steps.bodies import set_parts_aside
from sporecount.steps.classify.crops import CropSource
from sporecount.steps.classify.kinds import classify
from sporecount.steps.classify.network import SIDE_BY_SIDE, SORTINGS, TWOFOLD, TWOFOLD_PX
from sporecount.steps.classify.training.card import drawn_into, read_card, refuse_known, write_card
from sporecount.steps.classify.training.eight_bits import to_eight_bits
from sporecount.steps.classify.training.export import export_twofold
from sporecount.steps.classify.training.fit import rate_at
from sporecount.steps.classify.training.harvest import LOWEST_DENSITY, STEPS_PER_DENSITY, in_steps
from sporecount.steps.classify.training.network import Twofold, weights_of
from sporecount.steps.classify.training.photos import (
    REACH,
    asked_photos,
    away_in_lengths,
    read_photo,
)
from sporecount.steps.classify.training.sorter import settle_photo
from sporecount.steps.lemon import along_and_across
from sporecount.steps.outline import follow_outlines
from sporecount.steps.rescale import to_photo
from sporecount.steps.twofold import usual_size, views

NOT_TWO, TWO, UNTOLD = 0, 1, 2
_REACH_OF_SECOND = 0.7
"""Distance in lengths up to which a spore without an object of its own is the second one of the nearest object."""

_MOST_OBJECTS = 60
"""A photo with more objects weighs as one with so many."""

_MOST_OTHERS = 400
"""Objects of a photo that are kept besides those of two spores."""

_BATCHES, _RATE, _SEED = 8000, 3e-3, 1
"""Average precision on objects of the four strange styles, left out: 0.24 to 0.63 after 700 batches, 0.38 to 0.73
after 1850, 0.45 to 0.78 after 7800; three and a half times the weights and 13,500 batches gave 0.47 to 0.78."""

_LOOSENED = (0.7, 0.05, 0.05, 0.05, 0.5, 0.1)
"""Standard deviations of what is added to the figures."""


class Rows(NamedTuple):
    """Counted objects of photos; n rows.

    Parameters
    ----------
    crops : ndarray of shape (n, 5, TWOFOLD_PX, TWOFOLD_PX), uint8
        As `steps.twofold.views` cuts them: densities as `harvest.in_steps` stores them, lemons in 255ths.
    figures : ndarray of shape (n, 6), float32
    label : ndarray of shape (n,), int8
        `NOT_TWO`, `TWO` or `UNTOLD`: a spore that nobody could count has a part in it.
    centres : ndarray of shape (n, 4), float32
        Of two spores, first along and across the object, then of the other; in lengths of the photo's spores.
    weight : ndarray of shape (n,), float32
    """

    crops: np.ndarray
    figures: np.ndarray
    label: np.ndarray
    centres: np.ndarray
    weight: np.ndarray

    def take(self, rows: np.ndarray) -> Rows:
        """Keep some rows."""
        return Rows(*(column[rows] for column in self))


def label_counted(simulated: SimulatedPhoto) -> Rows:
    """Run the steps on a photo and say of each counted object whether it is two spores."""
    work, flat, large, settled = settle_photo(simulated)
    kinds = classify(settled, follow_outlines(work, flat, settled), large, work, flat)
    spore = set_parts_aside(work, flat, settled, kinds, CountSettings()).spore
    counted = np.flatnonzero(spore >= CountSettings().count_from)
    some, count = settled.take(counted), len(counted)
    if not count:
        return Rows(
            np.empty((0, 5, TWOFOLD_PX, TWOFOLD_PX), np.uint8),
            np.empty((0, 6), np.float32),
            np.empty(0, np.int8),
            np.empty((0, 4), np.float32),
            np.empty(0, np.float32),
        )
    usual_um = usual_size(some)
    source = CropSource(work, flat)
    crops, figures = views(source, some, np.arange(count), spore[counted], usual_um, work.um_per_px)
    x_px, y_px = to_photo(work, some.row, some.col)
    label, first, second = seconds(simulated.spores, x_px, y_px, simulated.um_per_px)
    centres = np.zeros((count, 4), np.float32)
    for thing in np.flatnonzero(label == TWO):
        both = [simulated.spores[number] for number in (first[thing], second[thing])]
        x_um, y_um = (
            np.array([one.x_px - x_px[thing] for one in both]) * simulated.um_per_px,
            np.array([one.y_px - y_px[thing] for one in both]) * simulated.um_per_px,
        )
        turned = along_and_across(x_um, y_um, some.looks.angle_deg[thing])
        centres[thing] = np.column_stack(turned).ravel() / usual_um[0]
    rows = Rows(
        np.concatenate((in_steps(crops[:, :3]), np.round(crops[:, 3:] * 255).astype(np.uint8)), axis=1),
        figures,
        label,
        centres,
        np.full(count, min(1.0, _MOST_OBJECTS / count), np.float32),
    )
    others = np.flatnonzero(label != TWO)
    if len(others) <= _MOST_OTHERS:
        return rows
    rows.weight[others] *= len(others) / _MOST_OTHERS
    kept = np.random.default_rng(count).choice(others, _MOST_OTHERS, replace=False)
    return rows.take(np.sort(np.concatenate((np.flatnonzero(label == TWO), kept))))


def seconds(
    spores: Sequence[SporeTruth], x_px: np.ndarray, y_px: np.ndarray, um_per_px: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Match objects and spores one to one; a spore left over is the second one of the nearest object that has one.

    A third spore under one lemon is passed over.

    Parameters
    ----------
    spores : sequence of SporeTruth
    x_px, y_px : ndarray of shape (n,)
        Places of the objects.
    um_per_px : float

    Returns
    -------
    label : ndarray of shape (n,), int8
        `NOT_TWO`, `TWO` or `UNTOLD`.
    first, second : ndarray of shape (n,)
        Numbers of the spores, -1 where there is none.
    """
    label = np.full(len(x_px), NOT_TWO, np.int8)
    first, second = np.full(len(x_px), -1), np.full(len(x_px), -1)
    if not spores:
        return label, first, second
    away = away_in_lengths(spores, x_px, y_px, um_per_px)
    countable = np.array([one.countable for one in spores])
    near = away <= REACH
    spore, thing = linear_sum_assignment(
        np.minimum(away, REACH) - near * (10 * np.where(countable[:, None], 1.0, 0.5))
    )
    hit = near[spore, thing]
    first[thing[hit]] = spore[hit]
    label[(first >= 0) & ~countable[first]] = UNTOLD
    left = np.setdiff1d(np.arange(len(spores)), spore[hit])
    to_found = np.where(first >= 0, away[left], np.inf)
    nearest = to_found.argmin(axis=1)
    reached = to_found[np.arange(len(left)), nearest] <= _REACH_OF_SECOND
    for number, thing_number in zip(left[reached], nearest[reached], strict=True):
        if not countable[number]:
            label[thing_number] = UNTOLD
        elif label[thing_number] == NOT_TWO:
            label[thing_number], second[thing_number] = TWO, number
    return label, first, second


def fit_twofold(rows: Rows, *, batches: int, seed: int, batch: int = 1024) -> Twofold:
    """Train the network.

    Parameters
    ----------
    rows : Rows
    batches : int
    seed : int
    batch : int
        Rows of each.

    Returns
    -------
    Twofold
        On the CPU.
    """
    torch.manual_seed(seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    network = Twofold().to(device)
    crops, figures, two, wanted, weight = (
        torch.from_numpy(np.ascontiguousarray(column)).to(device)
        for column in (
            rows.crops,
            rows.figures,
            (rows.label == TWO).astype(np.float32),
            _middle_and_half(rows.centres),
            np.where(rows.label == UNTOLD, 0.0, rows.weight).astype(np.float32),
        )
    )
    optimiser = torch.optim.AdamW(network.parameters(), lr=_RATE, weight_decay=0.02)
    for number in range(batches):
        optimiser.param_groups[0]["lr"] = rate_at(_RATE, number / batches)
        some = torch.multinomial(weight, batch, replacement=True)
        seen, told, right = _varied(_fed(crops[some]), figures[some], wanted[some])
        answers = network(seen, told)
        off = ((answers[:, 1:] - right) ** 2).sum(1)
        loss = (
            functional.binary_cross_entropy_with_logits(answers[:, 0], two[some]) + (off * two[some]).mean()
        )
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        optimiser.step()
    return network.cpu().eval()


def _middle_and_half(centres: np.ndarray) -> np.ndarray:
    """Bring two centres to what `classify.network.look_for_second` says of them, shape (n, 4)."""
    one, other = centres[:, :2], centres[:, 2:]
    along, across = ((other - one) / 2).T
    half, twice = np.hypot(along, across), 2 * np.arctan2(across, along)
    return np.column_stack(((one + other) / 2, half * np.cos(twice), half * np.sin(twice))).astype(np.float32)


def _fed(stored: torch.Tensor) -> torch.Tensor:
    """Turn stored crops into what the network is fed."""
    stored = stored.float()
    return torch.cat((stored[:, :3] / STEPS_PER_DENSITY + LOWEST_DENSITY, stored[:, 3:] / 255), dim=1)


def _varied(
    crops: torch.Tensor, figures: torch.Tensor, wanted: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Mirror, sharpen, tint, fade and roughen in ways that change no label, and loosen the figures."""
    count, device = len(crops), crops.device
    for side, flipped in ((3, [-1, 1, 1, -1]), (2, [1, -1, 1, -1])):
        mirrored = torch.rand(count, 1, device=device) < 0.5
        crops = torch.where(mirrored[:, :, None, None], crops.flip(side), crops)
        wanted = torch.where(mirrored, wanted * wanted.new_tensor(flipped), wanted)

    density = varied_densities(crops[:, :3])
    figures = figures + torch.randn_like(figures) * figures.new_tensor(_LOOSENED)
    return torch.cat((density, crops[:, 3:]), dim=1), figures, wanted


def varied_densities(density: torch.Tensor) -> torch.Tensor:
    """Sharpen, tint, fade and roughen crops of densities, shape (n, 3, px, px)."""
    count, device = len(density), density.device

    def draw(low: float, high: float, channels: int = 1) -> torch.Tensor:
        return low + (high - low) * torch.rand(count, channels, 1, 1, device=device)

    def some(share: float) -> torch.Tensor:
        return (torch.rand(count, 1, 1, 1, device=device) < share).float()

    sharpen = draw(0.0, 1.2) * some(0.3) - draw(0.0, 0.8) * some(0.2)
    density = density + sharpen * (density - functional.avg_pool2d(density, 3, 1, 1, count_include_pad=False))
    grey = density.mean(1, keepdim=True)
    density = grey + torch.exp(draw(-0.9, 0.4) * some(0.5)) * (density - grey)
    curve = torch.exp(draw(-0.3, 0.3) * some(0.4))
    gain = torch.exp(draw(-0.55, 0.4) + draw(-0.2, 0.2, 3))
    density = density.sign() * (density.abs() + 1e-4) ** curve * gain + draw(-0.03, 0.03)
    density = density + torch.randn_like(density) * draw(0.0, 0.03) * some(0.4)
    return density.clamp(-0.5, 1.5)


def _one(path: Path) -> Rows:
    cv2.setNumThreads(1)
    return label_counted(read_photo(path))


def main() -> None:
    """Label, fit, write the network in 8 bits, and that into the card."""
    wish, paths = asked_photos((__doc__ or "").splitlines()[0])
    card, drawn = read_card(wish.out), drawn_into(wish.photos_in)
    refuse_known(card, drawn, wish.photos_in, (*SORTINGS, SIDE_BY_SIDE))
    with ProcessPoolExecutor(wish.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        parts = [rows for rows in pool.map(_one, paths, chunksize=4) if len(rows.label)]
    rows = Rows(*(np.concatenate(column) for column in zip(*parts, strict=True)))
    counts = np.bincount(rows.label, minlength=3).tolist()
    print(
        f"{len(parts)} photos with counted objects: {counts[NOT_TWO]} are not two spores, {counts[TWO]} are",
        flush=True,
    )
    network = fit_twofold(rows, batches=_BATCHES, seed=_SEED)
    path = wish.out / TWOFOLD
    export_twofold(network, path)
    sample = rows.take(np.random.default_rng(_SEED).permutation(len(rows.label))[:1000])
    to_eight_bits(path, {"crops": _fed(torch.from_numpy(sample.crops)).numpy(), "figures": sample.figures})
    card["parts"][TWOFOLD] = {
        "what": f"the network that finds a second spore under one lemon: {weights_of(network):,} weights",
        "recipe": f"python -m sporecount.steps.classify.training.twofold --unseen {' '.join(wish.unseen)}",
        "date": datetime.date.today().isoformat(),
        "seed": _SEED,
        "drawn": drawn,
        "simulated_photos": len(parts),
        "counted_objects": dict(zip(("not_two", "two", "untold"), counts, strict=True)),
        "batches": _BATCHES,
    }
    write_card(wish.out, card)


if __name__ == "__main__":
    main()
