"""How well the area of a print is measured on simulated overview photos.

    python -m tests.benchmarks.overview_set [--prints 20] [--seed 200] [--tiles]

Draws scales, hairs and spores inside an outline of known area, fibres, dust and bubbles everywhere, and compares
the area and its range with the truth. With `--tiles` each print is larger than the view and comes as twelve
overlapping photos. Simulated photos: no claim about real prints.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import cv2
import numpy as np

from sporecount.records import Photo, Scale
from sporecount.simulate.camera import Phone, draw_phone
from sporecount.simulate.optics import draw_focus
from sporecount.simulate.photo import lay_view, preset_ranges, render_photo
from sporecount.simulate.ranges import PrintRanges
from sporecount.simulate.sample import PrintSample, draw_sample
from sporecount.simulate.scene import Scene, draw_print_scene
from sporecount.simulate.things import KIND
from sporecount.steps.extent import extent_of
from sporecount.steps.overview import find_scales
from sporecount.steps.round_view import find_round_view

UM_PER_PX, WIDTH_PX, HEIGHT_PX = 3.2, 1500, 1125
SCALE_REL_U = 0.002
OF_PRINT = {KIND[name] for name in ("spore", "scale", "scale piece", "hair")}


def outline(rng: np.random.Generator, wide_um: float, high_um: float) -> np.ndarray:
    """A wavy ellipse, turned at random; shape (120, 2)."""
    at = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    reach = 1 + sum(rng.normal(0, 0.06 / n) * np.cos(n * at + rng.uniform(0, 2 * np.pi)) for n in range(2, 6))
    x, y = reach * np.cos(at) * wide_um / 2, reach * np.sin(at) * high_um / 2
    turn = rng.uniform(0, np.pi)
    return np.column_stack([np.cos(turn) * x - np.sin(turn) * y, np.sin(turn) * x + np.cos(turn) * y])


def print_scene(
    rng: np.random.Generator, number: int, size_um: tuple[float, float], extent_um: tuple[float, ...]
) -> tuple[PrintRanges, PrintSample, np.ndarray, Scene]:
    """Scene with a print in its middle; every fourth of the hard kind, every fifth lit from above."""
    table = replace(
        preset_ranges("hard" if number % 4 == 3 else "ordinary"),
        scale_cover=(0.12, 0.6), dust_rate=(15, 150), piece_rate=(15, 150), microbubble_rate=(1, 40),
    )  # fmt: skip
    sample = draw_sample(rng, table, light="above" if number % 5 == 4 else "below")
    edge = outline(rng, *size_um)
    scene = draw_print_scene(rng, sample, table, extent_um, spores=int(rng.integers(0, 400)))
    inside = edge.astype(np.float32)
    things = tuple(
        one
        for one in scene.things
        if one.kind not in OF_PRINT or cv2.pointPolygonTest(inside, (one.x_um, one.y_um), False) > 0
    )
    return table, sample, edge, Scene(scene.extent_um, things)


def photographed(
    rng: np.random.Generator,
    table: PrintRanges,
    sample: PrintSample,
    scene: Scene,
    phone: Phone,
    at_um: tuple[float, float],
) -> np.ndarray:
    focus = draw_focus(rng, table, 4.0)
    view = replace(lay_view(WIDTH_PX, HEIGHT_PX, UM_PER_PX, phone, focus), x_um=at_um[0], y_um=at_um[1])
    return render_photo(rng, scene, sample, view, focus, phone).rgb


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--prints", type=int, default=20)
    parser.add_argument("--seed", type=int, default=200)
    parser.add_argument("--tiles", action="store_true")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    ratios, ranges, inside, refused = [], [], 0, []
    for number in range(asked.seed, asked.seed + asked.prints):
        rng = np.random.default_rng(number)
        if asked.tiles:
            size, extent_um = (6200.0, 4300.0), (-4600.0, -3600.0, 9200.0, 7200.0)
            places = [(x, y) for y in (-2000.0, 0.0, 2000.0) for x in (-2900.0, -970.0, 970.0, 2900.0)]
        else:
            size, extent_um = (
                (rng.uniform(1200, 2600), rng.uniform(900, 2200)),
                (-2400.0, -1800.0, 4800.0, 3600.0),
            )
            places = [(0.0, 0.0)]
        table, sample, edge, scene = print_scene(rng, number, size, extent_um)
        phone = replace(draw_phone(rng, table), circle=(0.0, 0.0, 0.45))
        looked = []
        for at, (x, y) in enumerate(places):
            nudge = rng.normal(0, 150, 2) if asked.tiles else np.zeros(2)
            rgb = photographed(rng, table, sample, scene, phone, (x + nudge[0], y + nudge[1]))
            photo = Photo(rgb, f"{number}_{at}")
            scale = Scale(UM_PER_PX, SCALE_REL_U * UM_PER_PX)
            looked.append(find_scales(photo, find_round_view(photo), scale))
        true_mm2 = cv2.contourArea(edge.astype(np.float32)) * 1e-6
        got = extent_of(looked)
        print(
            f"print {number}: {true_mm2:.2f} mm2, measured {got.area_mm2:.2f} ({got.low_mm2:.2f} to "
            f"{got.high_mm2:.2f}) {got.reason}",
            flush=True,
        )
        if got.reason:
            refused.append(got.reason)
            continue
        ratios.append(got.area_mm2 / true_mm2)
        ranges.append(got.high_mm2 / got.low_mm2)
        inside += got.low_mm2 <= true_mm2 <= got.high_mm2
    print(f"measured {len(ratios)}, truth in the range {inside}; refused {len(refused)}: {sorted(refused)}")
    print(
        f"measured / true: median {np.median(ratios):.2f}, middle nine tenths {np.quantile(ratios, 0.05):.2f} to "
        f"{np.quantile(ratios, 0.95):.2f}; range high / low: median {np.median(ranges):.2f}"
    )


if __name__ == "__main__":
    main()
