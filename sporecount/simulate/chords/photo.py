"""A whole photo: its plan by preset, the things on the canvas, the phone, and what can be counted."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.chords.canvas import LUMA, Canvas, Optics
from sporecount.simulate.chords.grounds import GROUNDS, draw_ground
from sporecount.simulate.chords.phone import Phone, draw_phone, noise_of, shoot
from sporecount.simulate.chords.seats import seat, touching
from sporecount.simulate.chords.solids import PIGMENTS, Array, spindle_area
from sporecount.simulate.chords.things import Hand, Look, draw_scale_look, draw_spore_look
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto, SporeTruth

POWERS = {4.0: (0.10, 1.0, 2.2), 10.0: (0.25, 0.3, 1.0), 20.0: (0.4, 0.18, 0.5), 40.0: (0.65, 0.1, 0.25)}
"""Aperture and range of µm per px by objective."""
SORTS = ("scale", "piece", "dust", "hair", "fibre", "bubble", "droplet", "pollen", "mould")
AMOUNTS = {
    "good_focus": (7, 6, 8, 0.6, 0.3, 1.5, 1.5, 0.7, 0.8),
    "ordinary": (8, 9, 12, 1.2, 0.8, 3, 3, 1.5, 2),
    "hard": (15, 18, 25, 3, 4, 10, 7, 3, 4),
    "no_spores": (8, 22, 25, 2.5, 2, 16, 16, 9, 10),
    "heavy": (12, 10, 14, 1.2, 0.6, 3, 2, 1, 1),
    "scan_4x": (30, 25, 30, 2.5, 1.2, 6, 5, 3, 3),
}
"""Mean numbers by sort in a third of a square millimetre (scan_4x: in one), before the photo's own factor."""
PRESETS = tuple(AMOUNTS)
HABITS = {
    "good_focus": ((10,), 0.25, 0.03, 0.1, 0, 0.3),
    "ordinary": ((10, 10, 20, 40), 1.3, 0.1, 0.17, 0, 0.7),
    "hard": ((10, 10, 20), 1.7, 0.3, 0.4, 0.5, 1),
    "no_spores": ((10, 10, 10, 20, 40), 1.0, 0.1, 0.17, 0, 0.7),
    "heavy": ((10,), 0.5, 0.1, 0.17, 0, 0.7),
    "scan_4x": ((4,), 0.5, 0.1, 0.17, 0, 0.7),
}
"""Objectives, focus drift in depths of field, shares lit from above and dimly, least and most roughness."""


def _draw_optics(
    rng: np.random.Generator, shape: tuple[int, int], px: float | None, objective: float | None, preset: str
) -> tuple[Optics, float]:
    if objective is None:
        used = [float(power) for power in HABITS[preset][0]]
        fits = [p for p in used if px is None or POWERS[p][1] <= px <= POWERS[p][2]] or used
        objective = fits[int(rng.integers(len(fits)))]
    na, low, high = POWERS[min(POWERS, key=lambda p: abs(np.log(p / objective)))]
    low = max(low, 0.4) if preset == "heavy" else low
    px = float(np.exp(rng.uniform(np.log(low), np.log(high))) if px is None else px)
    drift_um = HABITS[preset][1] * rng.uniform(0, 1.5) * 0.55 / na**2
    lean = 1.3 * rng.choice([0.3, 1.0]) * drift_um / (px * max(shape))
    sharp = np.hypot(0.21 * 0.55 / na * rng.uniform(1, 1.5), px * rng.uniform(0.4, 0.85))
    focus, bow, axial = rng.normal(0, [drift_um, 0.5 * drift_um, 0.1])
    return Optics(px, na, float(sharp), float(focus), rng.normal(0, lean, 2), bow, axial, shape), objective


def _spore_number(rng: np.random.Generator, preset: str, shape: tuple[int, int], px: float) -> int:
    megapixels = shape[0] * shape[1] / 1e6
    few, some, many = rng.integers(0, 9), rng.integers(3, 151), 155 + rng.gamma(1.5, 350)
    number, least = {
        "good_focus": (rng.integers(5, 81), 5),
        "ordinary": (some if rng.random() < 0.6 else few, 0),
        "hard": (np.exp(rng.uniform(1, 5.5)), 0),
        "no_spores": (0, 0),
        "heavy": (megapixels * np.exp(rng.uniform(np.log(300), np.log(2000))), 200 * megapixels),
        "scan_4x": (few if rng.random() < 0.5 else many, 155),
    }[preset]
    # Spores of about 85 µm² shall not cover more than the half of a view.
    return int(min(number, max(0.45 * megapixels * 1e6 * px * px / 85, least)))


