"""The network: one look at an object itself, one at its surroundings, some 0.34 million weights."""

from __future__ import annotations

import torch
from torch import nn

KIND_COUNT = 9


class Network(nn.Module):
    """Crops in, one row of 16 numbers out.

    Columns: 9 logits in the order of `KINDS`; offset x, y in um; log length, log width (um);
    cos and sin of twice the angle; blur in um.
    """

    def __init__(self) -> None:
        super().__init__()
        self.fine = nn.Sequential(
            *_block(3, 32, size=5, stride=2),
            *_block(32, 48),
            nn.MaxPool2d(2),
            *_block(48, 72),
            nn.MaxPool2d(2),
            *_block(72, 96),
            nn.Flatten(),
        )
        self.wide = nn.Sequential(
            *_block(3, 16, size=5, stride=2),
            *_block(16, 32),
            nn.MaxPool2d(2),
            *_block(32, 40),
            nn.MaxPool2d(2),
            nn.Flatten(),
        )
        self.head = nn.Sequential(
            nn.Linear(96 * 16 + 40 * 16, 96),
            nn.BatchNorm1d(96),
            nn.ReLU(),
            nn.Dropout(0.1),
            nn.Linear(96, KIND_COUNT + 7),
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
