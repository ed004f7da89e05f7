"""Butterfly scales, whole, folded or torn, and small pieces of them."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.condenser.exam import Exam
from sporecount.simulate.condenser.noise import Rng, clouds, wander
from sporecount.simulate.condenser.sheets import Sheets

PIGMENTS = {
    # name: (density of R, G, B; colour under light from above; share of light from above it stops)
    "black": ((1.0, 1.15, 1.25), (0.035, 0.025, 0.02), 0.95),
    "brown": ((0.35, 0.6, 0.85), (0.16, 0.08, 0.04), 0.9),
    "orange": ((0.06, 0.28, 0.75), (0.55, 0.19, 0.03), 0.8),
    "yellow": ((0.04, 0.12, 0.5), (0.6, 0.4, 0.1), 0.7),
    "white": ((0.06, 0.07, 0.09), (0.85, 0.85, 0.82), 0.6),
}


def _pigment(rng: Rng) -> tuple[np.ndarray, np.ndarray, float]:
    name = rng.choice(list(PIGMENTS), p=[0.22, 0.22, 0.22, 0.12, 0.22])
    density, colour, opaque = PIGMENTS[str(name)]
    return np.array(density) * rng.uniform(0.45, 1.3), np.array(colour) * rng.uniform(0.7, 1.3), opaque


def _texture(
    rng: Rng, along: np.ndarray, across: np.ndarray, px: float, length: float, width: float
) -> np.ndarray:
    """Ridges along the scale and ribs between them, where the pixels can show them; mean 1."""
    out = 1 + 0.12 * clouds(rng, along.shape, (18 / px, 5 / px))
    out *= 1 + rng.uniform(-0.5, 0.5) * along / length + rng.uniform(-0.15, 0.35) * (2 * across / width) ** 2
    ridge = rng.uniform(1.6, 3.2)
    if ridge > 2.2 * px:
        phase = 2 * np.pi * (across + 0.3 * np.sin(along / 17 + rng.uniform(0, 6))) / ridge
        out *= 1 + rng.uniform(0.12, 0.45) * np.clip(np.cos(phase) * 1.4, -1, 1)
    rib = rng.uniform(0.8, 1.4)
    if rib > 2.5 * px:
        out *= (
            1 + rng.uniform(0.05, 0.2) * np.sin(2 * np.pi * along / rib) * np.cos(np.pi * across / ridge) ** 2
        )
    return np.clip(out, 0.15, None)


def _outline(rng: Rng, along: np.ndarray, across: np.ndarray, length: float, width: float) -> np.ndarray:
    """Distance inside the outline in µm (negative outside): stalk, shoulders and toothed or round end."""
    s = along / length + 0.5
    knots = np.array([0.0, 0.05, 0.14, 0.32, 0.62, 0.85, 1.0])
    shoulder, end = rng.uniform(0.55, 0.9), rng.uniform(0.45, 0.95)
    half = width / 2 * np.interp(s, knots, [0.12, 0.3, 0.5 * (shoulder + 0.3), shoulder, 1.0, end**0.4, end])
    t = across / (width / 2)
    teeth = int(rng.choice([0, 0, 2, 3, 4, 5]))
    round_end = rng.uniform(0.05, 0.35) * length * t**2
    if teeth:
        saw = np.abs(((t + 1) / 2 * teeth + 0.5) % 1 - 0.5) * 2
        round_end = 0.4 * round_end + rng.uniform(0.05, 0.2) * length * (1 - saw) ** rng.uniform(0.7, 1.5)
    inside = np.minimum(half - np.abs(across), length / 2 - round_end - along)
    inside = np.minimum(inside, along + length / 2)
    stalk = np.minimum(rng.uniform(1.0, 2.2) - np.abs(across), 5 - np.abs(along + length / 2 + 3))
    return np.maximum(inside, stalk)


def _tear(rng: Rng, along: np.ndarray, across: np.ndarray, size: float) -> np.ndarray:
    """Distance inside a ragged cut."""
    turn = rng.normal(0, 0.5) + (np.pi if rng.random() < 0.5 else 0)
    depth = along * np.cos(turn) + across * np.sin(turn)
    side = -along * np.sin(turn) + across * np.cos(turn)
    ragged = wander(rng, 64, 0.35) * size * 0.05
    return depth + rng.uniform(-0.05, 0.3) * size + np.interp(side, np.linspace(-size, size, 64), ragged)


def lay_scale(
    rng: Rng, exam: Exam, sheets: Sheets, length: float, width: float, *, over_spores: bool
) -> None:
    """Lay one scale somewhere in the view."""
    px = exam.um_per_px
    reach = int((length / 2 + 10) / px) + 2
    x, y = int(rng.integers(-reach // 3, exam.shape[1] + reach // 3)), 0
    y = int(rng.integers(-reach // 3, exam.shape[0] + reach // 3))
    # Only what lies in the view is drawn: at high power a scale is larger than the photo.
    left, right = max(x - reach, 0), min(x + reach, exam.shape[1])
    top, low = max(y - reach, 0), min(y + reach, exam.shape[0])
    if right - left < 3 or low - top < 3:
        return
    dx, dy = np.meshgrid((np.arange(left, right) - x) * px, (np.arange(top, low) - y) * px)
    turn = rng.uniform(0, 2 * np.pi)
    along, across = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
    across = across + rng.normal(0, 0.08) * along**2 / length
    inside = _outline(rng, along, across, length, width)
    if rng.random() < 0.22:
        inside = np.minimum(inside, _tear(rng, along, across, length))
    cover = np.clip(0.5 + inside / px, 0, 1).astype(np.float32)
    if not cover.any():
        return
    layers = cover
    if rng.random() < 0.12:  # one side is folded over and lies twice
        line = rng.uniform(0.1, 0.35) * width
        layers = cover * (1 + np.clip((across - line) / px, 0, 1) * np.clip((2.2 * line - across) / px, 0, 1))
    density, colour, opaque = _pigment(rng)
    texture = _texture(rng, along, across, px, length, width)
    amount = layers * texture * (1 + 0.5 * np.exp(-((inside / 1.2) ** 2)))
    curl = np.clip(inside / rng.uniform(1.0, 3.5), 0, 1)
    path = rng.uniform(0.05, 0.4) * curl * (0.8 + 0.2 * texture) * cover
    gloss = np.clip(1 + 0.5 * np.cos(2 * across / width * 2 + rng.uniform(0, 6)) * texture, 0.3, 3)
    sheen = rng.uniform(0.0, 0.12) * np.array([0.8, 0.9, 1.0])
    sheets.lay(
        (left, top),
        "raised" if rng.random() < 0.25 else "print",
        "scale",
        (amount[..., None] * density).astype(np.float32),
        path.astype(np.float32),
        cover,
        over_spores=over_spores,
        colour=(gloss[..., None] * (colour + sheen * texture[..., None] ** 3)).astype(np.float32),
        opaque=opaque,
    )


def lay_piece(rng: Rng, exam: Exam, sheets: Sheets, size: float, *, over_spores: bool) -> None:
    """Lay a torn bit of a scale; the smallest are as large as a spore."""
    px = exam.um_per_px
    n = int(2.6 * size / px) | 1
    if n < 5:
        n = 5
    x, y = int(rng.integers(0, exam.shape[1])), int(rng.integers(0, exam.shape[0]))
    at = (np.arange(n) - n // 2) * px
    dx, dy = np.meshgrid(at, at)
    turn = rng.uniform(0, 2 * np.pi)
    along, across = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
    # It splits along the ridges more evenly than across them.
    wide = size * rng.uniform(0.2, 0.55)
    slit = np.interp(along, np.linspace(-size, size, 24), wander(rng, 24, 0.3) * wide * 0.3)
    inside = wide - np.abs(across + rng.normal(0, 0.25) * along + slit)
    for way in (1, -1):
        ragged = wander(rng, 24, 0.6) * size * 0.2
        end = size * rng.uniform(0.35, 0.6) + np.interp(across, np.linspace(-size, size, 24), ragged)
        inside = np.minimum(inside, end + rng.normal(0, 0.4) * across - way * along)
    cover = np.clip(0.5 + inside / px, 0, 1).astype(np.float32)
    density, colour, opaque = _pigment(rng)
    texture = _texture(rng, along, across, px, max(size, 10), max(size, 10))
    amount = cover * texture
    sheets.lay(
        (x - n // 2, y - n // 2),
        "print",
        "scale piece",
        (amount[..., None] * density).astype(np.float32),
        (rng.uniform(0.05, 0.3) * np.clip(inside / 1.5, 0, 1)).astype(np.float32),
        cover,
        over_spores=over_spores,
        colour=(texture[..., None] * colour).astype(np.float32),
        opaque=opaque,
    )


def lay_scales(rng: Rng, exam: Exam, sheets: Sheets, *, over_spores: bool, share: float) -> int:
    """Lay scales until their share of the view is covered; return how many lie mostly inside it."""
    area = 0.0
    number = 0
    aim = exam.scale_cover * share * exam.view_mm2 * 1e6
    kind = rng.uniform(0.8, 1.2)
    while area < aim:
        length = float(np.clip(kind * rng.normal(115, 30), 60, 200))
        width = float(np.clip(length * rng.uniform(0.3, 0.75), 26, 95))
        # The last one is laid by chance, so that small views get none as often as they should.
        if aim - area < 0.7 * length * width and rng.random() > (aim - area) / (0.7 * length * width):
            break
        lay_scale(rng, exam, sheets, length, width, over_spores=over_spores)
        area += 0.7 * length * width
        number += 1
    for _ in range(int(rng.poisson(exam.per_mm2["piece"] * exam.view_mm2 * share))):
        lay_piece(
            rng, exam, sheets, float(np.exp(rng.uniform(np.log(5), np.log(45)))), over_spores=over_spores
        )
    return number
