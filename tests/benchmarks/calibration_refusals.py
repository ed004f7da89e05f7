"""Pictures that must give no number, and wrong names for rulings that are real.

Groups: empty views; periodic things that are no ruling; the pictures that scikit-image ships; prints by the
simulators; rulings that nobody could read; a division or an objective that is not the true one. Patterns are
drawn here with formulas of their own.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import skimage

from tests.benchmarks.calibration_draws import OBJECTIVES, Plan, as_jpeg, plan, take

Made = tuple[np.ndarray, float | None]


@dataclass(frozen=True)
class Trial:
    """A picture to be made in the worker, and what the user says of it.

    `make` gives the picture with the true um per px (None: there is no ruling in it); `misnamed`: the picture
    is good, the names are not.
    """

    group: str
    name: str
    make: Callable[[], Made]
    division_um: float | None = 10.0
    objective: float | None = 10.0
    misnamed: bool = False


def trials(each: int, seed: int, real: Path | None = None) -> Iterator[Trial]:
    """List the set, `each` pictures of every kind of thing."""
    for k in range(each):
        for name in GROUNDS:
            yield Trial("empty view", f"{name} {k}", partial(_ground, name, (seed, k)))
        for name in PATTERNS:
            yield Trial(f"pattern: {name}", f"{k}", partial(_pattern, name, (seed, k)))
    shipped = Path(str(skimage.__file__)).parent / "data"
    for folder, group in ((shipped, "pictures shipped with skimage"), (real, "real photos without ruling")):
        files = sorted(folder.rglob("*")) if folder else []
        for file in (one for one in files if one.suffix in (".png", ".jpg", ".tif")):
            for k in range(max(1, each // 4)):
                yield Trial(group, f"{file.name} {k}", partial(_picture, file, (seed, k)))
    for recipe in PRINT_RECIPES:
        for k in range(each):
            yield Trial("simulated prints", f"{recipe} {k}", partial(_print, recipe, (seed, k)))
    for objective in OBJECTIVES:
        for k in range(each):
            for group in UNREADABLE:
                make = partial(_unreadable, group, objective, (seed, k))
                division = _spoilt(group, objective, (seed, k)).ruling.division_um
                yield Trial(group, f"{objective:g}x {k}", make, division, objective)
            yield from _misnamed(objective, seed, k)


# -- empty views and patterns ---------------------------------------------------------------------------------

_SHAPE = (900, 1200)


def _axes(angle: float) -> tuple[np.ndarray, np.ndarray]:
    y, x = np.mgrid[: _SHAPE[0], : _SHAPE[1]].astype(np.float32)
    x, y = x - _SHAPE[1] / 2, y - _SHAPE[0] / 2
    return x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)


def _cloud(rng: np.random.Generator, wide: float) -> np.ndarray:
    small = rng.normal(size=(int(_SHAPE[0] / wide) + 3, int(_SHAPE[1] / wide) + 3)).astype(np.float32)
    out = cv2.resize(small, _SHAPE[::-1], interpolation=cv2.INTER_CUBIC)
    return out / out.std()


def _shoot(gray: np.ndarray, rng: np.random.Generator, blur: float | None = None) -> np.ndarray:
    """Take a photo of a picture in grey: blur, uneven light, a round view in half of them, noise, JPEG."""
    gray = cv2.GaussianBlur(gray.astype(np.float32), (0, 0), blur or rng.uniform(0.6, 1.6))
    x, y = _axes(rng.uniform(0, 7))
    gray = gray * (1 + rng.uniform(0, 0.3) * x / _SHAPE[1])
    if rng.random() < 0.5:
        radius = rng.uniform(0.4, 0.6) * _SHAPE[0]
        gray = 0.02 + gray * np.clip((radius - np.hypot(x, y)) / 3 + 0.5, 0, 1)
    colour = gray[..., None] * np.array([1.0, 0.96, 0.88])
    noise = rng.uniform(0.004, 0.02)
    return as_jpeg(colour + rng.normal(0, noise, colour.shape), int(rng.integers(70, 95)))


def _ground(name: str, seed: tuple[int, int]) -> Made:
    rng = np.random.default_rng([*seed, len(name)])
    return _shoot(GROUNDS[name](rng), rng), None


def _dusty(rng: np.random.Generator) -> np.ndarray:
    out = np.full(_SHAPE, 0.75, np.float32)
    for _ in range(60):
        place = (int(rng.integers(_SHAPE[1])), int(rng.integers(_SHAPE[0])))
        cv2.circle(out, place, int(rng.integers(2, 12)), float(rng.uniform(0.1, 0.6)), -1)
    return out


def _hairs(rng: np.random.Generator) -> np.ndarray:
    out = np.full(_SHAPE, 0.75, np.float32)
    for _ in range(25):
        points = rng.uniform(0, _SHAPE[1], (3, 2))
        t = np.linspace(0, 1, 60)[:, None]
        curve = (1 - t) ** 2 * points[0] + 2 * t * (1 - t) * points[1] + t**2 * points[2]
        cv2.polylines(
            out, [curve.astype(np.int32)], False, float(rng.uniform(0.1, 0.5)), int(rng.integers(1, 6))
        )
    return out


GROUNDS: dict[str, Callable[[np.random.Generator], np.ndarray]] = {
    "blank": lambda rng: np.full(_SHAPE, rng.uniform(0.3, 0.9)),
    "mottled": lambda rng: 0.7 + 0.05 * _cloud(rng, rng.uniform(3, 80)),
    "dust": _dusty,
    "hairs": _hairs,
}


def _wave(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, float]:
    period = float(np.exp(rng.uniform(np.log(6), np.log(60))))
    u, v = _axes(rng.uniform(0, np.pi))
    return u / period, v / period, period


def _sine(rng: np.random.Generator) -> np.ndarray:
    u, _, _ = _wave(rng)
    return 0.6 + rng.uniform(0.1, 0.35) * np.sin(2 * np.pi * u)


def _lines(rng: np.random.Generator) -> np.ndarray:
    u, _, _ = _wave(rng)
    return 0.75 - rng.uniform(0.2, 0.6) * (np.abs(u % 1 - 0.5) < rng.uniform(0.06, 0.25))


def _half_and_half(rng: np.random.Generator) -> np.ndarray:
    u, v, _ = _wave(rng)
    inside = (np.abs(u) < rng.uniform(6, 15)) & (np.abs(v) < rng.uniform(4, 9))
    return 0.8 - 0.6 * inside * (u % 1 < 0.5)


def _halftone(rng: np.random.Generator) -> np.ndarray:
    u, v, _ = _wave(rng)
    tone = 0.12 + 0.06 * _cloud(rng, 200)
    return 0.8 - 0.6 * ((u % 1 - 0.5) ** 2 + (v % 1 - 0.5) ** 2 < tone)


def _fabric(rng: np.random.Generator) -> np.ndarray:
    u, v, period = _wave(rng)
    u, v = u + 0.06 * _cloud(rng, 3 * period), v + 0.06 * _cloud(rng, 3 * period)
    over = (np.floor(u) + np.floor(v)) % 2
    shine = np.where(over > 0, np.sin(np.pi * (u % 1)), np.sin(np.pi * (v % 1)))
    return 0.35 + 0.35 * shine + 0.03 * _cloud(rng, 2)


def _knit(rng: np.random.Generator) -> np.ndarray:
    u, v, period = _wave(rng)
    u = u + 0.05 * _cloud(rng, 4 * period)
    return 0.5 + 0.25 * np.sin(2 * np.pi * (v + 0.3 * np.abs(u % 1 - 0.5))) * np.cos(2 * np.pi * u)


def _ridges(rng: np.random.Generator) -> np.ndarray:
    """A butterfly scale: ridges that bend and run out at a rounded, toothed edge."""
    u, v, period = _wave(rng)
    bent = u + rng.uniform(0.02, 0.15) * _cloud(rng, 4 * period) + 0.002 * v * v * rng.normal()
    inside = (np.abs(u) < 9 + 0.4 * np.sin(v)) & (np.abs(v) < 16 - 0.1 * u * u + 1.5 * np.sin(1.5 * u))
    return 0.75 - inside * (0.25 + rng.uniform(0.05, 0.2) * np.sin(2 * np.pi * bent))


def _even_ridges(rng: np.random.Generator) -> np.ndarray:
    """A torn piece of a scale with perfectly even ridges."""
    u, _, period = _wave(rng)
    corners = rng.uniform(-1, 1, (5, 2)) * np.array([18 * period, 9 * period]) + (600, 450)
    hull = cv2.convexHull(corners.astype(np.int32))
    inside = cv2.fillPoly(np.zeros(_SHAPE, np.uint8), [hull], 1)
    return 0.75 - inside * (0.25 + rng.uniform(0.06, 0.15) * np.cos(2 * np.pi * u))


def _barcode(rng: np.random.Generator) -> np.ndarray:
    u, v, _ = _wave(rng)
    bars = rng.random(400) < 0.5
    return 0.85 - 0.7 * bars[np.clip((2 * u + 200).astype(int), 0, 399)] * (np.abs(v) < 8)


def _checks(rng: np.random.Generator) -> np.ndarray:
    u, v, _ = _wave(rng)
    return 0.3 + 0.5 * ((np.floor(u) + np.floor(v)) % 2)


def _rings(rng: np.random.Generator) -> np.ndarray:
    u, v, _ = _wave(rng)
    return 0.5 + 0.3 * np.sin(2 * np.pi * np.hypot(u - rng.uniform(-5, 5), v))


def _wood(rng: np.random.Generator) -> np.ndarray:
    u, v, _ = _wave(rng)
    return 0.55 + 0.2 * np.sin(2 * np.pi * (u + 0.8 * _cloud(rng, 150) + 0.01 * v))


def _honeycomb(rng: np.random.Generator) -> np.ndarray:
    u, v, _ = _wave(rng)
    waves = [np.cos(2 * np.pi * (u * np.cos(a) + v * np.sin(a))) for a in (0, np.pi / 3, 2 * np.pi / 3)]
    return 0.5 + 0.12 * sum(waves)


def _writing(rng: np.random.Generator) -> np.ndarray:
    out = np.full(_SHAPE, 217, np.uint8)
    step = int(rng.integers(22, 60))
    for row in range(step, _SHAPE[0], step):
        words = "".join(rng.choice(list("abcdefghilmnoprstu   "), 90))
        cv2.putText(out, words, (10, row), cv2.FONT_HERSHEY_SIMPLEX, step / 40, 38, max(1, step // 22))
    return out / np.float32(255)


PATTERNS: dict[str, Callable[[np.random.Generator], np.ndarray]] = {
    "sine grating": _sine,
    "line grating without ends": _lines,
    "grating, half line half gap, square ends": _half_and_half,
    "halftone": _halftone,
    "fabric": _fabric,
    "knitting": _knit,
    "wing scale ridges": _ridges,
    "torn scale, even ridges": _even_ridges,
    "bar code": _barcode,
    "checks": _checks,
    "rings": _rings,
    "wood grain": _wood,
    "honeycomb": _honeycomb,
    "writing": _writing,
}


def _pattern(name: str, seed: tuple[int, int]) -> Made:
    rng = np.random.default_rng([*seed, sorted(PATTERNS).index(name), 1])
    return _shoot(PATTERNS[name](rng), rng), None


# -- pictures and prints --------------------------------------------------------------------------------------


def _picture(file: Path, seed: tuple[int, int]) -> Made:
    """Load a picture: as it is first, then turned and zoomed pieces of it."""
    bgr = cv2.imread(str(file), cv2.IMREAD_COLOR)
    if bgr is None:
        return np.full((200, 260, 3), 128, np.uint8), None
    if seed[1] > 0:
        rng = np.random.default_rng([*seed, len(file.name)])
        size = (bgr.shape[1] / 2, bgr.shape[0] / 2)
        matrix = cv2.getRotationMatrix2D(size, rng.uniform(0, 360), rng.uniform(0.8, 2.5))
        matrix[:, 2] += (400 - size[0], 300 - size[1])
        bgr = cv2.warpAffine(bgr, matrix, (800, 600), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    return np.ascontiguousarray(bgr[..., ::-1]), None


PRINT_RECIPES = (
    "sporecount.simulate.photo",
    "sporecount.simulate.layered",
    "sporecount.simulate.aperture",
    "sporecount.simulate.panes",
)
_PRESETS = ("hard", "heavy", "no_spores")


def _print(recipe: str, seed: tuple[int, int]) -> Made:
    rng = np.random.default_rng([*seed, PRINT_RECIPES.index(recipe), 2])
    photo = importlib.import_module(recipe).draw_photo(
        rng, width_px=1000, height_px=750, um_per_px=None, objective=None, preset=_PRESETS[seed[1] % 3]
    )
    return photo.rgb, None


# -- rulings that nobody could read, and wrong names ----------------------------------------------------------


def _short(one: Plan, rng: np.random.Generator) -> Plan:
    """A ruler of 1 to 4 divisions."""
    count = int(rng.integers(1, 5))
    division = one.rig.height_px * one.rig.um_per_px / rng.uniform(count + 2, 20)
    tall = division * rng.uniform(1.5, 3)
    ruler = replace(
        one.ruling,
        kind="ruler",
        division_um=division,
        line_um=0.2 * division,
        first=0,
        last=count,
        u0_um=-count / 2 * division,
        lengths_um=(tall, 1.3 * tall, 1.6 * tall),
    )
    return replace(one, ruling=ruler)


def _coarse(one: Plan, rng: np.random.Generator) -> Plan:
    """So coarse that at most 4 divisions fit into the photo."""
    across = float(np.hypot(one.rig.width_px, one.rig.height_px)) * one.rig.um_per_px
    if one.light.view_px is not None:
        across = min(across, 2 * one.light.view_px[2] * one.rig.um_per_px)
    division = across / rng.uniform(1.2, 4.4)
    tall = 0.2 * across
    kind = "ruler" if one.ruling.kind == "cross" else one.ruling.kind
    ruling = replace(
        one.ruling,
        kind=kind,
        division_um=division,
        line_um=rng.uniform(0.03, 0.15) * division,
        lengths_um=(tall, 1.3 * tall, 1.6 * tall),
        first=-50,
        last=50,
    )
    return replace(one, ruling=ruling)


def _soft(one: Plan, rng: np.random.Generator) -> Plan:
    """Blurred until the divisions run together: half a division of blur leaves 1 % of their contrast."""
    return replace(
        one, light=replace(one.light, blur_um=one.ruling.division_um / 0.7 * rng.uniform(0.5, 1.2))
    )


def _fine(one: Plan, rng: np.random.Generator) -> Plan:
    """Finer than the pixels can carry."""
    division = one.rig.um_per_px * rng.uniform(1.05, 2.1)
    tall = 0.1 * one.rig.height_px * one.rig.um_per_px
    ruling = replace(
        one.ruling,
        kind="ruler",
        division_um=division,
        line_um=0.3 * division,
        first=-200,
        last=200,
        lengths_um=(tall, 1.3 * tall, 1.6 * tall),
    )
    return replace(one, ruling=ruling, light=replace(one.light, blur_um=0.35 * one.rig.um_per_px))


UNREADABLE: dict[str, Callable[[Plan, np.random.Generator], Plan]] = {
    "ruler of 1 to 4 divisions": _short,
    "at most 4 divisions in view": _coarse,
    "ruling out of focus": _soft,
    "ruling finer than the pixels": _fine,
}


def _spoilt(group: str, objective: float, seed: tuple[int, int]) -> Plan:
    rng = np.random.default_rng([*seed, int(objective), sorted(UNREADABLE).index(group)])
    return UNREADABLE[group](plan(objective, rng), rng)


def _unreadable(group: str, objective: float, seed: tuple[int, int]) -> Made:
    planned = _spoilt(group, objective, seed)
    made = take(planned, "phone", np.random.default_rng([*seed, int(objective), 9]))
    return made.rgb, planned.rig.um_per_px


def _good_plan(objective: float, seed: tuple[int, int], which: int) -> Plan:
    return plan(objective, np.random.default_rng([*seed, int(objective), 10 + which]))


def _good(objective: float, seed: tuple[int, int], which: int) -> Made:
    planned = _good_plan(objective, seed, which)
    made = take(planned, "phone", np.random.default_rng([*seed, int(objective), 20 + which]))
    return made.rgb, None  # right or not, the number would be stored under a wrong name


def _misnamed(objective: float, seed: int, k: int) -> Iterator[Trial]:
    """Name the division 10 or 2 times too large or small, or a neighbouring objective."""
    grow = (10.0, 0.1)[k % 2], (2.0, 0.5)[k % 2]
    at = OBJECTIVES.index(objective)
    other = OBJECTIVES[at + 1] if at == 0 or (k % 2 and at + 1 < len(OBJECTIVES)) else OBJECTIVES[at - 1]
    for which, what in enumerate(("division 10 times off", "division 2 times off", "next objective")):
        planned = _good_plan(objective, (seed, k), which)
        division = planned.ruling.division_um * (grow[which] if which < 2 else 1.0)
        named = objective if which < 2 else other
        yield Trial(
            f"{what}, {'round view' if planned.light.view_px else 'no edge in view'}",
            f"{objective:g}x {planned.ruling.division_um:g} um as {named:g}x {division:g} um, {k}",
            partial(_good, objective, (seed, k), which),
            division,
            named,
            misnamed=True,
        )
