"""The networks: one look at an object itself, one at its surroundings; two sizes, and a glance."""

from __future__ import annotations

import torch
from torch import nn

KIND_COUNT = 9


CLOSE_CROP = {"first": "fine", "second": "finest"}
"""Which close crop each network sees."""


class Network(nn.Module):
    """Crops in, one row of 16 numbers out.

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
        self.fine, close = (_quick_close if name == "first" else _careful_close)()
        self.wide, around = (_quick_wide if name == "first" else _careful_wide)()
        head = 96 if name == "first" else 128
        self.head = nn.Sequential(
            nn.Linear(close + around, head),
            nn.BatchNorm1d(head),
            nn.ReLU(),
            nn.Dropout(0.1),
            nn.Linear(head, KIND_COUNT + 7),
        )

    def forward(self, close: torch.Tensor, wide: torch.Tensor) -> torch.Tensor:
        """Look at crops of shape (n, 3, px, px), the close one as `CLOSE_CROP` tells."""
        return self.head(torch.cat((self.fine(close), self.wide(wide)), dim=1))


def _quick_close() -> tuple[nn.Module, int]:
    body = nn.Sequential(
        *_block(3, 32, size=5, stride=2),
        *_block(32, 48),
        nn.MaxPool2d(2),
        *_block(48, 72),
        nn.MaxPool2d(2),
        *_block(72, 96),
        nn.Flatten(),
    )
    return body, 96 * 4 * 4


def _quick_wide() -> tuple[nn.Module, int]:
    body = nn.Sequential(
        *_block(3, 16, size=5, stride=2),
        *_block(16, 32),
        nn.MaxPool2d(2),
        *_block(32, 40),
        nn.MaxPool2d(2),
        nn.Flatten(),
    )
    return body, 40 * 4 * 4


def _careful_close() -> tuple[nn.Module, int]:
    body = nn.Sequential(
        *_block(3, 32, size=5, stride=2),
        *_block(32, 48),
        nn.MaxPool2d(2),
        *_block(48, 64),
        *_block(64, 64),
        nn.MaxPool2d(2),
        *_block(64, 96),
        *_block(96, 96),
        nn.MaxPool2d(2),
        nn.Flatten(),
    )
    return body, 96 * 3 * 3


def _careful_wide() -> tuple[nn.Module, int]:
    body = nn.Sequential(
        *_block(3, 24, size=5, stride=2),
        *_block(24, 48),
        nn.MaxPool2d(2),
        *_block(48, 64),
        nn.MaxPool2d(2),
        *_block(64, 64),
        nn.MaxPool2d(2),
        nn.Flatten(),
    )
    return body, 64 * 2 * 2


class Glance(nn.Module):
    """A small, quick look at half the resolution: log odds of spore, to pass over what is plainly none."""

    def __init__(self) -> None:
        super().__init__()
        self.body = nn.Sequential(
            nn.Conv2d(3, 12, 3, padding=1),
            nn.ReLU(),
            nn.MaxPool2d(2),
            nn.Conv2d(12, 24, 3, padding=1),
            nn.ReLU(),
            nn.MaxPool2d(2),
            nn.Flatten(),
            nn.Linear(24 * 16, 32),
            nn.ReLU(),
            nn.Linear(32, 1),
        )

    def forward(self, crop: torch.Tensor) -> torch.Tensor:
        """Glance at crops of shape (n, 3, 16, 16)."""
        return self.body(crop)[:, 0]


def _block(inputs: int, outputs: int, size: int = 3, stride: int = 1) -> list[nn.Module]:
    return [
        nn.Conv2d(inputs, outputs, size, stride, size // 2, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(),
    ]
