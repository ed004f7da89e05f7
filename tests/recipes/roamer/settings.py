"""What is drawn once for a photo: scale, light, focus, camera, and how much lies there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
WAVE_UM = 0.55


@dataclass(frozen=True)
class Settings:
    """One photo's conditions.

    Parameters
    ----------
    top : float
        Share of the light that comes from above, 0 to 1.
    dark_card : bool
        A dark card lies beneath (light from above only).
    condenser : float
        0 closed (crisp edges, rings, strong lenses) to 1 open.
    oblique : float
        Strength of one-sided shadows.
    light_rad : float
        Side from which oblique light and light from above come.
    heart_um : float
        Distance from the bodies' middle to the plane in focus that costs no sharpness.
    blur_um : float
        Signed defocus at the centre, as standard deviation of the blur.
    tilt_um : tuple of 2
        Its change from the centre to the sides of the view.
    """

    preset: str
    objective: float
    um_per_px: float
    ground: str
    light: str
    top: float
    dark_card: bool
    condenser: float
    oblique: float
    light_rad: float
    heart_um: float
    blur_um: float
    tilt_um: tuple[float, float]
    sharpest_um: float
    glue: float
    crowd: float

    def defocus_map_um(self, shape: tuple[int, int]) -> NDArray[np.float32]:
        """Signed defocus blur over the view."""
        y, x = np.linspace(-1, 1, shape[0])[:, None], np.linspace(-1, 1, shape[1])[None, :]
        return np.asarray(self.blur_um + self.tilt_um[0] * x + self.tilt_um[1] * y, np.float32)


def draw_settings(
    rng: np.random.Generator, preset: str, um_per_px: float | None, objective: float | None
) -> Settings:
    """Draw the conditions that a preset names."""
    if objective is None:
        fixed = {"good_focus": 10.0, "heavy": 10.0, "scan_4x": 4.0}
        objective = fixed.get(preset) or float(rng.choice([10.0, 20.0, 40.0], p=[0.6, 0.25, 0.15]))
    if um_per_px is None:
        nearest = min(UM_PER_PX, key=lambda known: abs(np.log(known / objective)))
        low, high = UM_PER_PX[nearest]
        um_per_px = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    aperture = float(np.interp(objective, list(APERTURE), list(APERTURE.values())))
    hard = preset == "hard" or (preset == "no_spores" and rng.random() < 0.3)
    chances = [0.3, 0.2, 0.3, 0.2] if hard else [0.58, 0.18, 0.14, 0.1]
    light = str(rng.choice(["through", "oblique", "above", "mixed"], p=chances))
    top = {"above": 1.0, "mixed": float(rng.uniform(0.2, 0.6))}.get(light, 0.0)
    dark_card = bool(light == "above" and rng.random() < 0.35)
    if dark_card:
        ground = "dark card"
    else:
        ground = str(rng.choice(["glass", "white", "cream", "grey", "kraft"], p=[0.4, 0.27, 0.15, 0.1, 0.08]))
    reach = {"good_focus": 0.15, "heavy": 0.6}.get(preset, 4.0 if hard else 1.2)
    # With finer pixels the eye sees less blur, so whoever holds the phone refocuses sooner.
    reach *= min(1.0, um_per_px * 2.2)
    size = float(reach * rng.beta(1.1, 2.2))
    share, turn = rng.uniform(0, 0.8), rng.uniform(0, 2 * np.pi)
    return Settings(
        preset=preset,
        objective=objective,
        um_per_px=um_per_px,
        ground=ground,
        light=light,
        top=top,
        dark_card=dark_card,
        condenser=float(rng.uniform(0, 1)),
        oblique=float(rng.uniform(0.7, 2.2)) if light == "oblique" else float(rng.uniform(0, 0.3)),
        light_rad=float(rng.uniform(0, 2 * np.pi)),
        heart_um=float(rng.choice([-1, 1], p=[0.35, 0.65]) * rng.uniform(0.5, 3.5)),
        blur_um=float(size * np.sqrt(1 - share) * rng.choice([-1, 1])),
        tilt_um=(float(size * share * 1.6 * np.cos(turn)), float(size * share * 1.6 * np.sin(turn))),
        sharpest_um=0.225 * WAVE_UM / aperture,
        glue=float(rng.uniform(0.5, 1.0) if hard else rng.beta(1.2, 3) * 0.6),
        crowd=float(rng.uniform(0.8, 2.0) if hard else rng.uniform(0.1, 1.0)),
    )
