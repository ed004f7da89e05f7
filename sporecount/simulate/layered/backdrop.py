"""What lies behind the print: card of many textures, glass, film, printed paper; the relief of the glue."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.layered import colours, noise, weaves

OTHER = 9
BACKDROPS = (
    "card", "felt card", "coarse card", "glass", "film", "printed card",
    "cloth", "foil", "flocked card", "squared card",
)  # fmt: skip


def draw_backdrop(
    rng: np.random.Generator,
    sort: str,
    shape: tuple[int, int],
    px_um: float,
    light: np.ndarray,
    from_below: bool,
    strength: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Paint the empty print.

    Parameters
    ----------
    sort : str
        One of `BACKDROPS`.
    light : ndarray of shape (3,)
        Colour of the empty view.
    strength : float
        How marked the texture is: 0 flat, 1 ordinary, 2 strong.

    Returns
    -------
    rgb : ndarray of shape (h, w, 3), float32
    kinds : ndarray of shape (h, w), uint8
        Ink is "other"; all else, the fibres of the card too, is background.
    """
    relief = np.zeros(shape, np.float32)
    kinds = np.zeros(shape, np.uint8)
    if sort in ("glass", "film"):
        relief += rng.uniform(0.002, 0.02) * noise.octaves(rng, shape, 200 / px_um, 40 / px_um, 0.6)
        if sort == "film":
            grain = noise.smooth_field(rng, shape, rng.uniform(1.5, 6) / px_um, rng.choice([1.0, 12.0, 60.0]))
            relief += rng.uniform(0.003, 0.03) * strength * grain
    elif sort in ("cloth", "foil", "flocked card"):
        weave = {"cloth": weaves.woven, "foil": weaves.foil, "flocked card": weaves.flocks}[sort]
        relief += strength * weave(rng, shape, px_um)
    else:
        coarse = rng.uniform(25, 120)
        relief += (
            rng.uniform(0.02, 0.09)
            * strength
            * noise.octaves(rng, shape, coarse / px_um, coarse / 6 / px_um, rng.uniform(0.4, 0.9))
        )
        relief += (
            rng.uniform(0.005, 0.05)
            * strength
            * noise.octaves(rng, shape, rng.uniform(4, 14) / px_um, 2.0 / px_um, rng.uniform(0.4, 1.0))
        )
        relief += strength * _fibres(rng, sort, shape, px_um, from_below)
    if rng.random() < 0.45:
        relief += _glue_relief(rng, shape, px_um) * strength
    tint = 1.0 + rng.normal(0.0, 0.12, 3).astype(np.float32) * (relief.std() > 0.03)
    tinted = noise.octaves(rng, shape, 300 / px_um, 100 / px_um, 0.6) * np.float32(rng.uniform(0.0, 0.02))
    if sort not in ("glass", "film") and rng.random() < 0.2:  # dyed card
        light = light * colours.hsv(rng.uniform(), rng.uniform(0.1, 0.6), 1.0)
    rgb = light * np.exp(np.clip(relief, -1.6, 0.5)[..., None] * tint.astype(np.float32))
    rgb[..., 0] *= 1.0 + tinted
    rgb[..., 2] *= 1.0 - tinted
    if sort == "printed card":
        _print(rng, rgb, kinds, px_um)
    elif sort == "squared card":
        ink, absorbs, inked = weaves.squared(rng, shape, px_um)
        rgb *= np.exp(-ink[..., None] * absorbs)
        kinds[inked] = OTHER
    elif sort not in ("glass", "film") and rng.random() < 0.06:
        _ruled_line(rng, rgb, kinds, px_um)
    return rgb, kinds


def _fibres(
    rng: np.random.Generator, sort: str, shape: tuple[int, int], px_um: float, from_below: bool
) -> np.ndarray:
    """Relief of paper fibres: bands, lit edges or shadows, by chance."""
    area_mm2 = shape[0] * shape[1] * px_um**2 / 1e6
    per_mm2 = {"card": 500, "felt card": 1500, "coarse card": 250, "printed card": 500, "squared card": 700}[
        sort
    ]
    widths = {"coarse card": (18.0, 45.0)}.get(sort, (6.0, 24.0))
    if sort == "felt card":
        widths = (2.0, 9.0)
    count = int(np.clip(per_mm2 * area_mm2 * rng.uniform(0.3, 2.4), 6, 600))
    net = noise.fibre_net(
        rng,
        shape,
        count,
        (widths[0] / px_um, widths[1] / px_um),
        (150 / px_um, 900 / px_um),
        rng.uniform(0.2, 1.0),
    )
    bands = float(rng.choice([-1.0, -1.0, 1.0])) * rng.uniform(0.02, 0.16) * (net - net.mean())
    edges = noise.emboss(cv2.GaussianBlur(net, (0, 0), max(0.6, 1.2 / px_um)), rng.uniform(0, 2 * np.pi))
    edges *= rng.uniform(0.1, 0.5) * (1.0 if not from_below else 0.7) * max(1.0, 2.0 / px_um)
    return (bands + np.clip(edges, -0.5, 0.3)).astype(np.float32)


