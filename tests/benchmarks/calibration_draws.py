"""Photos of rulings drawn for measuring: what a user of an objective could take, with exact truth.

Recipe "plain" is the one that was looked at while the reader was written. Recipe "phone" was not: it adds
defocus by a disc instead of a Gaussian, colour fringes, the phone's denoising and sharpening, a tone curve
and harder JPEG. Truth comes from `tests/calibration/ruling_renderer.py`, which shares nothing with the
reader.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from tests.calibration.ruling_renderer import Light, Rig, Ruling, render

OBJECTIVES = (4.0, 10.0, 20.0, 40.0)
RESOLUTION_UM = {4.0: 3.4, 10.0: 1.3, 20.0: 0.84, 40.0: 0.52}  # Rayleigh, d = 0.61 * 0.55 um / NA
FIELD_NUMBER_MM = 18.0


@dataclass(frozen=True)
class Draw:
    """One drawn photo and what is known of it."""

    rgb: np.ndarray
    rig: Rig
    ruling: Ruling
    objective: float
    view: tuple[float, float, float] | None
    told: str


@dataclass(frozen=True)
class Plan:
    """How a photo is going to be drawn."""

    rig: Rig
    ruling: Ruling
    light: Light
    objective: float


def plan(objective: float, rng: np.random.Generator, width: int = 1600, *, few: bool = False) -> Plan:
    """Plan a photo of a ruling with this objective; `few`: 5 to 8 divisions in view."""
    height = int(width * rng.choice([0.75, 0.75, 9 / 16]))
    field_um = 1000 * FIELD_NUMBER_MM / objective
    diameter = height * rng.uniform(0.75, 1.6)
    um_per_px = field_um * rng.uniform(0.95, 1.05) / diameter
    division = 10.0 if objective >= 10 or (10 / um_per_px > 3.6 and rng.random() < 0.5) else 100.0
    coarse = rng.random() < 0.2
    cx, cy = width / 2 + rng.uniform(-0.05, 0.05) * width, height / 2 + rng.uniform(-0.05, 0.05) * height
    view = (cx, cy, diameter / 2) if diameter < 1.15 * height else None
    rig = Rig(
        width,
        height,
        um_per_px,
        rng.uniform(0, 360),
        k1=rng.uniform(-0.03, 0.03),
        gx=rng.uniform(-0.02, 0.02),
        gy=rng.uniform(-0.02, 0.02),
        cx_px=cx if view else None,
        cy_px=cy if view else None,
    )
    shown = min(field_um, height * um_per_px)
    if objective == 10 and coarse and shown > 1000:
        division = 100.0
    kind = str(rng.choice(["ruler", "ruler", "ruler", "cross", "grid"]))
    if kind == "grid":
        division = float(min((50.0, 200.0, 250.0, 1000.0), key=lambda one: abs(shown / one - 12)))
    if few:
        division = shown / rng.uniform(6.0, 8.0)
    plain = rng.uniform(3, 7) * division if kind != "cross" else rng.uniform(2, 4) * division
    tall = (1.0, 1.0, 1.0) if rng.random() < 0.25 else (1.0, 1.45, 2.0)
    plain = min(plain, (0.18 if few else 0.3) * shown)
    first, last = sorted(rng.choice(np.arange(-100, 101, 10), 2, replace=False))
    if rng.random() < 0.7:
        first, last = (-50, 50) if rng.random() < 0.8 else (0, 100)
    if few or min(last * division, 0.45 * shown) - max(first * division, -0.45 * shown) < 8 * division:
        first, last = -50, 50
    ruling = Ruling(
        division,
        division * rng.uniform(0.12, 0.3),
        int(first),
        int(last),
        (plain * tall[0], plain * tall[1], plain * tall[2]),
        bool(rng.random() < 0.4),
        bool(rng.random() < 0.2),
        rng.uniform(-0.5, 0.5) * division,
        rng.uniform(-0.12, 0.12) * shown,
        kind,
    )
    blur = float(np.hypot(0.45 * RESOLUTION_UM[objective], um_per_px * rng.uniform(0.6, 1.4)))
    light = Light(
        blur * rng.uniform(1.0, 1.3),
        rng.uniform(0.25, 0.9),
        rng.uniform(0.5, 0.9),
        bool(rng.random() < 0.8),
        rng.uniform(0, 0.4),
        rng.uniform(0.004, 0.025),
        view,
        int(rng.integers(0, 25)),
        int(rng.integers(75, 96)) if rng.random() < 0.8 else None,
    )
    return Plan(rig, ruling, light, objective)


def take(planned: Plan, recipe: str, rng: np.random.Generator) -> Draw:
    """Take the planned photo by a recipe, "plain" or "phone"."""
    paint = render if recipe == "plain" else _as_phone
    division = planned.ruling.division_um
    told = (
        f"{planned.ruling.kind} {division:.4g} um, {division / planned.rig.um_per_px:.1f} px, "
        f"{planned.rig.angle_deg:.0f} deg, {'round view' if planned.light.view_px else 'no edge'}"
    )
    return Draw(
        paint(planned.rig, planned.ruling, planned.light, rng),
        planned.rig,
        planned.ruling,
        planned.objective,
        planned.light.view_px,
        told,
    )


def draw(
    objective: float, recipe: str, rng: np.random.Generator, width: int = 1600, *, few: bool = False
) -> Draw:
    """Plan a photo and take it."""
    return take(plan(objective, rng, width, few=few), recipe, rng)


def _as_phone(rig: Rig, ruling: Ruling, light: Light, rng: np.random.Generator) -> np.ndarray:
    sharp = replace(light, blur_um=light.blur_um * 0.7, noise=0.0, jpeg=None)
    picture = render(rig, ruling, sharp, rng).astype(np.float32) / 255
    radius = min(
        rng.uniform(0.3, 1.2) * light.blur_um / rig.um_per_px, 0.2 * ruling.division_um / rig.um_per_px
    )
    reach = int(np.ceil(radius)) + 1
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc = np.clip(radius + 0.5 - np.hypot(x, y), 0, 1).astype(np.float32)
    picture = cv2.filter2D(picture, -1, disc / disc.sum())
    for channel, turn in ((0, 1.0), (2, -1.0)):
        grow = 1 + turn * rng.uniform(0, 0.0004)
        cx, cy = rig.centre()
        matrix = np.array([[grow, 0, cx * (1 - grow)], [0, grow, cy * (1 - grow)]])
        picture[..., channel] = cv2.warpAffine(
            picture[..., channel],
            matrix,
            picture.shape[1::-1],
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
    picture = picture + rng.normal(0, light.noise * 1.5, picture.shape).astype(np.float32) * np.sqrt(
        picture.clip(0.05, 1)
    )
    picture = cv2.bilateralFilter(picture, 3, 0.08, 1.0)
    picture = picture + rng.uniform(0, 0.8) * (picture - cv2.GaussianBlur(picture, (0, 0), 1.5))
    picture = np.clip(picture, 0, 1) ** rng.uniform(0.7, 1.3)
    return as_jpeg(picture, int(rng.integers(65, 92)))


def as_jpeg(picture: np.ndarray, quality: int) -> np.ndarray:
    """Give a picture, (H, W, 3) in [0, 1], as a JPEG of this quality shows it, uint8."""
    rgb = np.rint(np.clip(picture, 0, 1) * 255).astype(np.uint8)
    ok, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert ok
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])
