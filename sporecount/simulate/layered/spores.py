"""Spores: the look of one sample, single spores, chains and clumps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.layered import colours, noise, shapes
from sporecount.simulate.layered.canvas import LUMA, Canvas

SPORE = 1


@dataclass(frozen=True)
class SporeLook:
    """What the spores of one sample have in common; lengths in µm, densities in natural logarithms."""

    length: float
    length_spread: float
    aspect: float
    aspect_spread: float
    point: float
    absorbs: np.ndarray
    density: float
    density_spread: float
    fill: float
    fill_power: float
    rim: float
    rim_width: float
    pale_centre: float
    halo: float
    halo_width: float
    highlight: float
    shade: float
    oblique: float
    oblique_way: float
    mottle: float
    uneven: float
    two_tone: float
    spot: float
    opaque: float
    paint: np.ndarray
    tilt: float


@dataclass(frozen=True)
class Placed:
    """A spore with its place on the canvas (µm), outline (µm, radians) and own extra blur (µm)."""

    x: float
    y: float
    length: float
    width: float
    angle: float
    soften: float


def random_look(rng: np.random.Generator, light: np.ndarray, from_below: bool) -> SporeLook:
    """Draw the look of one sample.

    Parameters
    ----------
    light : ndarray of shape (3,)
        Colour of the empty view, linear.
    from_below : bool
        Light passes through the spores, instead of falling on them.
    """
    opaque = rng.uniform(0.0, 0.35) if from_below else rng.uniform(0.2, 0.85)
    style = rng.choice(4, p=[0.3, 0.3, 0.25, 0.15])  # flat, thick in the middle, rimmed, pale centre
    warm = colours.spore_absorption(rng)
    paint_level = rng.uniform(0.05, 0.45)
    return SporeLook(
        length=rng.uniform(8.0, 16.0),
        length_spread=rng.uniform(0.02, 0.09) + noise.maybe(rng, 0.2, 0.0, 0.03),
        aspect=rng.uniform(1.2, 1.9),
        aspect_spread=rng.uniform(0.02, 0.07),
        point=rng.uniform(0.0, 0.75),
        absorbs=warm,
        density=float(np.exp(rng.uniform(np.log(0.27), np.log(2.6)))),
        density_spread=rng.uniform(0.04, 0.3),
        fill=(1.0, 0.3, 0.55, 0.35)[style],
        fill_power=rng.uniform(0.3, 1.6),
        rim=(0.1, 0.1, 1.2, 1.6)[style] * rng.uniform(0.5, 1.8),
        rim_width=rng.uniform(0.12, 0.4),
        pale_centre=(0.0, 0.0, 0.15, 0.35)[style] * rng.uniform(0.5, 1.5),
        halo=float(rng.choice([0.0, rng.uniform(0.03, 0.3), -rng.uniform(0.03, 0.15)], p=[0.35, 0.45, 0.2])),
        halo_width=rng.uniform(0.5, 2.5),
        highlight=noise.maybe(rng, 0.4, 0.05, 0.5),
        shade=noise.maybe(rng, 0.5, 0.05, 0.4),
        oblique=noise.maybe(rng, 0.3, 0.05, 0.45),
        oblique_way=rng.uniform(0.0, 2 * np.pi),
        mottle=noise.maybe(rng, 0.4, 0.04, 0.25),
        uneven=rng.uniform(0.0, 0.12) + noise.maybe(rng, 0.15, 0.05, 0.2),
        two_tone=noise.maybe(rng, 0.18, 0.15, 0.6),
        spot=noise.maybe(rng, 0.2, 0.3, 1.2),
        opaque=opaque,
        paint=np.exp(-warm * rng.uniform(0.4, 1.2)) * light * paint_level,
        tilt=rng.uniform(0.0, 0.4),
    )


def draw_spore(
    rng: np.random.Generator, canvas: Canvas, look: SporeLook, spore: Placed, number: int, light: np.ndarray
) -> tuple[float, float]:
    """Paint one spore; give its mean optical density over what lay beneath, and its outline's area in µm²."""
    area = shapes.lemon_area(spore.length, spore.width, look.point)
    reach = spore.length / 2.0 + 2.5 * look.halo_width * (look.halo != 0) + 3.0 * spore.soften + canvas.px_um
    window = canvas.window(spore.x, spore.y, reach)
    if window is None:
        return 0.0, area
    along, across = window.turned(spore.angle)
    bend, egg = rng.normal(0.0, look.uneven, 2) / spore.length
    bent = (across + np.float32(bend) * (along**2 - spore.length**2 / 12)) * (1 + np.float32(egg) * along)
    distance = shapes.lemon(along, bent, spore.length, spore.width, look.point)
    cover = shapes.coverage(distance, canvas.px_um)
    mask = distance < 0
    width_um, height_um = canvas.size_um
    half = spore.length / 2.0
    if half < spore.x < width_um - half and half < spore.y < height_um - half:
        area = float(mask.sum()) * canvas.px_um**2  # exact on this grid
    depth = np.clip(distance * np.float32(-2.0 / spore.width), 0.0, 1.0)
    bulge = np.sqrt(depth * (2.0 - depth))
    body = look.fill + (1.0 - look.fill) * bulge ** np.float32(look.fill_power)
    body += look.rim * np.exp(-((depth / np.float32(look.rim_width)) ** 2)) - look.pale_centre * depth
    body = np.maximum(body, 0.06) * cover
    body /= max(float(body.sum()) / max(float(cover.sum()), 1e-3), 1e-3)
    if look.shade:
        body *= 1.0 + np.float32(look.shade * 2.0 / spore.length) * (window.x * 0.7 + window.y * 0.5)
    if look.two_tone:  # one end darker than the other
        body *= 1.0 + np.float32(look.two_tone) * np.tanh(along * np.float32(4.0 / spore.length))
    if look.spot:  # one clear grain inside
        near = ((along + 0.15 * spore.length) ** 2 + across**2) / (0.2 * spore.width) ** 2
        body *= 1.0 - np.float32(min(look.spot, 0.9)) * np.exp(-near)
    beneath = canvas.brightness(window)
    if look.mottle and mask.sum() > 60:
        body *= 1.0 + np.float32(look.mottle) * noise.smooth_field(rng, body.shape, 1.2 / canvas.px_um)
    strength = look.density * float(np.exp(rng.normal(0.0, look.density_spread)))
    density = strength * body
    bends = np.zeros_like(density)  # light that is bent has no colour of its own
    if look.halo:
        ring = look.halo * np.exp(-((distance / look.halo_width - 0.7) ** 2)) * (1.0 - cover)
        if look.halo > 0:  # halos of neighbours do not add up beyond the brightest one
            ring = ring * np.clip((1.3 - beneath / float(light @ LUMA)) / 0.3, 0.0, 1.0)
        bends -= ring
    if look.oblique:  # slanting light: one flank lighter, the other darker
        way = window.x * np.float32(np.cos(look.oblique_way)) + window.y * np.float32(
            np.sin(look.oblique_way)
        )
        bends += look.oblique * np.exp(-(distance**2)) * way * np.float32(2.0 / spore.length)
    canvas.rgb[window.box] *= np.exp(-bends)[..., None]
    glow = None
    if look.highlight:
        spot = ((along - 0.1 * spore.length) ** 2 + (across + 0.15 * spore.width) ** 2) / (
            0.18 * spore.width
        ) ** 2
        glow = (look.highlight * cover * np.exp(-spot))[..., None] * light
    canvas.lay(
        window,
        mask,
        SPORE,
        cover=cover * np.float32(look.opaque),
        paint=look.paint,
        density=density,
        absorbs=look.absorbs,
        glow=glow,
        soften_um=spore.soften,
        spore=number,
    )
    after = np.log10(canvas.brightness(window)[mask])
    contrast = float((np.log10(beneath[mask]) - after).mean()) if mask.any() else 0.0
    return contrast, area


