"""From layers of density to linear light: support, focus that varies over the view, fringes, light source."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.canvas import LAYERS, Canvas, View
from sporecount.simulate.ranges import PrintRanges
from sporecount.simulate.sample import PrintSample, between, log_between

APERTURE = {4.0: 0.10, 5.0: 0.12, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
"""Numerical aperture of common objectives (engraved on them; common practice)."""

WAVE_UM = 0.55


def aperture(objective: float) -> float:
    """Numerical aperture of an objective, from the nearest common one."""
    return APERTURE[min(APERTURE, key=lambda m: abs(np.log(m / objective)))]


@dataclass(frozen=True)
class Focus:
    """Height of focus over the view.

    Parameters
    ----------
    objective : float
    best_um : float
        Blur (standard deviation) at best focus: diffraction, eyepiece and phone lens.
    height : tuple of float
        Defocus in um as c0 + cx x + cy y + cr (x^2 + y^2), x and y from -1 to 1 over the longer side.
    wave_um : float
        Standard deviation of the card's waviness, as defocus in um.
    layer_um : tuple of float
        Height of the layers over the print plane.
    channel_um : tuple of float
        Shift of focus of red, green, blue.
    fringe : float
        Strength of the fringes, 0 incoherent to 1.
    flat : float
        0 for a Gaussian defocus blur, towards 1 for one with a flat top, like the disc of a round aperture.
    seed : int
        Of the waviness, which belongs to the place on the print.
    """

    objective: float
    best_um: float
    height: tuple[float, float, float, float]
    wave_um: float
    layer_um: tuple[float, ...]
    channel_um: tuple[float, float, float]
    fringe: float
    flat: float
    seed: int

    @property
    def blur_per_um(self) -> float:
        """Blur (standard deviation, um) for each um of defocus: half the radius of the cone of light."""
        return aperture(self.objective) / 2

    def defocus_um(self, view: View, layer: int, step: int) -> np.ndarray:
        """Signed defocus over the view on every `step`-th pixel of the drawing grid."""
        long = max(view.work_width, view.work_height) / 2
        x = (np.arange(0, view.work_width, step) - view.work_width / 2) / long
        y = (np.arange(0, view.work_height, step) - view.work_height / 2) / long
        c0, cx, cy, cr = self.height
        flat = c0 + cx * x[None, :] + cy * y[:, None] + cr * (x[None, :] ** 2 + y[:, None] ** 2)
        if self.wave_um:
            cells = max(int(max(view.width_px, view.height_px) * view.um_per_px / 250), 2) + 2
            wave = np.random.default_rng(self.seed).standard_normal((cells, cells)).astype(np.float32)
            flat = flat + self.wave_um * cv2.resize(wave, flat.shape[::-1], interpolation=cv2.INTER_CUBIC)
        return (flat + self.layer_um[layer]).astype(np.float32)


def draw_focus(rng: np.random.Generator, ranges: PrintRanges, objective: float) -> Focus:
    """Draw a focus within the ranges."""
    cone = aperture(objective) / 2
    centre = between(rng, ranges.focus_blur_um) * rng.random() ** 0.7 / cone * rng.choice([-1, 1])
    spread = between(rng, ranges.focus_spread_um) * rng.random() / cone
    heading, curved = rng.uniform(0, 2 * np.pi), rng.uniform(0, 0.6)
    depth = WAVE_UM / (2 * aperture(objective) ** 2)
    lift = rng.uniform(-1, 1) * 2.0
    return Focus(
        objective=objective,
        best_um=0.21 * WAVE_UM / aperture(objective) * between(rng, ranges.blur_gain),
        height=(
            float(centre),
            float(spread * (1 - curved) * np.cos(heading)),
            float(spread * (1 - curved) * np.sin(heading)),
            float(spread * curved * rng.choice([-1, 1])),
        ),
        wave_um=between(rng, ranges.card_wave_um) / cone * float(rng.random() ** 2),
        layer_um=(0.0, float(lift), float(abs(rng.normal(0, 10)) * np.sign(lift))),
        channel_um=(float(rng.normal(0, 0.35) * depth), 0.0, float(rng.normal(0, 0.35) * depth)),
        fringe=log_between(rng, ranges.fringe),
        flat=between(rng, ranges.flat_blur) if rng.random() < 0.5 else 0.0,
        seed=int(rng.integers(2**31)),
    )


def soften(image: np.ndarray, sigma_px: float) -> np.ndarray:
    """Gaussian blur; wide ones on a reduced picture, where nothing fine is left."""
    if sigma_px < 0.25:
        return image
    if sigma_px < 5:
        return cv2.GaussianBlur(image, (0, 0), sigma_px, borderType=cv2.BORDER_REFLECT)
    factor = int(sigma_px / 2.0)
    size = (max(image.shape[1] // factor, 2), max(image.shape[0] // factor, 2))
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / factor, borderType=cv2.BORDER_REFLECT)
    return cv2.resize(small, image.shape[1::-1], interpolation=cv2.INTER_LINEAR)


def soften_flat(image: np.ndarray, sigma_px: float, flat: float) -> np.ndarray:
    """Blur of standard deviation `sigma_px` whose kernel has a flatter top than a Gaussian's.

    Difference of two Gaussians, (1 + f) G(s) - f G(0.6 s), with s set so that the variance is kept.
    """
    if flat == 0 or sigma_px < 1.2:
        return soften(image, sigma_px)
    wide = sigma_px / np.sqrt(1 + 0.64 * flat)
    return (1 + np.float32(flat)) * soften(image, wide) - np.float32(flat) * soften(image, 0.6 * wide)


def soften_varying(
    image: np.ndarray, sigma_px: np.ndarray, most_levels: int = 5, flat: float = 0.0
) -> np.ndarray:
    """Blur whose width varies over the picture, from a few evenly blurred ones blended by variance.

    Parameters
    ----------
    image : ndarray of shape (h, w) or (h, w, c), float32
    sigma_px : ndarray of shape (h', w')
        On any coarser grid over the same picture.
    most_levels : int
    flat : float
        As in `soften_flat`.
    """
    low, high = float(sigma_px.min()), float(sigma_px.max())
    if high < low * 1.12 + 0.05:
        return soften_flat(image, (low + high) / 2, flat)
    levels = int(np.clip(np.ceil(np.log(high / max(low, 0.2)) / np.log(1.5)), 1, most_levels - 1)) + 1
    rungs = np.geomspace(max(low, 0.2), high, levels) ** 2
    place = np.interp(sigma_px**2, rungs, np.arange(levels)).astype(np.float32)
    place = cv2.resize(place, image.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    out = np.zeros_like(image)
    for i, variance in enumerate(rungs):
        weight = np.maximum(1 - np.abs(place - i), 0)
        rows, cols = np.flatnonzero(weight.any(1)), np.flatnonzero(weight.any(0))
        if not rows.size:
            continue
        sigma = float(np.sqrt(variance))
        reach = int(4 * sigma) + 2  # blur no more of the picture than this level is used for
        top, bottom, left, right = rows[0], rows[-1] + 1, cols[0], cols[-1] + 1
        up, aside = max(top - reach, 0), max(left - reach, 0)
        part = np.ascontiguousarray(image[up : bottom + reach, aside : right + reach])
        blurred = soften_flat(part, sigma, flat)[top - up : bottom - up, left - aside : right - aside]
        share = weight[top:bottom, left:right]
        out[top:bottom, left:right] += blurred * (share if image.ndim == 2 else share[..., None])
    return out


def support_light(sample: PrintSample, view: View) -> np.ndarray:
    """Light of the empty support over the drawing grid, (h, w, 3), linear, about 1 from below.

    Card: cloudy on several scales, with a mat of paper fibres; glass: nearly even. The texture belongs to the
    sample and is laid out over the print, so that overlapping views show the same card.
    """
    h, w = view.work_height, view.work_width
    grid = view.work_um
    cell = max(1500.0, 1.2 * max(w, h) * grid)
    cloud = _card_cloud(sample, cell)
    step = cell / cloud.shape[0]
    matrix = np.array(
        [
            [grid / step, 0, ((view.x_um - w / 2 * grid) % cell) / step],
            [0, grid / step, ((view.y_um - h / 2 * grid) % cell) / step],
        ]
    )
    field = cv2.warpAffine(
        cloud, matrix, (w, h), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_WRAP
    )
    light = np.exp(-2.302585 * sample.mottle * field)
    return light[..., None] * np.asarray(sample.paper, np.float32)


def _card_cloud(sample: PrintSample, cell_um: float) -> np.ndarray:
    """Repeating density pattern of a card, unit spread, over a square of `cell_um`.

    Clouds of several sizes are drawn as one random spectrum, so that the pattern repeats without a seam.
    """
    rng = np.random.default_rng(sample.seed)
    n = int(np.clip(cell_um / 2.4, 512, 1600))
    step_um = cell_um / n
    wave = (np.fft.fftfreq(n)[:, None] ** 2 + np.fft.rfftfreq(n)[None, :] ** 2).astype(np.float32)
    above = sample.light == "above"
    power = np.zeros_like(wave)
    for size_um, strength in (
        (400.0, 0.5),
        (130.0, 0.8),
        (45.0, 0.7),
        (16.0, 0.35),
        (8.0, 0.5 if above else 0.1),
    ):
        band = _gaussian(wave, size_um / 3 / step_um) ** 2
        power += (strength * rng.uniform(0.4, 1.3)) ** 2 * band / band.sum()
    noise = rng.standard_normal((2, *wave.shape), dtype=np.float32)
    total = _unit(np.fft.irfft2((noise[0] + 1j * noise[1]) * np.sqrt(power), s=(n, n)))
    if sample.support == "card":
        mat = np.fft.rfft2(_fibre_mat(rng, n, step_um))
        softness = (rng.uniform(1.0, 3.0) if above else rng.uniform(1.3, 8.0)) / step_um
        total = total + rng.uniform(0.4, 1.6) * _unit(
            np.fft.irfft2(mat * _gaussian(wave, softness), s=(n, n))
        )
    return _unit(total).astype(np.float32)


def _gaussian(wave: np.ndarray, sigma_px: float) -> np.ndarray:
    """Transfer of a Gaussian blur at squared frequencies `wave`."""
    return np.exp(np.float32(-2 * np.pi**2 * sigma_px**2) * wave)


def _unit(field: np.ndarray) -> np.ndarray:
    """Field of mean 0 and standard deviation 1."""
    return (field - field.mean()) / max(float(field.std()), 1e-9)


def _fibre_mat(rng: np.random.Generator, n: int, step_um: float) -> np.ndarray:
    """Paper fibres over a repeating square of n x n steps, some darker, some lighter than the card."""
    mat = np.zeros((n, n), np.float32)
    crowd = int(rng.uniform(8, 70) * (n * step_um / 1500) ** 2)
    for _ in range(10):
        layer = np.zeros((n, n), np.uint8)
        for _ in range(crowd):
            turn = np.cumsum(rng.normal(0, 0.12, 24)) + rng.uniform(0, 2 * np.pi)
            path = np.cumsum(np.column_stack([np.cos(turn), np.sin(turn)]), 0) * rng.uniform(12, 44) / step_um
            path += rng.uniform(0, n, 2)
            thick = max(int(rng.uniform(9, 26) / step_um), 1)
            low, high = path.min(0) - thick, path.max(0) + thick
            for x in (-n, 0, n):
                for y in (-n, 0, n):
                    if low[0] + x < n and high[0] + x > 0 and low[1] + y < n and high[1] + y > 0:
                        points = np.round((path + np.array([x, y])) * 16).astype(np.int32)
                        cv2.polylines(layer, [points], False, 255, thick, cv2.LINE_AA, 4)
        mat += layer * np.float32(rng.normal(0, 1) / 255)
    return mat


def expose(canvas: Canvas, sample: PrintSample, focus: Focus) -> tuple[np.ndarray, np.ndarray]:
    """Linear light of the scene through the objective.

    Returns
    -------
    light : ndarray of shape (h, w, 3), float32
        1 is the empty support.
    blur_um : ndarray of shape (h', w')
        Blur of the layer `ON` over the view, every 16th pixel of the drawing grid.
    """
    view, step = canvas.view, 16
    grid = view.work_um
    light = support_light(sample, view)
    blur_um = None
    for layer in range(LAYERS):
        defocus = focus.defocus_um(view, layer, step)
        sigma = [np.hypot(focus.best_um, (defocus + c) * focus.blur_per_um) / grid for c in focus.channel_um]
        if layer == 1:
            blur_um = sigma[1] * grid
        if canvas.above:
            light *= _shadow(canvas.density[layer], sample, layer, grid)[..., None]
        if not canvas.density[layer].any():
            continue
        through = cv2.exp(canvas.density[layer] * np.float32(-2.302585))
        for c in range(3):
            light[..., c] *= soften_varying(np.ascontiguousarray(through[..., c]), sigma[c], flat=focus.flat)
        if canvas.phase[layer].any():
            light *= _fringes(canvas.phase[layer], defocus, sigma[1], grid, focus)[..., None]
        sent = canvas.scatter[layer]
        if sent is not None:
            light += soften_varying(sent, sigma[1])
    assert blur_um is not None
    return light, blur_um


def _shadow(density: np.ndarray, sample: PrintSample, layer: int, grid: float) -> np.ndarray:
    """Soft shadow on the card of what stands above it, away from a lamp at the side."""
    rng = np.random.default_rng(sample.seed + 1)
    heading, depth = rng.uniform(0, 2 * np.pi), rng.uniform(0.0, 0.5)
    height_um = (2.0, 4.0, 14.0)[layer] * rng.uniform(0.5, 2.0)
    move = np.array([[1, 0, np.cos(heading) * height_um / grid], [0, 1, np.sin(heading) * height_um / grid]])
    blocked = np.clip(density[..., 1] * np.float32(2.0), 0, 1)
    moved = cv2.warpAffine(blocked, move, blocked.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
    return 1 - np.float32(depth) * soften(np.asarray(moved), 0.5 * height_um / grid)


def _fringes(
    phase: np.ndarray, defocus: np.ndarray, sigma_px: np.ndarray, grid: float, focus: Focus
) -> np.ndarray:
    """Bright and dark fringes of clear bodies: light gathers where the wave front curves.

    Transport of intensity (Teague 1983, J. Opt. Soc. Am. 73:1434): dI/dz = -I lap(W) for an even wave of
    optical path W; damped by `fringe` and held within a factor of two, as a lamp is only partly coherent.
    """
    smooth = soften_varying(phase, np.maximum(sigma_px, 0.7), 3)
    curve = cv2.Laplacian(smooth, cv2.CV_32F, ksize=1) / np.float32(grid * grid)
    lens = cv2.resize(defocus + np.float32(1.5), phase.shape[::-1], interpolation=cv2.INTER_LINEAR)
    push = lens * curve * np.float32(-focus.fringe)
    return np.exp(np.float32(0.6) * np.tanh(push / np.float32(0.6)))
