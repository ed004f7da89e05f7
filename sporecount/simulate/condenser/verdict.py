"""The truth of each spore, and whether a careful person could count it."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.condenser.bodies import outline_area
from sporecount.simulate.condenser.exam import Exam
from sporecount.simulate.condenser.noise import Field
from sporecount.simulate.condenser.phone import Phone
from sporecount.simulate.condenser.portraits import Stamp
from sporecount.simulate.condenser.seats import Seats
from sporecount.simulate.condenser.sheets import Sheets
from sporecount.simulate.condenser.waves import blur_sigma_um
from sporecount.simulate.truth import KIND_NAMES, SporeTruth

VISIBLE_FROM = 0.5
"""Less of a spore than this, and a person does not count it."""
BLUR_TO = 0.22
"""Blur over length from which a spore is a smudge like any other."""
STRENGTH_FROM = 0.03
"""Optical density that the eye sees as a difference at all: about 7 % of the light."""
ROSE = 5.0
"""Contrast over noise, over the whole object, from which a thing is seen (Rose 1948, from memory)."""
TEXTURE_FROM = 1.0
"""Contrast over the unevenness of what lies under the spore."""
HIDING = {False: 0.75, True: 0.25}
"""Optical density that hides what lies under it, with light from below and from above."""


def _smoothed_density(bare: Field, size_px: float) -> Field:
    """Optical density without spores, with what is far smaller than a spore smoothed away."""
    density = -np.log10(np.clip(bare @ np.array([0.3, 0.6, 0.1], np.float32), 1e-4, None))
    return np.asarray(cv2.GaussianBlur(density, (0, 0), max(0.12 * size_px, 0.5)))


def truths(
    exam: Exam,
    phone: Phone,
    seats: Seats,
    stamps: list[Stamp | None],
    number: np.ndarray,
    sheets: Sheets,
    seen: Field,
    bare: Field,
    light: Field,
    away_um: np.ndarray,
) -> tuple[SporeTruth, ...]:
    """Give the truth of all spores of which any part lies in the photo.

    Parameters
    ----------
    stamps : list of Stamp or None
    number : ndarray of shape (H, W), int32
        1 + index of the topmost spore at each pixel.
    seen : ndarray of shape (H, W)
        The round view.
    bare, light : ndarray of shape (H, W, 3)
        Linear light without and with the spores.
    away_um : ndarray of shape (n,)
        Defocus of each spore.
    """
    if not len(seats.x_px):
        return ()
    px = exam.um_per_px
    size_px = exam.look.length_um / px
    rough = _smoothed_density(bare, size_px)
    noise = phone.density_noise(bare @ np.array([0.3, 0.6, 0.1], np.float32))
    hidden = (sheets.hiding > HIDING[exam.from_above]) | (seen < 0.5)
    scale = KIND_NAMES.index("scale")
    on_scale = (sheets.below == scale) | (sheets.above == scale)
    out = []
    for i, stamp in enumerate(stamps):
        x, y = float(seats.x_px[i]), float(seats.y_px[i])
        if stamp is None or not (stamp[3] > 0.5).any():
            continue
        rows, cols, _, cover = stamp
        mine = cover > 0.5
        whole_px = float(cover.sum())
        full_px = seats.length_um[i] * seats.width_um[i] * outline_area(exam.look.tip) / px**2
        inside = -0.5 <= x <= exam.shape[1] - 0.5 and -0.5 <= y <= exam.shape[0] - 0.5
        free = mine & (number[rows, cols] == i + 1) & ~hidden[rows, cols]
        visible = float(np.clip(free.sum() / max(mine.sum(), 1) * min(whole_px / full_px, 1.0), 0, 1))
        # The bare photo lacks other spores too; a person compares with what is between them.
        change = np.log10(np.clip(bare[rows, cols], 1e-5, None) / np.clip(light[rows, cols], 1e-5, None))
        change = cv2.GaussianBlur(change, (0, 0), phone.sigma_px) * (1 - phone.veil)
        mean = float(change[mine].mean())
        strength = float(np.sqrt((change[mine] ** 2).mean()))
        blur_um = blur_sigma_um(exam.aperture, exam.coherence, float(away_um[i]), phone.sigma_px * px)
        # Things beside it confuse nobody; what changes under the spore as much as the spore itself, does.
        around = float(rough[rows, cols][mine].std())
        grain = float(noise[rows, cols][mine].mean())
        countable = (
            inside
            and visible >= VISIBLE_FROM
            and blur_um <= BLUR_TO * seats.length_um[i]
            and strength >= STRENGTH_FROM
            and strength >= TEXTURE_FROM * around
            and strength * np.sqrt(whole_px) >= ROSE * grain
        )
        out.append(
            SporeTruth(
                x_px=x,
                y_px=y,
                length_um=float(seats.length_um[i]),
                width_um=float(seats.width_um[i]),
                angle_deg=float(seats.angle_deg[i]),
                visible=visible,
                blur_um=blur_um,
                contrast=mean,
                on_scale=bool(on_scale[rows, cols][mine].mean() > 0.5),
                clump=int(seats.clump[i]),
                countable=bool(countable),
            )
        )
    return tuple(out)
