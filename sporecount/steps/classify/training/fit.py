"""Fit the network to a harvest. Runs on a graphics card where there is one, else on the processor."""

from __future__ import annotations

import copy
import math
import time
from collections.abc import Callable
from typing import TypeVar

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from sporecount.steps.classify.training.harvest import LOWEST_DENSITY, STEPS_PER_DENSITY, Harvest
from sporecount.steps.classify.training.network import CLOSE_CROP, KIND_COUNT, Glance, Network
from sporecount.steps.classify.training.resume import free_norms

_Model = TypeVar("_Model", bound=nn.Module)

BATCH = 8192
"""Crops a batch of the two networks."""

_RATE, _RATE_GOING_ON = 5e-3, 2.5e-3
"""Highest learning rate of a new network, and of one that goes on: that should keep what it knows."""


def fit(
    harvest: Harvest,
    *,
    name: str,
    steps: int,
    seed: int,
    begun: Network | None = None,
    batch: int = BATCH,
    seconds: float = math.inf,
) -> tuple[Network, int]:
    """Train with a one-cycle rate; the weights given back are a running mean of the last ones.

    On a graphics card the sums run in bfloat16, which halves the time, and the second network is compiled, which
    needs a C compiler and half a minute: 32 batches a second instead of 22; the first would be slower.

    Parameters
    ----------
    harvest : Harvest
    name : {"first", "second"}
        Which network.
    steps : int
        Batches.
    seed : int
    begun : Network, optional
        Go on from this one, as `resume.read_back` gives it, instead of from chance.
    batch : int
        Rows a batch.
    seconds : float
        Stop early at about this time; the schedule follows the clock when it would be longer.

    Returns
    -------
    network : Network
    batches : int
    """
    torch.manual_seed(seed)
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    network = (begun or Network(name)).to(device)
    rate = _RATE_GOING_ON if begun else _RATE
    network.to(memory_format=torch.channels_last)  # type: ignore[call-overload]  # missing from torch's stubs
    usable = torch.from_numpy(np.flatnonzero((harvest.label < KIND_COUNT) | harvest.near_spore))
    crop, _ = CLOSE_CROP[name]
    columns = (crop, "wide", "label", "near_spore", "offset_um", "axes", "blur_um")
    held = {column: torch.from_numpy(getattr(harvest, column)) for column in columns}
    if device.type == "cuda":
        held = {name: column.to(device) for name, column in held.items()}
        usable = usable.to(device)
    optimiser = torch.optim.AdamW(network.parameters(), lr=rate, weight_decay=0.02)
    generator = torch.Generator(device=usable.device).manual_seed(seed)
    vary = Variation(device, seed)

    def batch_of_crops() -> tuple[torch.Tensor, ...]:
        rows = usable[torch.randint(len(usable), (batch,), generator=generator, device=usable.device)]
        picked = {name: column[rows].to(device) for name, column in held.items()}
        spore_free = (picked["label"] != 0) & ~picked["near_spore"]
        close, wide, offset, axes = vary(
            loosened(picked[crop]),
            loosened(picked["wide"]),
            picked["offset_um"],
            picked["axes"],
            spore_free,
        )
        told = (picked["label"].long(), picked["near_spore"].float(), offset, axes, picked["blur_um"])
        form = torch.channels_last
        return close.contiguous(memory_format=form), wide.contiguous(memory_format=form), *told

    if begun:
        free_norms(network.eval(), *batch_of_crops()[:2])
        network.train()
    mean, follow = running_mean(network)
    looking = torch.compile(network) if device.type == "cuda" and name == "second" else network
    started = time.monotonic()
    step, progress = 0, 0.0
    while progress < 1.0:
        progress = max(step / steps, (time.monotonic() - started) / seconds)
        for group in optimiser.param_groups:
            group["lr"] = rate_at(rate, progress)
        close, wide, *told = batch_of_crops()
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            out, _ = looking(close, wide)
        loss = _loss(out.float(), *told)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        optimiser.step()
        follow(step)
        step += 1
        if step % 500 == 0:
            print(f"step {step}  loss {loss.item():.4f}  {time.monotonic() - started:.0f} s", flush=True)
    return mean.cpu().eval(), step


