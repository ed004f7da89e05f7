"""A whole photo: what lies on the print, the light through or on it, the phone, and the truth."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.pigments import things
from sporecount.simulate.pigments.phone import (
    Phone,
    bend,
    blur_by_map,
    develop,
    draw_phone,
    draw_pupil,
    height_map,
    lamp_field,
    move,
    unbend,
)
from sporecount.simulate.pigments.shapes import Points, Sheet
from sporecount.simulate.pigments.spectrum import ABSORBANCE, LUMA, Array, draw_eye
from sporecount.simulate.pigments.spores import (
    SporeLook,
    Spores,
    draw_look,
    lay_spore,
    outline_share,
    place_spores,
    touching,
)
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
APERTURES = {4.0: 0.1, 10.0: 0.25, 20.0: 0.4, 40.0: 0.65}
"""Numerical aperture of each objective."""
SCALES_UM = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
MARGIN_PX = 22
"""Finished pixels around the view, for blur, lens distortion and things cut by the edge."""


@dataclass(frozen=True)
class Plan:
    """What is drawn once per photo."""

    preset: str
    um_per_px: float
    objective: float
    ground: str
    from_above: bool
    spores: int
    clumped: float
    beneath: float
    counts: dict[str, int]
    haze: float
    start_um: float
    tilt_um: float
    dish_um: float
    hard: bool


def draw_plan(
    rng: np.random.Generator,
    shape: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Plan:
    """Draw the plan of a photo.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    if objective is None:
        free = preset in ("ordinary", "hard", "no_spores") and rng.random() < 0.4
        objective = 4.0 if preset == "scan_4x" else float(rng.choice([20, 20, 40])) if free else 10.0
    near = min(APERTURES, key=lambda known: abs(np.log(known / objective)))
    if um_per_px is None:
        low, high = np.log(SCALES_UM[near])
        um_per_px = float(np.exp(rng.uniform(low, high)))
    area_mm2 = shape[0] * shape[1] * (um_per_px / 1000) ** 2
    megapixels = shape[0] * shape[1] / 1e6
    scan_heavy = preset == "scan_4x" and rng.random() < 0.5
    fits = 0.75 * area_mm2 * 1e6 / 85
    if preset == "no_spores":
        spores = 0
    elif preset == "good_focus":
        spores = int(np.clip(rng.lognormal(3.1, 0.7), 5, min(80, max(5, fits))))
    elif preset == "heavy":
        wanted = np.exp(rng.uniform(np.log(320), np.log(2000))) * megapixels
        spores = int(np.clip(wanted, 8, max(fits, 310 * megapixels)))
    elif preset == "scan_4x":
        spores = int(rng.integers(151, 1500)) if scan_heavy else int(rng.integers(0, 9))
        spores = min(spores, max(8, int(fits))) if scan_heavy else spores
    else:
        spores = int(np.clip(rng.lognormal(2.9, 1.1) - 2, 0, min(150, fits)))
    hard = preset == "hard"
    busy = {"good_focus": 0.4, "hard": 1.6, "no_spores": 1.7, "heavy": 0.8, "scan_4x": 0.35}.get(preset, 0.8)
    counts = {
        name: int(rng.poisson(min(area_mm2 * small.per_mm2 * busy * rng.lognormal(-0.3, 0.9), 250)))
        for name, small in things.SMALL.items()
    }
    if preset == "no_spores":
        # What could be mistaken for spores comes in numbers too, however small the view.
        for name in things.SMALL:
            counts[name] += int(rng.integers(0, 4))
        many = str(rng.choice(["dust", "droplet", "mould", "starch"]))
        counts[many] += int(rng.integers(5, 60) * min(1, 2 * area_mm2 + 0.3))
    counts["scale"] = min(int(rng.poisson(area_mm2 * rng.lognormal(3.0, 0.9)) + rng.integers(0, 3)), 70)
    counts["piece"] = int(rng.poisson(min(area_mm2 * busy * rng.lognormal(3.8, 0.9), 120)))
    counts["bubble"] = int(rng.poisson(min(25 * area_mm2 * busy, 60)))
    counts["hair"] = int(rng.poisson(busy * 1.1))
    counts["fibre"] = int(rng.poisson(busy * (2.5 if hard else 0.9)))
    counts["stub"] = int(rng.poisson(busy * 2))
    from_above = bool(rng.random() < {"hard": 0.3, "good_focus": 0.08, "no_spores": 0.2}.get(preset, 0.12))
    if from_above:
        ground = "dark card" if rng.random() < 0.7 else str(rng.choice(["kraft", "white paper"]))
    else:
        shares = (0.3, 0.25, 0.2, 0.25) if hard else (0.5, 0.2, 0.15, 0.15)
        ground = str(rng.choice(["glass", "white paper", "squared paper", "kraft"], p=shares))
    # Depth of field shrinks with the aperture; a height of one unit blurs by its half angle.
    depth = 1 / APERTURES[near]
    loose = {"good_focus": 0.12, "hard": 1.25, "scan_4x": 0.7, "heavy": 0.6}.get(preset, 0.8)
    return Plan(
        preset=preset,
        um_per_px=float(um_per_px),
        objective=float(objective),
        ground=ground,
        from_above=from_above,
        spores=spores,
        clumped=float(rng.uniform(0.45, 0.85) if preset == "heavy" else rng.choice([0.1, 0.3, 0.6])),
        beneath=float(rng.uniform(0, 0.5)),
        counts=counts,
        haze=float(rng.uniform(0.5, 2.2) if hard or rng.random() < 0.2 else rng.uniform(0, 0.7)),
        start_um=float(rng.normal(0, 1.4) * depth * loose),
        tilt_um=float(abs(rng.normal(0, 1.2)) * depth * loose),
        dish_um=float(rng.normal(0, 0.9) * depth * loose),
        hard=hard or (preset == "no_spores" and rng.random() < 0.4) or rng.random() < 0.2,
    )


