"""What lies behind and over the print: card, paper, glass or film, glue, lamp and the round view."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.condenser.exam import GLASS_LIKE, Exam
from sporecount.simulate.condenser.noise import Field, Rng, clouds, log_uniform
from sporecount.simulate.condenser.sheets import PLANES_UM, Sheets, blur_by_map, sigma_map

LAMPS = {
    "halogen": (1.0, 0.82, 0.55),
    "warm LED": (1.0, 0.86, 0.66),
    "white LED": (0.97, 1.0, 1.0),
    "cold LED": (0.86, 0.98, 1.16),
    "daylight": (0.93, 1.0, 1.08),
    "greenish LED": (0.88, 1.06, 0.9),
}


def _paper(rng: Rng, exam: Exam, defocus_um: Field) -> Field:
    """Uneven look-through of paper: cloudy flocks and single fibres, mostly out of focus; mean near 1."""
    px = exam.um_per_px
    coarse = exam.ground == "paper"
    strength = rng.uniform(0.05, 0.16) if coarse else rng.uniform(0.015, 0.07)
    flocks = clouds(rng, exam.shape, (220 / px, 70 / px, 25 / px, 9 / px), rng.uniform(0.6, 0.85))
    fibres = np.zeros(exam.shape, np.uint8)
    for _ in range(int(np.clip(900 * exam.view_mm2, 20, 500))):
        x, y = rng.uniform(0, exam.shape[1]), rng.uniform(0, exam.shape[0])
        turn, bend, length = rng.uniform(0, np.pi), rng.normal(0, 0.8), rng.uniform(60, 400) / px
        at = np.linspace(-0.5, 0.5, 9)
        way = turn + bend * at
        line = np.stack([x + length * at * np.cos(way), y + length * at * np.sin(way)], axis=1)
        thick = max(round(rng.uniform(6, 22) / px), 1)
        cv2.polylines(
            fibres, [np.round(line * 8).astype(np.int32)], False, int(rng.integers(20, 120)), thick, 16, 3
        )
    look = strength * (0.8 * flocks + rng.choice([-1, 1]) * rng.uniform(0.3, 1.2) * (fibres / 60.0))
    # The ground's surface lies a little beneath the print, glue between them.
    return blur_by_map(np.exp(look).astype(np.float32), sigma_map(exam, defocus_um - rng.uniform(4, 30)))


def _ruled_line(rng: Rng, exam: Exam, sheets: Sheets) -> None:
    """Lay an inked line of an index card across the view."""
    x, y = np.meshgrid(*(np.arange(n, dtype=np.float32) * exam.um_per_px for n in exam.shape[::-1]))
    turn = rng.uniform(0, np.pi)
    side = (x - x.mean()) * np.sin(turn) - (y - y.mean()) * np.cos(turn)
    side -= rng.uniform(-0.35, 0.35) * min(exam.shape) * exam.um_per_px
    ragged = clouds(rng, exam.shape, (18 / exam.um_per_px, 6 / exam.um_per_px))
    cover = np.clip((rng.uniform(40, 130) - np.abs(side) + 1.5 * ragged) / 5, 0, 1).astype(np.float32)
    ink = np.array([0.35, 0.15, 0.06] if rng.random() < 0.6 else [0.05, 0.3, 0.22]) * rng.uniform(0.5, 1.6)
    spotted = cover * np.clip(1 + 0.25 * ragged, 0, None)
    none = np.zeros(exam.shape, np.float32)
    sheets.lay((0, 0), "print", "other", (spotted[..., None] * ink).astype(np.float32), none, cover)


def _as_strong(exam: Exam, path: Field, glow: float) -> Field:
    """Scale a path in the tape so that it changes the light by `glow` (standard deviation, relative)."""
    bent = cv2.Laplacian(path, cv2.CV_32F) / exam.um_per_px**2 * PLANES_UM["tape"]
    return path * (glow / max(float(bent.std()), 1e-9))


def lay_glue(rng: Rng, exam: Exam, sheets: Sheets) -> None:
    """Lay waves, streaks and voids of the tape's glue."""
    px, hard = exam.um_per_px, exam.preset in ("hard", "no_spores")
    path = _as_strong(exam, clouds(rng, exam.shape, (120 / px, 45 / px, 18 / px), 0.4), rng.uniform(0, 0.06))
    if rng.random() < (0.5 if hard else 0.2):  # streaks from pulling the tape off its roll
        turn, x, y = rng.uniform(0, np.pi), *np.meshgrid(*(np.arange(n) * px for n in exam.shape[::-1]))
        side = x * np.sin(turn) - y * np.cos(turn) + 5 * clouds(rng, exam.shape, (150 / px,))
        lumps = clouds(rng, (1, int(np.ptp(side) / 3) + 2), (120 / 3, 40 / 3, 15 / 3), rng.uniform(0.3, 1.0))[
            0
        ]
        waves = np.interp(side, side.min() + 3 * np.arange(len(lumps)), lumps).astype(np.float32)
        path += _as_strong(
            exam, cv2.GaussianBlur(waves, (0, 0), max(2 / px, 0.5)), rng.uniform(0, 0.15 if hard else 0.08)
        )
    bare = np.zeros(exam.shape, np.float32)
    sheets.lay((0, 0), "tape", "background", np.zeros((*exam.shape, 3), np.float32), path, bare)
    if rng.random() > (0.6 if hard else 0.25):
        return
    # Where the tape did not stick, air lies between: its edge bends light strongly.
    spread = clouds(rng, exam.shape, (rng.uniform(60, 200) / px, 30 / px), 0.35)
    inside = (spread - rng.uniform(1.7, 2.4)) * rng.uniform(25, 50)
    cover = np.clip(0.5 + inside / px, 0, 1).astype(np.float32)
    rim = np.exp(-((inside / rng.uniform(1.2, 3.5)) ** 2)) * rng.uniform(0.2, 0.9)
    void_path = -rng.uniform(0.3, 1.2) * np.clip(inside / 4, 0, 1)
    dark = (rim[..., None] * np.ones(3)).astype(np.float32)
    sheets.lay((0, 0), "raised", "bubble", dark, void_path.astype(np.float32), cover)


