"""How a count bears what other lamps, lenses and phones do to the same photo.

    PYTHONPATH=. OMP_NUM_THREADS=1 python -m tests.benchmarks.other_rigs [--recipes MODULE,MODULE] [--set NAME]
        [--photos N] [--seed N] [--workers N]

Each photo is changed in some thirty ways and counted again. The truth stays that of the photo as drawn, also
where a change hides spores: look at how far a line falls below the first one, and whether clear fields still hold
the truth. A photo weighs as one with thirty objects at most. Simulated photos all.
"""

from __future__ import annotations

import argparse
import multiprocessing
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import cv2
import numpy as np

from tests.benchmarks.scorecard import detect
from tests.benchmarks.scorecard_draws import SETS, draw
from tests.recipes.scoring import PhotoScore, score_photo
from tests.steps.drawn import linear, srgb

RECIPES = tuple(
    f"tests.recipes.{name}"
    for name in ("drifter", "nomad", "pilgrim", "ranger", "rover", "rambler", "roamer", "voyager")
)
"""What no network that looks has learnt from, without those that only measure."""

Change = Callable[[np.ndarray, float, np.random.Generator], np.ndarray]
"""Picture, um per pixel and chance to the changed picture."""


def lit(factor: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> Change:
    """Another light: a factor for each place, by x and y from -1 to 1, or for each channel."""

    def change(rgb: np.ndarray, _um: float, _rng: np.random.Generator) -> np.ndarray:
        y, x = np.meshgrid(*(np.linspace(-1, 1, side) for side in rgb.shape[:2]), indexing="ij")
        return srgb(linear(rgb) * factor(x[..., None], y[..., None]))

    return change


def veiled(stray: float) -> Change:
    """So much stray light, of white, and the lamp turned down so that hardly anything is blown out."""
    return lambda rgb, _um, _rng: srgb((0.85 - stray) * linear(rgb) + stray)


def lateral(edge_um: float) -> Change:
    """Red larger and blue smaller than green, by so much at the sides."""

    def change(rgb: np.ndarray, um: float, _rng: np.random.Generator) -> np.ndarray:
        height, width = rgb.shape[:2]
        planes = list(cv2.split(rgb))
        for channel, sign in ((0, 1), (2, -1)):
            zoom = 1 + sign * edge_um / (um * width / 2)
            about = np.array(
                [[zoom, 0, (1 - zoom) * (width - 1) / 2], [0, zoom, (1 - zoom) * (height - 1) / 2]]
            )
            planes[channel] = cv2.warpAffine(
                planes[channel], about, (width, height), borderMode=cv2.BORDER_REPLICATE
            )
        return cv2.merge(planes)

    return change


def blurred(sigma_um: float) -> Change:
    """Out of focus."""
    return lambda rgb, um, _rng: cv2.GaussianBlur(rgb, (0, 0), sigma_um / um)


def shaken(rgb: np.ndarray, um: float, rng: np.random.Generator) -> np.ndarray:
    """Moved by 4 um while the shutter was open."""
    side = max(3, round(4 / um))
    streak = np.zeros((side, side), np.float32)
    streak[side // 2] = 1
    turn = cv2.getRotationMatrix2D(((side - 1) / 2, (side - 1) / 2), rng.uniform(0, 180), 1)
    streak = cv2.warpAffine(streak, turn, (side, side))
    return cv2.filter2D(rgb, -1, streak / streak.sum())


def sharpened(rgb: np.ndarray, um: float, _rng: np.random.Generator) -> np.ndarray:
    """Edges raised, as phones do."""
    soft = cv2.GaussianBlur(rgb.astype(np.float32), (0, 0), 1.2 / um)
    return np.clip(rgb + 1.5 * (rgb - soft), 0, 255).astype(np.uint8)


def evened(rgb: np.ndarray, um: float, _rng: np.random.Generator) -> np.ndarray:
    """Shades lifted and lights held back over 40 um, details raised."""
    values = rgb.astype(np.float32)
    soft = cv2.GaussianBlur(values, (0, 0), 40 / um)
    return np.clip(128 + 1.4 * (values - soft) + 0.5 * (soft - 128), 0, 255).astype(np.uint8)


def coloured(saturation: float) -> Change:
    """Colours deepened, or taken out."""

    def change(rgb: np.ndarray, _um: float, _rng: np.random.Generator) -> np.ndarray:
        grey = rgb.mean(axis=2, keepdims=True)
        return np.clip(grey + saturation * (rgb - grey), 0, 255).astype(np.uint8)

    return change


def saved(quality: int) -> Change:
    """Saved as JPEG."""

    def change(rgb: np.ndarray, _um: float, _rng: np.random.Generator) -> np.ndarray:
        packed = cv2.imencode(
            ".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality]
        )
        return cv2.cvtColor(cv2.imdecode(packed[1], cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)

    return change


def grainy(rgb: np.ndarray, _um: float, rng: np.random.Generator) -> np.ndarray:
    """Shot noise of 3 % at white."""
    light = linear(rgb)
    return srgb(light + rng.normal(0, 0.03, rgb.shape) * np.sqrt(light))


def blotched(rgb: np.ndarray, _um: float, rng: np.random.Generator) -> np.ndarray:
    """Noise in colour alone, in blots of some pixels; grey by ITU-R BT.601 stays."""
    noise = cv2.GaussianBlur(rng.normal(0, 1, rgb.shape).astype(np.float32), (0, 0), 2)
    noise *= 9 / noise.std()
    return np.clip(rgb + noise - (noise @ (0.299, 0.587, 0.114))[..., None], 0, 255).astype(np.uint8)


def dirty(rgb: np.ndarray, _um: float, rng: np.random.Generator) -> np.ndarray:
    """Soft dark patches, as from dust on the eyepiece."""
    y, x = np.meshgrid(*(np.linspace(-1, 1, side) for side in rgb.shape[:2]), indexing="ij")
    light = linear(rgb)
    for at_x, at_y, radius in zip(
        *rng.uniform((-1,) * 2, 1, (12, 2)).T, rng.uniform(0.04, 0.12, 12), strict=True
    ):
        light *= 1 - 0.35 * np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / (2 * radius**2))[..., None]
    return srgb(light)


def on_dark_card(rgb: np.ndarray, _um: float, _rng: np.random.Generator) -> np.ndarray:
    """What takes light away gives back as much, before a dark ground."""
    light = linear(rgb)
    return srgb(0.07 * (np.median(light, axis=(0, 1)) / np.maximum(light, 1e-3))[..., ::-1])


CHANGES: dict[str, Change] = {
    "as drawn": lambda rgb, _um, _rng: rgb,
    "jpeg 60": saved(60),
    "jpeg 30": saved(30),
    "flicker 12 %": lit(lambda _x, y: 1 + 0.12 * np.sin(17 * y + 1)),
    "flicker 30 %": lit(lambda _x, y: 1 + 0.3 * np.sin(17 * y + 1)),
    "vignette": lit(lambda x, y: np.clip(1 - 0.48 * (x**2 + y**2), 0.08, 1)),
    "light from aside": lit(lambda x, _y: 10 ** (0.35 * x - 0.35)),
    "orange lamp": lit(lambda _x, _y: np.array([1, 0.62, 0.28])),
    "blue lamp": lit(lambda _x, _y: np.array([0.55, 0.8, 1])),
    "green filter": lit(lambda _x, _y: np.array([0.5, 1, 0.55])),
    "a tenth of light": lit(lambda _x, _y: np.array(0.1)),
    "too bright": lit(lambda _x, _y: np.array(1.9)),
    "veil 0.15": veiled(0.15),
    "veil 0.3": veiled(0.3),
    "veil 0.5": veiled(0.5),
    "dirty lens": dirty,
    "lateral colour 1": lateral(1.0),
    "lateral colour 2.5": lateral(2.5),
    "blur 1.3 um": blurred(1.3),
    "blur 2.2 um": blurred(2.2),
    "shaken": shaken,
    "sharpened": sharpened,
    "evened": evened,
    "deep colours": coloured(2.0),
    "no colours": coloured(0.0),
    "grain": grainy,
    "colour noise": blotched,
    "dark card": on_dark_card,
}


def scores_of(task: tuple[str, int], *, name: str, seed: int) -> list[tuple[PhotoScore, str, bool]]:
    """Score a photo after every change, with the flag and whether the interval holds the truth."""
    cv2.setNumThreads(1)
    drawn = draw(task[0], name, seed, task[1])
    rows = []
    for change in CHANGES.values():
        rgb = np.ascontiguousarray(change(drawn.rgb, drawn.um_per_px, np.random.default_rng(task[1])))
        found = detect(rgb, drawn.um_per_px, drawn.objective)
        score = score_photo(drawn, found)
        rows.append((score, found["flag"], found["low"] <= score.true_count <= found["high"]))
    return rows


def _weighed(score: PhotoScore) -> np.ndarray:
    """Hits, misses and false ones, brought to thirty at most."""
    parts = np.array([score.hits, score.misses, score.false], float)
    return parts * min(1.0, 30.0 / max(parts.sum(), 1.0))


def main() -> None:
    """Print a line a change."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--recipes", default=",".join(RECIPES), help="modules with draw_photo")
    parser.add_argument("--set", default="good_focus", choices=SETS)
    parser.add_argument("--photos", type=int, default=6, help="of each recipe")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    wish = parser.parse_args()
    tasks = [(recipe, index) for recipe in wish.recipes.split(",") for index in range(wish.photos)]
    with ProcessPoolExecutor(wish.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        rows = list(pool.map(partial(scores_of, name=wish.set, seed=wish.seed), tasks))
    print(f"{len(tasks)} simulated photos, {wish.set}, seed {wish.seed}\n")
    print("change                 F1  recall    prec   clear  truth in clear  unusable")
    for name, column in zip(CHANGES, zip(*rows, strict=True), strict=True):
        hits, misses, false = np.sum([_weighed(score) for score, _, _ in column], axis=0)
        clear = [inside for _, flag, inside in column if flag == "clear"]
        unusable = np.mean([flag == "unusable" for _, flag, _ in column])
        print(
            f"{name:18s} {2 * hits / max(2 * hits + misses + false, 1):6.3f} {hits / max(hits + misses, 1):7.3f}"
            f" {hits / max(hits + false, 1):7.3f} {len(clear) / len(column):7.2f}"
            f" {np.mean(clear) if clear else np.nan:15.3f} {unusable:9.2f}"
        )


if __name__ == "__main__":
    main()