def outline(rng: np.random.Generator, look: SporeLook) -> tuple[float, float]:
    """Length and width of one spore as seen; a tilted one looks shorter and so rounder."""
    length = look.length * float(np.clip(rng.normal(1.0, look.length_spread), 0.7, 1.3))
    aspect = float(np.clip(look.aspect + rng.normal(0.0, look.aspect_spread), 1.15, 1.98))
    width = length / aspect
    if rng.random() < look.tilt:
        tilt = rng.uniform(0.2, 1.1)
        length = max(float(np.hypot(length * np.cos(tilt), width * np.sin(tilt))), 1.12 * width)
    return length, width


def group(
    rng: np.random.Generator,
    look: SporeLook,
    x: float,
    y: float,
    count: int,
    soften: float,
    nearest: float = 0.55,
) -> list[Placed]:
    """Place `count` touching or overlapping spores about a point: a chain or a heap.

    No two are nearer than `nearest` of where they would just touch: well below 0.5 they lie in layers.
    """
    length, width = outline(rng, look)
    members = [Placed(x, y, length, width, rng.uniform(0.0, np.pi), soften)]
    chain = count <= 12 and rng.random() < 0.35
    packed = rng.random() < 0.5
    tightness = rng.uniform(min(0.72, nearest + 0.15), 1.05 if count < 20 else 0.9)
    aligned = rng.uniform(0.05, 0.5) if chain else rng.uniform(0.2, 3.0)
    heading = rng.uniform(0.0, 2 * np.pi)
    for _ in range(40 * count):
        if len(members) == count:
            break
        host = members[-1] if chain else _host(rng, members, packed)
        length, width = outline(rng, look)
        angle = (host.angle + rng.normal(0.0, aligned)) % np.pi
        heading = heading + rng.normal(0.0, 0.35) if chain else rng.uniform(0.0, 2 * np.pi)
        gap = tightness * (reach(host, heading) + reach_of(length, width, angle, heading))
        new = Placed(
            host.x + gap * np.cos(heading),
            host.y + gap * np.sin(heading),
            length,
            width,
            angle,
            soften * rng.uniform(0.5, 1.5),
        )
        if all(separation(new, other) > nearest for other in members[-40:]):
            members.append(new)
        elif chain:
            heading = rng.uniform(0.0, 2 * np.pi)
    return members