def running_mean(network: _Model) -> tuple[_Model, Callable[[int], None]]:
    """Copy a network that is to be trained; the copy's weights become a running mean of the last batches'.

    Returns
    -------
    mean : Module
        Not in training.
    follow : callable
        To be called after each batch, with its number from 0.
    """
    mean = copy.deepcopy(network).eval()
    kept, current = (
        [one for one in model.state_dict().values() if one.dtype.is_floating_point]
        for model in (mean, network)
    )

    def follow(step: int) -> None:
        with torch.no_grad():
            torch._foreach_lerp_(kept, current, 1 - min(0.999, (step + 1) / (step + 20)))

    return mean, follow


def loosened(steps: torch.Tensor) -> torch.Tensor:
    """Densities of crops that `harvest.in_steps` stored, with what was rounded off made up at random."""
    return (
        steps.float() + torch.rand_like(steps, dtype=torch.float32) - 0.5
    ) / STEPS_PER_DENSITY + LOWEST_DENSITY


def _loss(
    out: torch.Tensor,
    label: torch.Tensor,
    near_spore: torch.Tensor,
    offset: torch.Tensor,
    axes: torch.Tensor,
    blur: torch.Tensor,
) -> torch.Tensor:
    known = (label < KIND_COUNT).float()
    kinds = functional.cross_entropy(out[:, :KIND_COUNT], label.clamp(max=KIND_COUNT - 1), reduction="none")
    # the step spore or not is what counts, so it is asked for once more by itself
    others = torch.logsumexp(out[:, 1:KIND_COUNT], dim=1)
    is_spore = (label == 0).float()
    spore = functional.binary_cross_entropy_with_logits(out[:, 0] - others, is_spore, reduction="none")
    geometry = (
        functional.smooth_l1_loss(out[:, 9:11], offset, reduction="none", beta=0.3).sum(1) * 0.5
        + functional.smooth_l1_loss(out[:, 11:13], axes[:, :2], reduction="none", beta=0.05).sum(1) * 4
        + functional.smooth_l1_loss(out[:, 13:15], axes[:, 2:], reduction="none", beta=0.1).sum(1) * 0.5
        + functional.smooth_l1_loss(out[:, 15], blur, reduction="none", beta=0.3) * 0.2
    )
    return ((0.3 * kinds + spore) * known + 0.25 * geometry * near_spore).mean()