def _lay_things(rng: np.random.Generator, sheet: Sheet, plan: Plan, part: float) -> int:
    """Lay a part of each kind of thing in mixed order; how many whole scales have their middle in view."""
    looks = [things.draw_scale_look(rng) for _ in range(int(rng.integers(1, 4)))]
    order = [name for name, number in plan.counts.items() for _ in range(int(rng.binomial(number, part)))]
    whole = 0
    size = np.array(sheet.shape[::-1], float)
    edge = MARGIN_PX * plan.um_per_px / sheet.px_um
    for name in rng.permutation(order):
        at = rng.uniform(0, 1, 2) * size
        look = looks[int(rng.integers(len(looks)))]
        if name == "scale":
            is_whole = things.lay_scale(rng, sheet, look, at)
            whole += bool(is_whole and (at > edge).all() and (at < size - edge).all())
        elif name == "piece":
            things.lay_scale(rng, sheet, look, at, float(np.clip(rng.lognormal(2.6, 0.5), 5, 60)))
        elif name == "bubble":
            things.lay_bubble(rng, sheet, at)
        elif name in ("hair", "fibre", "stub"):
            kind = str(rng.choice(["hair", "fibre"])) if name == "stub" else str(name)
            things.lay_thread(rng, sheet, at, kind, name == "stub")
        else:
            things.lay_small(rng, sheet, things.SMALL[str(name)], at)
    return whole


