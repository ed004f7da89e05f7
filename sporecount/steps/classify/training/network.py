"""The networks: two that look, a glance, one that sees side by side, one for second spores, one for bodies."""

from __future__ import annotations

import torch
from torch import nn

from sporecount.steps.classify.crops import FINE_PX, FINEST_PX, GLANCE_PX, WIDE_PX
from sporecount.steps.classify.network import BODY_PX, HIDDEN, SIDE_PX, SIDE_WIDE_PX, TWOFOLD_PX

KIND_COUNT = 9

CLOSE_CROP = {"first": ("fine", FINE_PX), "second": ("finest", FINEST_PX)}
"""Which close crop each network sees, and its side."""

Layers = tuple[int | None, ...]
"""Channels of one convolution after another, the first of 5 x 5 at every other pixel; None halves the picture."""

CLOSE: dict[str, Layers] = {
    "first": (32, 48, None, 72, None, 96),
    "second": (32, 48, None, 64, 64, None, 96, 96, None),
}
WIDE: dict[str, Layers] = {
    "first": (16, 32, None, 40, None),
    "second": (24, 48, None, 64, None, 64, None),
}
GLANCE: Layers = (32, None, 48)
TWOFOLD: Layers = (32, None, 48, 64, None, 64, None)
BODIES: Layers = (32, None, 48, 64, None, 64, None)

SIDE: Layers = (32, 48, None, 72, 72, None, 96, 128, None)
SIDE_WIDE: Layers = (24, 48, None, 64, None, 64, None)

SIDE_FIGURE_SIZES = (0.3, 0.3, 0.3, 0.3, 3.0, 3.0, 3.0, 1.0, 1.0)
"""Factors that bring the figures of `classify.side_by_side` to like sizes."""

FIGURE_SIZES = (0.2, 3.0, 3.0, 1.0, 0.3, 1.0)
"""Factors that bring the figures of `steps.twofold.views` to like sizes."""

BODY_FIGURE_SIZES = (3.0, 3.0, 1.0)
"""Factors that bring the figures of `steps.bodies.views` to like sizes."""


