"""A whole photo: what is planned for it, drawn from the bottom to the top, and what a person could count."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from sporecount.simulate.distances.canvas import MARGIN_PX, Canvas, Focus
from sporecount.simulate.distances.fields import Plane, soften, value_noise
from sporecount.simulate.distances.grounds import PAPERS, TAPES, draw_paper, tape_film
from sporecount.simulate.distances.phone import (
    Phone,
    blurred,
    develop,
    draw_phone,
    expose,
    through_lens,
    to_photo,
    view_mask,
)
from sporecount.simulate.distances.spores import SporeLook, Spores, draw_look, lay_spores, seat
from sporecount.simulate.distances.things import (
    LOOKALIKES,
    draw_scale_look,
    lay_lookalike,
    lay_piece,
    lay_scale,
    lay_strand,
)
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
APERTURES = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
SCALES_UM = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}


@dataclass(frozen=True)
class Plan:
    """What one photo is to show; counts are those of the canvas."""

    um_per_px: float
    objective: float
    from_above: bool
    paper: str
    tape: str
    rough: float
    spores: int
    alone: float
    group: float
    squeeze: float
    beneath: float
    scales: int
    pieces: int
    strands: dict[str, int]
    lookalikes: dict[str, int]


def _choose(rng: np.random.Generator, names: tuple[str, ...]) -> str:
    return names[int(rng.integers(len(names)))]


def draw_plan(
    rng: np.random.Generator,
    size: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Plan:
    """Decide what a photo of a preset shows.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    if objective is None:
        objective = 4.0 if preset == "scan_4x" else 10.0
        if preset in ("ordinary", "hard", "no_spores"):
            objective = float(
                rng.choice(
                    [10.0, 20.0, 40.0], p=[0.55, 0.28, 0.17] if preset == "ordinary" else [0.7, 0.2, 0.1]
                )
            )
    nearest = min(SCALES_UM, key=lambda known: abs(np.log(known / objective)))
    low, high = SCALES_UM[nearest]
    px = float(np.exp(rng.uniform(np.log(low), np.log(high)))) if um_per_px is None else float(um_per_px)
    pixels = size[0] * size[1]
    area = pixels * px**2
    above = bool(
        rng.random() < {"hard": 0.4, "heavy": 0.1, "good_focus": 0.08, "scan_4x": 0.12}.get(preset, 0.16)
    )
    if above:
        papers = (
            "card", "office paper", "kraft", "coloured card", "ruled", "grid", "printed dots", "coated card",
            "recycled",
        )  # fmt: skip
        paper = _choose(rng, papers)
    elif preset == "good_focus" and rng.random() < 0.6:
        paper = _choose(rng, ("glass", "smeared glass", "plastic", "tracing", "tinted film", "coated card"))
    else:
        paper = _choose(rng, PAPERS)
    rough = {"hard": rng.uniform(0.9, 2.0), "good_focus": rng.uniform(0.2, 0.8)}.get(
        preset, rng.uniform(0.3, 1.4)
    )
    heavy = preset == "heavy" or (preset == "scan_4x" and rng.random() < 0.5)
    room = area / 75.0
    if preset == "no_spores":
        spores = 0
    elif preset == "heavy":
        spores = int(min(np.exp(rng.uniform(np.log(300), np.log(2000))) * pixels / 1e6, 0.8 * room))
    elif preset == "scan_4x":
        most = max(0.35 * room, 200)
        spores = (
            int(min(np.exp(rng.uniform(np.log(160), np.log(1500))), most))
            if heavy
            else int(rng.integers(0, 9))
        )
    elif preset == "good_focus":
        spores = int(np.clip(np.exp(rng.uniform(np.log(5), np.log(80))), 5, max(0.2 * room, 5)))
    elif preset == "hard":
        spores = int(min(np.exp(rng.uniform(np.log(8), np.log(300))), 0.3 * room))
    else:
        spores = int(
            min(rng.choice([0, 1], p=[0.08, 0.92]) * np.exp(rng.uniform(0, np.log(150))), 0.3 * room)
        )
    crowded = {"hard": 0.45, "heavy": 0.4, "good_focus": 0.22}.get(preset, 0.33)
    scales = int(rng.poisson(crowded * rng.beta(1, 1.6) * 2 * area / 13000 + 0.4))
    mess = {"hard": 2.2, "good_focus": 0.6, "no_spores": 2.4}.get(preset, 1.1) * rng.uniform(0.3, 1.6)
    # More area shows more things, but a low power is no reason to count specks by the thousand.
    many = mess * min(area / 2.5e5, 3.0) ** 0.7
    strands = {
        "hair": int(rng.poisson(1.2 * many)),
        "fibre": int(rng.poisson(1.6 * many * (1.8 if preset == "hard" else 0.7))),
        "thread": int(rng.poisson(0.2 * many)), "hypha": int(rng.poisson(0.7 * many * (rng.random() < 0.4))),
    }  # fmt: skip
    if preset == "no_spores" and rng.random() < 0.5:
        strands["fibre"] += 2
    liking = rng.dirichlet(np.full(len(LOOKALIKES), 0.35))
    total = many * (26 if preset == "no_spores" else 14) + (8 if preset == "no_spores" else 1)
    lookalikes = {
        name: int(rng.poisson(total * share)) for name, share in zip(LOOKALIKES, liking, strict=True)
    }
    return Plan(
        px, objective, above, paper, _choose(rng, TAPES), float(rough), spores,
        float(rng.uniform(0.15, 0.6) if heavy else rng.uniform(0.55, 0.95)),
        float(rng.uniform(4, 30) if heavy else rng.uniform(2, 7)),
        float(rng.uniform(0.1, 0.9) if heavy else rng.uniform(0, 0.5)), float(rng.uniform(0.05, 0.45)), scales,
        int(rng.poisson(5 * many)), strands, lookalikes,
    )  # fmt: skip