def _shine(
    sheet: Sheet, ground: things.Ground, look: SporeLook, eye: Array, out: tuple[int, int]
) -> tuple[Array, Array]:
    """RGB light with the spores, and luma without them, both averaged to the finished pixels.

    Light through the print is weakened by all that lies in it; the cover throws back light from above.
    """
    used = np.nonzero(sheet.pigment.reshape(len(sheet.pigment), -1).any(1))[0]
    # On pale ground a clear body lets the ground shine through; on dark card what it throws back is all there is.
    thrown, spore_thrown = (1.0, 1.0) if ground.name == "dark card" else (0.3, 0.12)
    under_mix = np.stack([ABSORBANCE.T @ pigments for pigments in ground.pigments], 1)
    spore_mix = np.stack([ABSORBANCE.T @ look.pigments, ABSORBANCE.T @ look.rim_pigments], 1)
    luma = eye @ LUMA
    light_of = np.zeros((4, *sheet.shape), np.float32)
    # A few rows at a time, which the processor's cache holds in all bands.
    for first in range(0, sheet.shape[0], 16):
        rows = slice(first, first + 16)
        lost = ABSORBANCE[used].T @ sheet.pigment[used, rows].reshape(len(used), -1)
        under = under_mix @ np.stack([amount[rows].ravel() for amount in ground.amounts])
        parts = sheet.spore_parts[:, rows].reshape(3, -1)
        there = np.nonzero(parts.any(0))[0]
        mine = spore_mix @ parts[:2, there]
        if sheet.from_above:
            # Twice through what lies on the ground; a body throws back what its own pigment leaves.
            lost = np.clip(lost, -0.3, None)
            cover = thrown * sheet.cover[rows].ravel()
            before = np.exp(-under - 1.5 * lost) * (1 - cover) + 0.6 * cover * np.exp(-0.8 * lost)
            before += 0.5 * sheet.gloss[rows].ravel()
            mine, back = np.minimum(mine, 1.4), spore_thrown * sheet.spore_cover[rows].ravel()[there]
            light = before.copy()
            light[:, there] = before[:, there] * np.exp(-0.9 * mine) * (1 - back) + 0.7 * back * np.exp(
                -0.55 * mine
            )
        else:
            before = np.exp(-under - lost)
            light = before.copy()
            light[:, there] *= np.exp(-mine - parts[2, there])
        light_of[:3, rows] = (eye.T @ light).reshape(3, -1, sheet.shape[1])
        light_of[3, rows] = (luma @ before).reshape(-1, sheet.shape[1])
    np.clip(light_of, 0, 3, out=light_of)
    small = [cv2.resize(layer, out[::-1], interpolation=cv2.INTER_AREA) for layer in light_of]
    return np.dstack(small[:3]), np.asarray(small[3], np.float32)


