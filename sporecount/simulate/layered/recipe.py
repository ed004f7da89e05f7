"""What one photo is made of: all that is drawn once per photo, by preset."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.simulate.layered import backdrop, noise
from sporecount.simulate.layered.camera import CameraLook

PRESETS = ("ordinary", "good_focus", "hard", "no_spores", "heavy", "scan_4x")

_USUAL_PER_MM2 = {
    "droplet": 22.0,
    "bubble": 12.0,
    "microbubbles": 6.0,
    "pollen": 6.0,
    "dust": 70.0,
    "mould": 7.0,
    "septate": 4.0,
    "crystal": 8.0,
    "starch": 7.0,
    "ink": 1.0,
    "stain": 1.0,
    "hair": 8.0,
    "fibre": 5.0,
    "ridge": 3.0,
    "teeth": 9.0,
    "speck": 12.0,
    "blob": 7.0,
    "bar": 6.0,
    "half_moon": 6.0,
    "ring": 5.0,
    "foam": 5.0,
    "lens_drop": 8.0,
    "furrowed_pollen": 6.0,
    "conidia": 5.0,
    "yeast": 5.0,
    "flake": 12.0,
    "rust": 6.0,
    "lettering": 1.0,
    "thread": 6.0,
    "ribbon": 1.5,
    "bundle": 1.0,
    "glint": 3.0,
    "scratches": 2.0,
    "oval_bubble": 12.0,
    "thin_ring": 8.0,
    "mould_ovals": 9.0,
    "yellow_drop": 9.0,
    "small_pollen": 8.0,
    "torn_flake": 14.0,
}
"""Middle densities of look-alikes, set by eye; names of methods of the painters."""

_MASSES = (
    "droplet", "microbubbles", "dust", "mould", "starch", "pollen", "teeth", "crystal", "speck", "blob",
    "bar", "half_moon", "foam", "lens_drop", "furrowed_pollen", "yeast", "flake", "rust",
    "oval_bubble", "thin_ring", "mould_ovals", "yellow_drop", "small_pollen", "torn_flake",
)  # fmt: skip
"""What may come in masses."""


@dataclass(frozen=True)
class Recipe:
    """One photo's ingredients; densities per mm², scales as a share of the view."""

    um_per_px: float
    objective: float
    supersample: float
    from_below: bool
    brightness: float
    backdrop: str
    texture: float
    scale_share: float
    scale_sorts: int
    pieces: float
    debris: dict[str, float]
    spores_per_mm2: float
    single_share: float
    clump_mean: float
    heaped: float
    on_scale_share: float
    under_share: float
    spore_soften: float
    camera: CameraLook


