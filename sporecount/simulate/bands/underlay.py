"""What lies beneath: card, paper, glass or film, and the adhesive over it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.bands.bands import Stuff
from sporecount.simulate.bands.lens import Lens
from sporecount.simulate.bands.outlines import Plane, along_path, cover, winding
from sporecount.simulate.bands.stage import MARGIN_PX


def clouds(rng: np.random.Generator, shape: tuple[int, int], grain_px: float) -> Plane:
    """Give smooth noise of that grain, mean zero, standard deviation about one."""
    rows, cols = (max(int(n / grain_px) + 3, 4) for n in shape)
    coarse = rng.standard_normal((rows, cols), np.float32)
    return 1.4 * cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)


def _mat(rng: np.random.Generator, shape: tuple[int, int], step_um: float, count: int) -> Plane:
    """Give the thickness of a mat of flat fibres, about 0 to 3, on a coarse grid."""
    total = np.zeros(shape, np.float32)
    y, x = (np.indices(shape, dtype=np.float32)) * np.float32(step_um)
    for _ in range(count):
        path = winding(rng, rng.uniform(300, 1300), rng.uniform(0.2, 1.2), 60.0)
        turn = rng.uniform(0, 2 * np.pi)
        path = path @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        path += rng.uniform(0, 1, 2) * np.array([x[0, -1], y[-1, 0]]) - path[len(path) // 2]
        half = rng.uniform(6, 15)
        distance, _, _ = along_path(x, y, path, half + 2 * step_um, step_um)
        edge = np.exp(-(((distance - half) / 3.0) ** 2))
        total += cover(distance - np.float32(half), step_um) * np.float32(rng.uniform(0.3, 1)) + 0.35 * edge
    return total


def draw_ground(
    rng: np.random.Generator, shape: tuple[int, int], lens: Lens, ground: str, from_above: bool
) -> NDArray[np.float32]:
    """Draw the light of the bare ground in eight bands, margins and all.

    Parameters
    ----------
    shape : tuple of int
        Of the photo; the margins come on top.
    ground : str
        "card", "paper", "glass" or "film".
    """
    full = (shape[0] + 2 * MARGIN_PX, shape[1] + 2 * MARGIN_PX)
    px = lens.um_per_px
    uneven = np.zeros(full, np.float32)
    tint = Stuff({"lignin": 0.0})
    if ground in ("card", "paper"):
        coarse = 3
        small = (full[0] // coarse + 1, full[1] // coarse + 1)
        area_mm2 = full[0] * full[1] * px * px / 1e6
        count = int(np.clip(area_mm2 * rng.uniform(50, 130), 4, 90))
        mat = _mat(rng, small, px * coarse, count)
        mat = (mat - mat.mean()) / max(float(mat.std()), 0.05)
        depth = -rng.uniform(5, 25) if not from_above else -rng.uniform(2, 8)
        sigma = max(abs(lens.focus_um + depth) * lens.spread / px / coarse / 2, 0.5)
        mat = cv2.GaussianBlur(mat, (0, 0), min(sigma, 12.0))
        strong = rng.uniform(0.02, 0.09) * (0.6 if from_above else 1.0)
        uneven += strong * np.clip(cv2.resize(mat, full[::-1], interpolation=cv2.INTER_LINEAR), -2.5, 2.5)
        uneven += rng.uniform(0.01, 0.07) * clouds(rng, full, rng.uniform(60, 160) / px)
        uneven += rng.uniform(0.0, 0.03) * clouds(rng, full, max(rng.uniform(6, 14) / px, 2))
        tint = Stuff({"lignin": rng.uniform(0.0, 0.08)})
    else:
        uneven += rng.uniform(0, 0.015) * clouds(rng, full, rng.uniform(80, 250) / px)
        if ground == "film":
            tint = Stuff({"lignin": rng.uniform(0, 0.03)})
    # The adhesive: no pigment, a fine orange peel.
    uneven += rng.uniform(0.0, 0.02) * clouds(rng, full, max(rng.uniform(4, 18) / px, 2))
    colour = tint.through(from_above).astype(np.float32)
    return colour[:, None, None] * np.clip(1 - uneven, 0.25, 1.8)[None]
