"""The print as a few sheets of depth: what each absorbs, throws aside and gathers; and how a lens sees them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.rays.forms import Field, Points
from sporecount.simulate.truth import KIND_NAMES

BENEATH, PRINT, ABOVE, TAPE_BACK = range(4)
MARGIN_PX = 40
"""Width of the scene around the photo, so that blur and distortion find something there."""
TILE_PX = 128
SHRINK_PX = 16
SPORE = KIND_NAMES.index("spore")
SCALE = KIND_NAMES.index("scale")
HIDES_OD = 0.5
"""Density of a cover under which nobody makes out a spore in light from below."""


@dataclass(frozen=True)
class Pane:
    """A window of the scene, sampled `k` times finer than the photo.

    `x_um`, `y_um` are relative to the thing's centre, unturned; `step_um` is the fine step.
    """

    rows: slice
    cols: slice
    k: int
    step_um: float
    x_um: Field
    y_um: Field

    def turned(self, angle: float) -> tuple[Field, Field]:
        """Coordinates along and across an axis at `angle` (radians, from +x towards +y)."""
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        x, y = self.x_um[None, :], self.y_um[:, None]
        return x * c + y * s, y * c - x * s

    def fill(self, outline: Points) -> NDArray[np.uint8]:
        """Fill an outline (µm from the centre): 255 inside, smooth edge."""
        mask = np.zeros((len(self.y_um), len(self.x_um)), np.uint8)
        origin = np.array([self.x_um[0], self.y_um[0]])
        points = np.round((outline - origin) / self.step_um * 16).astype(np.int32)
        cv2.fillPoly(mask, [points], 255, cv2.LINE_AA, 4)
        return mask

    def depth(self, mask: NDArray[np.uint8]) -> Field:
        """Distance in µm of inner points to the edge of a filled outline."""
        hard = (mask > 127).astype(np.uint8)
        far = cv2.distanceTransform(hard, cv2.DIST_L2, 5) * np.float32(self.step_um)
        # Takes the steps of single samples off slanting edges.
        return cv2.GaussianBlur(far, (0, 0), 0.9) * (mask.astype(np.float32) / 255)

    def pool(self, fine: Field) -> Field:
        """Mean over the fine samples of each pixel."""
        if self.k == 1:
            return fine
        size = fine.shape[1] // self.k, fine.shape[0] // self.k
        return cv2.resize(fine, size, interpolation=cv2.INTER_AREA)


@dataclass(frozen=True)
class Optics:
    """How the microscope stands: aperture, focus over the view, and how it throws light."""

    um_per_px: float
    aperture: float
    sharp_um: float
    """Deviation of the blur in focus."""
    focus_um: float
    tilt: tuple[float, float]
    """Rise of the print per µm, along x and y."""
    wave_um: float
    """How far the print is from flat."""
    sheets_um: tuple[float, float, float, float]
    """Height of each sheet."""
    stop_slope: float
    """Slope of the light path that an objective no longer gathers: small when the light is narrow."""
    rim_od: float
    """The most that a slope can darken."""
    from_above: bool = False
    light_x: float = 0.5
    light_y: float = -0.5

    def disc_um(self, z_um: Field) -> Field:
        """Radius of the blur disc at a distance from focus."""
        return np.abs(z_um) * np.float32(self.aperture / np.sqrt(1 - self.aperture**2) / 1.25)


class Film:
    """The scene; `lay` puts one body onto a sheet, `view` looks at all of them."""

    def __init__(self, rng: np.random.Generator, optics: Optics, shape: tuple[int, int]) -> None:
        rows, cols = shape[0] + 2 * MARGIN_PX, shape[1] + 2 * MARGIN_PX
        self.optics, self.shape, self.full = optics, shape, (rows, cols)
        self.dense: dict[int, Field] = {}
        self.lens: dict[int, Field] = {}
        self.shine: dict[int, Field] = {}
        self.kinds = np.zeros((rows, cols), np.uint8)
        self.owner = np.full((rows, cols), -1, np.int32)
        self.layers = np.zeros((rows, cols), np.uint8)
        self.scaled = np.zeros((rows, cols), bool)
        y, x = np.mgrid[:rows, :cols].astype(np.float32)
        px = optics.um_per_px
        plane = (x - cols / 2) * np.float32(px * optics.tilt[0]) + (y - rows / 2) * np.float32(
            px * optics.tilt[1]
        )
        swell = rng.normal(0, 1, (3, 4)).astype(np.float32) * np.float32(optics.wave_um)
        wave: Field = cv2.resize(swell, (cols, rows), interpolation=cv2.INTER_CUBIC)
        self.rise_um: Field = plane + wave + np.float32(optics.focus_um)

    def pane(self, x_px: float, y_px: float, reach_um: float, step_um: float) -> Pane | None:
        """Window around a place of the photo, None when it is wholly outside of the scene."""
        return self.pane_of(x_px, y_px, (-reach_um, -reach_um, reach_um, reach_um), step_um)

    def pane_of(
        self, x_px: float, y_px: float, box_um: tuple[float, float, float, float], step_um: float
    ) -> Pane | None:
        """Window over left, top, right, bottom in µm from a place of the photo."""
        px = self.optics.um_per_px
        k = int(np.clip(np.ceil(px / step_um), 1, 7))
        x, y = x_px + MARGIN_PX, y_px + MARGIN_PX
        left, top = (
            max(int(np.floor(x + box_um[0] / px)) - 1, 0),
            max(int(np.floor(y + box_um[1] / px)) - 1, 0),
        )
        right = min(int(np.ceil(x + box_um[2] / px)) + 2, self.full[1])
        bottom = min(int(np.ceil(y + box_um[3] / px)) + 2, self.full[0])
        if right - left < 2 or bottom - top < 2:
            return None
        fine_x = (left - 0.5 + (np.arange((right - left) * k) + 0.5) / k - x) * px
        fine_y = (top - 0.5 + (np.arange((bottom - top) * k) + 0.5) / k - y) * px
        rows, cols = slice(top, bottom), slice(left, right)
        return Pane(rows, cols, k, px / k, fine_x.astype(np.float32), fine_y.astype(np.float32))

    def sheet(self, index: int) -> tuple[Field, Field, Field | None]:
        """Density, curvature and own shine of a sheet."""
        if index not in self.dense:
            self.dense[index] = np.zeros((*self.full, 3), np.float32)
            self.lens[index] = np.zeros(self.full, np.float32)
            if self.optics.from_above:
                self.shine[index] = np.zeros((*self.full, 3), np.float32)
        return self.dense[index], self.lens[index], self.shine.get(index)

    def lay(
        self,
        pane: Pane,
        index: int,
        kind: str,
        body: Field,
        amount_od: Field,
        colour: NDArray[np.floating],
        path_um: Field,
        *,
        rim_od: float | None = None,
        albedo: float = 0.5,
        owner: int = -1,
    ) -> float:
        """Put a body down; return the pixels that it covers.

        Parameters
        ----------
        pane : Pane
        index : int
            The sheet.
        kind : str
            One of `KIND_NAMES`.
        body : ndarray, fine
            Share covered, 0 to 1.
        amount_od : ndarray, fine
            Density absorbed; `colour` gives its part in red, green and blue.
        path_um : ndarray, fine
            Thickness times the difference of refractive index to the glue.
        rim_od : float, optional
            In place of that of the optics.
        albedo : float
            Light given back under light from above, before absorption.
        owner : int
            Number of the spore.
        """
        optics, step = self.optics, np.float32(pane.step_um)
        smooth = cv2.GaussianBlur(path_um, (0, 0), max(0.35 / pane.step_um, 0.5))
        gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3) / (8 * step)
        gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3) / (8 * step)
        steep = (gx * gx + gy * gy) / np.float32(optics.stop_slope**2)
        most = np.float32(optics.rim_od if rim_od is None else rim_od)
        grey = pane.pool(amount_od)
        loss = pane.pool(most * steep / (1 + steep))
        cover = pane.pool(body)
        tint = np.asarray(colour, np.float32)
        dense, lens, shine = self.sheet(index)
        here = pane.rows, pane.cols
        own = grey[..., None] * tint
        lens[here] += pane.pool(cv2.Laplacian(smooth, cv2.CV_32F, ksize=1)) / step**2
        if shine is None:
            own += loss[..., None]
            dense[here] += own
        else:
            # What covers also hides by scattering; slopes towards the lamp are brighter, one slope glints.
            facing = np.clip(
                1 + 2.5 * (gx * np.float32(-optics.light_x) + gy * np.float32(-optics.light_y)), 0.3, 1.9
            )
            glint = ((gx + 0.12 * optics.light_x) ** 2 + (gy + 0.12 * optics.light_y) ** 2) / np.float32(
                0.03**2
            )
            back = pane.pool(facing * body)[..., None] * np.float32(albedo) * 10 ** (-3 * own)
            back += pane.pool(np.exp(-glint) * body * (steep > 0.01))[..., None] * np.float32(0.25)
            own += cover[..., None] * np.float32(0.9 * albedo)
            shine[here] = shine[here] * 10 ** (-2 * own) + back
            dense[here] += own
        number = KIND_NAMES.index(kind)
        mine = cover >= 0.5
        if number != SPORE:
            limit = 0.3 if optics.from_above else HIDES_OD
            opaque = own.mean(axis=2) > limit
            mine &= (self.owner[here] < 0) | opaque
        self.kinds[here][mine] = number
        self.owner[here][mine] = owner
        if number == SPORE:
            self.layers[here] += cover >= 0.5
        if number == SCALE:
            self.scaled[here] |= cover >= 0.5
        return float(cover.sum())

    def view(self, ground: Field) -> Field:
        """Look at the ground through all sheets: linear light of shape (H, W, 3), margin included."""
        optics = self.optics
        light = ground.copy()
        for index in sorted(self.dense):
            z = self.rise_um + np.float32(optics.sheets_um[index])
            if optics.from_above:
                part = np.concatenate([10 ** (-2 * self.dense[index]) - 1, self.shine[index]], axis=2)
            else:
                through = np.exp(np.float32(-2.302585) * self.dense[index]) - 1
                part = np.concatenate([through, self.lens[index][..., None]], axis=2)
            self._look_through(light, part, z)
        return light

    def _look_through(self, light: Field, part: Field, z_um: Field) -> None:
        """Bring one sheet into the light, tile by tile: most tiles are empty or of nearly one blur."""
        optics, px = self.optics, self.optics.um_per_px
        disc = optics.disc_um(z_um) / np.float32(px)
        low, high = max(float(disc.min()), 0.3), max(float(disc.max()), 0.3)
        # Radii this near are mixed without a doubled outline.
        radii = [low]
        while radii[-1] < high - 0.15:
            radii.append(min(max(radii[-1] * 1.35, radii[-1] + 0.45), high))
        sharp_px = max(optics.sharp_um / px, 0.25)
        rows, cols = self.full
        for top in range(0, rows, TILE_PX):
            for left in range(0, cols, TILE_PX):
                box = slice(top, min(top + TILE_PX, rows)), slice(left, min(left + TILE_PX, cols))
                place = np.interp(disc[box], radii, np.arange(len(radii))).astype(np.float32)
                levels = range(int(place.min()), int(np.ceil(place.max())) + 1)
                reach = int(np.ceil(radii[levels[-1]] * 1.3 + 4 * sharp_px)) + 3
                # Starts on a whole step of the tiles, so that shrunken pictures of neighbours agree.
                reach = -(-reach // SHRINK_PX) * SHRINK_PX
                up, back = max(top - reach, 0), max(left - reach, 0)
                wide = part[up : box[0].stop + reach, back : box[1].stop + reach]
                if not wide.any():
                    continue
                base = cv2.GaussianBlur(wide, (0, 0), sharp_px)
                mixed = np.zeros((*place.shape, part.shape[2]), np.float32)
                for level in levels:
                    share = np.maximum(1 - np.abs(place - level), 0)
                    seen = soften(base, radii[level])[top - up :, left - back :][
                        : place.shape[0], : place.shape[1]
                    ]
                    mixed += seen * share[..., None]
                if optics.from_above:
                    light[box] *= 1 + mixed[..., :3]
                    light[box] += mixed[..., 3:]
                else:
                    gathered = np.tanh(-z_um[box] * mixed[..., 3] / np.float32(0.55))
                    light[box] *= (1 + mixed[..., :3]) * (1 + np.float32(0.55) * gathered)[..., None]

    def blur_um(self, x_px: Field, y_px: Field, index: NDArray[np.int_], more_um: float) -> Field:
        """Deviation of all blur at places of the undistorted photo, on given sheets."""
        cols = np.clip(np.round(x_px + MARGIN_PX).astype(int), 0, self.full[1] - 1)
        rows = np.clip(np.round(y_px + MARGIN_PX).astype(int), 0, self.full[0] - 1)
        z = self.rise_um[rows, cols] + np.asarray(self.optics.sheets_um)[index]
        return np.sqrt(self.optics.sharp_um**2 + (self.optics.disc_um(z) / 2) ** 2 + more_um**2)


def soften(picture: Field, radius_px: float) -> Field:
    """Blur with a disc whose edge is a little soft."""
    if radius_px < 0.45:
        return picture
    factor = int(2 ** np.clip(np.floor(np.log2(radius_px / 2.6)), 0, np.log2(SHRINK_PX)))
    rows, cols = picture.shape[:2]
    if factor > 1:
        right, below = -cols % factor, -rows % factor
        picture = cv2.copyMakeBorder(picture, 0, below, 0, right, cv2.BORDER_REPLICATE)
        picture = cv2.resize(
            picture, ((cols + right) // factor, (rows + below) // factor), interpolation=cv2.INTER_AREA
        )
    radius = radius_px / factor
    reach = int(np.ceil(radius + 1))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc = np.clip(radius + 0.5 - np.hypot(x, y), 0, 1)
    disc *= 1 + 0.3 * (np.hypot(x, y) / max(radius, 1)) ** 2
    picture = cv2.filter2D(picture, -1, (disc / disc.sum()).astype(np.float32), borderType=cv2.BORDER_REFLECT)
    if factor > 1:
        whole = cols + right, rows + below
        picture = cv2.resize(picture, whole, interpolation=cv2.INTER_LINEAR)[:rows, :cols]
    return picture
