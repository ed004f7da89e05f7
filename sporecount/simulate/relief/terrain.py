"""The maps of a print: height, glass, pigment, skin; and how a thing is laid onto them."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

Window = tuple[slice, slice]


@dataclass(frozen=True)
class Matter:
    """What a thing is made of.

    Parameters
    ----------
    dye : ndarray of shape (3,)
        Optical density of one unit of depth, red, green, blue.
    skin : ndarray of shape (3,)
        Share of light from above that its surface gives back.
    opacity : float
        How far the surface hides what lies beneath in light from above, 0 to 1.
    gloss : float
        Strength of its highlights, 0 to 1.
    bend : float
        Refractive index less that of what surrounds it: -0.5 (air in glue) to 0.25.
    """

    dye: np.ndarray
    skin: np.ndarray
    opacity: float
    gloss: float
    bend: float


@dataclass
class Terrain:
    """All maps of a print, on the grid of the photo.

    Parameters
    ----------
    shape : tuple of int
    px_um : float
    from_above : bool
        Whether things hide pigment beneath them.
    """

    shape: tuple[int, int]
    px_um: float
    from_above: bool
    height_um: np.ndarray = field(init=False)
    glass_um: np.ndarray = field(init=False)
    dye: np.ndarray = field(init=False)
    skin: np.ndarray = field(init=False)
    gloss: np.ndarray = field(init=False)
    kind: np.ndarray = field(init=False)
    owner: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.height_um = np.zeros(self.shape, np.float32)
        self.glass_um = np.zeros(self.shape, np.float32)
        self.dye = np.zeros((*self.shape, 3), np.float32)
        self.skin = np.ones((*self.shape, 3), np.float32)
        self.gloss = np.zeros(self.shape, np.float32)
        self.kind = np.zeros(self.shape, np.uint8)
        self.owner = np.full(self.shape, -1, np.int32)

    def size_um(self) -> tuple[float, float]:
        """Width and height of the view."""
        return self.shape[1] * self.px_um, self.shape[0] * self.px_um

    def window(
        self, x_um: float, y_um: float, reach_um: float
    ) -> tuple[Window, np.ndarray, np.ndarray] | None:
        """Give the maps' part around a place, with coordinates in um from there; None outside the view."""
        reach = reach_um + 2 * self.px_um
        left, right = (int(np.floor((x_um + s * reach) / self.px_um)) for s in (-1, 1))
        top, bottom = (int(np.floor((y_um + s * reach) / self.px_um)) for s in (-1, 1))
        left, top = max(left, 0), max(top, 0)
        right, bottom = min(right + 1, self.shape[1]), min(bottom + 1, self.shape[0])
        if right - left < 3 or bottom - top < 3:
            return None
        dx = np.arange(left, right, dtype=np.float32) * self.px_um - x_um
        dy = np.arange(top, bottom, dtype=np.float32) * self.px_um - y_um
        return (slice(top, bottom), slice(left, right)), *np.meshgrid(dx, dy)

    def polygon(self, points_um: np.ndarray) -> tuple[Window, np.ndarray, np.ndarray] | None:
        """Cover (0 to 1) and depth inside the edge in um of a polygon of shape (n, 2), x then y."""
        return self._filled([points_um])

    def strand(
        self, path_um: np.ndarray, half_um: np.ndarray
    ) -> tuple[Window, np.ndarray, np.ndarray] | None:
        """Cover and depth of a path of shape (n, 2) with its half-width at each point."""
        step = np.gradient(path_um, axis=0)
        normal = np.stack((-step[:, 1], step[:, 0]), axis=1) / (np.hypot(*step.T)[:, None] + 1e-9)
        one, two = path_um + normal * half_um[:, None], path_um - normal * half_um[:, None]
        return self._filled(
            [np.stack((one[i], one[i + 1], two[i + 1], two[i])) for i in range(len(path_um) - 1)]
        )

    def _filled(self, polygons_um: list[np.ndarray]) -> tuple[Window, np.ndarray, np.ndarray] | None:
        points = np.concatenate(polygons_um) / self.px_um
        low = np.maximum(np.floor(points.min(axis=0)).astype(int) - 2, 0)
        high = np.minimum(np.ceil(points.max(axis=0)).astype(int) + 3, self.shape[::-1])
        if (high - low < 3).any():
            return None
        mask = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
        for one in polygons_um:
            at = np.round((one / self.px_um - low) * 16).astype(np.int32)
            cv2.fillPoly(mask, [at], 255, cv2.LINE_AA, 4)
        inside = cv2.copyMakeBorder((mask > 127).astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_REPLICATE)
        depth = cv2.distanceTransform(inside, cv2.DIST_L2, 3)[1:-1, 1:-1]
        cover = mask.astype(np.float32) / 255
        return (slice(low[1], high[1]), slice(low[0], high[0])), cover, depth * np.float32(self.px_um)

    def lay(
        self,
        at: Window,
        cover: np.ndarray,
        rise_um: np.ndarray,
        depth: np.ndarray | float,
        matter: Matter,
        kind: int,
        *,
        owner: int = -1,
        drapes: bool = True,
    ) -> None:
        """Lay a thing on whatever is there.

        Parameters
        ----------
        at : window
        cover : ndarray, 0 to 1
        rise_um : ndarray
            Its thickness.
        depth : ndarray or float
            Units of its pigment.
        matter : Matter
        kind, owner : int
            What the maps are to say where it covers.
        drapes : bool
            It follows the ground; otherwise it rests, stiff, on the highest part beneath it.
        """
        ground = self.height_um[at]
        mark = cover >= 0.5
        base = ground
        if not drapes and mark.any():
            base = np.maximum(ground, 0.75 * ground[mark].max())
        self.height_um[at] = ground + cover * (base + rise_um - ground)
        self.glass_um[at] += cover * matter.bend * rise_um
        if self.from_above:
            self.dye[at] *= (1 - 0.85 * matter.opacity * cover)[..., None]
        self.dye[at] += (cover * depth)[..., None] * matter.dye.astype(np.float32)
        hides = (cover * matter.opacity)[..., None]
        self.skin[at] += hides * (matter.skin.astype(np.float32) - self.skin[at])
        self.gloss[at] += cover * (matter.gloss - self.gloss[at])
        self.kind[at][mark] = kind
        self.owner[at][mark] = owner
