"""Tell which spores a careful person could count."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.truth import SporeTruth
from tests.recipes.nomad.field import Field, Floats
from tests.recipes.nomad.phone import Phone
from tests.recipes.nomad.spores import Laid, clump_sizes, visible_share

_MOST_BLUR = 0.22
"""Of the length; more leaves no shape."""


class Judge:
    """Compares the view with the same view without its spores."""

    def __init__(
        self,
        field: Field,
        phone: Phone,
        shown: Floats,
        empty: Floats,
        blur_um: Floats,
        view: Floats,
    ) -> None:
        self.field, self.blur_um = field, blur_um
        self.view, self.lit = view, shown * phone.exposure
        # what is overexposed is white, whatever lies there
        shown, empty = (np.clip(light, 1e-4, 1 / phone.exposure) for light in (shown, empty))
        self.density: Floats = np.asarray(np.log10(empty / shown), np.float32)
        self.tone: Floats = np.asarray(np.log10(shown), np.float32)
        self.noise = phone.noise_at(shown) * 0.434
        self.ground: Floats = np.asarray(np.log10(empty), np.float32)

    def truths(self, laid: list[Laid], numbers: list[int]) -> tuple[SporeTruth, ...]:
        """Judge all spores that the view shows in part."""
        sizes = clump_sizes([one.spore for one in laid])
        found = [self._one(n, one, size) for n, one, size in zip(numbers, laid, sizes, strict=True)]
        return tuple(one for one in found if one is not None)

    def _one(self, number: int, laid: Laid, clump: int) -> SporeTruth | None:
        spore, field = laid.spore, self.field
        in_view = laid.cover * (self.view[laid.box] > 0.5)
        area_px = spore.area_um2 / field.um_per_px**2
        if in_view.sum() < 0.02 * area_px:
            return None
        own = laid.cover > 0.5
        if not own.any():
            return None
        dark = self.density[laid.box]
        x, y = spore.x_um / field.um_per_px, spore.y_um / field.um_per_px
        row, col = (int(np.clip(round(v), 0, n - 1)) for v, n in ((y, field.rows), (x, field.cols)))
        visible = visible_share(field, number, laid) * float(in_view.sum() / laid.cover.sum())
        blur = float(self.blur_um[row, col])
        on_scale = bool(field.scale_cover[laid.box][own].mean() > 0.5)
        inside = -0.5 <= x <= field.cols - 0.5 and -0.5 <= y <= field.rows - 0.5
        clear = inside and visible >= 0.5 and blur <= _MOST_BLUR * spore.length_um
        return SporeTruth(
            x_px=float(x),
            y_px=float(y),
            length_um=spore.length_um,
            width_um=spore.width_um,
            angle_deg=float(np.degrees(spore.angle_rad) % 180.0),
            visible=visible,
            blur_um=blur,
            contrast=float(dark[own].mean()),
            on_scale=on_scale,
            clump=clump,
            countable=bool(clear and self._stands_out(laid, own) and self._parted(number, laid, own)),
        )

    def _stands_out(self, laid: Laid, own: np.ndarray) -> bool:
        """Tell whether the change that the spore makes beats noise and what is around it."""
        dark = self.density[laid.box][own]
        change = float(np.sqrt((dark**2).mean()))
        ground = self.ground[laid.box]
        # waves far longer than a spore do not hide it
        fine = ground - cv2.GaussianBlur(ground, (0, 0), laid.spore.length_um / self.field.um_per_px / 2)
        rough = float(fine.std())
        noise = float(self.noise[laid.box][own].mean())
        grains = max(1.0, np.sqrt(own.sum()) / 4)
        lit = float(self.lit[laid.box][own].mean())
        # in the black of a scale or a dark corner the picture's lowest steps are all that is left
        # a crisp outline is followed across the edge of a scale; a soft smudge is lost beside it
        softness = float(self.blur_um[laid.box].mean()) / laid.spore.length_um
        needed = 0.03 + 0.15 * softness + (0.35 + 3.5 * softness) * rough + 1.5 * noise / grains
        return lit > 0.006 and change > needed + 0.0006 / lit

    def _parted(self, number: int, laid: Laid, own: np.ndarray) -> bool:
        """Tell whether a gap or a resolved rim parts it from the spores that touch it."""
        reach = max(1, round(self.blur_um[laid.box].mean() * 1.5 / self.field.um_per_px))
        kernel = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
        owner = self.field.owner[laid.box]
        ring = (cv2.dilate(own.astype(np.uint8), kernel) > 0) & ~own
        if not ring.any():
            return True
        crowded = float(((owner[ring] >= 0) & (owner[ring] != number)).mean())
        softness = float(self.blur_um[laid.box].mean()) / laid.spore.length_um
        # blur closes narrow gaps
        if crowded < 0.5 - 1.5 * softness:
            return True
        tone = self.tone[laid.box]
        rim = own & ~(cv2.erode(own.astype(np.uint8), kernel) > 0)
        core = own & ~rim
        if not core.any():
            return False
        step = abs(float(tone[rim | ring].mean()) - float(tone[core].mean()))
        if softness < 0.06:
            return step > 0.05
        return crowded < 0.92 and step > 0.03 + 0.06 * crowded + 0.5 * max(0.0, softness - 0.1)
