"""Simulated photos of rulings (stage micrometers, counting grids, rulers) with exact truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from sporecount.simulate.camera import Phone, develop, draw_phone, through_eyepiece
from sporecount.simulate.optics import WAVE_UM, aperture, soften_varying
from sporecount.simulate.ranges import PrintRanges
from sporecount.simulate.sample import log_between
from sporecount.simulate.shapes import lump_outline

MOST_DISTORTION = 0.03


@dataclass(frozen=True)
class Pattern:
    """How a ruling is engraved.

    Parameters
    ----------
    division_um : float
    divisions : int
        Of the whole ruling.
    line_um : tuple of float
        Range of the width of a line.
    tick_um : float
        Length of a plain tick.
    steps : tuple of int
        Every how many ticks one is longer, and every how many it is longest.
    """

    division_um: float
    divisions: int
    line_um: tuple[float, float]
    tick_um: float
    steps: tuple[int, int] = (5, 10)


PATTERNS = {
    "stage-10um": Pattern(10.0, 100, (1.4, 3.2), 60.0),
    "stage-100um": Pattern(100.0, 100, (4.0, 14.0), 500.0),
    "mm-ruler": Pattern(1000.0, 150, (90.0, 220.0), 3000.0),
    "grid": Pattern(50.0, 180, (2.0, 6.0), 1e9),
}
"""Common patterns: 1 mm in 100 divisions, 10 mm in 100 divisions, a millimetre ruler, a counting chamber's
grid of 50 um squares with stronger lines every 250 um and 1 mm (common practice)."""


def draw_ruling(
    rng: np.random.Generator,
    *,
    pattern: str = "stage-10um",
    width_px: int,
    height_px: int,
    um_per_px: float,
    angle_deg: float | None = None,
    objective: float = 10.0,
    k1: float | None = None,
    blur_um: float | None = None,
    cross: bool | None = None,
    longer_ticks: bool | None = None,
    bright_lines: bool | None = None,
    tilt: float | None = None,
    phone: Phone | None = None,
) -> tuple[np.ndarray, dict[str, Any]]:
    """Draw a simulated photo of a ruling. What is None is drawn.

    Parameters
    ----------
    rng : numpy.random.Generator
    pattern : str
        A name in `PATTERNS`.
    width_px, height_px : int
    um_per_px : float
        Scale at the photo's centre.
    angle_deg : float, optional
        Direction in which the divisions follow one another (across the ticks), from +x towards +y (down).
    objective : float
        Sets the diffraction blur.
    k1 : float, optional
        Radial distortion: true radius = r (1 + k1 r^2), r in units of half the photo's diagonal.
    blur_um : float, optional
        Defocus blur (standard deviation) at the centre, beside diffraction.
    cross : bool, optional
        A second ruling at right angles.
    longer_ticks : bool, optional
        Whether every 5th and 10th tick is longer.
    bright_lines : bool, optional
        Bright lines on a dark ground.
    tilt : float, optional
        Perspective: relative change of scale from the centre to half the photo's diagonal.
    phone : Phone, optional
        Of a session whose prints are drawn with it; its distortion is not taken over.

    Returns
    -------
    rgb : ndarray of shape (height_px, width_px, 3), uint8
    truth : dict
        JSON-ready: `um_per_px`, `angle_deg`, `k1`, `tilt`, `division_um`, `divisions` (in the view), and
        how it was drawn.

    Raises
    ------
    ValueError
        For an unknown pattern.
    """
    if pattern not in PATTERNS:
        raise ValueError(f"pattern must be one of {', '.join(PATTERNS)}; got {pattern!r}")
    rule = PATTERNS[pattern]
    angle_deg = float(rng.uniform(0, 180)) if angle_deg is None else float(angle_deg) % 180.0
    k1 = (
        (float(rng.uniform(-1, 1)) * MOST_DISTORTION if rng.random() < 0.5 else 0.0)
        if k1 is None
        else float(k1)
    )
    tilt = (abs(float(rng.normal(0, 0.002))) if rng.random() < 0.5 else 0.0) if tilt is None else float(tilt)
    cross = bool(rng.random() < 0.2) if cross is None else cross
    longer_ticks = bool(rng.random() < 0.8) if longer_ticks is None else longer_ticks
    bright_lines = bool(rng.random() < 0.12) if bright_lines is None else bright_lines
    best_um = 0.21 * WAVE_UM / aperture(objective) * rng.uniform(1.0, 1.8)
    blur_um = float(rng.uniform(0, 1.2) * best_um * 2) if blur_um is None else float(blur_um)

    s, t = _print_coordinates(rng, width_px, height_px, um_per_px, angle_deg, k1, tilt)
    half = np.hypot(width_px, height_px) / 2 * um_per_px
    span = rule.division_um * rule.divisions
    start = -span / 2 + rng.uniform(-1, 1) * max(span / 2 - 0.6 * half, 0.25 * min(span, half))
    s -= np.float32(start)
    line_um = float(rng.uniform(*rule.line_um))
    across = float(rng.normal(0, 0.08)) * half if pattern != "grid" else 0.0
    one_sided = bool(rng.random() < 0.4)
    ink, number = _ticks(
        s, t - np.float32(across), rule, line_um, um_per_px, longer_ticks, one_sided=one_sided
    )
    lines = ink
    numbered = pattern in ("stage-10um", "stage-100um", "mm-ruler") and longer_ticks and rng.random() < 0.35
    if numbered:
        ink = np.maximum(ink, _numbers(s, t - np.float32(across), rule, 2.1 if one_sided else 1.1))
    if cross or pattern == "grid":
        other, _ = _ticks(
            t + np.float32(span / 2),
            s - np.float32(span / 2),
            rule,
            line_um,
            um_per_px,
            longer_ticks,
            one_sided=False,
        )
        ink = np.maximum(ink, other)
    elif pattern.startswith("stage") and rng.random() < 0.35:  # a base line
        base = np.clip((line_um / 2 - np.abs(t - np.float32(across))) / um_per_px + 0.5, 0, 1)
        ink = np.maximum(ink, base * ((s > 0) & (s < span)))
    density = ink * np.float32(log_between(rng, (0.15, 1.6)))
    _dust(rng, density)

    table = replace(PrintRanges(), noise=(0.003, 0.03), smooth_px=(0.0, 0.9))
    phone = phone or draw_phone(rng, table)
    through = np.exp(np.float32(-2.302585) * density)
    light = 0.06 + 0.94 * (1 - through) if bright_lines else through
    x = np.linspace(-1, 1, max(width_px // 16, 2))[None, :]
    y = np.linspace(-1, 1, max(height_px // 16, 2))[:, None]
    heading, drift = rng.uniform(0, 2 * np.pi), rng.uniform(0, 0.5) * blur_um
    uneven = np.maximum(blur_um + drift * (x * np.cos(heading) + y * np.sin(heading)), 0)
    light = soften_varying(light.astype(np.float32), np.hypot(best_um, uneven) / um_per_px)
    colour, seen = through_eyepiece(rng, np.repeat(light[..., None], 3, axis=2), phone, (height_px, width_px))
    rgb = develop(rng, colour, phone)
    visible = np.unique(number[(lines > 0.5) & (seen > 0.5)])
    truth = {
        "schema_version": 1,
        "simulated": True,
        "pattern": pattern,
        "um_per_px": float(um_per_px),
        "angle_deg": angle_deg,
        "k1": k1,
        "tilt": tilt,
        "division_um": rule.division_um,
        "divisions": max(len(visible) - 1, 0),
        "objective": float(objective),
        "blur_um": float(np.hypot(best_um, blur_um)),
        "line_um": line_um,
        "cross": bool(cross or pattern == "grid"),
        "longer_ticks": bool(longer_ticks),
        "bright_lines": bool(bright_lines),
        "numbered": bool(numbered),
        "round_view": list(phone.circle) if phone.circle else None,
    }
    return rgb, truth


def _print_coordinates(
    rng: np.random.Generator,
    width: int,
    height: int,
    um_per_px: float,
    angle_deg: float,
    k1: float,
    tilt: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Place of each pixel in um from the photo's centre: along the divisions, along the ticks."""
    x = (np.arange(width, dtype=np.float32) - (width - 1) / 2)[None, :]
    y = (np.arange(height, dtype=np.float32) - (height - 1) / 2)[:, None]
    half = np.float32(np.hypot(width, height) / 2)
    stretch = 1 + np.float32(k1) * (x * x + y * y) / half**2
    if tilt:
        heading = rng.uniform(0, 2 * np.pi)
        stretch = stretch / (
            1 + np.float32(tilt) * (x * np.cos(heading) + y * np.sin(heading)).astype(np.float32) / half
        )
    turn = np.deg2rad(angle_deg)
    scale = stretch * np.float32(um_per_px)
    along = (x * np.float32(np.cos(turn)) + y * np.float32(np.sin(turn))) * scale
    across = (y * np.float32(np.cos(turn)) - x * np.float32(np.sin(turn))) * scale
    return along, across


