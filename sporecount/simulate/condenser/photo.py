"""A photo with its truth, put together from ground, sheets, stamps and phone."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.condenser.bodies import SPECKS
from sporecount.simulate.condenser.exam import Exam, draw_exam
from sporecount.simulate.condenser.ground import draw_ground, lay_glue
from sporecount.simulate.condenser.noise import Field, Rng
from sporecount.simulate.condenser.phone import draw_phone, shoot
from sporecount.simulate.condenser.portraits import Studio, speck_stamps, spore_stamps
from sporecount.simulate.condenser.scales import lay_scales
from sporecount.simulate.condenser.seats import draw_seats
from sporecount.simulate.condenser.sheets import Sheets, blur_by_map, defocus_map, seen_through, sigma_map
from sporecount.simulate.condenser.threads import lay_threads
from sporecount.simulate.condenser.verdict import truths
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto

KIND_OF_SPECK = {"bubble": "bubble", "droplet": "other", "pollen": "pollen", "mould": "other", "dust": "dust"}
SPORE_BROWN = np.array([0.30, 0.15, 0.06], np.float32)
"""What a spore itself sends back of light from above (a guess by eye)."""


def _lay_specks(
    rng: Rng,
    exam: Exam,
    studio: Studio,
    sheets: Sheets,
    defocus_um: Field,
    passed: Field,
    *,
    over_spores: bool,
) -> None:
    for kind in SPECKS:
        number = min(int(rng.poisson(0.5 * exam.per_mm2[kind] * exam.view_mm2)), 150)
        for (rows, cols, light, cover), inked in speck_stamps(rng, exam, studio, kind, number, defocus_um):
            passed[rows, cols] *= light
            kinds = sheets.above if over_spores else sheets.below
            kinds[rows, cols][cover > 0.5] = KIND_NAMES.index(KIND_OF_SPECK[kind])
            if over_spores:
                sheets.hiding[rows, cols] += inked * cover


def _lit(exam: Exam, sheets: Sheets, ground: Field, passed: Field, defocus_um: Field) -> Field:
    """Light of the print without its spores."""
    through = seen_through(exam, sheets, defocus_um)
    if not exam.from_above:
        return ground * through * passed
    # Light from above passes twice, and what does not pass comes back in the thing's own colour.
    shares = np.dstack([sheets.own_colour, sheets.own_share])
    shares = blur_by_map(shares, sigma_map(exam, defocus_um))
    lamp = ground.mean(axis=(0, 1))
    return (ground * through**1.5 * (1 - shares[..., 3:]) + lamp * shares[..., :3]) * passed


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
        One of `exam.PRESETS`.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    exam = draw_exam(rng, (int(height_px), int(width_px)), um_per_px, objective, preset)
    rough = preset == "hard" or rng.random() < 0.15
    phone = draw_phone(rng, rough=rough, dim=exam.dim)
    sheets = Sheets(exam.shape, raised_um=rng.uniform(3, 20))
    defocus_um = defocus_map(exam)
    studio = Studio(rng, exam)
    ground, seen = draw_ground(rng, exam, sheets, defocus_um)
    passed = np.ones((*exam.shape, 3), np.float32)

    scales = lay_scales(rng, exam, sheets, over_spores=False, share=0.8)
    _lay_specks(rng, exam, studio, sheets, defocus_um, passed, over_spores=False)
    seats = draw_seats(rng, exam)
    at = np.clip(
        np.round([seats.y_px, seats.x_px]).astype(int),
        0,
        np.array([[exam.shape[0] - 1], [exam.shape[1] - 1]]),
    )
    away_um = defocus_um[at[0], at[1]] + seats.lift_um
    stamps = spore_stamps(rng, exam, studio, seats, away_um)
    spores = np.ones((*exam.shape, 3), np.float32)
    number = np.zeros(exam.shape, np.int32)
    for i, stamp in enumerate(stamps):
        if stamp is not None:
            rows, cols, light, cover = stamp
            spores[rows, cols] *= light
            number[rows, cols][cover > 0.5] = i + 1
    scales += lay_scales(rng, exam, sheets, over_spores=True, share=0.2)
    _lay_specks(rng, exam, studio, sheets, defocus_um, passed, over_spores=True)
    lay_threads(rng, exam, sheets)
    lay_glue(rng, exam, sheets)

    bare = _lit(exam, sheets, ground, passed, defocus_um)
    light = bare * spores
    if exam.from_above:
        light += 0.35 * ground.mean() * SPORE_BROWN * np.clip(1 - spores, 0, 1)
    rgb = shoot(rng, light, phone)
    kinds = np.where(number > 0, np.uint8(KIND_NAMES.index("spore")), sheets.below)
    kinds = np.where(sheets.above > 0, sheets.above, kinds).astype(np.uint8)
    kinds[seen < 0.5] = 0
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=exam.um_per_px,
        objective=exam.objective,
        spores=truths(exam, phone, seats, stamps, number, sheets, seen, bare, light, away_um),
        kind_map=kinds,
        scales=scales,
        notes={
            "style": "condenser",
            "preset": preset,
            "from_above": exam.from_above,
            "dim": exam.dim,
            "ground": exam.ground,
            "coherence": round(exam.coherence, 3),
            "slanted": exam.slant != (0.0, 0.0),
            "defocus_um": [round(float(v), 2) for v in exam.focus_um],
            "round_view": bool((seen < 0.5).any()),
            "jpeg_quality": phone.quality,
        },
    )
