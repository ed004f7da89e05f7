"""The networks: one look at an object itself, one at its surroundings; two sizes, and a glance."""

from __future__ import annotations

import torch
from torch import nn

KIND_COUNT = 9


CHANNELS = {"first": ((32, 48, 72, 96), (16, 32, 40), 96), "second": ((24, 40, 56, 72), (12, 24, 32), 88)}
"""Channels of the close crop's blocks, of the wide crop's, and of the head: 338,272 and 225,932 weights. Two of
different size and training err less together than one alone under two renderings, at the same cost."""


class Network(nn.Module):
    """Crops in, one row of 16 numbers out.

    Columns: 9 logits in the order of `KINDS`; offset x, y in um; log length, log width (um);
    cos and sin of twice the angle; blur in um.

    Parameters
    ----------
    name : {"first", "second"}
        Which of the two.
    """

    def __init__(self, name: str = "first") -> None:
        super().__init__()
        (one, two, three, four), (far, farther, farthest), head = CHANNELS[name]
        self.fine = nn.Sequential(
            *_block(3, one, size=5, stride=2),
            *_block(one, two),
            nn.MaxPool2d(2),
            *_block(two, three),
            nn.MaxPool2d(2),
            *_block(three, four),
            nn.Flatten(),
        )
        self.wide = nn.Sequential(
            *_block(3, far, size=5, stride=2),
            *_block(far, farther),
            nn.MaxPool2d(2),
            *_block(farther, farthest),
            nn.MaxPool2d(2),
            nn.Flatten(),
        )
        self.head = nn.Sequential(
            nn.Linear(four * 16 + farthest * 16, head),
            nn.BatchNorm1d(head),
            nn.ReLU(),
            nn.Dropout(0.1),
            nn.Linear(head, KIND_COUNT + 7),
        )

    def forward(self, fine: torch.Tensor, wide: torch.Tensor) -> torch.Tensor:
        """Look at crops of shape (n, 3, 32, 32) each."""
        return self.head(torch.cat((self.fine(fine), self.wide(wide)), dim=1))


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
