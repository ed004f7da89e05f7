"""The phone behind the eyepiece: glare, noise, noise reduction, sharpening, tone, white balance, JPEG."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.panes.canvas import F
from sporecount.simulate.panes.plan import Plan


def _fringe(rng: np.random.Generator, light: F) -> F:
    """Let red and blue be drawn a little larger or smaller than green."""
    rows, cols = light.shape[:2]
    out = light.copy()
    for c in (0, 2):
        grow = 1 + rng.normal(0, 0.0005)
        shift = np.array([[grow, 0, (1 - grow) * (cols - 1) / 2], [0, grow, (1 - grow) * (rows - 1) / 2]])
        out[..., c] = cv2.warpAffine(
            np.ascontiguousarray(light[..., c]), shift, (cols, rows), borderMode=cv2.BORDER_REPLICATE
        )
    return out


def _tone(light: F, contrast: float) -> F:
    """Turn linear light into sRGB with a gentle S-curve about middle grey."""
    light = np.clip(light, 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    return (coded + contrast * coded * (1 - coded) * (2 * coded - 1)).astype(np.float32)


def photograph(rng: np.random.Generator, plan: Plan, light: F) -> tuple[NDArray[np.uint8], float]:
    """Take the photo.

    Parameters
    ----------
    light : ndarray of shape (H, W, 3)
        Linear light.

    Returns
    -------
    rgb : ndarray of shape (H, W, 3), uint8
    noise : float
        Standard deviation of the noise of a pixel of the empty print, as optical density, before the phone
        smooths it.
    """
    light = _fringe(rng, light)
    white = 1 + np.array([1, 0, -1]) * rng.normal(0.02, 0.035) + np.array([0, 1, 0]) * rng.normal(0, 0.012)
    light = light * white.astype(np.float32)
    peak = float(np.percentile(light[::4, ::4, 1], 90))
    exposed = rng.uniform(0.45, 0.8) if not plan.dim else rng.uniform(0.22, 0.45)
    glare = rng.uniform(0.005, 0.035) * exposed
    light = light * np.float32(exposed / max(peak, 1e-3)) + np.float32(glare)
    electrons = rng.uniform(2500, 9000) if not plan.dim else rng.uniform(350, 1200)
    signal = np.maximum(light, 0) * np.float32(electrons)
    spread = np.sqrt(signal + np.float32(rng.uniform(3, 8) ** 2)) / np.float32(electrons)
    grain = rng.standard_normal(light.shape, dtype=np.float32)
    # Colours between the sensor's sites are guessed from neighbours, which makes the noise coarser.
    grain = cv2.GaussianBlur(grain, (0, 0), 0.55) * np.float32(1.5)
    light = light + grain * spread
    noise = float(np.sqrt(exposed * electrons) / (exposed * electrons) / np.log(10))
    coded = np.clip(_tone(light, rng.uniform(0, 0.45)), 0, 1)
    luma, red, blue = cv2.split(cv2.cvtColor(coded, cv2.COLOR_RGB2YCrCb))
    red, blue = (cv2.GaussianBlur(one, (0, 0), rng.uniform(0.8, 1.6)) for one in (red, blue))
    if plan.dim or rng.random() < 0.4:
        luma = cv2.bilateralFilter(luma, 5, 0.03 if not plan.dim else 0.07, 1.2)
    amount, radius = rng.uniform(0.1, 0.9), rng.uniform(0.8, 1.5)
    sharper = luma - cv2.GaussianBlur(luma, (0, 0), radius)
    luma = luma + np.float32(amount) * np.clip(sharper, -0.12, 0.12)
    vivid = np.float32(rng.uniform(0.95, 1.25))
    red, blue = (0.5 + vivid * (one - 0.5) for one in (red, blue))
    rgb = cv2.cvtColor(cv2.merge([luma, red, blue]), cv2.COLOR_YCrCb2RGB)
    whole = np.round(np.clip(rgb, 0, 1) * 255).astype(np.uint8)
    done, data = cv2.imencode(".jpg", whole[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(82, 96))])
    if not done:
        raise RuntimeError("OpenCV could not write the simulated photo as JPEG")
    return np.ascontiguousarray(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))[..., ::-1]), noise
