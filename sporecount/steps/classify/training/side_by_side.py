"""Teach the network that sees doubtful objects beside the photo's likeliest spores, on simulated photos.

    python -m sporecount.steps.classify.training photos --seed 5 --photos-in FOLDER --unseen MODULE MODULE
    python -m sporecount.steps.classify.training.side_by_side --photos-in FOLDER --unseen MODULE MODULE

Run it after both sortings, whose doubts it learns from, on photos new to them, and before `calibration`. Of 4000
photos it keeps a quarter of a million objects in memory, 5 GB, twice that while they are put together. Two cores
learn from some 400 objects a second, an H200 from a hundred thousand.
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

from sporecount.simulate.truth import SimulatedPhoto
from sporecount.steps.classify.kinds import log_odds
from sporecount.steps.classify.network import SIDE_BY_SIDE
from sporecount.steps.classify.side_by_side import Beside
from sporecount.steps.classify.training.card import drawn_into, read_card, refuse_known, write_card
from sporecount.steps.classify.training.eight_bits import to_eight_bits
from sporecount.steps.classify.training.export import export_side_by_side
from sporecount.steps.classify.training.fit import loosened, rate_at, running_mean
from sporecount.steps.classify.training.harvest import densities, in_steps
from sporecount.steps.classify.training.network import SideBySide, weights_of
from sporecount.steps.classify.training.photos import asked_photos, read_photo, style_of
from sporecount.steps.classify.training.sorter import SPORE, UNTOLD, label_by_truth, settle_photo
from sporecount.steps.outline import follow_outlines
from sporecount.steps.settle import on_large

_DOUBTFUL = 4.5
"""Log odds within which an object is taught: a little wider than what the network is asked about."""

_MOST_DOUBTFUL, _MOST_SURE = 200, 20
"""Objects of a photo that are kept."""

_MOST_OBJECTS = 60
"""A photo with more doubtful objects weighs as one with so many."""

_SURE_WEIGHT = 0.15
"""Weight of an object that is not in doubt."""

_UNSEEN_SHARE = 0.4
"""Share of the weight that the styles which the networks never saw have together: there, doubts are real ones."""

_LOOSENED = (0.7, 0.7, 0.7, 0.5, 0.04, 0.04, 0.05, 0.1, 0.15)
"""Standard deviations of what is added to the figures."""

_LOG_ODDS = 3
"""So many of the figures, the first ones, are log odds."""

_SHARED_DOUBT = 0.6
"""Standard deviation of what is added to all three log odds alike: all are off together on a style that is new."""

_RECOLOURED, _BENT, _SHIFTED = 0.3, 0.08, 0.03
"""Standard deviations of each entry of the matrix that mixes the channels of half of the objects (which turns
one channel in 37 over), of turn (radians) and log of both zooms, and of shift (half crops). With all this, blur
and the shared doubt a network that learnt for 5000 batches from 264,519 objects had a log loss of 0.252 on 1602
photos of four styles that it did not know, 0.264 without (half of its answer believed; all of it: 0.260,
0.300), and F1 of objects was 0.888 instead of 0.886."""

_BATCHES, _BATCH, _RATE, _DECAY, _SEED = 12_000, 2048, 3e-3, 0.03, 1


class Rows(NamedTuple):
    """Objects of photos; n rows.

    Parameters
    ----------
    crops : ndarray of shape (n, 6, SIDE_PX, SIDE_PX), uint8
    wide : ndarray of shape (n, 3, SIDE_WIDE_PX, SIDE_WIDE_PX), uint8
        Both as `Beside.views` cuts them and `harvest.in_steps` stores them.
    figures : ndarray of shape (n, 9), float32
    spore : ndarray of shape (n,), float32
        1 for a spore, else 0.
    weight : ndarray of shape (n,), float32
    """

    crops: np.ndarray
    wide: np.ndarray
    figures: np.ndarray
    spore: np.ndarray
    weight: np.ndarray


def label_doubtful(simulated: SimulatedPhoto, rng: np.random.Generator) -> Rows | None:
    """Run the steps on a photo and say of what is in doubt, and of a few sure objects, whether it is a spore.

    None for a photo without any.
    """
    work, flat, large, settled = settle_photo(simulated)
    odds = log_odds(settled, follow_outlines(work, flat, settled), on_large(settled, large), work)
    label = label_by_truth(simulated, work, settled, odds[-1])
    told, in_doubt = label != UNTOLD, np.abs(odds[-1]) < _DOUBTFUL
    doubtful = rng.permutation(np.flatnonzero(told & in_doubt))[:_MOST_DOUBTFUL]
    sure = rng.permutation(np.flatnonzero(told & ~in_doubt))[:_MOST_SURE]
    rows = np.sort(np.concatenate((doubtful, sure)))
    if not rows.size:
        return None
    crops, wide, figures = Beside(work, flat, settled, odds).views(rows)
    weight = np.where(in_doubt[rows], 1.0, _SURE_WEIGHT) * min(1.0, _MOST_OBJECTS / max(len(doubtful), 1))
    spore = (label[rows] == SPORE).astype(np.float32)
    return Rows(in_steps(crops), in_steps(wide), figures, spore, weight.astype(np.float32))


def fit_side_by_side(rows: Rows, *, batches: int, seed: int, batch: int = _BATCH) -> SideBySide:
    """Train the network; the weights given back are a running mean of the last ones.

    Parameters
    ----------
    rows : Rows
    batches : int
    seed : int
    batch : int
        Rows of each.

    Returns
    -------
    SideBySide
        On the CPU.
    """
    torch.manual_seed(seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    network = SideBySide().to(device)
    mean, follow = running_mean(network)
    crops, wide, figures, spore, weight = (torch.from_numpy(column).to(device) for column in rows)
    optimiser = torch.optim.AdamW(network.parameters(), lr=_RATE, weight_decay=_DECAY)
    for step in range(batches):
        optimiser.param_groups[0]["lr"] = rate_at(_RATE, step / batches)
        some = torch.multinomial(weight, batch, replacement=True)
        seen = _varied(loosened(crops[some]), loosened(wide[some]), figures[some])
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            answers = network(*seen)
        loss = functional.binary_cross_entropy_with_logits(answers.float(), spore[some])
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        optimiser.step()
        follow(step)
    return mean.cpu().eval()


def _varied(
    crops: torch.Tensor, wide: torch.Tensor, figures: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Mirror, recolour and fade an object, its photo's spores and its surroundings alike; roughen and loosen them.

    Object and spores are bent, blurred or sharpened alike, too.
    """
    count, device = len(crops), crops.device
    mixing = torch.eye(3, device=device) + _RECOLOURED * torch.randn(count, 3, 3, device=device) * (
        torch.rand(count, 1, 1, device=device) < 0.5
    )
    own, mean, wide = (
        torch.einsum("nij,njhw->nihw", mixing, one) for one in (crops[:, :3], crops[:, 3:], wide)
    )
    crops = _bent(torch.cat((own, mean), dim=1))
    for side in (2, 3):
        mirrored = torch.rand(count, 1, 1, 1, device=device) < 0.5
        crops, wide = (torch.where(mirrored, one.flip(side), one) for one in (crops, wide))

    def draw(low: float, high: float, channels: int = 1) -> torch.Tensor:
        return low + (high - low) * torch.rand(count, channels, 1, 1, device=device)

    def some(share: float) -> torch.Tensor:
        return (torch.rand(count, 1, 1, 1, device=device) < share).float()

    def softened(density: torch.Tensor) -> torch.Tensor:
        return functional.avg_pool2d(density, 3, 1, 1, count_include_pad=False)

    crops = crops + draw(0.0, 1.0) * some(0.3) * (softened(softened(crops)) - crops)
    sharpen = draw(0.0, 1.2) * some(0.3) - draw(0.0, 0.9) * some(0.25)
    colour = torch.exp(draw(-1.2, 0.5) * some(0.5))
    curve = torch.exp(draw(-0.3, 0.3) * some(0.4))
    gain = torch.exp(draw(-0.8, 0.4) + draw(-0.25, 0.25, 3))
    shift, grain = draw(-0.03, 0.03), draw(0.0, 0.04) * some(0.4)

    def rendered(density: torch.Tensor, sharpness: torch.Tensor | float) -> torch.Tensor:
        density = density + sharpness * (density - softened(density))
        grey = density.mean(1, keepdim=True)
        density = grey + colour * (density - grey)
        return density.sign() * (density.abs() + 1e-4) ** curve * gain + shift

    own, mean = rendered(crops[:, :3], sharpen), rendered(crops[:, 3:], sharpen)
    around = rendered(wide, 0.0)
    own, around = own + torch.randn_like(own) * grain, around + torch.randn_like(around) * grain * 0.6
    mean = mean * (1 - some(0.1))  # it must do without, too
    figures = figures + torch.randn_like(figures) * figures.new_tensor(_LOOSENED)
    figures[:, :_LOG_ODDS] += _SHARED_DOUBT * torch.randn(count, 1, device=device)
    return torch.cat((own, mean), dim=1).clamp(-0.5, 1.5), around.clamp(-0.5, 1.5), figures


