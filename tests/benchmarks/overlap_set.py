"""How well photos that show the same part of a print are found, on simulated prints.

    python -m tests.benchmarks.overlap_set [--prints 12] [--photos 8] [--seed 100] [--turn]

Draws prints whose photos overlap or repeat a place at another focus, and compares with the truth of the
simulator: pairs found, wrong joins (also between prints), error of place, spores counted with and without.
The objects are the simulator's own spores, so that the figures tell of the joining and not of the counting.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import replace

import cv2
import numpy as np

from sporecount.records import FieldPreview, FieldResult
from sporecount.simulate.print_photos import SimulatedPrint, draw_session
from sporecount.steps.overlap import PrintMap, map_fields
from tests.steps.made_fields import identity, truth_field

WIDTH_PX, HEIGHT_PX, UM_PER_PX = 1344, 1008, 1.2
COUNTED_OVERLAP = 0.06
"""Common share of the views from which a pair should be found."""


def draw_prints(prints: int, photos: int, seed: int) -> Iterator[tuple[int, SimulatedPrint]]:
    """Simulated prints: every fourth of the hard kind, the others ordinary."""
    for number in range(seed, seed + prints):
        rng = np.random.default_rng(number)
        drawn = draw_session(
            rng,
            photos=photos,
            width_px=WIDTH_PX,
            height_px=HEIGHT_PX,
            um_per_px=UM_PER_PX,
            overlap_share=0.4,
            refocus_share=0.25,
            preset="hard" if number % 4 == 3 else "ordinary",
            spores_per_mm2=None if number % 3 else float(rng.uniform(5, 60)),
        )
        yield number, drawn


def true_overlap(drawn: SimulatedPrint, fields: list[FieldResult], i: int, j: int) -> float:
    """Common share of the smaller of two round views, on a grid."""
    shift = drawn.places_um[j] - drawn.places_um[i]
    grid = np.stack(np.meshgrid(np.linspace(-900, 900, 181), np.linspace(-900, 900, 181)), axis=-1)

    def seen(field: FieldResult, points: np.ndarray) -> np.ndarray:
        view, um = field.view, field.scale.um_per_px
        centre = (np.array([view.center_x_px, view.center_y_px]) - (WIDTH_PX / 2, HEIGHT_PX / 2)) * um
        inside = (np.abs(points) < np.array([WIDTH_PX, HEIGHT_PX]) * um / 2).all(axis=-1)
        return inside & (np.hypot(*np.moveaxis(points - centre, -1, 0)) < view.radius_px * um)

    first, second = seen(fields[i], grid), seen(fields[j], grid - shift)
    whole = min(first.sum(), seen(fields[j], grid).sum())
    return float((first & second).sum() / max(whole, 1))


def turned(field: FieldResult, preview: FieldPreview, angle_deg: float) -> tuple[FieldResult, FieldPreview]:
    """The same field photographed with the phone turned about the photo's centre; corners are lost."""
    middle = ((field.width_px - 1) / 2, (field.height_px - 1) / 2)
    at = np.column_stack([field.objects.x_px, field.objects.y_px, np.ones(len(field.objects))])
    x, y = (cv2.getRotationMatrix2D(middle, -angle_deg, 1.0) @ at.T) if len(at) else np.zeros((2, 0))
    small = preview.rgb.shape[1::-1]
    turn = cv2.getRotationMatrix2D(((small[0] - 1) / 2, (small[1] - 1) / 2), -angle_deg, 1.0)
    inside = cv2.warpAffine((preview.left_out == 0).astype(np.uint8), turn, small, flags=cv2.INTER_NEAREST)
    return (
        replace(field, objects=replace(field.objects, x_px=x, y_px=y)),
        replace(
            preview,
            rgb=cv2.warpAffine(preview.rgb, turn, small),
            left_out=np.where(inside > 0, 0, 255).astype(np.uint8),
        ),
    )


def spores_on(placed: PrintMap, fields: list[FieldResult]) -> int:
    """Spores counted once."""
    return sum(
        int((one.counted & ~at.part.repeat).sum()) for one, at in zip(fields, placed.fields, strict=True)
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--prints", type=int, default=12)
    parser.add_argument("--photos", type=int, default=8)
    parser.add_argument("--seed", type=int, default=100)
    parser.add_argument("--turn", action="store_true", help="turn each photo by up to 8 degrees")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    pairs = found = wrong = apart = 0
    with_all, without_all, seconds, errors, missed = [], [], [], [], []
    strangers: list[tuple[FieldResult, FieldPreview]] = []
    for number, drawn in draw_prints(asked.prints, asked.photos, asked.seed):
        rng = np.random.default_rng(number)
        made = [truth_field(one, number=i + 1, rng=rng) for i, one in enumerate(drawn.photos)]
        fields = [field for field, _ in made]
        overlaps = {(i, j): true_overlap(drawn, fields, i, j) for j in range(len(fields)) for i in range(j)}
        if asked.turn:
            made = [turned(*one, float(rng.uniform(-8, 8))) for one in made]
            fields = [field for field, _ in made]
        previews = {field.photo: preview for field, preview in made}
        start = time.perf_counter()
        placed = map_fields(fields, previews.__getitem__)
        seconds.append((time.perf_counter() - start) / len(fields))
        joined = {(one.first, one.second) for one in placed.joins}
        for pair, share in overlaps.items():
            if share >= COUNTED_OVERLAP:
                pairs += 1
                found += pair in joined
                if pair not in joined:
                    missed.append((number, *pair, round(share, 2)))
            elif share == 0:
                apart += 1
                wrong += pair in joined
        if not asked.turn:
            for i, j in joined:
                known = drawn.places_um[j] - drawn.places_um[i]
                there = np.array([placed.fields[j].x_um, placed.fields[j].y_um])
                errors.append(
                    float(np.hypot(*(there - (placed.fields[i].x_um, placed.fields[i].y_um) - known)))
                )
        truth = len({identity(s) for one in drawn.photos for s in one.spores if s.countable})
        if truth >= 10 and joined:
            with_all.append(spores_on(placed, fields) / truth - 1)
            without_all.append(sum(int(one.counted.sum()) for one in fields) / truth - 1)
            print(
                f"print {number}: {truth} spores, counted {1 + with_all[-1]:.3f} of them with joining, "
                f"{1 + without_all[-1]:.3f} without"
            )
        strangers.append(made[0])
    fields = [replace(field, photo=f"{i}.jpg") for i, (field, _) in enumerate(strangers)]
    previews = {f"{i}.jpg": preview for i, (_, preview) in enumerate(strangers)}
    placed = map_fields(fields, previews.__getitem__)
    between = len(fields) * (len(fields) - 1) // 2
    print(f"overlapping pairs found: {found} of {pairs}; missed (print, photos, share): {missed}")
    print(
        f"wrong joins: {wrong} of {apart} pairs in a print, {len(placed.joins)} of {between} between prints"
    )
    print(f"doubtful joins between prints: {len(placed.doubtful)}")
    if errors:
        print(f"error of place, um: median {np.median(errors):.1f}, largest {max(errors):.1f}")
    for name, values in (("with", with_all), ("without", without_all)):
        print(
            f"count error {name} joining: mean {np.mean(values):+.3f}, mean size {np.abs(values).mean():.3f}"
        )
    print(f"time: {1000 * np.median(seconds):.0f} ms a photo")


if __name__ == "__main__":
    main()