def _scatter(hand: Hand, preset: str, look: Look, area: float) -> dict[str, int]:
    """Lay everything but spores and scales over the view; give back how many of each."""
    rng, size, counts = hand.rng, hand.canvas.optics.shape[::-1], {}
    busy = float(np.clip(area, 0.25, 1.6) * np.exp(rng.normal(-0.1, 0.5)))
    middle = 10 if preset == "no_spores" else rng.uniform(5, 12)
    for name, mean in zip(SORTS[1:], AMOUNTS[preset][1:], strict=True):
        least = 2 if preset == "no_spores" and name not in ("hair", "fibre") else 0
        counts[name] = max(int(rng.poisson(mean * busy * np.exp(rng.normal(-0.1, 0.6)))), least)
        for _ in range(counts[name]):
            # Often the colour of the print's spores; else amber, brown, yellow or grey.
            colour = (look.wall + look.content) * rng.uniform(0.7, 1.4)
            if rng.random() < 0.6:
                colour = rng.uniform(0.1, 0.7) * rng.dirichlet([0.8, 0.8, 0.8]) @ PIGMENTS
            size_um = np.clip(middle * np.exp(rng.normal(0, 0.5)), 3, 70)
            getattr(hand, name)(rng.random(2) * size, size_um, colour)
    return counts