def _ticks(
    s: np.ndarray,
    t: np.ndarray,
    rule: Pattern,
    line_um: float,
    um_per_px: float,
    longer: bool,
    *,
    one_sided: bool,
) -> tuple[np.ndarray, np.ndarray]:
    """Cover of the lines, 0 to 1, and the number of the nearest tick at each pixel."""
    number = np.round(s / np.float32(rule.division_um)).astype(np.int32)
    away = np.abs(s - number * np.float32(rule.division_um))
    wide, length = np.asarray(line_um, np.float32), np.asarray(rule.tick_um, np.float32)
    if longer and rule.tick_um < 1e6:
        length = length * np.where(
            number % rule.steps[1] == 0, 2.0, np.where(number % rule.steps[0] == 0, 1.5, 1.0)
        ).astype(np.float32)
    elif longer:
        wide = wide * np.where(number % 20 == 0, 2.0, np.where(number % 5 == 0, 1.5, 1.0)).astype(np.float32)
    pixel = np.float32(um_per_px)
    ink = np.clip((wide / 2 - away) / pixel + 0.5, 0, np.minimum(wide / pixel, 1))
    reach = t if one_sided else np.abs(t)
    ink = ink * np.clip((length * (1.0 if one_sided else 0.5) - reach) / pixel + 0.5, 0, 1)
    if one_sided:
        ink = ink * np.clip(t / pixel + 0.5, 0, 1)
    return ink * ((number >= 0) & (number <= rule.divisions)), number


