"""The print as light in eight bands, on which things are laid from the bottom to the top."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.bands.bands import Curve, Stuff
from sporecount.simulate.bands.lens import Lens
from sporecount.simulate.truth import KIND_NAMES

Plane = NDArray[np.floating[Any]]
MARGIN_PX = 16
"""Ground around the photo, so that blur at its border knows what lies beyond."""
_SEEN_THROUGH = 0.5
_LARGE_UM = 45.0
_TILE_PX = 112


@dataclass(frozen=True)
class Frame:
    """A box of the stage with coordinates of a thing's own.

    Parameters
    ----------
    box : tuple of two slices
        Rows and columns of the stage.
    u, v : ndarray of shape (h, w)
        Micrometres along and across the thing, from its centre.
    """

    box: tuple[slice, slice]
    u: Plane
    v: Plane


@dataclass(frozen=True)
class Part:
    """Coverage of a frame by one stuff.

    Parameters
    ----------
    cover : ndarray of shape (h, w)
    loss, back : ndarray of shape (8,)
        Share of the light from beneath that is taken away (below zero: added); light sent back.
    """

    cover: Plane
    loss: Curve
    back: Curve


@dataclass(frozen=True)
class _Tile:
    core: tuple[slice, slice]
    wide: tuple[slice, slice]
    depth: float | Plane


class Stage:
    """Light in eight bands over a field, with what lies where.

    Parameters
    ----------
    ground : ndarray of shape (8, h + 2 MARGIN_PX, w + 2 MARGIN_PX)
        Light of the bare ground; taken over and changed.
    lens : Lens
    from_above : bool
    """

    def __init__(self, ground: NDArray[np.float32], lens: Lens, from_above: bool) -> None:
        self.light = ground
        self.lens = lens
        self.from_above = from_above
        shape = ground.shape[1:]
        self.kinds = np.zeros(shape, np.uint8)
        self.owner = np.full(shape, -1, np.int32)
        self.scaled = np.zeros(shape, bool)

    def part(self, coverage: Plane, stuff: Stuff, on: Stuff | None = None, light: float = 1.0) -> Part:
        """Make a part of a stuff; `on` says what its thing is already made of there."""
        through, back = stuff.through(self.from_above), stuff.back(self.from_above) * np.float32(light)
        if on is None:
            return Part(coverage, 1 - through, back)
        beneath = on.through(self.from_above)
        return Part(coverage, beneath * (1 - through), back - on.back(self.from_above) * (1 - through))

    def frame(
        self, x_px: float, y_px: float, angle_deg: float, reach_um: float, height_um: float
    ) -> Frame | None:
        """Give the box around a place, wide enough for blur; None outside the stage."""
        px = self.lens.um_per_px
        half = reach_um / px if reach_um > _LARGE_UM else 0.0
        at = np.array([[-half, half, -half, half, 0], [-half, -half, half, half, 0]])
        depths = np.asarray(self.lens.depth(x_px + at[0], y_px + at[1], height_um))
        reach = reach_um / px + self.lens.reach_px(np.asarray(self.lens.bin_of(depths))) + 2
        rows, cols = self.light.shape[1:]
        x, y = x_px + MARGIN_PX, y_px + MARGIN_PX
        r0, r1 = max(int(y - reach), 0), min(int(y + reach) + 2, rows)
        c0, c1 = max(int(x - reach), 0), min(int(x + reach) + 2, cols)
        if r1 - r0 < 2 or c1 - c0 < 2:
            return None
        dx = ((np.arange(c0, c1) - x) * px).astype(np.float32)[None, :]
        dy = ((np.arange(r0, r1) - y) * px).astype(np.float32)[:, None]
        cos, sin = np.float32(np.cos(np.radians(angle_deg))), np.float32(np.sin(np.radians(angle_deg)))
        return Frame((slice(r0, r1), slice(c0, c1)), dx * cos + dy * sin, dy * cos - dx * sin)

    def lay(
        self, frame: Frame, parts: Sequence[Part], height_um: float, kind: str | None, inside: Plane | None
    ) -> None:
        """Lay a thing down, blurred by its depth.

        Parameters
        ----------
        kind : str or None
            Name for the map where `inside` (its coverage before blur) is above one half.
        """
        loss = np.stack([one.loss for one in parts], axis=1)
        back = np.stack([one.back for one in parts], axis=1)
        covers = np.stack([one.cover for one in parts])
        _, h, w = covers.shape
        green = np.ones((h, w), np.float32)
        for tile in self._tiles(frame, height_um, covers):
            self._lay_tile(frame, tile, covers, loss, back, green)
        rows, cols = frame.box
        if kind is not None and inside is not None:
            here = inside > 0.5
            self.kinds[rows, cols][here] = KIND_NAMES.index(kind)
            hides = here & (green < _SEEN_THROUGH)
            self.owner[rows, cols][hides] = -1
            if kind == "scale":
                self.scaled[rows, cols][here] = True

    def _tiles(self, frame: Frame, height_um: float, covers: Plane) -> Iterator[_Tile]:
        """Split a thing into boxes of much the same depth, leaving out those that it does not reach."""
        rows, cols = frame.box
        _, h, w = covers.shape
        small = max(h, w) * self.lens.um_per_px < _LARGE_UM or max(h, w) < 1.4 * _TILE_PX
        step = max(h, w) if small else _TILE_PX
        touched = np.asarray(covers.any(axis=0))
        for r in range(0, h, step):
            for c in range(0, w, step):
                core = (slice(r, min(r + step, h)), slice(c, min(c + step, w)))
                x = np.arange(core[1].start, core[1].stop, dtype=np.float32)[None, :] + (
                    cols.start - MARGIN_PX
                )
                y = np.arange(core[0].start, core[0].stop, dtype=np.float32)[:, None] + (
                    rows.start - MARGIN_PX
                )
                if small:
                    middle = self.lens.depth(float(x.mean()), float(y.mean()), height_um)
                    depths = np.array([middle])
                else:
                    depths = np.asarray(self.lens.depth(x[:, [0, -1]], y[[0, -1]], height_um))
                ends = np.asarray(self.lens.bin_of(depths))
                depth: float | Plane = float(depths.mean())
                if np.ptp(ends) > 0.25:
                    depth = np.asarray(self.lens.depth(x, y, height_um), np.float32)
                pad = self.lens.reach_px(ends)
                wide = (
                    slice(max(core[0].start - pad, 0), min(core[0].stop + pad, h)),
                    slice(max(core[1].start - pad, 0), min(core[1].stop + pad, w)),
                )
                if touched[wide].any():
                    yield _Tile(core, wide, depth)

    def _lay_tile(
        self, frame: Frame, tile: _Tile, covers: Plane, loss: Curve, back: Curve, green: Plane
    ) -> None:
        cut = (
            slice(tile.core[0].start - tile.wide[0].start, tile.core[0].stop - tile.wide[0].start),
            slice(tile.core[1].start - tile.wide[1].start, tile.core[1].stop - tile.wide[1].start),
        )
        blurred = np.stack([self.lens.blur(one[tile.wide], tile.depth, cut) for one in covers])
        shape = (8, *blurred.shape[1:])
        flat = blurred.reshape(len(covers), -1)
        kept = np.float32(1) - (loss @ flat).reshape(shape)
        r, c = frame.box[0].start, frame.box[1].start
        patch = self.light[
            :, r + tile.core[0].start : r + tile.core[0].stop, c + tile.core[1].start : c + tile.core[1].stop
        ]
        patch *= kept
        green[tile.core] = kept[4]
        if self.from_above:
            sent = (back @ flat).reshape(shape)
            patch += sent
            np.maximum(patch, np.float32(2e-3), out=patch)
            # Light that the thing itself sends back drowns what lies beneath.
            green[tile.core] = np.minimum(kept[4], 1 - np.maximum(sent[4], 0) / patch[4])