def random_recipe(
    rng: np.random.Generator, preset: str, um_per_px: float | None, objective: float | None
) -> Recipe:
    """Draw a photo's recipe; a scale or objective that is given is kept."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}; got {preset!r}")
    um_per_px, objective = _scale(rng, preset, um_per_px, objective)
    hard, good = preset == "hard", preset == "good_focus"
    from_below = bool(rng.random() < (0.45 if hard else 0.72))
    brightness = float(np.clip(rng.normal(0.62, 0.2), 0.16, 1.05))
    if hard and rng.random() < 0.5:
        brightness = float(rng.uniform(0.06, 0.3))
    if good:
        brightness = float(np.clip(brightness, 0.3, 0.95))
    shares = {
        "hard": [0.17, 0.25, 0.2, 0.04, 0.06, 0.08, 0.06, 0.05, 0.06, 0.03],
        "good_focus": [0.28, 0.1, 0.1, 0.22, 0.15, 0.04, 0.02, 0.03, 0.03, 0.03],
    }
    usual_shares = [0.26, 0.16, 0.1, 0.16, 0.1, 0.06, 0.03, 0.04, 0.06, 0.03]
    sort = str(rng.choice(backdrop.BACKDROPS, p=shares.get(preset, usual_shares)))
    texture = float(np.exp(rng.normal(-0.35, 0.55)))
    texture = texture * 0.5 if good else float(rng.uniform(0.9, 2.2)) if hard else texture
    load = _load(rng, preset)
    none = load == 0.0
    plenty = 2.2 if none else {"hard": 1.4, "good_focus": 0.7}.get(preset, 1.0)
    debris = {
        name: usual * plenty * float(np.exp(rng.normal(0.0, 0.9))) * (rng.random() > (0.25 if none else 0.5))
        for name, usual in _USUAL_PER_MM2.items()
    }
    if hard:
        debris["fibre"] += rng.uniform(0, 30)
        debris["ridge"] += rng.uniform(0, 25)
        debris["bubble"] += rng.uniform(0, 60)
    if rng.random() < (0.4 if none else 0.18):  # one look-alike in masses
        favourite = str(rng.choice(_MASSES))
        debris[favourite] += _USUAL_PER_MM2[favourite] * rng.uniform(4, 15)
    scale_share = float(
        rng.choice([0.0, rng.uniform(0.01, 0.12), rng.uniform(0.1, 0.5)], p=[0.06, 0.4, 0.54])
    )
    return Recipe(
        um_per_px=um_per_px,
        objective=objective,
        supersample=1.2 if um_per_px < 0.9 else 1.6 if um_per_px < 1.5 else 2.0,
        from_below=from_below,
        brightness=brightness,
        backdrop=sort,
        texture=texture,
        scale_share=scale_share,
        scale_sorts=int(rng.integers(1, 5)),
        pieces=float(np.exp(rng.uniform(np.log(5), np.log(160)))) * plenty,
        debris=debris,
        spores_per_mm2=load,
        heaped=float(rng.uniform(0.02, 0.4)) if rng.random() < (0.4 if preset == "heavy" else 0.1) else 0.0,
        single_share=float(rng.uniform(0.3, 0.97) if preset != "heavy" else rng.uniform(0.05, 0.6)),
        clump_mean=float(np.exp(rng.uniform(np.log(2.5), np.log(14)))) * (2.0 if preset == "heavy" else 1.0),
        on_scale_share=float(rng.uniform(0.0, 0.7)),
        under_share=noise.maybe(rng, 0.5, 0.0, 0.3),
        spore_soften=float(noise.maybe(rng, 0.5, 0.1, 1.2) * (0.3 if good else 1.0)),
        camera=_camera(rng, preset, um_per_px, objective),
    )


def _scale(
    rng: np.random.Generator, preset: str, um_per_px: float | None, objective: float | None
) -> tuple[float, float]:
    if um_per_px is not None and not 0.05 <= um_per_px <= 5.0:
        raise ValueError(f"um_per_px must lie between 0.05 and 5 µm; got {um_per_px}")
    if objective is None and um_per_px is None:
        if preset == "scan_4x":
            objective = float(rng.choice([4.0, 5.0], p=[0.8, 0.2]))
        else:
            objective = float(rng.choice([10.0, 40.0, 20.0, 16.0, 5.0], p=[0.8, 0.07, 0.06, 0.03, 0.04]))
    if um_per_px is None:
        assert objective is not None
        low, high = (3.2, 11.0) if objective >= 8 else (4.5, 10.0)
        um_per_px = float(np.clip(np.exp(rng.uniform(np.log(low), np.log(high))) / objective, 0.1, 2.5))
    if objective is None:
        usual = np.array([4.0, 10.0, 20.0, 40.0])
        objective = float(usual[np.abs(np.log(6.0 / usual) - np.log(um_per_px)).argmin()])
    return um_per_px, objective


def _load(rng: np.random.Generator, preset: str) -> float:
    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    if preset == "no_spores":
        return 0.0
    if preset == "good_focus":
        return between(25, 700)
    if preset == "hard":
        return between(60, 2000)
    if preset == "heavy":
        return between(1200, 6000)
    if preset == "scan_4x":
        return float(rng.choice([0.0, between(0.5, 20), between(20, 900)], p=[0.3, 0.3, 0.4]))
    return float(rng.choice([0.0, between(30, 1600)], p=[0.06, 0.94]))


def _camera(rng: np.random.Generator, preset: str, um_per_px: float, objective: float) -> CameraLook:
    hard, good = preset == "hard", preset == "good_focus"
    aperture = float(np.interp(objective, [4, 10, 20, 40, 100], [0.1, 0.25, 0.4, 0.65, 1.25]))
    sharpest = float(np.hypot(0.12 / aperture * rng.uniform(0.7, 1.2), rng.uniform(0.3, 0.7) * um_per_px))
    if good:
        defocus = rng.uniform(0.0, 0.7)
    elif hard:
        defocus = float(np.exp(rng.uniform(np.log(0.5), np.log(4.5))))
    else:
        defocus = float(np.exp(rng.uniform(np.log(0.15), np.log(3.6))))
    noisy = 2.0 if hard else 0.4 if good else 1.0
    white = np.exp(rng.normal(0, 0.07, 3))
    zoom = float(rng.uniform(1.2, 2.2)) if rng.random() < (0.08 if good else 0.18) else 1.0
    if um_per_px > 1.0:
        zoom = min(zoom, 1.25)
    return CameraLook(
        kernel=str(rng.choice(["gauss", "disc", "ring"], p=[0.5, 0.33, 0.17])),
        sharpest=sharpest,
        defocus=float(defocus),
        unevenness=float(rng.uniform(0.0, 0.8)),
        tilt=noise.maybe(rng, 0.6, 0.2, 1.6),
        motion=noise.maybe(rng, 0.12, 0.5, 3.0),
        round_view=str(rng.choice(["full", "whole", "cropped"], p=[0.55, 0.2, 0.25])),
        falloff=float(rng.choice([rng.uniform(0, 0.15), rng.uniform(0.1, 0.7)])),
        slant=float(rng.uniform(0.0, 0.3) ** 1.5) + (0.0 if good else noise.maybe(rng, 0.1, 0.1, 0.4)),
        dirt=int(rng.integers(1, 14)) if rng.random() < 0.45 else 0,
        colour_shift=noise.maybe(rng, 0.5, 0.0002, 0.002),
        zoom=zoom,
        shot=float(np.exp(rng.uniform(np.log(1e-5), np.log(1.2e-3)))) * noisy,
        read=float(np.exp(rng.uniform(np.log(5e-4), np.log(8e-3)))) * noisy,
        grain_px=noise.maybe(rng, 0.5, 0.4, 1.3),
        blotches=noise.maybe(rng, 0.5, 0.002, 0.02) * noisy,
        chroma_blotches=noise.maybe(rng, 0.3, 0.002, 0.012) * noisy,
        islands=0.0 if good else noise.maybe(rng, 0.15, 3.0, 8.0),
        denoise=str(rng.choice(["none", "edge-keeping", "median"], p=[0.5, 0.35, 0.15])),
        sharpen=float(rng.choice([0.0, rng.uniform(0.2, 0.9), rng.uniform(0.8, 2.6)], p=[0.4, 0.42, 0.18])),
        sharpen_px=float(np.exp(rng.uniform(np.log(0.7), np.log(5.0)))),
        gamma=float(rng.uniform(1.8, 2.5)),
        s_curve=noise.maybe(rng, 0.5, 0.0, 0.7),
        lift=noise.maybe(rng, 0.5, 0.0, 0.12),
        saturation=float(
            rng.uniform(0.0, 0.2) if rng.random() < 0.03 else np.clip(rng.normal(1.05, 0.25), 0.55, 1.8)
        ),
        white=white,
        quality=int(
            rng.integers(70, 99)
            if good
            else rng.integers(18 if hard else 25, 99)
            if rng.random() < 0.4
            else rng.integers(70, 99)
        ),
        chroma_halved=bool(rng.random() < 0.7),
    )