def _host(rng: np.random.Generator, members: list[Placed], packed: bool) -> Placed:
    """Member that the next spore will touch: any recent one, or for a round heap the innermost of some."""
    picks = [
        members[int(i)] for i in rng.integers(max(0, len(members) - 40), len(members), 4 if packed else 1)
    ]
    return min(picks, key=lambda m: (m.x - members[0].x) ** 2 + (m.y - members[0].y) ** 2)


def reach_of(length: float, width: float, angle: float, heading: float) -> float:
    """Distance from the centre to the outline of an ellipse towards `heading`."""
    c, s = np.cos(heading - angle), np.sin(heading - angle)
    return float(1.0 / np.sqrt((2 * c / length) ** 2 + (2 * s / width) ** 2))


def reach(spore: Placed, heading: float) -> float:
    """Distance from a spore's centre to its outline towards `heading`."""
    return reach_of(spore.length, spore.width, spore.angle, heading)


def separation(a: Placed, b: Placed) -> float:
    """Distance of two centres over the sum of their reaches towards each other: 1 when they just touch."""
    dx, dy = b.x - a.x, b.y - a.y
    gap = float(np.hypot(dx, dy))
    if gap > (a.length + b.length):
        return 9.0
    heading = float(np.arctan2(dy, dx))
    return gap / (reach(a, heading) + reach(b, heading))


def clump_sizes(spores: list[Placed]) -> np.ndarray:
    """Size of the touching group of each spore, (n,) int."""
    count = len(spores)
    if count < 2:
        return np.ones(count, int)
    places = np.array([(s.x, s.y) for s in spores])
    pairs = cKDTree(places).query_pairs(max(s.length for s in spores), output_type="ndarray")
    touching = np.array([separation(spores[i], spores[j]) < 1.04 for i, j in pairs], bool)
    pairs = pairs[touching] if len(pairs) else np.zeros((0, 2), int)
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    _, labels = connected_components(links, directed=False)
    return np.bincount(labels)[labels]