def _truth(
    sheet: Sheet,
    plan: Plan,
    phone: Phone,
    spores: Spores,
    outlines: list[tuple[Points, float] | None],
    seen: tuple[Array, Array, Array, Array, Array],
    owner: NDArray[np.int32],
    fine: float,
) -> tuple[SporeTruth, ...]:
    """Say what each spore shows; `seen` is luma with and without spores, light, variance and view, bent."""
    lit, bare, light, variance_um2, view = seen
    rows, cols = view.shape
    od = np.log10(np.maximum(bare, 1e-4) / np.maximum(lit, 1e-4))
    groups = touching(spores, sheet.px_um)
    log_bare = np.log10(np.maximum(bare, 1e-4))
    seen_px = np.bincount(owner[owner >= 0], minlength=len(spores.x))
    heap = cv2.blur(sheet.spore_parts[0], (max(3, int(6 / sheet.px_um)) | 1,) * 2)
    result = []
    for k, drawn in enumerate(outlines):
        flat = ((spores.x[k] + 0.5) / fine - 0.5 - MARGIN_PX, (spores.y[k] + 0.5) / fine - 0.5 - MARGIN_PX)
        x, y = unbend(*flat, (rows, cols), phone.barrel)
        col, row = int(np.clip(round(x), 0, cols - 1)), int(np.clip(round(y), 0, rows - 1))
        length, width = float(spores.length_um[k]), float(spores.width_um[k])
        inside = -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5 and bool(view[row, col] > 0.5)
        area = drawn[1] if drawn else 0.0
        visible = min(1.0, float(seen_px[k]) / area) if area > 0 else 0.0
        blur = float(np.sqrt(variance_um2[row, col] + phone.variance_px2() * plan.um_per_px**2))
        contrast, strong, unrest = 0.0, 0.0, 0.0
        if drawn is not None and inside:
            points = drawn[0] / plan.um_per_px + (x, y)
            low = np.clip(np.floor(points.min(0)), 0, (cols - 1, rows - 1)).astype(int)
            high = np.clip(np.ceil(points.max(0)) + 1, 1, (cols, rows)).astype(int)
            mask = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
            cv2.fillPoly(mask, [np.round((points - low) * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
            box = (slice(low[1], high[1]), slice(low[0], high[0]))
            values = od[box][mask > 0]
            if values.size:
                contrast = float(values.mean())
                # Ridges and edges beneath a spore are what a person must tell it from.
                unrest = float(log_bare[box][mask > 0].std())
                # A spore with dark rim and bright middle shows itself by its pattern, though its mean is faint.
                strong = float(0.5 * abs(contrast) + 0.5 * np.sqrt((values**2).mean()))
        pixels = max(1.0, 0.75 * length * width / plan.um_per_px**2)
        noise = phone.noise_od(float(light[row, col])) / np.sqrt(min(pixels, 60.0))
        needed = 0.035 + 3 * noise + 0.9 * unrest
        if float(light[row, col]) * phone.level < 0.012:
            needed += 0.3
        at = (
            int(np.clip(spores.y[k], 0, sheet.shape[0] - 1)),
            int(np.clip(spores.x[k], 0, sheet.shape[1] - 1)),
        )
        clear = visible >= 0.5 and blur <= 0.22 * length and strong >= needed
        if clear and drawn and groups[k] > 2:
            # In a pile, most of the outline must show, and blur melts neighbours together sooner.
            clear = (
                outline_share(sheet, drawn[0], spores.x[k], spores.y[k], k) >= 0.6 and blur <= 0.16 * length
            )
            depth = float(heap[at])
            # Three deep, the sum of walls hides where one ends.
            clear = clear and depth <= 2.6
        result.append(
            SporeTruth(
                x_px=x,
                y_px=y,
                length_um=length,
                width_um=width,
                angle_deg=float(np.degrees(spores.angle[k]) % 180),
                visible=visible,
                blur_um=blur,
                contrast=contrast,
                on_scale=bool(sheet.scaled[at]),
                clump=int(groups[k]),
                countable=bool(inside and clear),
            )
        )
    return tuple(result)


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
    shape = (height_px, width_px)
    plan = draw_plan(rng, shape, um_per_px, objective, preset)
    fine = 1.0 if plan.um_per_px < 0.3 else 2.0 if plan.um_per_px > 0.9 or width_px * height_px < 3e5 else 1.5
    # Even sides, so that one and a half times is a whole number.
    coarse = (height_px + 2 * MARGIN_PX + height_px % 2, width_px + 2 * MARGIN_PX + width_px % 2)
    sheet = Sheet((int(coarse[0] * fine), int(coarse[1] * fine)), plan.um_per_px / fine, plan.from_above)
    ground = things.draw_ground(rng, sheet.shape, sheet.px_um, plan.ground, plan.hard)
    things.lay_haze(rng, sheet, plan.haze)
    height = height_map(rng, coarse, plan.start_um, plan.tilt_um, plan.dish_um)
    aperture = APERTURES[min(APERTURES, key=lambda known: abs(np.log(known / plan.objective)))]
    # Rayleigh's 0.61 λ/NA at 0.55 µm as the spread of a bell; a defocused disc spreads by half of its radius.
    variance_um2 = (0.21 * 0.55 / aperture) ** 2 + (0.5 * aperture * height) ** 2

    look = draw_look(rng, plan.hard)
    first = MARGIN_PX * fine
    spores = place_spores(
        rng, look, plan.spores, plan.clumped, (first, first, width_px * fine, height_px * fine), sheet.px_um
    )
    outlines: list[tuple[Points, float] | None] = [None] * plan.spores
    below = int(plan.beneath * plan.spores)
    scales = _lay_things(rng, sheet, plan, 0.3)
    for k in range(plan.spores):
        if k == below:
            scales += _lay_things(rng, sheet, plan, 0.5)
        z = height[int(spores.y[k] / fine), int(spores.x[k] / fine)]
        far = float(1 / (1 + np.exp(np.clip(-0.7 * z * aperture, -30, 30))))
        outlines[k] = lay_spore(rng, sheet, look, spores, k, far)
    scales += _lay_things(rng, sheet, plan, 0.2 if plan.spores > below else 0.7)

    empty = plan.ground == "dark card"
    lamp_name, eye = draw_eye(rng, np.zeros(8, np.float32) if empty else ground.pigments[0] @ ABSORBANCE)
    scene, bare = _shine(sheet, ground, look, eye, coarse)
    # Exposure follows the bright parts of the view, on dark card less than fully.
    bright = (
        float(np.percentile(bare[::4, ::4], 97))
        if plan.from_above
        else float(np.percentile(bare[::4, ::4], 75))
    )
    gain = min(1 / max(bright, 0.02), 4.0)
    scene, bare = scene * np.float32(gain), bare * np.float32(gain)
    phone = draw_phone(rng, plan.hard, preset == "good_focus")
    pupil = draw_pupil(rng)
    both = np.dstack([scene, bare])
    both = move(blur_by_map(both, variance_um2 / np.float32(plan.um_per_px**2), pupil), phone.motion_px)
    row, col = np.mgrid[:height_px, :width_px].astype(float)
    source = bend(col, row, shape, phone.barrel).astype(np.float32) + np.float32(MARGIN_PX)
    middle = np.array([(width_px - 1) / 2, (height_px - 1) / 2], np.float32)[:, None, None] + np.float32(
        MARGIN_PX
    )
    layers = []
    for channel, size in enumerate((1 + phone.fringe, 1.0, 1 - phone.fringe, 1.0)):
        x, y = middle + (source - middle) * np.float32(size)
        layers.append(cv2.remap(both[..., channel], x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT))
    photo = np.clip(np.dstack(layers), 0, None).astype(np.float32)
    round_view = bool(rng.random() < (0.12 if preset == "good_focus" else 0.25))
    lamp, view = lamp_field(rng, shape, plan.hard, round_view)
    lit = photo[..., :3] * (lamp * (view + np.float32(0.002)))[..., None]

    fine_at = np.round((source + 0.5) * np.float32(fine) - 0.5).astype(np.int32)
    fx, fy = np.clip(fine_at[0], 0, sheet.shape[1] - 1), np.clip(fine_at[1], 0, sheet.shape[0] - 1)
    owner = sheet.owner[fy, fx]
    owner = np.where(view > 0.5, owner, -1)
    per_pixel = fine**2
    outlines = [None if one is None else (one[0], one[1] / per_pixel) for one in outlines]
    straight = cv2.remap(variance_um2, source[0], source[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    seen = (photo[..., :3] @ LUMA, photo[..., 3], lit @ LUMA, np.asarray(straight, np.float32), view)
    return SimulatedPhoto(
        rgb=develop(rng, lit, phone),
        um_per_px=plan.um_per_px,
        objective=plan.objective,
        spores=_truth(sheet, plan, phone, spores, outlines, seen, owner, fine),
        kind_map=np.where(view > 0.5, sheet.kind[fy, fx], 0).astype(np.uint8),
        scales=int(scales),
        notes={
            "style": "pigments",
            "preset": preset,
            "ground": plan.ground,
            "from_above": plan.from_above,
            "lamp": lamp_name,
            "spore_tint": look.tint,
            "spore_length_um": look.length_um,
            "defocus_um": plan.start_um,
            "tilt_um": plan.tilt_um,
            "round_view": round_view,
            "hard": bool(plan.hard),
            "quality": phone.quality,
            **{f"planned_{name}": number for name, number in plan.counts.items()},
        },
    )