def _truth(
    canvas: Canvas, phone: Phone, spores: tuple[Array, ...], point: float, before: Array, after: Array
) -> tuple[SporeTruth, ...]:
    """Truth of spores (x, y, length, width, angle, blur); grey light without and with them."""
    px, (rows, cols), truths = canvas.optics.um_per_px, canvas.optics.shape, []
    taken, texture = np.log10((before + 1e-4) / (after + 1e-4)), np.log10(before + 1e-3)
    noise = noise_of(phone, after) / np.log(10) * (1 - 0.5 * max(phone.of["smooth"], 0))
    owner, on_scale = np.where(phone.seen, canvas.owner[canvas.view], 0), canvas.scale_here[canvas.view]
    clump = touching(px * np.stack(spores[:2], 1), *spores[2:5])
    for k, (x, y, length, width, angle, blur_um) in enumerate(np.stack(spores, 1).tolist()):
        reach, area_px = int(0.75 * length / px) + 1, spindle_area((length, width), point) / px**2
        box = tuple(slice(max(round(at) - reach, 0), max(round(at) + reach + 1, 0)) for at in (y, x))
        mine, contrast, unrest, free = owner[box] == k + 1, 0.0, 0.0, 0.0
        if mine.any():
            contrast = float(taken[box][mine].mean())
            unrest = 0.35 * texture[box].std() + np.median(noise[box]) * max(0.35, 3 / np.sqrt(area_px))
            rim = (cv2.dilate(mine.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0) & ~mine
            free = float((owner[box][rim] == 0).mean())
        visible = float(mine.sum() / canvas.drawn_px[k + 1])
        # In a pile, enough of the outline must lie free, or be sharp enough to be told from its neighbours.
        followed = free >= 0.5 or (visible >= 0.8 and blur_um <= 0.1 * length)
        row, col = min(max(round(y), 0), rows - 1), min(max(round(x), 0), cols - 1)
        lit = phone.seen[row, col] and phone.of["level"] * np.sqrt(before[row, col]) > 0.07
        inside = (row, col) == (round(y), round(x)) and visible >= 0.5
        strong = abs(contrast) * phone.of["contrast"] > 0.02 + unrest and blur_um <= 0.22 * length
        countable = bool(lit and inside and followed and strong)
        shown = (visible, blur_um, contrast, bool(on_scale[row, col]), int(clump[k]), countable)
        truths.append(SporeTruth(x, y, length, width, angle, *shown))
    return tuple(truths)


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a simulated photo of a tape print, with its truth.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
    um_per_px, objective : float, optional
        Drawn where they are not given.
    preset : str
        One of `PRESETS`.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    shape = (height_px, width_px)
    optics, power = _draw_optics(rng, shape, um_per_px, objective, preset)
    px, canvas = optics.um_per_px, Canvas(optics)
    above, dim, rough = (
        rng.random() < HABITS[preset][2],
        rng.random() < HABITS[preset][3],
        rng.uniform(*HABITS[preset][4:]),
    )
    strength = float(np.exp(np.clip(rng.normal(0, 0.3), -0.5, 0.6)))
    sorts = [draw_scale_look(rng, strength) for _ in range(int(rng.integers(1, 5)))]
    hand = Hand(rng, canvas, sorts[0])
    look, n = draw_spore_look(rng, strength), _spore_number(rng, preset, shape, px)
    length = np.clip(look.of["length_um"] * (1 + rng.normal(0, look.of["spread"], n)), 8.5, 17)
    width = length / np.clip(look.of["aspect"] * (1 + rng.normal(0, 0.03, n)), 1.3, 1.8)
    crowded = preset in ("heavy", "scan_4x") and n > 8
    alone, mean = rng.uniform(*((0.15, 0.6) if crowded else (0.5, 0.95))), rng.uniform(2, 8 if crowded else 3)
    xy_um, angle = seat(rng, length, width, np.array([width_px, height_px]) * px, alone, mean)
    x, y = (xy_um / px).T
    blurs, beneath, scales, torn = np.zeros(n), rng.random(n) < rng.uniform(0, 0.3), 0, rng.uniform(0.1, 0.6)
    area = height_px * width_px * px**2 / (1e6 if preset == "scan_4x" else 3.3e5)
    number = int(rng.poisson(AMOUNTS[preset][0] * np.clip(area, 0.15, 2) * np.exp(rng.normal(0, 0.7))))
    for z_um, which in ((-1, beneath), (1, ~beneath)):
        for k in np.flatnonzero(which):
            place, size = np.array([x[k], y[k], angle[k]]), (float(length[k]), float(width[k]))
            blurs[k] = hand.spore(look, place, size, int(k) + 1, z_um + rng.normal(0, 0.8))
        # Scales come between the spores beneath them and those upon them.
        for place in (rng.random((min(number, 70) * (z_um < 0), 2)) * 1.1 - 0.05) * shape[::-1]:
            scales += hand.scale(place, sorts[int(rng.integers(len(sorts)))], torn)
    counts = _scatter(hand, preset, look, area)
    kind = str(rng.choice(GROUNDS, p=[0.3, 0.25] + [0.45 / (len(GROUNDS) - 2)] * (len(GROUNDS) - 2)))
    ground, ink = draw_ground(rng, shape, px, kind, rough)
    phone = draw_phone(rng, shape, dim, rough)
    passed, others = canvas.light(True), ground * canvas.light(False)
    if above:
        # Light goes through everything twice, and smooth faces throw some of it straight back.
        gleam = cv2.GaussianBlur(canvas.gleam[canvas.view], (0, 0), 1.5 * optics.sharp_um / px)
        passed, others = passed**1.6, rng.uniform(0.5, 1) * others**1.6 + rng.uniform(0.1, 0.9) * gleam
    veil = phone.of["veil"]
    bare, light = (phone.even * (o * (1 - veil) + veil) for o in (others, others * passed))
    kinds = canvas.kinds[canvas.view].copy()
    kinds[ink & (kinds == 0)] = KIND_NAMES.index("other")
    spores = (x, y, length, width, angle, blurs)
    notes = {"style": "chords", "preset": preset, "from_above": bool(above), "dim": bool(dim), "ground": kind}
    notes |= {"defocus_um": optics.focus_um, "spore_length_um": look.of["length_um"]}
    notes |= {name: float(value) for name, value in phone.of.items()}
    notes |= {f"laid_{name}": count for name, count in counts.items()}
    return SimulatedPhoto(
        rgb=shoot(rng, light, phone),
        um_per_px=px,
        objective=power,
        spores=_truth(canvas, phone, spores, look.of["point"], bare @ LUMA, light @ LUMA),
        kind_map=np.where(phone.seen, kinds, 0).astype(np.uint8),
        scales=int(scales),
        notes=notes,
    )
