"""The lattice of a ruling seen through a tilted, distorting camera, fitted to all its lines at once.

A point (x, y) of the photo, in half diagonals from the centre of the view, is first freed from radial
distortion, X = x (1 + k1 r^2), and then lies on line number

    n(X, Y) = (a X + b Y + c) / (1 + g X + h Y),

which is one row of a plane's homography. A second set of lines has its own a, b, c and shares g, h and k1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

TILT_PRIOR = 0.02
"""Standard deviation expected of g and h before any line is seen: the scale changes by 2 g towards the
corner, so this is 4 %, for a phone that sits in an adapter (common practice). It only speaks where the lines
say little: few of them, far from the centre, or noisy."""

DISTORTION_PRIOR = 0.025
"""Standard deviation expected of k1: eyepiece and phone together, a few percent at the corner (common
practice)."""


@dataclass(frozen=True)
class View:
    """Origin and unit of the lattice's coordinates: centre of the view, half the photo's diagonal."""

    x_px: float
    y_px: float
    half_px: float

    def unit(self, x_px: np.ndarray, y_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Photo pixels to half diagonals from the centre."""
        return (x_px - self.x_px) / self.half_px, (y_px - self.y_px) / self.half_px


@dataclass(frozen=True)
class Lines:
    """Measured points on numbered lines; all columns of shape (m,).

    Parameters
    ----------
    x_px, y_px : ndarray
        Where the line's middle was measured.
    number : ndarray
        Of the line.
    axis : ndarray of int
        0 or 1: which set of lines.
    """

    x_px: np.ndarray
    y_px: np.ndarray
    number: np.ndarray
    axis: np.ndarray


@dataclass(frozen=True)
class Lattice:
    """A fitted lattice.

    Parameters
    ----------
    view : View
    params : ndarray of shape (3 + 3 s,)
        g, h, k1, then a, b, c of each of s sets.
    covariance : ndarray, same size squared
    residual_px : ndarray of shape (m,)
        Along the normal of the lines.
    weight : ndarray of shape (m,)
        0 for points left out as strays, up to 1.
    """

    view: View
    params: np.ndarray
    covariance: np.ndarray
    residual_px: np.ndarray
    weight: np.ndarray

    @property
    def k1(self) -> float:
        """Radial distortion, r in half diagonals."""
        return float(self.params[2])

    def number_at(self, x_px: np.ndarray, y_px: np.ndarray, axis: int = 0) -> np.ndarray:
        """Line number, with fraction, at photo positions."""
        x, y = self.view.unit(np.asarray(x_px, float), np.asarray(y_px, float))
        return _numbers(self.params, x, y, np.full(x.shape, axis))

    def slope_at(self, x_px: np.ndarray, y_px: np.ndarray, axis: int = 0) -> tuple[np.ndarray, np.ndarray]:
        """Divisions per pixel in x and in y at photo positions."""
        step = 0.25
        along_x = self.number_at(x_px + step, y_px, axis) - self.number_at(x_px - step, y_px, axis)
        along_y = self.number_at(x_px, y_px + step, axis) - self.number_at(x_px, y_px - step, axis)
        return along_x / (2 * step), along_y / (2 * step)

    def at_centre(self) -> tuple[float, float]:
        """Divisions per pixel at the centre of the view, and the standard uncertainty.

        With two sets of lines: root of the area scale.
        """
        value = _centre_scale(self.params, self.view)
        slope = _gradient(lambda p: _centre_scale(p, self.view), self.params)
        return value, float(np.sqrt(max(slope @ self.covariance @ slope, 0.0)))

    def anisotropy(self) -> tuple[float, float] | None:
        """Scale along the first set over scale along the second at the centre, and its uncertainty."""
        if len(self.params) < 9:
            return None

        def ratio(p: np.ndarray) -> float:
            first, second = _centre_slopes(p, self.view)
            return float(np.hypot(*first) / np.hypot(*second))

        slope = _gradient(ratio, self.params)
        return ratio(self.params), float(np.sqrt(max(slope @ self.covariance @ slope, 0.0)))

    def angle_deg(self, axis: int = 0) -> float:
        """Direction in which the numbers rise at the centre, in [0, 180)."""
        fx, fy = _centre_slopes(self.params, self.view)[axis]
        return float(np.rad2deg(np.arctan2(fy, fx)) % 180)


def _numbers(params: np.ndarray, x: np.ndarray, y: np.ndarray, axis: np.ndarray) -> np.ndarray:
    g, h, k1 = params[:3]
    abc = params[3:].reshape(-1, 3)[axis]
    bend = 1 + k1 * (x * x + y * y)
    x, y = x * bend, y * bend
    return (abc[..., 0] * x + abc[..., 1] * y + abc[..., 2]) / (1 + g * x + h * y)


def _centre_slopes(params: np.ndarray, view: View) -> list[tuple[float, float]]:
    g, h = params[:2]
    return [((a - c * g) / view.half_px, (b - c * h) / view.half_px) for a, b, c in params[3:].reshape(-1, 3)]


