"""A microscope for thin things: lamp directions, aperture, defocus, and what slopes and curvature do to light."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

Floats = NDArray[np.float32]

WAVELENGTH_UM = (0.61, 0.54, 0.46)
"""Red, green and blue, each taken as one wavelength."""
LUMA = np.array([0.3, 0.59, 0.11], np.float32)
_DEPTH_STEPS = 6
"""Steps of defocus per depth of field: finer ones cannot be told apart."""


@dataclass(frozen=True)
class Optics:
    """An objective with its lamp.

    Parameters
    ----------
    aperture : float
        Numerical aperture of the objective.
    coherence : float
        Aperture of the lamp light over that of the objective: 0 is a point lamp, 1 fills the aperture.
    soft_um : float
        Standard deviation of further blur: eyepiece, phone lens, a pixel's own width.
    spherical : float
        Spherical aberration at the edge of the aperture, in waves.
    lamp_turn : float
        Where on their ring the lamp directions start, in radians.
    directions : int
        Lamp directions on the ring, besides the straight one.
    """

    aperture: float
    coherence: float
    soft_um: float
    spherical: float = 0.0
    lamp_turn: float = 0.0
    directions: int = 5
    _pupils: dict[tuple[int, int], NDArray[np.complex64]] = field(
        default_factory=dict, compare=False, repr=False
    )

    @property
    def depth_of_field_um(self) -> float:
        """Wavelength over squared aperture."""
        return 0.55 / self.aperture**2

    @property
    def step_um(self) -> float:
        """Grid step that holds an image of this aperture."""
        return float(np.clip(0.12 / self.aperture, 0.2, 0.5))

    def blur_um(self, z_um: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Give the standard deviation along an axis of all blur of a point that is out of focus by `z_um`.

        A narrow lamp cone blurs an absorbing point less than the aperture would; the share is fitted to images
        of such points.
        """
        share = min(1.0, 0.25 + 0.8 * self.coherence)
        disc = share * np.abs(z_um) * np.tan(np.arcsin(self.aperture)) / 2
        return np.sqrt((0.21 * 0.55 / self.aperture) ** 2 + disc**2 + self.soft_um**2)

    def lamp(self) -> list[tuple[float, float, float]]:
        """List the lamp's directions as two direction cosines and a share of the light."""
        if self.coherence <= 0:
            return [(0.0, 0.0, 1.0)]
        turn = self.lamp_turn + 2 * np.pi * np.arange(self.directions) / self.directions
        tilt = 0.78 * self.coherence * self.aperture
        share = 0.82 / self.directions
        return [(0.0, 0.0, 0.18), *((float(tilt * np.cos(t)), float(tilt * np.sin(t)), share) for t in turn)]

    def _pupil(self, z_key: int, size: int) -> NDArray[np.complex64]:
        if (z_key, size) not in self._pupils:
            z_um = z_key * self.depth_of_field_um / _DEPTH_STEPS
            f = np.fft.fftfreq(size, self.step_um).astype(np.float32)
            step = float(f[1] - f[0])
            bank = []
            for a, b, share in self.lamp():
                for wave in WAVELENGTH_UM:
                    square = (f[None, :] + a / wave) ** 2 + (f[:, None] + b / wave) ** 2
                    rho = np.sqrt(square) * wave / self.aperture
                    phase = -np.pi * wave * z_um * square + 2 * np.pi * self.spherical * (rho**4 - rho**2)
                    # A soft edge, as wide as a step of frequency, keeps the sampled circle round.
                    edge = np.clip((1 - rho) * self.aperture / (wave * step) + 0.5, 0, 1)
                    bank.append(float(np.sqrt(share)) * edge * (np.cos(phase) + 1j * np.sin(phase)))
            self._pupils[z_key, size] = np.array(bank, np.complex64).reshape(-1, 3, size, size)
        return self._pupils[z_key, size]

    def image(self, density: Floats, path_um: Floats, z_um: float) -> Floats:
        """Image a thin thing.

        Parameters
        ----------
        density : ndarray of shape (3, N, N), float32
            Optical density in red, green and blue.
        path_um : ndarray of shape (N, N), float32
            Optical path beyond that of the surroundings.
        z_um : float
            By how much the focus lies beyond the thing.

        Returns
        -------
        ndarray of shape (N, N, 3), float32
            Light over that beside the thing.
        """
        wave = np.array(WAVELENGTH_UM, np.float32)[:, None, None]
        turn = (2 * np.pi / wave) * path_um
        through = np.exp(np.float32(-0.5 * np.log(10)) * density + 1j * turn.astype(np.complex64))
        spectrum = fft.fft2(through.astype(np.complex64))
        key = round(z_um / self.depth_of_field_um * _DEPTH_STEPS)
        waves = fft.ifft2(spectrum[None] * self._pupil(key, path_um.shape[-1]))
        light = (waves.real**2 + waves.imag**2).sum(axis=0)
        # The lamp is a disc and not a few points: what lies between the points is blurred away.
        between = 0.22 * abs(z_um) * self.coherence * self.aperture
        sd = np.hypot(self.soft_um, between) / self.step_um
        return np.asarray(
            cv2.GaussianBlur(np.ascontiguousarray(light.transpose(1, 2, 0)), (0, 0), max(sd, 0.2))
        )

    def passed(self, slope: Floats) -> Floats:
        """Share of the lamp's cone that still enters the aperture when a slope of path bends it.

        Two circles, the lamp's light and the aperture, whose centres lie `slope` apart.
        """
        small = max(0.05, self.coherence) * self.aperture
        big = self.aperture
        apart = np.linspace(0, small + big, 257)[1:-1]
        a = np.clip((apart**2 + small**2 - big**2) / (2 * apart * small), -1, 1)
        b = np.clip((apart**2 + big**2 - small**2) / (2 * apart * big), -1, 1)
        c = np.maximum((small + big) ** 2 - apart**2, 0) * np.maximum(apart**2 - (big - small) ** 2, 0)
        share = (small**2 * np.arccos(a) + big**2 * np.arccos(b) - 0.5 * np.sqrt(c)) / (np.pi * small**2)
        table = np.concatenate([[share[0]], share, [0]]).astype(np.float32)
        place = np.minimum(slope * np.float32(256 / (small + big)) + np.float32(0.5), 256).astype(np.int32)
        return np.asarray(table[place])


def gathered(path_um: Floats, z_um: Floats | float, px_um: float) -> Floats:
    """Light over that without the thing, where a curved path gathers or spreads it (small defocus)."""
    curved = cv2.Laplacian(path_um.astype(np.float32), cv2.CV_32F) / np.float32(px_um**2)
    return np.clip(1 - z_um * curved, 0.35, 2.2).astype(np.float32)


def slope_of(path_um: Floats, px_um: float) -> Floats:
    """Length of the gradient of the path."""
    down, right = np.gradient(path_um)
    return np.asarray(np.hypot(down, right) / np.float32(px_um), np.float32)