def fit_glance(
    harvest: Harvest, teacher: Network, *, steps: int, seed: int, batch: int = 4096, rate: float = 4e-3
) -> Glance:
    """Train the quick look on the same crops at half the resolution.

    It learns from the truth and from what the first network says of the same crop, half and half: what that one
    cannot tell apart is beyond a glance, too.

    Parameters
    ----------
    harvest : Harvest
    teacher : Network
        The first network, trained on these crops.
    steps : int
        Batches.
    seed : int
    batch, rate
        Rows a batch; highest learning rate.
    """
    torch.manual_seed(seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    network = Glance().to(device)
    usable = np.flatnonzero(harvest.label < KIND_COUNT)
    held, label, near_spore = (
        torch.from_numpy(column[usable]).to(device)
        for column in (harvest.fine, harvest.label, harvest.near_spore)
    )
    believed = _chance_of_spore(teacher, harvest, usable, device)
    wanted = (believed + (label == 0).float()) / 2
    vary = Variation(device, seed)
    weight = torch.tensor(4.0, device=device)
    optimiser = torch.optim.AdamW(network.parameters(), lr=rate, weight_decay=0.01)
    for step in range(steps):
        progress = step / steps
        optimiser.param_groups[0]["lr"] = rate_at(rate, progress)
        rows = torch.randint(len(held), (batch,), device=device)
        fine = loosened(held[rows])
        nothing = torch.zeros(batch, 4, device=device)
        fine, *_ = vary(fine, fine, nothing[:, :2], nothing, (label[rows] != 0) & ~near_spore[rows])
        odds = network(functional.avg_pool2d(fine, 2))
        # passing over a spore costs far more than a needless look
        loss = functional.binary_cross_entropy_with_logits(odds, wanted[rows], pos_weight=weight)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        optimiser.step()
    return network.cpu().eval()


def _chance_of_spore(
    teacher: Network, harvest: Harvest, rows: np.ndarray, device: torch.device
) -> torch.Tensor:
    """Ask a network how likely each crop is a spore, shape (n,)."""
    teacher = teacher.to(device).eval()
    close, _ = CLOSE_CROP[teacher.name]
    chances = []
    with torch.no_grad():
        for start in range(0, len(rows), BATCH):
            part = rows[start : start + BATCH]
            fed = (
                loosened(torch.from_numpy(getattr(harvest, name)[part]).to(device))
                for name in (close, "wide")
            )
            chances.append(torch.softmax(teacher(*fed)[0][:, :KIND_COUNT], dim=1)[:, 0])
    teacher.cpu()
    return torch.cat(chances)


def rate_at(highest: float, progress: float) -> float:
    """Rise over the first twentieth of the way, then half a cosine down to nothing."""
    return highest * min(1.0, progress / 0.05 + 0.02) * 0.5 * (1 + math.cos(math.pi * min(1.0, progress)))


class Variation:
    """Turns, mirrors, tints, fades, sharpens, roughens and overlays whole batches in ways that change no label.

    What a phone, a lamp or another way of drawing could do to the same object is done to it here, wider than
    any one of them would, so that the network cannot lean on one rendering of amber or one kind of edge.

    Parameters
    ----------
    device : torch.device
    seed : int
    """

    def __init__(self, device: torch.device, seed: int) -> None:
        self._pool = torch.from_numpy(_mottles(np.random.default_rng(seed), 1024)).to(device)

    def __call__(
        self,
        fine: torch.Tensor,
        wide: torch.Tensor,
        offset: torch.Tensor,
        axes: torch.Tensor,
        spore_free: torch.Tensor,
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
        """Vary a batch whose length is a multiple of 8: each eighth is turned or mirrored in its own way.

        `spore_free`, of shape (n,), tells which crops may be laid over others.
        """
        fine, wide = self._overlay(fine, wide, spore_free)
        fine, wide, offset, axes = _turned(fine, wide, offset, axes)
        device, count = fine.device, len(fine)

        def draw(low: float, high: float, channels: int = 1) -> torch.Tensor:
            return low + (high - low) * torch.rand(count, channels, 1, 1, device=device)

        def some(share: float) -> torch.Tensor:
            return (torch.rand(count, 1, 1, 1, device=device) < share).float()

        # mottling in proportion to the density: pigment grains, ridges, paper
        mottle = self._pool[torch.randint(len(self._pool), (count,), device=device)]
        strength = draw(0.0, 0.35) * some(0.5)
        flecks = draw(0.0, 0.03) * some(0.3)
        near = mottle[:, :, 32:64, 32:64]
        if fine.shape[2] != near.shape[2]:
            near = functional.interpolate(near, size=fine.shape[2:], mode="bilinear", align_corners=False)
        far = functional.avg_pool2d(mottle, 3)
        fine = fine + near * (strength * fine.clamp(0, 1) + flecks)
        wide = wide + far * (strength * wide.clamp(0, 1) + flecks)

        # the phone's sharpening (above 0) or softening (below)
        sharpen = draw(0.0, 1.6) * some(0.35) - draw(0.0, 0.9) * some(0.2)
        fine = fine + sharpen * (fine - functional.avg_pool2d(fine, 3, 1, 1, count_include_pad=False))
        wide = wide + 0.5 * sharpen * (wide - functional.avg_pool2d(wide, 3, 1, 1, count_include_pad=False))

        gain = torch.exp(draw(-0.55, 0.4) + draw(-0.2, 0.2, 3))
        lift = draw(-0.03, 0.03) + draw(-0.015, 0.015, 3)
        colour = torch.exp(draw(-0.9, 0.4) * some(0.5)) * (1 - some(0.03))
        curve = torch.exp(draw(-0.3, 0.3) * some(0.4))
        noise = draw(0, 0.03) * some(0.4)
        slope = draw(-0.05, 0.05, 2) * some(0.3)
        ramp = torch.linspace(-1, 1, fine.shape[2], device=device)
        shade = slope[:, :1] * ramp[:, None] + slope[:, 1:] * ramp

        def tint(crops: torch.Tensor, roughness: torch.Tensor) -> torch.Tensor:
            mean = crops.mean(1, keepdim=True)
            crops = mean + colour * (crops - mean)
            crops = crops.sign() * (crops.abs() + 1e-4) ** curve * gain
            return (crops + lift + torch.randn_like(crops) * roughness).clamp(-0.5, 1.5)

        return tint(fine + shade, noise), tint(wide, noise / 3), offset, axes

    @staticmethod
    def _overlay(
        fine: torch.Tensor, wide: torch.Tensor, spore_free: torch.Tensor
    ) -> tuple[torch.Tensor, torch.Tensor]:
        """Lay spore-free crops over some others: optical densities of things on top of one another add up."""
        other = torch.randperm(len(fine), device=fine.device)
        chance = torch.rand(len(fine), device=fine.device)
        share = (chance < 0.15) & spore_free[other]
        strength = (share * (0.2 + 0.8 * torch.rand(len(fine), device=fine.device)))[:, None, None, None]
        return fine + strength * fine[other], wide + strength * wide[other]


def _turned(
    fine: torch.Tensor, wide: torch.Tensor, offset: torch.Tensor, axes: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
    """Turn or mirror each eighth in one of the eight ways of the square."""
    ones, twos, shifts, shapes = [], [], [], []
    for way, (one, two, shift, shape) in enumerate(
        zip(fine.chunk(8), wide.chunk(8), offset.chunk(8), axes.chunk(8), strict=True)
    ):
        if way & 1:  # mirror left and right
            one, two = one.flip(3), two.flip(3)
            shift = shift * shift.new_tensor([-1, 1])
            shape = shape * shape.new_tensor([1, 1, 1, -1])
        if way & 2:  # mirror up and down
            one, two = one.flip(2), two.flip(2)
            shift = shift * shift.new_tensor([1, -1])
            shape = shape * shape.new_tensor([1, 1, 1, -1])
        if way & 4:  # swap rows and columns
            one, two = one.transpose(2, 3), two.transpose(2, 3)
            shift = shift.flip(1)
            shape = shape * shape.new_tensor([1, 1, -1, 1])
        ones.append(one)
        twos.append(two)
        shifts.append(shift)
        shapes.append(shape)
    return torch.cat(ones), torch.cat(twos), torch.cat(shifts), torch.cat(shapes)


def _mottles(rng: np.random.Generator, count: int) -> np.ndarray:
    """Random textures of unit variance, 96 x 96 at 0.75 um: blotches and stripes of 2 to 20 um, any direction."""
    frequency = np.fft.fftfreq(96, 0.75)
    fy, fx = np.meshgrid(frequency, frequency, indexing="ij")
    out = np.empty((count, 1, 96, 96), np.float32)
    for number in range(count):
        turn = rng.uniform(0, np.pi)
        stretch = np.exp(rng.uniform(0, 1.6)) if rng.random() < 0.5 else 1.0
        along, across = fx * np.cos(turn) + fy * np.sin(turn), fy * np.cos(turn) - fx * np.sin(turn)
        radius = np.hypot(along * stretch, across / stretch)
        centre = 1 / np.exp(rng.uniform(np.log(2.5), np.log(20)))
        band = np.exp(-0.5 * (np.log(np.maximum(radius, 1e-6) / centre) / rng.uniform(0.15, 0.9)) ** 2)
        texture = np.fft.ifft2(np.fft.fft2(rng.normal(size=(96, 96))) * band).real
        texture /= texture.std() + 1e-9
        if rng.random() < 0.5:  # grains: only the peaks, dark or light
            texture = np.maximum(texture - 0.5, 0) * rng.choice((-1, 1))
            texture /= texture.std() + 1e-9
        out[number, 0] = texture
    return out
