"""What lies behind everything: glass, tape, card or paper, from plain to busy."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.collage import textures

BACKDROPS = ("plain", "cloud", "spectral", "mat", "open picture", "glass", "lumps")


def base_colour(rng: np.random.Generator, from_below: bool) -> np.ndarray:
    """Colour of the bare print: near white under light from below; any card under light from above."""
    if from_below or rng.random() < 0.55:
        value = rng.uniform(0.72, 1.0) if from_below else rng.uniform(0.55, 0.98)
        return (value * (1 + rng.normal(0, 0.02, 3))).clip(0, 1).astype(np.float32)
    if rng.random() < 0.6:
        return (rng.uniform(0.38, 0.7) * (1 + rng.normal(0, 0.04, 3))).astype(np.float32)
    return rng.uniform([0.55, 0.5, 0.4], [0.95, 0.85, 0.8]).astype(np.float32)


def draw_backdrop(
    rng: np.random.Generator,
    shape: tuple[int, int],
    px_um: float,
    base: np.ndarray,
    sort: str,
    strength: float,
) -> tuple[np.ndarray, str]:
    """Draw the background.

    Parameters
    ----------
    rng : numpy.random.Generator
    shape : tuple of int
    px_um : float
    base : ndarray of shape (3,)
    sort : str
        One of `BACKDROPS`.
    strength : float
        Spread of the texture, in display values.

    Returns
    -------
    rgb : ndarray of shape (H, W, 3), float32
    texture : str
        Name of the open picture that was used, or "".
    """
    rgb = np.empty((*shape, 3), np.float32)
    rgb[:] = base
    name = ""
    if sort == "plain":
        return rgb, name
    if sort == "cloud":
        field = textures.spectral(rng, shape, float(rng.uniform(1.3, 2.6)))
    elif sort == "spectral":
        field = textures.spectral(rng, shape, float(rng.uniform(0.2, 1.2)), 60 / px_um)
        field = cv2.GaussianBlur(field, (0, 0), float(np.exp(rng.uniform(np.log(0.3), np.log(5)))) / px_um)
        field = field / (field.std() + 1e-6)
    elif sort == "mat":
        field = textures.matted(rng, shape, px_um)
    elif sort == "lumps":
        field = textures.lumpy(rng, shape, float(np.exp(rng.uniform(np.log(6), np.log(120)))) / px_um)
        if rng.random() < 0.4:
            field = np.abs(field) - 0.8
    elif sort == "glass":
        field = _scratches(rng, shape, px_um) * 4
    else:
        name = str(rng.choice(list(textures.OPEN_PICTURES)))
        field = textures.from_picture(rng, name, shape, float(np.exp(rng.uniform(np.log(0.6), np.log(8)))))
    tinge = 1 + rng.normal(0, 0.25, 3)
    rgb += (strength * field)[..., None] * tinge.astype(np.float32)
    if rng.random() < 0.25:  # colour differs from place to place
        for channel in range(3):
            blot = textures.spectral(rng, shape, float(rng.uniform(1.3, 2.2)))
            rgb[..., channel] += rng.uniform(0.005, 0.03) * blot
    return np.clip(rgb, 0.02, 1.0), name


def _scratches(rng: np.random.Generator, shape: tuple[int, int], px_um: float) -> np.ndarray:
    """Faint straight scratches, light or dark, and pits."""
    field = np.zeros(shape, np.float32)
    for _ in range(int(rng.integers(3, 40))):
        x, y, turn = rng.uniform(0, shape[1]), rng.uniform(0, shape[0]), rng.uniform(0, np.pi)
        half = rng.uniform(10, 300) / px_um
        ends = np.array(
            [
                [x - half * np.cos(turn), y - half * np.sin(turn)],
                [x + half * np.cos(turn), y + half * np.sin(turn)],
            ]
        )
        cv2.polylines(
            field, [np.round(ends * 16).astype(np.int32)], False, float(rng.normal()), 1, cv2.LINE_AA, 4
        )
    return field
