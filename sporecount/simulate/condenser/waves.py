"""Images of small bodies through a microscope with partly coherent light.

Each point of the lit condenser sends a plane wave through the body; the objective passes what falls
inside its aperture, with the phase error of the defocus; the intensities of all points add up
(Abbe's theory; Born & Wolf, Principles of Optics, section 10.6, from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

WAVELENGTH_UM = np.array([0.61, 0.54, 0.46])
"""Of the R, G, B channels (middle of the usual camera filters, from memory)."""


def lamp_points(coherence: float, slant: tuple[float, float], number: int = 9) -> NDArray[np.float64]:
    """Spread points evenly over the lit condenser, in units of the objective's aperture, shape (n, 2)."""
    k = np.arange(number)
    radius = coherence * np.sqrt((k + 0.5) / number)
    turn = np.pi * (3 - np.sqrt(5)) * k
    return np.stack([radius * np.cos(turn) + slant[0], radius * np.sin(turn) + slant[1]], axis=1)


def image_of(
    density: NDArray[np.float64],
    path_um: NDArray[np.float64],
    grid_um: float,
    aperture: float,
    defocus_um: float,
    lamp: NDArray[np.float64],
) -> NDArray[np.float32]:
    """Image a thin body.

    Parameters
    ----------
    density : ndarray of shape (n, n, 3)
        Optical density of the body.
    path_um : ndarray of shape (n, n)
        Optical path that it adds: thickness times difference of refractive index.
    grid_um : float
    aperture : float
        Numerical aperture of the objective.
    defocus_um : float
        Distance of the body from the plane of focus; the sign turns bright into dark.
    lamp : ndarray of shape (m, 2)
        As given by `lamp_points`.

    Returns
    -------
    ndarray of shape (n, n, 3), float32
        Intensity over that of an empty view.
    """
    n = len(path_um)
    freq = fft.fftfreq(n, grid_um)
    out = np.empty((n, n, 3), np.float32)
    for channel, wavelength in enumerate(WAVELENGTH_UM):
        wave = 10 ** (-density[..., channel] / 2) * np.exp(2j * np.pi / wavelength * path_um)
        spectrum = fft.fft2(wave.astype(np.complex64))
        # In units of the aperture, every wave of the lamp at once: (m, n, n).
        sx = (freq * wavelength / aperture + lamp[:, :1]).astype(np.float32)
        sy = (freq * wavelength / aperture + lamp[:, 1:]).astype(np.float32)
        # A soft edge stands for the grid's coarseness and for the spread of wavelengths in a channel.
        passed = np.clip((1.06 - np.sqrt(sx[:, None, :] ** 2 + sy[:, :, None] ** 2)) / np.float32(0.12), 0, 1)
        # The phase error grows with the square of the distance from the axis: a factor for x, one for y.
        ex, ey = (np.exp(-1j * np.pi * defocus_um * aperture**2 / wavelength * s**2) for s in (sx, sy))
        passed = passed * ey.astype(np.complex64)[:, :, None] * ex.astype(np.complex64)[:, None, :]
        fields = fft.ifft2(spectrum * passed, axes=(1, 2), overwrite_x=True)
        direct = np.clip((1.06 - np.hypot(*lamp.T)) / 0.12, 0, 1) ** 2
        out[..., channel] = (fields.real**2 + fields.imag**2).sum(0) / direct.sum()
    return out


def blur_sigma_um(aperture: float, coherence: float, defocus_um: float, extra_um: float = 0.0) -> float:
    """Give the standard deviation of the blur: resolution, defocus disc and everything behind the objective.

    0.21 wavelength over aperture is the Gaussian nearest to the Airy disc (common practice); a disc of
    radius r has the standard deviation r / 2 along each axis. A narrow condenser makes a narrower disc.
    """
    rest = 0.21 * 0.55 / aperture
    disc = 0.5 * aperture * min(1.0, 0.45 + 0.55 * coherence) * abs(defocus_um)
    return float(np.sqrt(rest**2 + disc**2 + extra_um**2))