class Network(nn.Module):
    """Crops in, one row of 16 numbers out, and the last hidden layer.

    Columns: 9 logits in the order of `KINDS`; offset x, y in um; log length, log width (um);
    cos and sin of twice the angle; blur in um.

    Parameters
    ----------
    name : {"first", "second"}
        The first (338,272 weights) is quick and looks at whatever is promising; the second (442,664) takes twice
        as long, sees finer crops, and is asked only about what could be a spore. Two of different size and
        training also err less together than one.
    """

    def __init__(self, name: str = "first") -> None:
        super().__init__()
        self.name = name
        self.close, close = _body(CLOSE[name], CLOSE_CROP[name][1])
        self.wide, around = _body(WIDE[name], WIDE_PX)
        width = HIDDEN[name]
        self.hidden = nn.Sequential(nn.Linear(close + around, width), nn.BatchNorm1d(width), nn.ReLU())
        self.head = nn.Sequential(nn.Dropout(0.1), nn.Linear(width, KIND_COUNT + 7))

    def forward(self, close: torch.Tensor, wide: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """Look at crops of shape (n, 3, px, px), the close one as `CLOSE_CROP` tells."""
        hidden = self.hidden(torch.cat((self.close(close), self.wide(wide)), dim=1))
        return self.head(hidden), hidden


def _body(layers: Layers, side_px: int, channels: int = 3) -> tuple[nn.Module, int]:
    """Make the layers for crops of such a side, and tell how many numbers they give."""
    parts: list[nn.Module] = []
    size, stride = 5, 2
    for wanted in layers:
        if wanted is None:
            parts.append(nn.MaxPool2d(2))
            side_px //= 2
            continue
        parts += _block(channels, wanted, size, stride)
        channels, side_px, size, stride = wanted, side_px // stride, 3, 1
    return nn.Sequential(*parts, nn.Flatten()), channels * side_px**2


class Glance(nn.Module):
    """A small, quick look at half the resolution: log odds of spore, to pass over what is plainly none."""

    def __init__(self) -> None:
        super().__init__()
        self.body, seen = _body(GLANCE, GLANCE_PX)
        self.head = nn.Sequential(nn.Linear(seen, 32), nn.ReLU(), nn.Linear(32, 1))

    def forward(self, crop: torch.Tensor) -> torch.Tensor:
        """Glance at crops of shape (n, 3, GLANCE_PX, GLANCE_PX)."""
        return self.head(self.body(crop))[:, 0]


class Twofold(nn.Module):
    """Tells one spore from two under one lemon, and where the two are.

    Columns as `classify.network.look_for_second` gives them.
    """

    sizes: torch.Tensor

    def __init__(self) -> None:
        super().__init__()
        self.body, seen = _body(TWOFOLD, TWOFOLD_PX, channels=5)
        self.register_buffer("sizes", torch.tensor(FIGURE_SIZES))
        self.hidden = nn.Sequential(nn.Linear(seen + 6, 64), nn.BatchNorm1d(64), nn.ReLU(), nn.Dropout(0.2))
        self.head = nn.Linear(64, 5)

    def forward(self, crops: torch.Tensor, figures: torch.Tensor) -> torch.Tensor:
        """Look at crops of shape (n, 5, TWOFOLD_PX, TWOFOLD_PX), with six figures each."""
        return self.head(self.hidden(torch.cat((self.body(crops), figures * self.sizes), dim=1)))


class Bodies(nn.Module):
    """Tells a part of a larger body, such as a cell of mould, from a spore: its log odds."""

    sizes: torch.Tensor

    def __init__(self) -> None:
        super().__init__()
        self.body, seen = _body(BODIES, BODY_PX)
        self.register_buffer("sizes", torch.tensor(BODY_FIGURE_SIZES))
        self.hidden = nn.Sequential(nn.Linear(seen + 3, 64), nn.BatchNorm1d(64), nn.ReLU(), nn.Dropout(0.2))
        self.head = nn.Linear(64, 1)

    def forward(self, crops: torch.Tensor, figures: torch.Tensor) -> torch.Tensor:
        """Look at crops of shape (n, 3, BODY_PX, BODY_PX), with three figures each."""
        return self.head(self.hidden(torch.cat((self.body(crops), figures * self.sizes), dim=1)))[:, 0]


class SideBySide(nn.Module):
    """Holds an object against the mean of its photo's spores: log odds of spore.

    They are `keep` times those that it had before, and what the looks add.
    """

    sizes: torch.Tensor

    def __init__(self) -> None:
        super().__init__()
        self.close, close = _body(SIDE, SIDE_PX, channels=6)
        self.wide, around = _body(SIDE_WIDE, SIDE_WIDE_PX)
        self.register_buffer("sizes", torch.tensor(SIDE_FIGURE_SIZES))
        self.hidden = nn.Sequential(
            nn.Linear(close + around + len(SIDE_FIGURE_SIZES), 128),
            nn.BatchNorm1d(128),
            nn.ReLU(),
            nn.Dropout(0.2),
        )
        self.head = nn.Linear(128, 1)
        self.keep = nn.Parameter(torch.tensor(1.0))

    def forward(self, crops: torch.Tensor, wide: torch.Tensor, figures: torch.Tensor) -> torch.Tensor:
        """Look at crops of shape (n, 6, SIDE_PX, SIDE_PX), (n, 3, SIDE_WIDE_PX, SIDE_WIDE_PX), nine figures."""
        told = figures.clamp(-10, 10) * self.sizes
        hidden = self.hidden(torch.cat((self.close(crops), self.wide(wide), told), dim=1))
        return self.head(hidden)[:, 0] + self.keep * figures[:, 0].clamp(-6, 6)


def weights_of(network: nn.Module) -> int:
    """Count the weights that training sets."""
    return sum(one.numel() for one in network.parameters())


def _block(inputs: int, outputs: int, size: int, stride: int) -> list[nn.Module]:
    return [
        nn.Conv2d(inputs, outputs, size, stride, size // 2, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(),
    ]
