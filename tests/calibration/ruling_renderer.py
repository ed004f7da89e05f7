"""Rulings drawn from formulas, with exact truth, for the tests of calibration.

Every pixel is mapped to micrometres by an exact inverse geometry (radial distortion, then perspective, then
rotation), and the ruling's lines are analytic there: a bar of width w blurred by a Gaussian is a difference
of two error functions. Nothing is shared with the reader or with the package's own simulator.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.special import erf


@dataclass(frozen=True)
class Rig:
    """Geometry of a photo: true radius = r (1 + k1 r^2), then division by (1 + gx X + gy Y), then rotation.

    X, Y and r are in half diagonals from (cx_px, cy_px). The Jacobian there is um_per_px times a rotation.
    """

    width_px: int = 1200
    height_px: int = 900
    um_per_px: float = 0.8
    angle_deg: float = 0.0
    k1: float = 0.0
    gx: float = 0.0
    gy: float = 0.0
    stretch: float = 1.0
    cx_px: float | None = None
    cy_px: float | None = None

    def centre(self) -> tuple[float, float]:
        cx = (self.width_px - 1) / 2 if self.cx_px is None else self.cx_px
        cy = (self.height_px - 1) / 2 if self.cy_px is None else self.cy_px
        return cx, cy

    def to_um(self, x_px: np.ndarray, y_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        cx, cy = self.centre()
        half = np.hypot(self.width_px, self.height_px) / 2
        x, y = (x_px - cx) / half, (y_px - cy) / half
        bend = 1 + self.k1 * (x * x + y * y)
        x, y = x * bend, y * bend
        over = 1 + self.gx * x + self.gy * y
        x, y = x / over * half * self.um_per_px, y / over * half * self.um_per_px
        turn = np.deg2rad(self.angle_deg)
        u = x * np.cos(turn) + y * np.sin(turn)
        return u, (-x * np.sin(turn) + y * np.cos(turn)) * self.stretch


@dataclass(frozen=True)
class Ruling:
    """What is ruled, in um. `lengths_um` are half lengths of a plain, a 5th and a 10th tick about `v0_um`.

    `one_sided` ticks start at a common base line. kind: "ruler", "cross" or "grid".
    """

    division_um: float = 10.0
    line_um: float = 2.0
    first: int = -50
    last: int = 50
    lengths_um: tuple[float, float, float] = (50.0, 75.0, 100.0)
    one_sided: bool = False
    base_line: bool = False
    u0_um: float = 0.0
    v0_um: float = 0.0
    kind: str = "ruler"


@dataclass(frozen=True)
class Light:
    """How it is lit, blurred and recorded. `dark` lines on light ground or the other way round."""

    blur_um: float = 0.8
    contrast: float = 0.7
    ground: float = 0.75
    dark: bool = True
    slope: float = 0.0
    noise: float = 0.01
    view_px: tuple[float, float, float] | None = None
    dust: int = 0
    jpeg: int | None = None
    gamma: float = 1.0


def _bar(distance: np.ndarray, width: float, sigma: np.ndarray | float) -> np.ndarray:
    scale = np.sqrt(2.0) * sigma
    return 0.5 * (erf((distance + width / 2) / scale) - erf((distance - width / 2) / scale))


def _one_ruler(u: np.ndarray, v: np.ndarray, ruling: Ruling, sigma: float) -> np.ndarray:
    d = ruling.division_um
    nearest = np.rint((u - ruling.u0_um) / d).astype(np.int32)
    reach = int(np.ceil((4 * sigma + ruling.line_um / 2) / d))
    total = np.zeros(u.shape)
    for step in range(-reach, reach + 1):
        n = nearest + step
        half = np.where(
            n % 10 == 0,
            ruling.lengths_um[2],
            np.where(n % 5 == 0, ruling.lengths_um[1], ruling.lengths_um[0]),
        )
        across = _bar(u - ruling.u0_um - n * d, ruling.line_um, sigma)
        if ruling.kind == "grid":
            total += across
            continue
        scale = np.sqrt(2.0) * sigma
        start = -ruling.lengths_um[0] if ruling.one_sided else -half
        w = v - ruling.v0_um
        along = 0.5 * (erf((w - start) / scale) - erf((w - half) / scale))
        total += np.where((n >= ruling.first) & (n <= ruling.last), across * along, 0.0)
    if ruling.base_line:
        ends = 0.5 * (
            erf((u - ruling.u0_um - ruling.first * d) / sigma)
            - erf((u - ruling.u0_um - ruling.last * d) / sigma)
        )
        place = -ruling.lengths_um[0] if ruling.one_sided else 0.0
        total = np.maximum(total, ends * _bar(v - ruling.v0_um - place, ruling.line_um, sigma))
    return np.minimum(total, 1.0)


def render(rig: Rig, ruling: Ruling, light: Light, rng: np.random.Generator) -> np.ndarray:
    """Draw the photo, (H, W, 3) uint8."""
    y, x = np.mgrid[: rig.height_px, : rig.width_px].astype(float)
    u, v = rig.to_um(x, y)
    sigma = float(np.hypot(light.blur_um, rig.um_per_px / np.sqrt(12.0)))  # a pixel's own box joins the blur
    ink = _one_ruler(u, v, ruling, sigma)
    if ruling.kind in ("cross", "grid"):
        turned = replace(ruling, u0_um=ruling.v0_um, v0_um=-ruling.u0_um)
        ink = np.maximum(ink, _one_ruler(v, -u, turned, sigma))
    ground = light.ground if light.dark else light.ground * (1 - light.contrast)
    full = light.ground * (1 - light.contrast) if light.dark else light.ground
    picture = ground + (full - ground) * ink
    for _ in range(light.dust):
        px, py = rng.uniform(0, rig.width_px), rng.uniform(0, rig.height_px)
        size = rng.uniform(1.5, 0.012 * rig.width_px)
        spot = np.exp(
            -(np.minimum(((x - px) ** 2 + ((y - py) * rng.uniform(0.5, 1.0)) ** 2) / size**2, 50) ** 2)
        )
        picture = picture * (1 - rng.uniform(0.3, 0.8) * spot)
    tilt = rng.uniform(0, 2 * np.pi)
    across = ((x - rig.width_px / 2) * np.cos(tilt) + (y - rig.height_px / 2) * np.sin(tilt)) / rig.width_px
    picture = picture * (1 + light.slope * across)
    if light.view_px is not None:
        cx, cy, radius = light.view_px
        r = np.hypot(x - cx, y - cy)
        picture = 0.02 + (picture - 0.02) * 0.5 * (1 - erf((r - radius) / (np.sqrt(2.0) * 2.0)))
    picture = np.clip(picture, 0, 1) ** (1 / light.gamma)
    colour = picture[..., None] * np.array([1.0, 0.97, 0.9])
    colour = colour + rng.normal(0, light.noise, colour.shape) if light.noise else colour
    rgb = np.clip(np.rint(colour * 255), 0, 255).astype(np.uint8)
    if light.jpeg is not None:
        ok, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, light.jpeg])
        assert ok
        rgb = np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])
    return rgb