def draw_focus(rng: np.random.Generator, shape: tuple[int, int], plan: Plan, preset: str) -> Focus:
    """Draw how deep the sheet lies at each place: a tilt, a bow and waves."""
    aperture = APERTURES[min(APERTURES, key=lambda known: abs(np.log(known / plan.objective)))]
    lens_um = 0.21 * 0.55 / aperture * rng.uniform(1.0, 1.35)
    least = float(np.hypot(lens_um, rng.uniform(0.45, 1.0) * plan.um_per_px))
    spread = 0.5 * float(np.tan(np.arcsin(aperture)))
    worst = {"good_focus": 0.5, "hard": 2.6, "heavy": 1.2, "scan_4x": 1.0}.get(preset, 1.6)
    z = rng.normal(0, 0.35 * worst)
    rows, cols = shape
    x = np.linspace(-1, 1, cols, dtype=np.float32)[None]
    y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    way, tilt = rng.uniform(0, 6.3), rng.uniform(0, 0.6 * worst) * (rng.random() < 0.7)
    depth = z + tilt * (x * np.float32(np.cos(way)) + y * np.float32(np.sin(way)))
    depth = depth + np.float32(rng.normal(0, 0.15 * worst)) * (x * x + y * y)
    cell = rng.uniform(60, 300) / plan.um_per_px
    depth = depth + np.float32(rng.uniform(0, 0.22 * worst)) * value_noise(rng, shape, (cell, cell))
    # Depths so far are deviations of blur in micrometres: the same slip costs more at a wide aperture.
    return Focus(np.asarray(depth / spread, np.float32), spread, least)


def _fill(
    rng: np.random.Generator,
    canvas: Canvas,
    plan: Plan,
    size: tuple[int, int],
    look: SporeLook,
    spores: Spores,
) -> int:
    """Lay everything from the bottom to the top; count the whole scales."""
    sorts = [draw_scale_look(rng) for _ in range(int(rng.integers(2, 5)))]
    middle_um = look.length_um * rng.uniform(0.6, 1.2)
    lay = [(float(rng.normal(0.4, 0.2)), "scale", "") for _ in range(plan.scales)]
    lay += [(rng.normal(0.5, 0.3), "piece", "") for _ in range(plan.pieces)]
    lay += [(rng.normal(0.7, 0.2), "strand", name) for name, n in plan.strands.items() for _ in range(n)]
    lay += [
        (rng.normal(0.6, 0.3), "lookalike", name) for name, n in plan.lookalikes.items() for _ in range(n)
    ]
    low = np.arange(len(spores.x)) < plan.beneath * len(spores.x)
    lay += [(0.35, "low spores", ""), (0.65, "spores", "")]
    whole, flow, aligned = 0, rng.uniform(0, 6.3), rng.uniform(0.2, 3)
    for _, what, name in sorted(lay):
        x, y = rng.uniform(-20, size[0] + 20), rng.uniform(-20, size[1] + 20)
        if what == "scale":
            sort = sorts[int(len(sorts) * rng.beta(0.9, 1.6))]
            whole += lay_scale(
                rng, canvas, sort, x, y, flow + rng.normal(0, aligned), bool(rng.random() < 0.35)
            )
        elif what == "piece":
            sort = sorts[int(rng.integers(len(sorts)))]
            lay_piece(rng, canvas, sort, x, y, float(np.clip(rng.lognormal(2.6, 0.55), 4, 60)))
        elif what == "strand":
            lay_strand(rng, canvas, x, y, name)
        elif what == "lookalike":
            lay_lookalike(rng, canvas, x, y, name, float(np.clip(middle_um * rng.lognormal(0, 0.45), 3, 60)))
        elif what == "low spores":
            lay_spores(rng, canvas, look, spores, np.flatnonzero(low), -1.0)
        else:
            lay_spores(rng, canvas, look, spores, np.flatnonzero(~low), 0.5)
    return whole