def _glue_relief(rng: np.random.Generator, shape: tuple[int, int], px_um: float) -> np.ndarray:
    """Orange-peel and ridges of adhesive: slopes that brighten one side and darken the other."""
    cell = rng.uniform(15, 120)
    height = noise.octaves(rng, shape, cell / px_um, cell / 3 / px_um, 0.5)
    if rng.random() < 0.5:
        height = 1.0 - np.abs(height)  # sharp crests
    slope = noise.emboss(cv2.GaussianBlur(height, (0, 0), 1.2 / px_um + 0.6), rng.uniform(0, 2 * np.pi))
    return np.clip(slope / (slope.std() + 1e-6) * rng.uniform(0.01, 0.06), -0.4, 0.25).astype(np.float32)


def _print(rng: np.random.Generator, rgb: np.ndarray, kinds: np.ndarray, px_um: float) -> None:
    """Ink: halftone dots, solid letter edges, or both."""
    shape = rgb.shape[:2]
    ink = np.zeros(shape, np.float32)
    absorbs = 2.2 * (1.0 - colours.hsv(rng.uniform(), rng.choice([0.1, 0.9]), rng.uniform(0.2, 0.8)))
    wobble = noise.octaves(rng, shape, 30 / px_um, 4 / px_um, 0.8)
    if rng.random() < 0.6:
        pitch, angle = rng.uniform(90, 260), rng.uniform(0, np.pi)
        y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32) * np.float32(px_um)
        u = x * np.float32(np.cos(angle)) + y * np.float32(np.sin(angle))
        v = y * np.float32(np.cos(angle)) - x * np.float32(np.sin(angle))
        wave = np.cos(u * np.float32(2 * np.pi / pitch)) * np.cos(v * np.float32(2 * np.pi / pitch))
        ink = np.clip((wave - rng.uniform(0.3, 0.85)) * 8 + wobble * 0.5, 0, 1)
    else:
        sheet = np.zeros(shape, np.uint8)
        for _ in range(int(rng.integers(1, 4))):
            path = noise.curve(
                rng,
                rng.uniform(0, shape[1]),
                rng.uniform(0, shape[0]),
                rng.uniform(0, 6.3),
                rng.uniform(300, 1500) / px_um,
                rng.uniform(0, 2),
                10,
            )
            cv2.polylines(
                sheet,
                [path.astype(np.int32)],
                False,
                255,
                max(1, int(rng.uniform(80, 350) / px_um)),
                cv2.LINE_AA,
            )
        soft = cv2.GaussianBlur(sheet, (0, 0), 3 / px_um + 0.6).astype(np.float32) / 255
        ink = np.clip((soft - 0.5) * 6 + 0.5 + wobble * 0.4 * (soft > 0.02), 0, 1)
    rgb *= np.exp(-(ink * (0.8 + 0.15 * wobble).clip(0.2, 1.5))[..., None] * absorbs.astype(np.float32))
    kinds[ink > 0.5] = OTHER


def _ruled_line(rng: np.random.Generator, rgb: np.ndarray, kinds: np.ndarray, px_um: float) -> None:
    """One printed writing line of an index card, blue or red, with a frayed edge."""
    shape = rgb.shape[:2]
    angle, width = rng.uniform(0, np.pi), rng.uniform(80, 260)
    y, x = np.ogrid[: shape[0], : shape[1]]
    across = (x - rng.uniform(0, shape[1])) * np.sin(angle) - (y - rng.uniform(0, shape[0])) * np.cos(angle)
    frayed = np.abs(across * px_um).astype(np.float32) + 8 * noise.octaves(
        rng, shape, 40 / px_um, 5 / px_um, 0.8
    )
    ink = np.clip((width / 2 - frayed) / 6, 0, 1)
    absorbs = 1.0 - colours.hsv(rng.choice([0.58, 0.62, 0.98]), 0.6, 0.9)
    rgb *= np.exp(-ink[..., None] * absorbs.astype(np.float32) * np.float32(rng.uniform(0.3, 1.2)))
    kinds[ink > 0.5] = OTHER
