"""What things are made of: pigments with random spectra, skins, refraction."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.relief.terrain import Matter


def spectrum(rng: np.random.Generator, steep: float, tint: float = 0.12) -> np.ndarray:
    """Absorption in red, green, blue with mean 1: `steep` 0 is grey, 0.5 brown, 1 amber to orange."""
    raw = np.exp(steep * np.array([-1.0, 0.0, 0.85]) + rng.normal(0, tint, 3))
    share: np.ndarray = (raw / raw.mean()).astype(np.float32)
    return share


def skin_of(rng: np.random.Generator, dye: np.ndarray, bright: float) -> np.ndarray:
    """Colour in light from above of a body with this pigment; `bright` is its lightness, 0 to 1."""
    hue = 10 ** (-0.45 * dye / max(float(dye.mean()), 1e-3))
    colour: np.ndarray = (bright * hue / hue.max() * rng.uniform(0.93, 1.07, 3)).astype(np.float32)
    return colour


def pigmented(
    rng: np.random.Generator,
    density: float,
    steep: float,
    *,
    bright: float | None = None,
    opacity: float | None = None,
) -> Matter:
    """Make a brown or amber body; the more pigment, the darker and the more opaque by default."""
    dye = density * spectrum(rng, steep)
    bright = float(np.clip(0.75 - 0.5 * density, 0.12, 0.8)) if bright is None else bright
    opacity = float(np.clip(0.3 + 0.7 * density, 0, 0.97)) if opacity is None else opacity
    return Matter(dye, skin_of(rng, dye, bright), opacity, rng.uniform(0, 0.6), rng.uniform(0.03, 0.2))


def clear(rng: np.random.Generator, bend: float, gloss: float = 0.8) -> Matter:
    """Colourless stuff that only bends light."""
    return Matter(
        rng.uniform(0, 0.03) * np.ones(3, np.float32),
        np.ones(3, np.float32),
        rng.uniform(0.02, 0.15),
        gloss,
        bend,
    )


def sooty(rng: np.random.Generator) -> Matter:
    """Black or grey, dull or sparkling."""
    density = rng.uniform(0.6, 2.0)
    skin = rng.uniform(0.03, 0.25) * rng.uniform(0.9, 1.1, 3)
    return Matter(
        density * spectrum(rng, 0.05, 0.04),
        skin.astype(np.float32),
        0.95,
        rng.uniform(0, 1),
        rng.uniform(0, 0.1),
    )


def thread_like(rng: np.random.Generator) -> Matter:
    """Cloth or paper: clear, white or any bright colour."""
    tint = rng.uniform(0, 1, 3) if rng.random() < 0.4 else np.full(3, rng.uniform(0, 0.3))
    dye = (rng.uniform(0.02, 0.35) * tint).astype(np.float32)
    skin = (rng.uniform(0.5, 1.0) * 10 ** (-0.8 * tint)).astype(np.float32)
    return Matter(dye, skin, rng.uniform(0.1, 0.7), rng.uniform(0, 0.8), rng.uniform(0.03, 0.2))