def _centre_scale(params: np.ndarray, view: View) -> float:
    slopes = _centre_slopes(params, view)
    if len(slopes) == 1:
        return float(np.hypot(*slopes[0]))
    (ax, ay), (bx, by) = slopes
    return float(np.sqrt(abs(ax * by - ay * bx)))


def _gradient(function, params: np.ndarray) -> np.ndarray:  # type: ignore[no-untyped-def]
    out = np.zeros(len(params))
    for i in range(len(params)):
        step = 1e-5 * max(1.0, abs(params[i]))
        up, down = params.copy(), params.copy()
        up[i] += step
        down[i] -= step
        out[i] = (function(up) - function(down)) / (2 * step)
    return out


def fit_lattice(lines: Lines, view: View, start: Lattice | None = None, rounds: int = 12) -> Lattice:
    """Fit a lattice by robust least squares (Tukey's weights) with weak priors on tilt and distortion.

    The covariance treats the points of one line as correlated as their residuals show, so that many points
    on a few lines do not pretend to be many lines.

    Parameters
    ----------
    lines : Lines
        At least 3 lines.
    view : View
    start : Lattice, optional
        To start from.
    rounds : int
        Reweighting rounds.
    """
    x, y = view.unit(lines.x_px, lines.y_px)
    sets = int(lines.axis.max()) + 1
    params = start.params.copy() if start is not None else _affine_start(lines, x, y, sets)
    prior = np.zeros(len(params))
    prior[:2], prior[2] = TILT_PRIOR**-2, DISTORTION_PRIOR**-2
    cluster = np.unique(np.stack([lines.axis, lines.number]), axis=1, return_inverse=True)[1].ravel()
    weight = np.ones(len(x))
    residual, jacobian = _linearise(params, x, y, lines, view)
    sigma = _spread(residual) if start is not None else max(_spread(residual), 0.3)
    for turn in range(rounds):
        effective = sigma * _correlation_growth(residual, weight, cluster)
        normal = (jacobian * weight[:, None]).T @ jacobian / effective**2 + np.diag(prior)
        push = (jacobian * weight[:, None]).T @ residual / effective**2 + prior * params
        params = params - np.linalg.solve(normal, push)
        residual, jacobian = _linearise(params, x, y, lines, view)
        if turn >= 2:
            sigma = max(_spread(residual[weight > 0]), 1e-3)
            weight = np.clip(1 - (residual / (5 * sigma)) ** 2, 0, 1) ** 2
    effective = sigma * _correlation_growth(residual, weight, cluster)
    normal = (jacobian * weight[:, None]).T @ jacobian / effective**2 + np.diag(prior)
    return Lattice(view, params, np.linalg.inv(normal), residual, weight)


def _affine_start(lines: Lines, x: np.ndarray, y: np.ndarray, sets: int) -> np.ndarray:
    parts = [np.zeros(3)]
    for axis in range(sets):
        mine = lines.axis == axis
        table = np.stack([x[mine], y[mine], np.ones(mine.sum())], axis=1)
        parts.append(np.linalg.lstsq(table, lines.number[mine].astype(float), rcond=None)[0])
    return np.concatenate(parts)


def _linearise(
    params: np.ndarray, x: np.ndarray, y: np.ndarray, lines: Lines, view: View
) -> tuple[np.ndarray, np.ndarray]:
    """Residuals in px and their derivatives."""
    g, h, k1 = params[:3]
    abc = params[3:].reshape(-1, 3)
    a, b, c = (abc[lines.axis, one] for one in range(3))
    r2 = x * x + y * y
    u, v = x * (1 + k1 * r2), y * (1 + k1 * r2)
    over = 1 + g * u + h * v
    number = (a * u + b * v + c) / over
    period = view.half_px / np.hypot(a - c * g, b - c * h)
    out = np.zeros((len(x), len(params)))
    out[:, 0] = -number * u / over
    out[:, 1] = -number * v / over
    out[:, 2] = ((a - number * g) * x + (b - number * h) * y) * r2 / over
    for axis in range(len(abc)):
        mine = lines.axis == axis
        for one, part in enumerate((u, v, np.ones_like(u))):
            out[mine, 3 + 3 * axis + one] = (part / over)[mine]
    return (number - lines.number) * period, out * period[:, None]


def _spread(residual: np.ndarray) -> float:
    return 1.4826 * float(np.median(np.abs(residual))) + 1e-6


def _correlation_growth(residual: np.ndarray, weight: np.ndarray, cluster: np.ndarray) -> float:
    """How much larger the errors are than independent points of that spread would make them."""
    total = np.bincount(cluster, weights=weight)
    used = total > 0.5
    if used.sum() < 3:
        return 1.0
    mean = np.bincount(cluster, weights=weight * residual)[used] / total[used]
    share = total[used]
    spread2 = float((weight * residual**2).sum() / max(weight.sum(), 1e-9))
    if spread2 <= 0:
        return 1.0
    lines = int(used.sum())
    # the fit has used up about five of the lines' freedoms
    between = float((share * mean**2).sum() / share.sum()) * lines / max(lines - 5.0, 1.0)
    return float(np.sqrt(max(1.0, between / spread2 * float((share**2).sum() / share.sum()))))