def _seen_share(
    canvas: Canvas, phone: Phone, mask: Plane, spores: Spores, size: tuple[int, int]
) -> NDArray[np.float64]:
    """Share of the pixels of each spore that nothing hides and that lie in the view."""
    row, col = np.nonzero(canvas.owner >= 0)
    x, y, _ = to_photo(phone, (col - MARGIN_PX).astype(float), (row - MARGIN_PX).astype(float), size)
    ix, iy = np.round(x).astype(int), np.round(y).astype(int)
    inside = (ix >= 0) & (iy >= 0) & (ix < size[0]) & (iy < size[1])
    inside[inside] = mask[iy[inside], ix[inside]] > 0.5
    mine = np.bincount(canvas.owner[row, col][inside], minlength=len(spores.x))
    return np.asarray(np.minimum(mine / np.maximum(spores.drawn_px, 1), 1.0))


def judge(
    plan: Plan, canvas: Canvas, phone: Phone, spores: Spores, sensor: Plane, spore_od: Plane,
    mask: Plane, size: tuple[int, int],
) -> tuple[SporeTruth, ...]:  # fmt: skip
    """Say of each spore what the finished photo shows of it."""
    n = len(spores.x)
    if n == 0:
        return ()
    px = plan.um_per_px
    x, y, scale = to_photo(phone, spores.x, spores.y, size)
    visible = _seen_share(canvas, phone, mask, spores, size)
    grey = sensor.mean(axis=2)
    log = np.log10(np.maximum(grey, 1e-4))
    side = float(np.median(spores.width)) / px
    rest = log + spore_od
    rest = cv2.GaussianBlur(rest, (0, 0), max(0.15 * side, 0.4)) - cv2.GaussianBlur(rest, (0, 0), 0.7 * side)
    clutter = np.sqrt(np.maximum(cv2.GaussianBlur(rest * rest, (0, 0), 1.2 * side), 0))
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)

    def sample(plane: Plane, at: float | NDArray[np.float64]) -> NDArray[np.float64]:
        # `at` is the distance from the outline along its normal in micrometres, shape (k, 1, 1) or a number.
        a, b = 0.5 * spores.length[:, None], 0.5 * spores.width[:, None]
        grow = np.asarray(at)
        u, v = (a + grow) * np.cos(turn), (b + grow) * np.sin(turn)
        c, s = np.cos(spores.angle)[:, None], np.sin(spores.angle)[:, None]
        k = (scale / px)[:, None]
        rows, cols = y[:, None] + (c * v + s * u) * k, x[:, None] + (c * u - s * v) * k
        return np.asarray(map_coordinates(plane, [rows, cols], order=1, mode="nearest"))

    w = float(np.median(spores.width))
    inner = np.array([-0.42, -0.3, -0.18, -0.06])[:, None, None] * w
    body = np.stack([sample(spore_od, step) for step in inner[:, 0, 0]])
    ring = np.stack([sample(spore_od, step) for step in (0.28 * w, 0.4 * w)])
    # The steps stand for rings of growing length.
    mean = np.average(body.mean(axis=2), axis=0, weights=[0.14, 0.4, 0.64, 0.88])
    # In a pile the ring runs over neighbours; its lighter part is what lies between them.
    contrast = mean - np.percentile(ring, 25, axis=(0, 2))
    # An outline is followed where the density changes across it.
    across = np.concatenate((body[1:], [sample(spore_od, 0.1 * w)], ring))
    step = across.max(axis=0) - across.min(axis=0)
    at = np.round(y).astype(int).clip(0, size[1] - 1), np.round(x).astype(int).clip(0, size[0] - 1)
    per_px = (phone.read + phone.shot * np.sqrt(grey[at])) / grey[at] / np.log(10)
    noise = per_px / np.sqrt(np.maximum((0.2 * w / px) ** 2, 1.0))
    # A step of less than some seven of 255 grey values is lost on the eye; sRGB makes it 258 L^0.417 of density.
    need = 2.5 * np.hypot(noise, 0.9 * clutter[at]) + 0.03 / np.maximum(grey[at], 0.01) ** 0.417
    followed = (step > need[:, None]).mean(axis=1)
    strength = np.sqrt((step**2).mean(axis=1))
    crowded = spores.clump > 1
    # Among neighbours an outline needs a fair part of the step that spores show towards bare ground.
    plain = float(np.median(step.max(axis=1)))
    followed = np.where(crowded, (step > np.maximum(need[:, None], 0.3 * plain)).mean(axis=1), followed)
    inside = (x >= -0.5) & (y >= -0.5) & (x < size[0] - 0.5) & (y < size[1] - 0.5) & (mask[at] > 0.5)
    fit = inside & (visible >= 0.5) & (spores.blur_um <= 0.22 * spores.length)
    fit &= (spores.blur_um <= 0.18 * spores.length) | (spores.clump < 4)
    fit &= (strength > need) & (followed >= np.where(crowded, 0.7, 0.55)) & (contrast > 0.01)
    on = canvas.on_scale[
        np.round(spores.y + MARGIN_PX).astype(int).clip(0, canvas.kinds.shape[0] - 1),
        np.round(spores.x + MARGIN_PX).astype(int).clip(0, canvas.kinds.shape[1] - 1),
    ]
    return tuple(
        SporeTruth(
            float(x[k]), float(y[k]), float(spores.length[k]), float(spores.width[k]),
            float(np.degrees(spores.angle[k]) % 180) % 180, float(visible[k]), float(spores.blur_um[k]),
            float(contrast[k]), bool(on[k]), int(spores.clump[k]), bool(fit[k]),
        )
        for k in range(n)
    )  # fmt: skip


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a simulated photo of a tape print, with its truth.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
    um_per_px, objective : float, optional
        Drawn where they are not given.
    preset : str
        One of `PRESETS`.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    size = (width_px, height_px)
    plan = draw_plan(rng, size, um_per_px, objective, preset)
    shape = (height_px + 2 * MARGIN_PX, width_px + 2 * MARGIN_PX)
    px = plan.um_per_px
    focus = draw_focus(rng, shape, plan, preset)
    light = draw_paper(rng, shape, px, plan.paper, plan.rough)
    # A paper lies behind the tape, a little out of focus.
    light = soften(light, float(np.clip(rng.uniform(0.2, 2.5) / px, 0.4, 12))).astype(np.float32)
    canvas = Canvas(light, px, plan.from_above, focus, float(rng.uniform(0, 6.3)))
    look = draw_look(rng, strength=float(rng.uniform(0.7, 1.0)) if preset in ("ordinary", "hard") else 1.0)
    spores = seat(rng, look, plan.spores, size, px, alone=plan.alone, group=plan.group, squeeze=plan.squeeze)
    whole = _fill(rng, canvas, plan, size, look, spores)
    canvas.light *= 10.0 ** -tape_film(rng, shape, px, plan.tape, plan.rough)
    phone = draw_phone(rng, preset == "hard")
    sharp, spore_od = blurred(canvas, phone)
    shifts = (phone.fringe, 0.0, -phone.fringe)
    flat = np.dstack(
        [through_lens(np.ascontiguousarray(sharp[..., k]), phone, size, shifts[k]) for k in range(3)]
    )
    mask = view_mask(phone, size)
    sensor = expose(np.maximum(flat, 0), phone, mask)
    truth = judge(plan, canvas, phone, spores, sensor, through_lens(spore_od, phone, size), mask, size)
    kinds = through_lens(canvas.kinds.astype(np.float32), phone, size, nearest=True)
    return SimulatedPhoto(
        rgb=develop(rng, sensor, phone),
        um_per_px=px,
        objective=plan.objective,
        spores=truth,
        kind_map=np.where(mask > 0.5, kinds, 0).astype(np.uint8),
        scales=whole,
        notes={
            "style": "distances",
            "preset": preset,
            "from_above": plan.from_above,
            "paper": plan.paper,
            "tape": plan.tape,
            "spore_family": look.family,
            "spore_length_um": look.length_um,
            "round_view": phone.view is not None,
            "defocus_um": float(np.median(np.abs(focus.z_um))),
            "quality": phone.quality,
        },
    )
