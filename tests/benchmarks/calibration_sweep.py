"""Error and honesty of `read_ruling` over many drawn rulings, by objective.

    python tests/benchmarks/calibration_sweep.py --per-class 300 --recipe phone --seed 7

Recipe "plain" is the one that was looked at while the reader was written. Recipe "phone" was not: it adds
defocus by a disc instead of a Gaussian, colour fringes, the phone's denoising and sharpening, a tone curve
and harder JPEG. Truth comes from `tests/calibration/ruling_renderer.py`, which shares nothing with the
reader.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from sporecount.calibration import read_ruling
from sporecount.errors import CalibrationError
from tests.calibration.ruling_renderer import Light, Rig, Ruling, render

OBJECTIVES = (4.0, 10.0, 20.0, 40.0)
RESOLUTION_UM = {4.0: 3.4, 10.0: 1.3, 20.0: 0.84, 40.0: 0.52}  # Rayleigh, d = 0.61 * 0.55 um / NA


@dataclass(frozen=True)
class Draw:
    """One drawn photo and what is known of it."""

    rgb: np.ndarray
    rig: Rig
    ruling: Ruling
    objective: float
    view: tuple[float, float, float] | None
    told: str


def draw(objective: float, recipe: str, rng: np.random.Generator, width: int = 1600) -> Draw:
    """Draw a ruling photo as a user of this objective could take it."""
    height = int(width * rng.choice([0.75, 0.75, 9 / 16]))
    field_um = 18000.0 / objective
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
    plain = rng.uniform(3, 7) * division if kind != "cross" else rng.uniform(2, 4) * division
    tall = (1.0, 1.0, 1.0) if rng.random() < 0.25 else (1.0, 1.45, 2.0)
    plain = min(plain, 0.3 * shown)
    first, last = sorted(rng.choice(np.arange(-100, 101, 10), 2, replace=False))
    if rng.random() < 0.7:
        first, last = (-50, 50) if rng.random() < 0.8 else (0, 100)
    if min(last * division, 0.45 * shown) - max(first * division, -0.45 * shown) < 8 * division:
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
    rgb = render(rig, ruling, light, rng) if recipe == "plain" else _as_phone(rig, ruling, light, rng)
    told = f"{kind} {division:g} um, {division / um_per_px:.1f} px, {rig.angle_deg:.0f} deg"
    return Draw(rgb, rig, ruling, objective, view, told)


def _as_phone(rig: Rig, ruling: Ruling, light: Light, rng: np.random.Generator) -> np.ndarray:
    sharp = Light(
        light.blur_um * 0.7,
        light.contrast,
        light.ground,
        light.dark,
        light.slope,
        0.0,
        light.view_px,
        light.dust,
    )
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
    ok, data = cv2.imencode(
        ".jpg",
        np.rint(picture * 255).astype(np.uint8)[..., ::-1],
        [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(65, 92))],
    )
    assert ok
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def judge(one: Draw) -> tuple[str, float, float, float]:
    """Read a photo: outcome, relative error, stated relative uncertainty, seconds."""
    start = time.perf_counter()
    try:
        reading = read_ruling(
            one.rgb, division_um=one.ruling.division_um, objective=one.objective, round_view=one.view
        )
    except CalibrationError as error:
        return error.code, float("nan"), float("nan"), time.perf_counter() - start
    truth = one.rig.um_per_px
    return "read", reading.um_per_px / truth - 1, reading.um_per_px_u / truth, time.perf_counter() - start


def main() -> None:
    """Print a row per objective."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--per-class", type=int, default=300)
    ask.add_argument("--recipe", choices=["plain", "phone"], default="phone")
    ask.add_argument("--seed", type=int, default=7)
    ask.add_argument("--width", type=int, default=1600)
    ask.add_argument("--objective", type=float, nargs="*", default=OBJECTIVES)
    ask.add_argument("--tell", action="store_true", help="print each photo that was refused or is off")
    given = ask.parse_args()
    cv2.setNumThreads(1)
    print(
        "objective  photos  read  within 0.3 %  median error  95th pct  largest  inside 2u  median u  seconds"
    )
    for objective in given.objective:
        rng = np.random.default_rng([given.seed, int(objective)])
        rows = []
        for i in range(given.per_class):
            one = draw(objective, given.recipe, rng, given.width)
            row = judge(one)
            rows.append(row)
            if given.tell and (row[0] != "read" or abs(row[1]) > min(0.003, 2 * row[2])):
                print(
                    f"  {i}: {one.told}: {row[0]} error {100 * row[1]:.4f} % u "
                    f"{100 * row[2]:.4f} % {row[3]:.1f} s",
                    flush=True,
                )
        error = np.array([abs(row[1]) for row in rows if row[0] == "read"])
        stated = np.array([row[2] for row in rows if row[0] == "read"])
        took = np.median([row[3] for row in rows])
        print(
            f"{objective:8g}x {len(rows):7d} {len(error):5d} {100 * np.mean(error <= 0.003):11.1f} % "
            f"{100 * np.median(error):11.4f} % {100 * np.percentile(error, 95):7.4f} "
            f"% {100 * error.max():6.3f} % "
            f"{100 * np.mean(error <= 2 * stated):8.1f} % {100 * np.median(stated):7.4f} % {took:7.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
