"""Large things as thin sheets in three planes, and how the microscope shows them.

In its plane a sheet absorbs. Out of it, the curvature of its optical path gathers or spreads the light:
the intensity changes by the defocus times the Laplacian of the path (transport of intensity, Teague 1983,
J. Opt. Soc. Am. 73:1434-1441, from memory), bounded because neighbouring rays cross. What is bent out
of the objective's aperture is lost.
"""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np

from sporecount.simulate.condenser.exam import Exam
from sporecount.simulate.condenser.noise import Field
from sporecount.simulate.condenser.waves import blur_sigma_um
from sporecount.simulate.truth import KIND_NAMES

PLANES_UM = {"print": 0.0, "raised": 1.0, "tape": 45.0}
"""Height over the plane of the print; that of "raised" is drawn for each photo."""


class Sheets:
    """The large things of one photo.

    Parameters
    ----------
    shape : tuple of int
    raised_um : float
        Height of the plane "raised".
    """

    def __init__(self, shape: tuple[int, int], raised_um: float) -> None:
        self.shape = shape
        self.height_um = {**PLANES_UM, "raised": raised_um}
        self.density: dict[str, Field] = {}
        self.path_um: dict[str, Field] = {}
        self.below = np.zeros(shape, np.uint8)
        self.above = np.zeros(shape, np.uint8)
        self.hiding = np.zeros(shape, np.float32)
        """Optical density that lies over the spores."""
        self.own_colour = np.zeros((*shape, 3), np.float32)
        self.own_share = np.zeros(shape, np.float32)
        """What the things send back of light from above, and how much of the ground that replaces."""

    def lay(
        self,
        corner: tuple[int, int],
        plane: str,
        kind: str,
        density: Field,
        path_um: Field,
        cover: Field,
        *,
        over_spores: bool = False,
        colour: Field | None = None,
        opaque: float = 0.0,
    ) -> None:
        """Lay a thing down.

        Parameters
        ----------
        corner : tuple of int
            x, y of the patch's first pixel; the patch may reach over the border.
        density : ndarray of shape (h, w, 3)
        path_um, cover : ndarray of shape (h, w)
        colour : ndarray of shape (h, w, 3) or (3,), optional
            What it reflects of light from above.
        opaque : float
            Share of light from above that it does not let through.
        """
        h, w = cover.shape
        x0, y0 = max(corner[0], 0), max(corner[1], 0)
        x1, y1 = min(corner[0] + w, self.shape[1]), min(corner[1] + h, self.shape[0])
        if x1 <= x0 or y1 <= y0:
            return
        here = (slice(y0, y1), slice(x0, x1))
        there = (slice(y0 - corner[1], y1 - corner[1]), slice(x0 - corner[0], x1 - corner[0]))
        if plane not in self.density:
            self.density[plane] = np.zeros((*self.shape, 3), np.float32)
            self.path_um[plane] = np.zeros(self.shape, np.float32)
        self.density[plane][here] += density[there]
        self.path_um[plane][here] += path_um[there]
        kinds = self.above if over_spores else self.below
        kinds[here][cover[there] > 0.5] = KIND_NAMES.index(kind)
        if over_spores:
            self.hiding[here] += density[there][..., 1]
        if colour is not None:
            share = (opaque * cover[there]).astype(np.float32)
            part = colour[there] if np.ndim(colour) == 3 else colour
            self.own_colour[here] += share[..., None] * (part - self.own_colour[here])
            self.own_share[here] += share * (1 - self.own_share[here])


def blur_by_map(image: Field, sigma_px: Field) -> Field:
    """Blur by a standard deviation that changes from place to place: mixed from a ladder of even blurs."""
    low, high = float(sigma_px.min()), float(sigma_px.max())
    rungs = [max(low, 0.3)]
    while rungs[-1] < high * 0.97:
        rungs.append(min(rungs[-1] * 1.7, max(high, 0.31)))
    out = _even_blur(image, rungs[0])
    for lower, upper in pairwise(rungs):
        share = np.clip((sigma_px - lower) / (upper - lower), 0, 1)
        share = share[..., None] if image.ndim == 3 else share
        out += share * (_even_blur(image, upper) - out)
    return out


def _even_blur(image: Field, sigma_px: float) -> Field:
    if sigma_px < 3:
        return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma_px, borderType=cv2.BORDER_REFLECT))
    # A wide blur needs few pixels; box after box is flatter than a Gaussian, as a defocus disc is.
    factor = max(int(sigma_px / 2.5), 1)
    small = cv2.resize(image, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    wide = round(sigma_px / factor * np.sqrt(6)) | 1
    for _ in range(2):
        small = cv2.blur(small, (wide, wide), borderType=cv2.BORDER_REFLECT)
    return np.asarray(cv2.resize(small, image.shape[1::-1], interpolation=cv2.INTER_LINEAR))


def defocus_map(exam: Exam) -> Field:
    """Defocus of the print's plane in µm, (H, W): tilt and bulge of the card."""
    high, wide = exam.shape
    y, x = np.meshgrid(np.linspace(-1, 1, high), np.linspace(-1, 1, wide), indexing="ij")
    at, right, down, bulge = exam.focus_um
    return (at + right * x + down * y + bulge * (x**2 + 0.7 * y**2 - 0.5)).astype(np.float32)


def sigma_map(exam: Exam, defocus_um: Field, extra_um: float = 0.0) -> Field:
    """Give the blur in pixels where the defocus is so."""
    sharp = blur_sigma_um(exam.aperture, exam.coherence, 0.0, extra_um) ** 2
    one = blur_sigma_um(exam.aperture, exam.coherence, 1.0, extra_um) ** 2 - sharp
    return np.sqrt(sharp + one * defocus_um**2) / exam.um_per_px


def seen_through(exam: Exam, sheets: Sheets, defocus_um: Field) -> Field:
    """Share of light from below that passes all sheets, (H, W, 3), as the objective shows it."""
    total = np.ones((*exam.shape, 3), np.float32)
    for plane, density in sheets.density.items():
        away = defocus_um + sheets.height_um[plane]
        sharp_px = max(blur_sigma_um(exam.aperture, 1.0, 0.0) / exam.um_per_px, 0.6)
        path = cv2.GaussianBlur(sheets.path_um[plane], (0, 0), sharp_px)
        bent = cv2.Laplacian(path, cv2.CV_32F, ksize=3) / (4 * exam.um_per_px**2)
        # The 3x3 kernel of size 3 sums to four times the Laplacian. Diffuse light hides what is bent.
        power = 0.75 / (0.35 + exam.coherence)
        glow = -np.clip(power * away, -25, 25) * bent
        slope = np.hypot(
            cv2.Sobel(path, cv2.CV_32F, 1, 0, scale=0.125 / exam.um_per_px),
            cv2.Sobel(path, cv2.CV_32F, 0, 1, scale=0.125 / exam.um_per_px),
        )
        lost = np.minimum((slope / (exam.aperture * (0.6 + 0.6 * exam.coherence))) ** 2, 2.0)
        light = np.exp(-2.302585 * density) * np.exp(0.55 * np.tanh(glow / 0.55) - 0.6 * lost)[..., None]
        total *= blur_by_map(light, sigma_map(exam, away))
    return total
