"""The photos of one simulated print: several places, overlapping views, one place at several focuses."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sporecount.simulate.camera import Phone, draw_phone
from sporecount.simulate.optics import draw_focus
from sporecount.simulate.photo import (
    draw_number,
    draw_scale,
    lay_view,
    preset_ranges,
    render_photo,
    spore_area,
)
from sporecount.simulate.ranges import PrintRanges
from sporecount.simulate.sample import PrintSample, draw_sample
from sporecount.simulate.scene import draw_print_scene
from sporecount.simulate.things import KIND
from sporecount.simulate.truth import SimulatedPhoto


@dataclass(frozen=True)
class SimulatedPrint:
    """The photos of one simulated print.

    Parameters
    ----------
    photos : tuple of SimulatedPhoto
    places_um : ndarray of shape (n, 2)
        Place of each photo's centre on the print, x and y in um.
    same_place_as : tuple of int
        For each photo the number of the first photo of the same place (itself if it is the first).
    spores_in_view : int
        Different spores in the photos together, each counted once.
    covered_mm2 : float
        Area of print in the photos together, each spot counted once (rectangles, round view not cut out).
    """

    photos: tuple[SimulatedPhoto, ...]
    places_um: np.ndarray
    same_place_as: tuple[int, ...]
    spores_in_view: int
    covered_mm2: float


def draw_session(
    rng: np.random.Generator,
    *,
    photos: int,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float = 10.0,
    preset: str = "ordinary",
    spores_per_mm2: float | None = None,
    light: str | None = None,
    overlap_share: float = 0.0,
    refocus_share: float = 0.0,
    sample: PrintSample | None = None,
    phone: Phone | None = None,
    ranges: PrintRanges | None = None,
) -> SimulatedPrint:
    """Draw the photos of one print: the same spores, butterfly, card, light, eyepiece and phone throughout.

    Parameters
    ----------
    rng : numpy.random.Generator
    photos : int
        At least 1.
    width_px, height_px, um_per_px, objective, preset, light, ranges
        As in `draw_photo`.
    spores_per_mm2 : float, optional
        Mean density over the print; each place varies around it (gamma, shape 3). Drawn when missing.
    overlap_share : float
        Chance that a photo overlaps the one before it (30 to 70 % of the view).
    refocus_share : float
        Chance that a photo shows the same place as the one before it at another focus.
    sample, phone : optional
        To join several prints to one session, pass the `phone` of the first.

    Returns
    -------
    SimulatedPrint
    """
    table = ranges or preset_ranges(preset)
    objective, um_per_px = draw_scale(rng, preset, objective, um_per_px)
    sample = sample or draw_sample(rng, table, light=light)
    phone = phone or draw_phone(rng, table)
    wide, high = width_px * um_per_px, height_px * um_per_px
    if spores_per_mm2 is None:
        spores_per_mm2 = draw_number(rng, table, sample, wide * high) / (wide * high * 1e-6)
    places, same, groups = _walk(rng, photos, wide, high, overlap_share, refocus_share)
    out: list[SimulatedPhoto] = [None] * photos  # type: ignore[list-item]
    seen_spores, covered = 0, 0.0
    for members in groups:
        centres = places[members]
        low, size = centres.min(0) - (wide / 2, high / 2), np.ptp(centres, axis=0) + np.array([wide, high])
        area_mm2 = float(size[0] * size[1]) * 1e-6
        number = int(rng.poisson(spores_per_mm2 * rng.gamma(3, 1 / 3) * area_mm2)) if spores_per_mm2 else 0
        number = min(number, int(table.spore_cover_max * area_mm2 * 1e6 / spore_area(sample)))
        scene = draw_print_scene(
            rng, sample, table, (float(low[0]), float(low[1]), float(size[0]), float(size[1])), spores=number
        )
        base = draw_focus(rng, table, objective)
        in_view = np.zeros(len(scene.things), bool)
        grid_um = max(wide, high) / 200
        map_shape = (int(np.ceil(size[1] / grid_um)) + 1, int(np.ceil(size[0] / grid_um)) + 1)
        map_seen = np.zeros(map_shape, bool)
        for i in members:
            focus = base if same[i] == i else replace(draw_focus(rng, table, objective), seed=base.seed)
            held = replace(phone, circle=_nudge(rng, phone.circle))
            view = replace(
                lay_view(width_px, height_px, um_per_px, phone, focus),
                x_um=float(places[i, 0]),
                y_um=float(places[i, 1]),
            )
            notes = {
                "preset": preset,
                "style": "physical",
                "place_um": [view.x_um, view.y_um],
                "same_place_as": same[i],
            }
            out[i] = render_photo(rng, scene, sample, view, focus, held, notes=notes)
            for j, thing in enumerate(scene.things):
                inside = abs(thing.x_um - view.x_um) < wide / 2 and abs(thing.y_um - view.y_um) < high / 2
                in_view[j] |= thing.kind == KIND["spore"] and inside
            left, top = ((places[i] - (wide / 2, high / 2) - low) / grid_um).astype(int)
            map_seen[top : top + round(high / grid_um), left : left + round(wide / grid_um)] = True
        seen_spores += int(in_view.sum())
        covered += float(map_seen.sum()) * grid_um**2 * 1e-6
    return SimulatedPrint(tuple(out), places, tuple(same), seen_spores, covered)


def _walk(
    rng: np.random.Generator, photos: int, wide: float, high: float, overlap: float, refocus: float
) -> tuple[np.ndarray, list[int], list[np.ndarray]]:
    """Places of the photos on the print, which repeat a place, and which hang together."""
    places, same, groups = [np.zeros(2)], [0], [[0]]
    for i in range(1, photos):
        chance = rng.random()
        if chance < refocus:
            places.append(places[-1] + rng.normal(0, 0.004, 2) * (wide, high))
            same.append(same[-1])
            groups[-1].append(i)
            continue
        same.append(i)
        if chance < refocus + overlap:
            heading = rng.uniform(0, 2 * np.pi)
            places.append(
                places[-1]
                + rng.uniform(0.3, 0.7) * np.array([wide * np.cos(heading), high * np.sin(heading)])
            )
            groups[-1].append(i)
        else:
            places.append(np.array([i * 4.0 * wide, 0.0]))
            groups.append([i])
    return np.array(places), same, [np.array(g) for g in groups]


def _nudge(
    rng: np.random.Generator, circle: tuple[float, float, float] | None
) -> tuple[float, float, float] | None:
    if circle is None:
        return None
    move = rng.normal(0, 0.006, 2)
    return (circle[0] + float(move[0]), circle[1] + float(move[1]), circle[2])
