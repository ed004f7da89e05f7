"""Laws of rendering: how the inside, the rim and the surroundings of an outline are coloured."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sporecount.simulate.collage.outlines import Places

DEPTHS = np.array([0.0, 0.35, 0.65, 0.85, 1.0])
"""Relative depths at which a law states its opacity and its tone."""

FAMILIES = (
    "flat", "dark rim", "dark centre", "outline", "gloss", "halo", "one side", "ring", "any",
)  # fmt: skip


@dataclass(frozen=True)
class Law:
    """One way of rendering.

    Parameters
    ----------
    family : str
    opacity, tone : tuple of float
        At `DEPTHS`; tone 0 is the dark colour and 1 the pale one.
    soft_um : float
        Half width of the fading of the edge.
    line, line_um : float
        Strength and width of a dark line along the outline.
    halo, halo_reach : float
        Strength of light (or, negative, darkness) around, and its reach as a share of the radius.
    gloss, gloss_size : float
        Strength of a bright spot, and its size as a share of the half axes.
    gloss_at : tuple of float
        Its place, relative to the half axes, in the frame of the picture.
    shade : float
        Darkening of one side and lightening of the other.
    light_turn : float
        Direction that the light comes from, radians.
    grain : float
        Strength of the fine texture.
    absorbs : bool
        Multiplies what lies below instead of covering it.
    shadow, shadow_um : float
        Strength and length of a shadow beside it.
    """

    family: str
    opacity: tuple[float, ...]
    tone: tuple[float, ...]
    soft_um: float
    line: float
    line_um: float
    halo: float
    halo_reach: float
    gloss: float
    gloss_size: float
    gloss_at: tuple[float, float]
    shade: float
    light_turn: float
    grain: float
    absorbs: bool
    shadow: float
    shadow_um: float


def random_law(rng: np.random.Generator, light_turn: float, from_below: bool, size_um: float) -> Law:
    """Draw a law for things of about a size; never so faint that nothing is to be seen."""
    family = str(rng.choice(FAMILIES))
    opacity, tone = _profile(rng, family)
    strength = float(np.sqrt(rng.uniform(0.15**2, 1.0)))
    peak = max(opacity)
    line = float(rng.uniform(0.4, 1.0)) if family == "outline" else 0.0
    if family != "outline" and rng.random() < 0.25:
        line = float(rng.uniform(0.15, 0.8))
    gloss = float(rng.uniform(0.3, 1.0)) if family == "gloss" else 0.0
    if family != "gloss" and rng.random() < (0.12 if from_below else 0.35):
        gloss = float(rng.uniform(0.1, 0.6))
    halo = float(rng.uniform(0.15, 0.8)) if family == "halo" else 0.0
    if family != "halo" and rng.random() < 0.2:
        halo = float(rng.uniform(-0.2, 0.4))
    shade = float(rng.uniform(0.25, 0.8)) if family == "one side" else 0.0
    if family != "one side" and rng.random() < (0.15 if from_below else 0.5):
        shade = float(rng.uniform(0.05, 0.4))
    off = rng.uniform(0.0, 0.5)
    wild = rng.uniform(-0.4, 0.4)
    return Law(
        family=family,
        opacity=tuple(float(v) for v in np.asarray(opacity) / peak * strength),
        tone=tuple(float(v) for v in tone),
        soft_um=float(np.exp(rng.uniform(np.log(0.01), np.log(0.14)))) * size_um,
        line=line,
        line_um=float(np.exp(rng.uniform(np.log(0.025), np.log(0.12)))) * size_um,
        halo=halo,
        halo_reach=float(rng.uniform(0.12, 0.6)),
        gloss=gloss,
        gloss_size=float(rng.uniform(0.12, 0.5)),
        gloss_at=(float(off * np.cos(light_turn + wild)), float(off * np.sin(light_turn + wild))),
        shade=shade,
        light_turn=light_turn,
        grain=float(rng.uniform(0.05, 0.4)) if rng.random() < 0.35 else 0.0,
        absorbs=bool(rng.random() < (0.5 if from_below else 0.15)),
        shadow=0.0 if from_below or rng.random() < 0.4 else float(rng.uniform(0.1, 0.7)),
        shadow_um=float(rng.uniform(0.08, 0.4)) * size_um,
    )


def _profile(rng: np.random.Generator, family: str) -> tuple[np.ndarray, np.ndarray]:
    """Opacity and tone over the depth, in the manner of a family."""
    flat = np.ones(5)
    if family in ("flat", "gloss", "one side"):
        return flat, np.full(5, rng.uniform(0.0, 0.4))
    if family in ("dark rim", "halo"):
        low, power = rng.uniform(0.15, 0.9), rng.uniform(1.0, 4.0)
        return low + (1 - low) * DEPTHS**power, rng.uniform(0.3, 1.0) * (1 - DEPTHS**power)
    if family == "dark centre":
        power = rng.uniform(1.0, 3.0)
        low = rng.uniform(0.1, 0.6)
        return 1 - (1 - low) * DEPTHS**power, rng.uniform(0.0, 0.8) * DEPTHS
    if family == "outline":
        return np.full(5, 1.0), np.full(5, rng.uniform(0.5, 1.0))
    if family == "ring":
        deep = rng.uniform(0.3, 0.9)
        return 0.3 + 0.7 * np.exp(-(((DEPTHS - deep) / 0.25) ** 2)), rng.uniform(0.4, 1.0) * np.abs(
            DEPTHS - deep
        )
    return rng.uniform(0.2, 1.0, 5), rng.uniform(0.0, 1.0, 5)


def varied(rng: np.random.Generator, law: Law, spread: float) -> Law:
    """Give nearly the same law, as one thing differs from the next."""
    near = float(np.exp(rng.normal(0, spread)))
    return replace(
        law,
        opacity=tuple(min(1.0, v * near) for v in law.opacity),
        gloss=law.gloss * float(rng.uniform(1 - 2 * spread, 1)),
        soft_um=law.soft_um * float(np.exp(rng.normal(0, 2 * spread))),
    )


def render(
    law: Law,
    dark: np.ndarray,
    pale: np.ndarray,
    below: np.ndarray,
    places: Places,
    turn: float,
    px_um: float,
    grain: np.ndarray | None,
) -> tuple[np.ndarray, np.ndarray]:
    """Colour a patch.

    Parameters
    ----------
    law : Law
    dark, pale : ndarray of shape (3,)
    below : ndarray of shape (h, w, 3)
        What is there already.
    places : tuple of ndarray of shape (h, w)
        Depth, reach, along and across, as from `outlines.relative_places`.
    turn : float
        Direction of the outline's long axis, radians.
    px_um : float
    grain : ndarray of shape (h, w) or None
        Texture of about unit spread.

    Returns
    -------
    rgb : ndarray of shape (h, w, 3)
    cover : ndarray of shape (h, w)
        How much of what lies below is hidden, 0 to 1.
    """
    depth, reach, along, across = places
    soft = max(law.soft_um, 0.45 * px_um)
    gap = (1 - depth) * reach
    inside = np.clip(0.5 + 0.5 * gap / soft, 0, 1)
    tone: np.ndarray = np.interp(depth, DEPTHS, law.tone).astype(np.float32)
    cover = np.interp(depth, DEPTHS, law.opacity).astype(np.float32) * inside
    if grain is not None and law.grain:
        tone = tone + law.grain * grain
    if law.shade:
        turned = law.light_turn - turn
        side = along * np.cos(turned) + across * np.sin(turned)
        tone = tone + law.shade * np.clip(side, -1, 1)
    colour = dark + tone[..., None] * (pale - dark)
    out = below
    if law.halo:
        width = np.maximum(law.halo_reach * reach, px_um)
        ring = (
            law.halo
            * np.exp(-(((gap + 0.6 * width) / (0.6 * width)) ** 2))[..., None]
            * (1 - inside[..., None])
        )
        out = out + ring * ((1.0 - out) if law.halo > 0 else out)
    if law.absorbs:
        taken = cover[..., None] * (1 - np.clip(colour, 0, 1))
        out = out * (1 - taken)
        cover = taken.mean(axis=-1)  # what lies below still shows, darker
    else:
        out = out + cover[..., None] * (colour - out)
    if law.line:
        thin = max(law.line_um, 0.7 * px_um)
        on_line = law.line * np.exp(-((gap / thin) ** 2))
        out = out + on_line[..., None] * (0.7 * dark - out)
        cover = np.maximum(cover, on_line)
    if law.gloss:
        c, s = np.cos(turn), np.sin(turn)
        gx, gy = law.gloss_at
        spot = ((along - gx * c - gy * s) ** 2 + (across - gy * c + gx * s) ** 2) / law.gloss_size**2
        out = out + (law.gloss * np.exp(-spot) * inside)[..., None] * (1.0 - out)
    return out, cover
