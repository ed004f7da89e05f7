"""Light through the slices: waves of three colours and several directions, from slice to slice to the image.

Between slices a wave is carried by Fresnel's transfer function (the near-axis form of the angular
spectrum); the objective lets pass what lies in its aperture. Images of all directions are added, since
points of a lamp do not interfere (Abbe's view of the condenser).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.slices.stack import SLICES_UM, Map

WAVELENGTH_UM = (0.61, 0.54, 0.46)
GLUE = 1.47
"""Refractive index of acrylic glue (from memory)."""
Wave = NDArray[np.complex64]


def lamp_directions(number: int, decentred: tuple[float, float], turn: float) -> NDArray[np.float64]:
    """Spread points over the condenser's disc by equal area, in units of its radius, (number, 2)."""
    k = np.arange(number)
    radius, angle = np.sqrt((k + 0.5) / number), k * np.pi * (3 - np.sqrt(5)) + turn
    return np.stack([radius * np.cos(angle) + decentred[0], radius * np.sin(angle) + decentred[1]], axis=1)


def _fourier(wave: Wave, inverse: bool = False) -> Wave:
    flags = cv2.DFT_INVERSE | cv2.DFT_SCALE if inverse else 0
    return cv2.dft(wave.view(np.float32).reshape(*wave.shape, 2), flags=flags).view(np.complex64)[..., 0]


def _carry(
    spectrum: Wave, step_um: float, tilt: NDArray[np.float64], wavelength: float, way_um: float
) -> Wave:
    """Carry a spectrum, in place, over a way through the glue; its carrier has frequency `tilt` (x, y)."""
    bend = -np.pi * wavelength / GLUE * way_um
    for axis, shift in ((1, tilt[0]), (0, tilt[1])):
        f = np.fft.fftfreq(spectrum.shape[axis], step_um)
        turn = np.exp(1j * bend * ((f + shift) ** 2 - shift**2)).astype(np.complex64)
        spectrum *= turn[None, :] if axis else turn[:, None]
    return spectrum


def _pupil(shape: tuple[int, int], step_um: float, tilt: NDArray[np.float64], radius: float) -> Map:
    fy, fx = np.fft.fftfreq(shape[0], step_um), np.fft.fftfreq(shape[1], step_um)
    square = ((fx + tilt[0]) ** 2).astype(np.float32)[None, :] + ((fy + tilt[1]) ** 2).astype(np.float32)[
        :, None
    ]
    # The edge is a little soft, as of a lens with its faults.
    return np.clip((radius**2 * 1.04 - square) / (0.08 * radius**2), 0, 1)


def lost_by_bending(path_um: Map, step_um: float, limit: float) -> Map:
    """Share of amplitude kept where the solid's slope bends light; none from 1.3 times `limit` (sine) on.

    Such light misses the objective. Taking it out beforehand keeps steep walls, of bubbles above all,
    from folding back into the picture on a grid too coarse for their waves.
    """
    gx = cv2.Sobel(path_um, cv2.CV_32F, 1, 0, ksize=3, scale=1 / (8 * step_um))
    gy = cv2.Sobel(path_um, cv2.CV_32F, 0, 1, ksize=3, scale=1 / (8 * step_um))
    # Not by cv2.magnitude, whose last bit depends on where the arrays lie in memory.
    bent = np.sqrt(gx * gx + gy * gy) / np.float32(limit)
    return np.clip((1.3 - bent) / 0.5, 0, 1)


def images(
    density: Map,
    path_um: Map,
    step_um: float,
    aperture: float,
    directions: NDArray[np.float64],
    planes_um: NDArray[np.float64],
    colour_shift_um: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> Map:
    """Carry light through three slices and take its image at several focus heights.

    Parameters
    ----------
    density : (3, rows, cols, 3), optical density of each slice
    path_um : (3, rows, cols), difference of optical path of each slice
    step_um, aperture : float
    directions : (d, 2), in units of the aperture
    planes_um : (p,), heights that are in focus
    colour_shift_um : tuple of 3 floats
        By how much red, green and blue focus elsewhere.

    Returns
    -------
    (p, rows, cols, 3), 1 for an empty stack
    """
    shape = path_um.shape[1:]
    inside = np.hypot(*directions.T) < 0.97
    # Neither objective nor grid holds steeper waves: half a wavelength over a step is the grid's limit.
    finest = 0.9 * min(WAVELENGTH_UM) / (2 * step_um) / 1.3
    steepest = min(aperture * (1 + np.hypot(*directions[inside].T).mean()), finest)
    kept = [lost_by_bending(path_um[k], step_um, steepest) for k in range(3)]
    kept[1] = kept[1] * lost_by_bending(path_um.sum(axis=0), step_um, steepest)
    out = np.zeros((len(planes_um), *shape, 3), np.float32)
    # A direction beyond the aperture gives a dark ground: only the others make the ground's light.
    straight = np.clip((1.04 - (directions**2).sum(axis=1)) / 0.08, 0, 1)
    weight = np.float32(1.0 / straight.sum())
    for c, wavelength in enumerate(WAVELENGTH_UM):
        through = []
        for k in range(3):
            size = kept[k] * cv2.exp(density[k, ..., c] * np.float32(-np.log(10) / 2))
            re, im = cv2.polarToCart(size, path_um[k] * np.float32(2 * np.pi / wavelength))
            through.append(cv2.merge([re, im]).view(np.complex64)[..., 0])
        bright = np.zeros((len(planes_um), *shape), np.float32)
        for direction in directions:
            tilt = direction * aperture / wavelength
            spectrum = _fourier(through[0])
            for k in (1, 2):
                _carry(spectrum, step_um, tilt, wavelength, SLICES_UM[k] - SLICES_UM[k - 1])
                wave = _fourier(spectrum, inverse=True)
                wave *= through[k]
                spectrum = _fourier(wave)
            spectrum *= _pupil(shape, step_um, tilt, aperture / wavelength)
            at = SLICES_UM[2]
            for p, plane in enumerate(planes_um):
                height = plane + colour_shift_um[c]
                seen = _fourier(_carry(spectrum, step_um, tilt, wavelength, height - at), inverse=True)
                at = height
                bright[p] += seen.real * seen.real + seen.imag * seen.imag
        for p in range(len(planes_um)):
            out[p, ..., c] = bright[p] * weight
    return out