def _numbers(s: np.ndarray, t: np.ndarray, rule: Pattern, beyond: float) -> np.ndarray:
    """Cover, 0 to 1, of the numbers at the longest ticks, `beyond` plain tick lengths off the middle."""
    step, height = rule.division_um * rule.steps[1], 0.6 * rule.tick_um
    label = np.round(s / np.float32(step)).astype(np.int32)
    x = (s - label * np.float32(step)) / np.float32(height) + np.float32(0.5)
    y = (t - np.float32(beyond * rule.tick_um)) / np.float32(height)
    ink = np.zeros(s.shape, np.float32)
    at = np.nonzero(
        (x >= 0) & (x < 1) & (y >= 0) & (y < 1) & (label >= 0) & (label * rule.steps[1] <= rule.divisions)
    )
    size = 64
    for number in np.unique(label[at]):
        glyph = np.zeros((size, size), np.uint8)
        cv2.putText(
            glyph,
            str(number),
            (4, 52),
            cv2.FONT_HERSHEY_SIMPLEX,
            1.6 if number < 10 else 1.1,
            255,
            4,
            cv2.LINE_AA,
        )
        mine = label[at] == number
        rows, cols = at[0][mine], at[1][mine]
        ink[rows, cols] = glyph[(y[rows, cols] * size).astype(int), (x[rows, cols] * size).astype(int)] / 255
    return ink


def _dust(rng: np.random.Generator, density: np.ndarray) -> None:
    """Add specks on the ruling to `density`."""
    layer = np.zeros(density.shape, np.uint8)
    for _ in range(int(rng.integers(0, 60))):
        size = log_between(rng, (0.003, 0.03)) * min(density.shape)
        points = lump_outline(rng, size, 0.25, rng.uniform(1, 2)) + rng.uniform(0, 1, 2) * density.shape[::-1]
        cv2.fillPoly(
            layer, [np.round(points * 16).astype(np.int32)], int(rng.integers(60, 255)), cv2.LINE_AA, 4
        )
    density += layer.astype(np.float32) * np.float32(rng.uniform(0.3, 1.2) / 255)