def _bent(crops: torch.Tensor) -> torch.Tensor:
    """Turn, stretch and shift crops a little, all channels of one alike."""
    count, device = len(crops), crops.device
    turn, *zooms = (_BENT * torch.randn(count, device=device) for _ in range(3))
    zoom_x, zoom_y = (zoom.exp() for zoom in zooms)
    shift_x, shift_y = _SHIFTED * torch.randn(2, count, device=device)
    to_x = torch.stack((zoom_x * turn.cos(), -zoom_y * turn.sin(), shift_x), dim=1)
    to_y = torch.stack((zoom_x * turn.sin(), zoom_y * turn.cos(), shift_y), dim=1)
    grid = functional.affine_grid(torch.stack((to_x, to_y), dim=1), list(crops.shape), align_corners=False)
    return functional.grid_sample(crops, grid, padding_mode="border", align_corners=False)


def _one(path: Path) -> Rows | None:
    cv2.setNumThreads(1)
    return label_doubtful(read_photo(path), np.random.default_rng(_SEED))


def shared_weight(weight: np.ndarray, strange: np.ndarray) -> np.ndarray:
    """Weigh objects of unseen styles so that they have their share together.

    Parameters
    ----------
    weight : ndarray of shape (n,), float32
    strange : ndarray of shape (n,), bool
        Of an unseen style.

    Returns
    -------
    ndarray of shape (n,), float32
        The same sum; unchanged where all objects are of one sort.
    """
    share = float(weight[strange].sum() / weight.sum())
    if share in (0.0, 1.0):
        return weight
    factor = np.where(strange, _UNSEEN_SHARE / share, (1 - _UNSEEN_SHARE) / (1 - share))
    return (weight * factor).astype(np.float32)