def round_view(rng: Rng, exam: Exam) -> tuple[Field, tuple[float, float], float]:
    """Give the soft round view (H, W) 0 to 1, its centre and radius in pixels.

    Radius on the specimen: field number over twice the magnification (textbook relation).
    """
    high, wide = exam.shape
    radius = 1000 * rng.uniform(9, 20) / exam.objective / 2 / exam.um_per_px
    radius = max(radius, 0.46 * min(high, wide))
    centre = (wide * rng.uniform(0.42, 0.58), high * rng.uniform(0.42, 0.58))
    y, x = np.ogrid[0:high, 0:wide]
    r = np.hypot(x - centre[0], y - centre[1])
    soft = rng.uniform(1.0, 6.0)
    return np.clip((radius - r) / soft + 0.5, 0, 1).astype(np.float32), centre, radius


def draw_ground(rng: Rng, exam: Exam, sheets: Sheets, defocus_um: Field) -> tuple[Field, Field]:
    """Draw the empty, lit ground.

    Returns
    -------
    light : ndarray of shape (H, W, 3), float32
        Linear, about 1 in the middle.
    seen : ndarray of shape (H, W), float32
        1 inside the round view, 0 outside.
    """
    high, wide = exam.shape
    lamp = np.array(LAMPS[str(rng.choice(list(LAMPS)))]) * rng.uniform(0.97, 1.03, 3)
    lamp = lamp ** rng.uniform(0.15, 1.0)  # the phone's white balance takes some of the cast away
    seen, centre, radius = round_view(rng, exam)
    y, x = np.meshgrid(
        (np.arange(high) - centre[1]) / radius, (np.arange(wide) - centre[0]) / radius, indexing="ij"
    )
    fall = rng.uniform(0.02, 0.45)
    even = 1 - fall * np.clip(x**2 + y**2, 0, 1.2) + rng.normal(0, 0.1) * x + rng.normal(0, 0.1) * y
    light = np.clip(even, 0.1, None)[..., None].astype(np.float32) * lamp
    if exam.ground in GLASS_LIKE:
        haze = clouds(rng, exam.shape, (300 / exam.um_per_px, 90 / exam.um_per_px))
        light *= (1 + rng.uniform(0.002, 0.02) * haze)[..., None]
    else:
        light *= _paper(rng, exam, defocus_um)[..., None]
        light *= rng.uniform((0.97, 0.95, 0.82), (1.0, 1.0, 1.0))
        if rng.random() < 0.12 and exam.objective <= 10:
            _ruled_line(rng, exam, sheets)
    # A dark flange, sometimes with a coloured edge, around the round view.
    flange = np.stack([cv2.GaussianBlur(seen, (0, 0), s) for s in rng.uniform(0.8, 3.0, 3)], axis=2)
    stray = log_uniform(rng, 0.002, 0.03)
    return (light * (stray + (1 - stray) * flange)).astype(np.float32), seen
