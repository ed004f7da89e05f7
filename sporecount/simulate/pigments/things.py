"""All that is no spore: ground, scales, threads, and small bodies that could be taken for spores."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.pigments.shapes import (
    Points,
    Sheet,
    lump,
    paddle,
    ribbon,
    shard,
    torn,
    turned,
    wandering,
)
from sporecount.simulate.pigments.spectrum import Array, mix


@dataclass(frozen=True)
class Ground:
    """What the tape is stuck on: two layers, each a pigment mixture and its amount everywhere."""

    name: str
    pigments: tuple[Array, Array]
    amounts: tuple[Array, Array]


def cloud(rng: np.random.Generator, shape: tuple[int, int], grain_px: float) -> Array:
    """Smooth unrest with spread about 1 and this grain."""
    small = (int(shape[0] / grain_px) + 3, int(shape[1] / grain_px) + 3)
    if small[0] > shape[0] or small[1] > shape[1]:
        return rng.standard_normal(shape, np.float32)
    noise = rng.standard_normal(small, np.float32) * 1.4
    return np.asarray(cv2.resize(noise, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)


def _felt(rng: np.random.Generator, shape: tuple[int, int], px_um: float, strength: float) -> Array:
    """Paper seen through: crossing threads, out of focus beneath the tape, and cloudy formation."""
    half = (shape[0] // 2 + 1, shape[1] // 2 + 1)
    felt = np.zeros(half, np.float32)
    step = 2 * px_um
    number = int(np.clip(half[0] * half[1] * step**2 / 2500, 12, 260))
    for _ in range(number):
        start = np.array([rng.uniform(-0.2, 1.2) * half[1], rng.uniform(-0.2, 1.2) * half[0]])
        path = wandering(rng, start, rng.uniform(0, 6.3), rng.uniform(150, 900) / step, rng.uniform(0.5, 4))
        one = np.zeros(half, np.uint8)
        thick = max(1, int(rng.uniform(8, 32) / step))
        low = np.clip(path.min(0) - thick, 0, (half[1], half[0])).astype(int)
        high = np.clip(path.max(0) + thick + 1, 0, (half[1], half[0])).astype(int)
        box = (slice(low[1], high[1]), slice(low[0], high[0]))
        if 0 in one[box].shape:
            continue
        line = np.round(path * 16).astype(np.int32)
        cv2.polylines(one, [line], False, 255, min(thick, 200), cv2.LINE_AA, 4)
        felt[box] += one[box] * np.float32(rng.uniform(-0.6, 1) / 255)
    soft = rng.uniform(1.5, 9) / step
    felt = np.asarray(cv2.GaussianBlur(felt, (0, 0), soft) + 0.5 * cloud(rng, half, 60 / step), np.float32)
    even = cv2.resize((felt - felt.mean()) / (felt.std() + 1e-6), shape[::-1])
    return np.asarray(strength * even, np.float32)


def draw_ground(
    rng: np.random.Generator, shape: tuple[int, int], px_um: float, name: str, hard: bool
) -> Ground:
    """Glass, paper, kraft, squared paper or dark card; and the second layer: ruling, specks or glue stains."""
    even = np.ones(shape, np.float32)
    rough = rng.uniform(0.5, 1.6) if hard else rng.uniform(0.15, 0.8)
    stain = mix(glue=1.0, lignin=0.3)
    second = np.clip(0.06 * cloud(rng, shape, rng.uniform(40, 200) / px_um), 0, None)
    if name == "glass":
        return Ground(name, (mix(grey=0.02, glue=rng.uniform(0, 0.15)), stain), (even, second))
    if name == "dark card":
        dark = mix(grey=rng.uniform(2.0, 3.6), melanin=rng.uniform(0, 0.6), ink=rng.uniform(0, 0.8))
        return Ground(name, (dark, stain), (even + _felt(rng, shape, px_um, 0.1 * rough), second))
    if name == "kraft":
        base = mix(lignin=rng.uniform(0.6, 1.5), melanin=rng.uniform(0.2, 0.6), grey=0.2)
        first = np.clip(1 + _felt(rng, shape, px_um, 0.2 * rough), 0.1, None)
        specks = np.clip(cloud(rng, shape, rng.uniform(12, 40) / px_um) - 2.1, 0, None)
        return Ground(name, (base, mix(melanin=0.7, grey=0.3)), (first, 0.5 * specks + second))
    base = mix(lignin=rng.uniform(0.05, 0.4), grey=rng.uniform(0.3, 0.7))
    first = np.clip(1 + _felt(rng, shape, px_um, 0.14 * rough), 0.1, None)
    if name != "squared paper":
        return Ground(name, (base, stain), (first, second))
    # A printed line is some 100 um of dots of ink, broken by the threads of the paper.
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32) * np.float32(px_um)
    turn, wide = rng.uniform(0, np.pi), rng.uniform(60, 160)
    lines = np.zeros(shape, np.float32)
    for way in (turn, turn + np.pi / 2)[: int(rng.integers(1, 3))]:
        across = x * np.float32(np.cos(way)) + y * np.float32(np.sin(way))
        off = rng.uniform(0.15, 0.85) * float(across.max() - across.min()) + float(across.min())
        ragged = across - np.float32(off) + 6 * cloud(rng, shape, 18 / px_um)
        lines += 1 / (1 + np.exp(np.clip((np.abs(ragged) - np.float32(wide / 2)) / 4, -30, 30)))
    lines *= np.clip(0.9 + 0.16 * cloud(rng, shape, rng.uniform(3, 7) / px_um) + 0.5 * (1 - first), 0, 1.4)
    blot = mix(ink=rng.uniform(0.15, 0.7), grey=rng.uniform(0, 0.3), rust=float(rng.choice([0, 0.4])))
    return Ground(name, (base, blot), (first, lines))


def _lay_body(
    sheet: Sheet,
    at: Points,
    points: Points,
    kind: str,
    pigments: Array,
    shade: dict[str, float],
    grain: Array,
) -> None:
    """Lay a body: pigment from wall to middle, grey lines at its edge, light gathered in the middle."""
    shade = {"wall_um": 0.6, "line_um": 0.5, "cover": 0.6, "veil": 0.3} | shade
    stencil = sheet.stencil(points, float(at[0]), float(at[1]), 1.5 if "halo" in shade else 0.0)
    if stencil is None:
        return
    deep = stencil.deep_um
    middle = (deep / np.float32(max(float(deep.max()), 0.3))) ** 2
    near = np.exp(-((deep / np.float32(shade["wall_um"])) ** 2))
    amount = np.clip(1 + shade.get("wall", 0) * near + shade.get("middle", 0) * middle, 0.02, None)
    amount *= (
        np.clip(cv2.resize(grain, deep.shape[::-1], interpolation=cv2.INTER_CUBIC), 0, 3) * stencil.inside
    )
    line = shade.get("line", 0) * np.exp(-((deep / np.float32(shade["line_um"])) ** 2))
    grey = (line - shade.get("glow", 0) * middle) * stencil.inside
    if "core" in shade:
        # The hilum of a starch grain lies off its middle.
        off = np.float32(0.2 * np.sqrt(sheet.px_um * len(deep) / stencil.fine))
        grey += (
            shade["core"]
            * np.exp(-((stencil.x_um - off) ** 2 + stencil.y_um**2) / (2 * off**2))
            * stencil.inside
        )
    if "halo" in shade:
        grey -= shade["halo"] * np.exp(-((stencil.out_um - 0.6) ** 2) / 0.2) * (1 - stencil.inside)
    sheet.lay(stencil, kind, pigments, amount, grey, cover=shade["cover"], veil=shade["veil"])


@dataclass(frozen=True)
class ScaleLook:
    """What scales of one patch of wing or body have in common."""

    pigments: Array
    length_um: float
    width_um: float
    teeth: int
    ridge_um: float
    ridge: float
    cover: float


def draw_scale_look(rng: np.random.Generator) -> ScaleLook:
    """Orange, brown, black, white or pale, with a thin-film shimmer at times."""
    tint = rng.choice(["orange", "brown", "black", "white", "pale"], p=(0.28, 0.24, 0.18, 0.15, 0.15))
    strong = rng.uniform(0.5, 1.3)
    parts = {
        "orange": mix(rust=0.7, carotene=0.35, melanin=0.1),
        "brown": mix(melanin=0.9, rust=0.25),
        "black": mix(melanin=1.0, grey=1.1),
        "white": mix(grey=0.32),
        "pale": mix(melanin=0.14, glue=0.12),
    }[str(tint)]
    film = mix(thin=rng.normal(0, 0.06), thick=rng.normal(0, 0.06)) if rng.random() < 0.6 else mix()
    return ScaleLook(
        pigments=(parts * strong + film).astype(np.float32),
        length_um=float(rng.uniform(105, 230)),
        width_um=float(rng.uniform(50, 112)),
        teeth=int(rng.integers(2, 7)),
        ridge_um=float(rng.uniform(1.3, 3.2)),
        ridge=float(rng.uniform(0.1, 0.6)),
        cover=float(rng.uniform(0.6, 0.97)),
    )


def lay_scale(
    rng: np.random.Generator, sheet: Sheet, look: ScaleLook, at: Points, piece_um: float = 0.0
) -> bool:
    """Lay a scale, whole, torn, or only a flake of `piece_um` of it; whether a whole one was laid."""
    length, width = look.length_um * np.exp(rng.normal(0, 0.1)), look.width_um * np.exp(rng.normal(0, 0.1))
    turn = rng.uniform(0, 2 * np.pi)
    points = paddle(rng, length, width, look.teeth, rng.uniform(0.02, 0.09))
    is_torn = not piece_um and rng.random() < 0.3
    if piece_um:
        points = shard(rng, piece_um / 2)
    elif is_torn:
        points = torn(rng, points, rng.uniform(-0.4, 0.2) * length)
    stencil = sheet.stencil(turned(points, turn), float(at[0]), float(at[1]))
    if stencil is None:
        return False
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    u, v = stencil.x_um * c + stencil.y_um * s, stencil.y_um * c - stencil.x_um * s
    # Ridges fan out a little towards the toothed end.
    spread = 1 + np.float32(rng.uniform(-0.1, 0.25)) * u / np.float32(length)
    fade = np.clip(1.2 * look.ridge_um * stencil.fine / sheet.px_um / 4 - 0.4, 0, 1)
    ridge = np.cos(np.float32(2 * np.pi / look.ridge_um) * v / spread) * np.float32(look.ridge * fade)
    ribs = 1 + np.float32(0.3) * np.cos(u * np.float32(2 * np.pi / (look.ridge_um * 1.6)))
    uneven = cloud(rng, stencil.inside.shape, 14 * stencil.fine / sheet.px_um)
    dull = np.float32(rng.uniform(0.01, 0.08)) * uneven + 0.3 * np.exp(-stencil.deep_um / 1.2)
    amount = np.clip(1 + ridge * ribs + dull, 0.05, None)
    amount *= stencil.inside * np.float32(np.exp(rng.normal(0, 0.12)))
    edge = rng.uniform(0, 0.35) * np.exp(-stencil.deep_um / np.float32(0.8))
    if not piece_um and rng.random() < 0.35:
        # A fold: one dark line with a bright side.
        bow = u * np.float32(rng.normal(0, 0.5)) + v - np.float32(rng.normal(0, width / 5))
        edge = edge + 0.35 * np.exp(-((bow / 1.5) ** 2)) - 0.12 * np.exp(-(((bow - 3) / 2) ** 2))
    kind = "scale piece" if piece_um else "scale"
    sheet.lay(stencil, kind, look.pigments, amount, edge * stencil.inside, cover=look.cover, veil=0.35)
    inside = stencil.coarse(stencil.inside) > 0.5
    if not piece_um or piece_um > 30:
        sheet.scaled[stencil.box] |= inside
    if sheet.from_above:
        sheet.gloss[stencil.box] += stencil.coarse(np.clip(ridge, 0, 1) * stencil.inside) * 0.15
    return not piece_um and not is_torn


def lay_thread(rng: np.random.Generator, sheet: Sheet, at: Points, kind: str, short: bool) -> None:
    """Lay a tapering hair, or a paper or cotton fibre with a hollow core and twists."""
    hair = kind == "hair"
    wide = (rng.uniform(2, 14) if hair else rng.uniform(7, 28)) * (0.5 if short else 1.0)
    long = rng.uniform(15, 60) if short else rng.uniform(150, 900)
    path = wandering(
        rng, np.zeros(2), rng.uniform(0, 6.3), long, rng.uniform(0, 1.5) if hair else rng.uniform(1, 9)
    )
    t = np.linspace(0, 1, 60)
    if hair:
        half = wide / 2 * (1 - t) ** rng.uniform(0.3, 1) + 0.15
    else:
        twist = np.cos(t * rng.uniform(5, 40) + rng.uniform(0, 6))
        frayed = np.clip(np.minimum(t, 1 - t) * rng.uniform(4, 30) + 0.1, 0, 1) ** 0.5
        half = wide / 2 * (0.8 + rng.uniform(0, 0.5) * twist) * frayed + 0.2
    if hair:
        tint = mix(melanin=rng.uniform(0.3, 1.4), grey=rng.uniform(0, 0.5), rust=rng.uniform(0, 0.3))
    elif rng.random() < 0.25:
        tint = mix(ink=rng.uniform(0.2, 0.9), rust=float(rng.choice([0, 0.7])), grey=0.1)
    else:
        tint = mix(lignin=rng.uniform(0, 0.25), grey=rng.uniform(0.05, 0.25))
    shade = draw(rng, {"wall": (0, 1.5), "middle": (-0.8, 0.2), "line": (0.15, 0.8), "glow": (0, 0.25)})
    shade |= {"wall_um": wide * 0.15, "line_um": rng.uniform(0.6, 1.6), "veil": 0.5 if hair else 0.25}
    _lay_body(sheet, at, ribbon(path - path.mean(0), half), kind, tint, shade, np.ones((2, 2), np.float32))


def lay_bubble(rng: np.random.Generator, sheet: Sheet, at: Points) -> None:
    """Air at the tape: a broad black rim within a round or pinched outline, a bright ring, a clear middle."""
    radius = float(np.clip(rng.lognormal(2.0, 0.7), 2.5, 60))
    points = lump(rng, radius, rng.choice([0.01, 0.15]), rng.uniform(1, 1.25), 48)
    rim = rng.uniform(0.12, 0.3) * radius
    stencil = sheet.stencil(points, float(at[0]), float(at[1]))
    if stencil is None:
        return
    ring = np.exp(-(((stencil.deep_um - np.float32(1.9 * rim)) / np.float32(0.6 * rim)) ** 2))
    dark = np.exp(-((stencil.deep_um / np.float32(rim)) ** 2))
    grey = (rng.uniform(0.5, 2.0) * dark - rng.uniform(0.05, 0.3) * ring) * stencil.inside
    sheet.lay(stencil, "bubble", mix(), np.zeros_like(grey), grey, cover=0.1, veil=0.0)
    if sheet.from_above:
        sheet.gloss[stencil.box] += stencil.coarse(0.6 * ring * (stencil.x_um < -radius * 0.3))


Ranges = Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class Small:
    """A sort of small body; radius as median, spread of its logarithm, least, most; `row`: how many in a chain."""

    kind: str
    per_mm2: float
    radius_um: tuple[float, float, float, float]
    outline: str
    shade: Ranges
    tints: Sequence[Ranges]
    row: tuple[int, int] = (1, 1)
    grain: float = 0.0


GLASSY: Ranges = {"line": (0.3, 1.0), "glow": (0.05, 0.3), "halo": (0, 0.2)}
CELL: Ranges = {"line": (0.1, 0.6), "glow": (0, 0.35), "halo": (0, 0.1), "wall": (0, 1.5)}
DARK: tuple[Ranges, ...] = ({"melanin": (0.1, 0.9), "leaf": (0, 0.5), "grey": (0.05, 0.5)},)
WALLED: Ranges = {"wall": (0.5, 2), "wall_um": (0.9, 2.2), "line": (0.1, 0.6), "glow": (0, 0.25)}
YELLOW: tuple[Ranges, ...] = (
    {"carotene": (0.1, 0.5), "glue": (0, 0.5), "leaf": (0, 0.2), "grey": (0.1, 0.15)},
)
DIRT: tuple[Ranges, ...] = (
    {"grey": (0.5, 2.2)},
    {"melanin": (0.3, 1.4), "rust": (0, 0.5)},
    {"leaf": (0.2, 1)},
    {"lignin": (0.3, 1.2)},
)
DROP: Ranges = {"middle": (-0.3, 0.6), "line": (0.3, 1.3), "line_um": (0.4, 1.4), "glow": (0.1, 0.5)}
OILY: tuple[Ranges, ...] = ({"rust": (0, 0.6), "glue": (0, 0.8), "melanin": (0, 0.5)},)
STARCH: Ranges = {"line": (0.2, 0.8), "core": (0.1, 0.6), "glow": (0.05, 0.25), "halo": (0, 0.1)}
SMALL = {
    # Oil or meconium is truly round; chains and buds tell mould and yeast; starch has a hilum; pollen is large.
    "droplet": Small("other", 45, (4.5, 0.55, 1.5, 25), "round", DROP, OILY, (1, 2)),
    "dust": Small(
        "dust", 150, (2.9, 0.4, 1, 14), "rough", {"line": (0, 0.3), "halo": (0, 0.2)}, DIRT, grain=0.45
    ),
    "sand": Small("dust", 40, (3, 0.5, 1, 14), "shard", GLASSY, ({"grey": (0, 0.1)},)),
    "warty pollen": Small("pollen", 7, (12, 0.3, 6, 22), "warty", WALLED, YELLOW, grain=0.25),
    "lobed pollen": Small("pollen", 7, (11, 0.3, 6, 22), "lobed", WALLED, YELLOW, grain=0.2),
    "mould": Small("other", 14, (1.9, 0.2, 1.3, 2.6), "round", CELL, DARK, (3, 14)),
    "barred mould": Small("other", 8, (3, 0.2, 2.2, 4), "oval", CELL, DARK, (3, 6)),
    "yeast": Small("other", 10, (2, 0.25, 1.2, 3), "oval", GLASSY, ({"grey": (0, 0.05)},), (1, 3)),
    "starch": Small("other", 30, (5, 0.5, 1.8, 14), "oval", STARCH, ({"glue": (0, 0.1)},), grain=0.1),
    "skin": Small(
        "dust", 10, (20, 0.2, 14, 30), "shard", {"line": (0.1, 0.35)}, ({"glue": (0, 0.2)},), grain=0.5
    ),
}


def draw(rng: np.random.Generator, ranges: Ranges) -> dict[str, float]:
    """One value within each range."""
    return {name: float(rng.uniform(low, high)) for name, (low, high) in ranges.items()}


def _outline(rng: np.random.Generator, form: str, radius: float) -> Points:
    if form in ("warty", "lobed"):
        angle = np.linspace(0, 2 * np.pi, 96, endpoint=False)
        wave = 0.06 * np.cos(angle * rng.integers(12, 22)) if form == "warty" else 0.09 * np.cos(3 * angle)
        return radius * (1 + wave)[:, None] * np.stack([np.cos(angle), np.sin(angle)], 1)
    if form == "shard":
        return shard(rng, radius)
    wobble, stretch = {"round": (0.006, 1.06), "oval": (0.04, 1.35), "rough": (0.28, 2.2)}[form]
    return lump(rng, radius, wobble, rng.uniform(1, stretch))


def lay_small(rng: np.random.Generator, sheet: Sheet, small: Small, at: Points) -> None:
    """Lay a small body, or a chain or heap of them."""
    middle, spread, low, high = small.radius_um
    radius, turn, curl = (
        float(middle * np.exp(rng.normal(0, spread))),
        rng.uniform(0, 6.3),
        rng.choice([0.3, 2.0]),
    )
    shade, tint = draw(rng, small.shade), mix(**draw(rng, small.tints[int(rng.integers(len(small.tints)))]))
    for _ in range(int(rng.integers(small.row[0], small.row[1] + 1))):
        one = float(np.clip(radius * np.exp(rng.normal(0, 0.08)), low, high))
        size = max(4, int(one / 0.9))
        grain = np.clip(1 + small.grain * rng.standard_normal((size, size), np.float32), 0.1, 2)
        _lay_body(sheet, at, _outline(rng, small.outline, one), small.kind, tint, shade, grain)
        at = at + np.array([np.cos(turn), np.sin(turn)]) * (1.85 * one / sheet.px_um)
        turn += rng.normal(0, curl)


def lay_haze(rng: np.random.Generator, sheet: Sheet, strength: float) -> None:
    """Glue: streaks and webs of thin lines, finger grease in rows of tiny drops, and scale powder everywhere."""
    shape = sheet.shape
    grain = rng.uniform(10, 60) / sheet.px_um
    stretched = np.asarray(cloud(rng, (max(4, int(shape[0] / rng.uniform(1, 6))), shape[1]), grain))
    streaks = cv2.resize(stretched, shape[::-1], interpolation=cv2.INTER_LINEAR)
    web = np.exp(
        -((cloud(rng, shape, rng.uniform(15, 50) / sheet.px_um) / np.float32(rng.uniform(0.03, 0.1))) ** 2)
    )
    sheet.pigment[5] += np.float32(0.12 * strength) * np.clip(streaks + 0.5, 0, None)
    sheet.pigment[1] += np.float32(strength * rng.uniform(0, 0.25)) * web * np.clip(streaks, 0, 1)
    sheet.pigment[1] += np.float32(0.03 * strength) * streaks
    area = shape[0] * shape[1] * sheet.px_um**2
    dots = int(min(rng.uniform(0, 1) * strength * area / 60, 30000))
    # Powder finer than any outline would show: each dot is a spot of about 1 um.
    powder = np.zeros(shape, np.float32)
    where = rng.integers(0, shape[0], dots), rng.integers(0, shape[1], dots)
    powder[where] = rng.lognormal(-0.6, 0.7, dots) * np.clip(streaks[where] + 0.7, 0, None)
    wide = rng.uniform(0.35, 0.7) / sheet.px_um
    powder = cv2.GaussianBlur(powder, (0, 0), max(wide, 0.35)) * np.float32(6.3 * max(wide, 0.35) ** 2)
    sheet.pigment[int(rng.integers(2))] += np.float32(0.5) * np.minimum(powder, 2)
    for _ in range(int(rng.poisson(1.5 * strength))):
        lay_scratch(rng, sheet)


def lay_scratch(rng: np.random.Generator, sheet: Sheet) -> None:
    """Lay a ridge or crease of the tape: a long thin line, dark on one side and bright on the other."""
    at = rng.uniform(0, 1, 2) * sheet.shape[::-1]
    long = 0.8 * max(sheet.shape) * sheet.px_um * rng.uniform(0.3, 1.5)
    path = wandering(rng, np.zeros(2), rng.uniform(0, 6.3), long, 0.4)
    wide = np.full(60, rng.uniform(0.6, 2.5))
    strong = rng.uniform(0.1, 0.5)
    for side, sign in ((0.0, 1.0), (float(wide[0]) * 2, -0.8)):
        points = ribbon(path - path.mean(0) + side, wide)
        stencil = sheet.stencil(points, float(at[0]), float(at[1]))
        if stencil is not None:
            grey = np.float32(strong * sign) * stencil.inside
            sheet.lay(stencil, "background", mix(), np.zeros_like(grey), grey, cover=0.05)