def main() -> None:
    """Label, fit, write the network in 8 bits, and that into the card."""
    wish, paths = asked_photos((__doc__ or "").splitlines()[0])
    card, drawn = read_card(wish.out), drawn_into(wish.photos_in)
    refuse_known(card, drawn, wish.photos_in)
    with ProcessPoolExecutor(wish.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        done = list(pool.map(_one, paths, chunksize=4))
    parts = [(rows, style_of(path) in wish.unseen) for path, rows in zip(paths, done, strict=True) if rows]
    strange = np.repeat([unseen for _, unseen in parts], [len(rows.spore) for rows, _ in parts])
    rows = Rows(*(np.concatenate(column) for column in zip(*(rows for rows, _ in parts), strict=True)))
    rows = rows._replace(weight=shared_weight(rows.weight, strange))
    counts = np.bincount(rows.spore.astype(int), minlength=2).tolist()
    print(f"{len(parts)} photos: {counts[1]} objects are spores, {counts[0]} are not", flush=True)
    network = fit_side_by_side(rows, batches=_BATCHES, seed=_SEED)
    path = wish.out / SIDE_BY_SIDE
    export_side_by_side(network, path)
    sample = np.random.default_rng(_SEED).permutation(len(rows.spore))[:1000]
    crops, wide = (densities(one[sample]) for one in (rows.crops, rows.wide))
    to_eight_bits(path, {"crops": crops, "wide": wide, "figures": rows.figures[sample]})
    card["parts"][SIDE_BY_SIDE] = {
        "what": "the network that sees doubtful objects beside the photo's spores:"
        f" {weights_of(network):,} weights",
        "recipe": f"python -m sporecount.steps.classify.training.side_by_side --unseen {' '.join(wish.unseen)}",
        "date": datetime.date.today().isoformat(),
        "seed": _SEED,
        "drawn": drawn,
        "simulated_photos": len(parts),
        "objects": dict(zip(("not_spores", "spores"), counts, strict=True)),
        "batches": _BATCHES,
        "batch": _BATCH,
    }
    write_card(wish.out, card)


if __name__ == "__main__":
    main()
