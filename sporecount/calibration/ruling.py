"""Read a ruling: from a photo to um per px with uncertainty, or a refusal that says why."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.calibration.centres import measure_middles
from sporecount.calibration.choose import best_sets
from sporecount.calibration.lattice import Lattice, Lines, View, fit_lattice
from sporecount.calibration.line_sets import LineSet, points_of
from sporecount.calibration.plausible import settle_division
from sporecount.calibration.records import RULING_ACCURACY, LineTable, RulingReading
from sporecount.calibration.refusals import refuse

UNSURE = 0.001
"""Relative standard uncertainty of the fit from which a remark says how to get a surer one."""


def read_ruling(
    photo: np.ndarray,
    *,
    division_um: float | None = None,
    objective: float | None = None,
    round_view: tuple[float, float, float] | None = None,
    field_number_mm: float = 18.0,
) -> RulingReading:
    """Read the scale of a photo from a ruling in it.

    Parameters
    ----------
    photo : ndarray of shape (H, W, 3) or (H, W)
        RGB or grey, any integer or float type.
    division_um : float, optional
        Size of the ruling's finest division; told from the view when None.
    objective : float, optional
        Magnification such as 10, to check the division against the view.
    round_view : tuple of float, optional
        Centre x, y and radius in px of the eyepiece's circle. None: its edge is not in the photo.
    field_number_mm : float
        Of the eyepiece.

    Returns
    -------
    RulingReading

    Raises
    ------
    CalibrationError
        With a code of `refusals.REFUSALS`; never a number where the ruling cannot be trusted.

    Notes
    -----
    Coarse to fine: local Fourier peaks on many scales, the strip of lines found by its likeness to itself one
    period on, lines numbered by phase, their middles measured sub-pixel in many places, and a homography with
    radial distortion fitted to all of them robustly. About 1 s for 12 megapixels.
    """
    gray = _gray(photo)
    height, width = gray.shape
    seen = _seen(gray.shape, round_view)
    centre = round_view[:2] if round_view is not None else ((width - 1) / 2, (height - 1) / 2)
    view = View(float(centre[0]), float(centre[1]), float(np.hypot(width, height) / 2))
    first, second = best_sets(gray, seen, view)
    sets = [first] if second is None else [first, second]
    lattice, lines = _fit_together(gray, sets, view)
    per_px, per_px_u = lattice.at_centre()
    pattern = _pattern(first, second)
    px = 1 / per_px
    division, source, warnings = settle_division(
        px,
        named_um=division_um,
        objective=objective,
        field_number_mm=field_number_mm,
        view_radius_px=None if round_view is None else float(round_view[2]),
        photo_diagonal_px=2 * view.half_px,
        lit_to_corners=_lit_to_corners(gray),
        grid=pattern == "grid",
    )
    um_per_px = division * per_px
    relative = np.sqrt(
        (per_px_u / per_px) ** 2 + RULING_ACCURACY**2 + _off_axis_u(lattice, width, height) ** 2
    )
    both = lattice.anisotropy()
    return RulingReading(
        um_per_px=float(um_per_px),
        um_per_px_u=float(um_per_px * relative),
        angle_deg=lattice.angle_deg(0),
        anisotropy=None if both is None else both[0],
        anisotropy_u=None if both is None else both[1],
        k1=lattice.k1,
        k1_u=float(np.sqrt(lattice.covariance[2, 2])),
        tilt=(float(lattice.params[0]), float(lattice.params[1])),
        divisions=max(one.marks.divisions for one in sets),
        division_um=float(division),
        division_source=source,
        pattern=pattern,
        longer_every=max((one.marks.every for one in sets if one.marks.every in (5, 10)), default=0),
        width_px=width,
        height_px=height,
        center_x_px=view.x_px,
        center_y_px=view.y_px,
        view_radius_px=None if round_view is None else float(round_view[2]),
        objective=objective,
        field_number_mm=field_number_mm,
        warnings=(*warnings, *_remarks(lattice, sets)),
        **_line_table(lattice, lines),
    )


def _off_axis_u(lattice: Lattice, width: int, height: int) -> float:
    """Relative uncertainty from not knowing whether the optics are centred on the view or on the photo."""
    away = np.hypot((width - 1) / 2 - lattice.view.x_px, (height - 1) / 2 - lattice.view.y_px)
    share = float(away) / lattice.view.half_px
    return (2 * abs(lattice.k1) * share + float(np.hypot(*lattice.params[:2]))) * share


def _gray(photo: np.ndarray) -> np.ndarray:
    array = np.asarray(photo)
    if array.ndim not in (2, 3) or min(array.shape[:2]) < 100 or (array.ndim == 3 and array.shape[2] < 3):
        raise refuse("picture-unfit", f"shape {array.shape}")
    if array.dtype != np.uint8:
        top = float(np.iinfo(array.dtype).max) if np.issubdtype(array.dtype, np.integer) else 1.0
        array = (array / top).astype(np.float32)
    if array.ndim == 3:
        array = cv2.cvtColor(np.ascontiguousarray(array[..., :3]), cv2.COLOR_RGB2GRAY)
    gray = array.astype(np.float32) / 255 if array.dtype == np.uint8 else array
    if not np.isfinite(gray).all() or float(np.ptp(gray[::3, ::3])) < 0.02:
        raise refuse("picture-unfit", "no light and dark parts")
    return gray


def _seen(shape: tuple[int, int], round_view: tuple[float, float, float] | None) -> np.ndarray | None:
    if round_view is None:
        return None
    mask = np.zeros(shape, np.uint8)
    x, y, radius = round_view
    cv2.circle(mask, (round(x), round(y)), max(1, int(radius * 0.98)), 1, -1)
    return mask > 0


def _lit_to_corners(gray: np.ndarray) -> bool:
    """Whether the light reaches into all four corners, so that all of the photo lies inside the round view."""
    size = max(4, min(gray.shape) // 30)
    ends = (slice(size), slice(-size, None))
    corners = [gray[rows, cols] for rows in ends for cols in ends]
    return min(float(np.median(one)) for one in corners) > 0.35 * float(np.median(gray[::4, ::4]))


def _fit_together(gray: np.ndarray, sets: list[LineSet], view: View) -> tuple[Lattice, Lines]:
    """Fit all sets with common tilt and distortion, their middles measured anew where the fit puts them."""
    start = fit_lattice(_stack([one.lines for one in sets]), view)
    measured: list[Lines] = []
    for axis, one in enumerate(sets):
        number, x, y = points_of(one.track)
        in_run = (number >= one.marks.first) & (number <= one.marks.last)
        number, x, y = number[in_run], x[in_run], y[in_run]
        band = (one.track.rows[1] - one.track.rows[0]) / one.track.patch.scale * 0.9
        found = measure_middles(gray, start, axis, number, x, y, band, one.track.sign)
        good = found.good
        measured.append(
            Lines(found.x_px[good], found.y_px[good], number[good], np.zeros(int(good.sum()), int))
        )
    lines = _stack(measured)
    return fit_lattice(lines, view, start), lines


def _stack(parts: list[Lines]) -> Lines:
    return Lines(
        np.concatenate([one.x_px for one in parts]),
        np.concatenate([one.y_px for one in parts]),
        np.concatenate([one.number for one in parts]),
        np.concatenate([np.full(len(one.number), axis) for axis, one in enumerate(parts)]),
    )


def _pattern(first: LineSet, second: LineSet | None) -> str:
    if second is None:
        return "ruler"
    if first.marks.every in (5, 10) or second.marks.every in (5, 10):
        return "cross"
    wide = (first.track.strip[1] - first.track.strip[0]) / first.track.patch.period
    return "grid" if wide > 0.6 * first.marks.divisions or all(first.marks.cut) else "cross"


def _remarks(lattice: Lattice, sets: list[LineSet]) -> list[str]:
    out = []
    both = lattice.anisotropy()
    if both is not None and abs(both[0] - 1) > max(0.01, 3 * both[1]):
        out.append(
            f"The scale differs by {100 * abs(both[0] - 1):.1f} % between the two "
            "directions: the phone is tilted."
        )
    if np.abs(lattice.params[:2]).max() > 0.05:
        out.append(
            "The scale changes by more than 10 % towards a corner: straighten the phone on the eyepiece."
        )
    per_px, per_px_u = lattice.at_centre()
    if per_px_u > UNSURE * per_px:
        out.append(
            "The ruling is short, or far from the centre of the view, where the scale is told: "
            "lay it through the centre."
        )
    if min(one.marks.divisions for one in sets) < 10:
        out.append("Fewer than 10 divisions were in view; more make the scale surer.")
    return out


def _line_table(lattice: Lattice, lines: Lines) -> LineTable:
    rows = []
    for axis in np.unique(lines.axis):
        for number in np.unique(lines.number[lines.axis == axis]):
            mine = np.flatnonzero((lines.axis == axis) & (lines.number == number) & (lattice.weight > 0))
            if len(mine):
                rows.append((axis, number, mine))
    fx_all, fy_all = np.zeros(len(lines.x_px)), np.zeros(len(lines.x_px))
    for axis in np.unique(lines.axis):
        part = lines.axis == axis
        fx_all[part], fy_all[part] = lattice.slope_at(lines.x_px[part], lines.y_px[part], int(axis))
    slope = np.hypot(fx_all, fy_all)
    ends = []
    for _, _, mine in rows:
        along = -fy_all[mine] * lines.x_px[mine] + fx_all[mine] * lines.y_px[mine]
        ends.append((mine[along.argmin()], mine[along.argmax()]))
    low = np.array([one[0] for one in ends], int)
    high = np.array([one[1] for one in ends], int)
    residual = np.array(
        [np.average(lattice.residual_px[mine], weights=lattice.weight[mine]) for _, _, mine in rows]
    )
    return {
        "lines": len(rows),
        "residual_px": float(np.sqrt(np.mean(residual**2))),
        "line_axis": np.array([one[0] for one in rows], int),
        "line_number": np.array([one[1] for one in rows], int),
        "line_from_x_px": lines.x_px[low],
        "line_from_y_px": lines.y_px[low],
        "line_to_x_px": lines.x_px[high],
        "line_to_y_px": lines.y_px[high],
        "line_residual_px": residual,
        "line_px_per_division": np.array([1 / slope[mine].mean() for _, _, mine in rows]),
    }
