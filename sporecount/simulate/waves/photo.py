"""A whole photo: ground, what lies beneath scales, scales, small things, spores, threads, bubbles, the phone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import SimulatedPhoto
from sporecount.simulate.waves.bodies import (
    Body,
    Grid,
    SporeLook,
    draw_spore_look,
    droplet_body,
    flake_body,
    grain_body,
    mould_body,
    pollen_body,
    spore_body,
)
from sporecount.simulate.waves.phone import draw_phone, field_of, shoot
from sporecount.simulate.waves.plan import SMALL, Plan, Seats, draw_plan, seat
from sporecount.simulate.waves.scene import KIND, Scene, Stamp
from sporecount.simulate.waves.sheets import (
    ScaleLook,
    draw_scale_look,
    lay_bubble,
    lay_glue,
    lay_ground,
    lay_scale,
    lay_thread,
)
from sporecount.simulate.waves.verdict import Pressed, judge

_BANK = 10
"""Different stamps of a kind of small thing; the further ones are turned, mirrored and resized."""
_OWN_STAMPS = 64
"""Up to so many spores have a stamp each; more share them by depth."""
_KIND_OF = {"piece": "scale piece", "dust": "dust", "pollen": "pollen", "droplet": "other", "mould": "other"}


def _size(rng: np.random.Generator, middle: float, spread: float, low: float, high: float) -> float:
    return float(np.clip(np.exp(rng.normal(np.log(middle), spread)), low, high))


def _grid(scene: Scene, size_um: float, z_um: float) -> Grid:
    step = scene.optics.step_um
    need = (size_um + 2 * min(12.0, 5 + 1.5 * abs(z_um) * scene.optics.aperture)) / step
    return Grid(int(np.ceil(need / 24) * 24), step)


def _small_thing(
    rng: np.random.Generator, scene: Scene, name: str, looks: list[ScaleLook], z_um: float
) -> Stamp:
    if name == "piece":
        look = looks[int(rng.integers(len(looks)))]
        size = _size(rng, 13, 0.45, 5, 38)
        amount = look.density * float(rng.uniform(0.5, 1.1))
        body = flake_body(rng, _grid(scene, 1.3 * size, z_um), size, look.tint, amount)
    elif name == "pollen":
        size = float(rng.choice([rng.uniform(9, 16), rng.uniform(16, 38)]))
        body = pollen_body(rng, _grid(scene, 1.2 * size, z_um), size)
    elif name == "droplet":
        size = _size(rng, 9, 0.45, 3, 28)
        body = droplet_body(rng, _grid(scene, 1.4 * size, z_um), size)
    elif name == "mould":
        size, cells = _size(rng, 4.5, 0.35, 2.5, 9), int(rng.choice([1, 1, 2, 3, 5, 8]))
        body = mould_body(rng, _grid(scene, size * (0.8 * cells + 1.5), z_um), size, cells)
    else:
        size = _size(rng, 6, 0.6, 1.5, 26)
        body = grain_body(rng, _grid(scene, 1.7 * size, z_um), size)
    return scene.stamp(body, z_um, float(rng.uniform(0, 0.4)))


def _press_small(
    rng: np.random.Generator, scene: Scene, plan: Plan, name: str, looks: list[ScaleLook]
) -> None:
    rows, cols = scene.shape
    bank: list[Stamp] = []
    for k in range(plan.things[name]):
        x, y = float(rng.uniform(-8, cols + 8)), float(rng.uniform(-8, rows + 8))
        if len(bank) < _BANK:
            z = float(scene.depth_um(x, y)) + rng.normal(0, 0.3) * max(scene.optics.depth_of_field_um, 2.5)
            bank.append(_small_thing(rng, scene, name, looks, z))
        stamp = bank[k] if k < len(bank) else bank[int(rng.integers(len(bank)))]
        grown = 1.0 if k < len(bank) else float(rng.uniform(0.75, 1.3))
        scene.press(stamp, _KIND_OF[name], x, y, float(rng.uniform(0, 6.3)), grown, bool(rng.random() < 0.5))


def _visible_look(rng: np.random.Generator, scene: Scene) -> SporeLook:
    """Draw a look, and darken it until its spores differ from the ground at all."""
    look = draw_spore_look(rng)
    z = float(scene.tilt.focus_um)
    grid = _grid(scene, look.length_um, z)
    for _ in range(5):
        body = spore_body(np.random.default_rng(0), look, grid, look.length_um, look.length_um / look.aspect)
        if scene.stamp(body, z).contrast > 0.035:
            break
        look = replace(look, density=look.density + 0.035)
    return look


def _press_spores(
    rng: np.random.Generator, scene: Scene, look: SporeLook, seats: Seats, some: NDArray[np.intp], veil: int,
    pressed: Pressed,
) -> None:  # fmt: skip
    """Press some of the spores; those of many share stamps of about their depth and size."""
    unit = scene.optics.depth_of_field_um
    shine = float(rng.uniform(0, 0.25))
    order = some[np.argsort(pressed.z_um[some])]
    share = max(1, int(np.ceil(len(order) / _OWN_STAMPS)))
    stamps: dict[int, tuple[Stamp, float, float]] = {}
    for start in range(0, len(order), share):
        few = order[start : start + share]
        length, width = float(seats.length_um[few].mean()), float(seats.width_um[few].mean())
        z = float(pressed.z_um[few].mean())
        stamp = scene.stamp(spore_body(rng, look, _grid(scene, length, z), length, width), z, shine)
        for k in few:
            # Where depths differ much within a share (a few spores under a strong tilt), each has its own.
            own = abs(pressed.z_um[k] - z) > 0.2 * unit and len(few) > 1
            if share == 1 or own:
                length_k, width_k = float(seats.length_um[k]), float(seats.width_um[k])
                z_k = float(pressed.z_um[k])
                body: Body = spore_body(rng, look, _grid(scene, length_k, z_k), length_k, width_k)
                stamps[int(k)] = (scene.stamp(body, z_k, shine), length_k, width_k)
            else:
                stamps[int(k)] = (stamp, length, width)
    for k in some:
        stamp, length, width = stamps[int(k)]
        grown = float(np.sqrt(seats.length_um[k] * seats.width_um[k] / (length * width)))
        grown = float(np.clip(grown, 8.5001 / length, 16.9999 / length))
        if len(stamps) > _OWN_STAMPS:
            seats.length_um[k], seats.width_um[k] = length * grown, width * grown
        mirror = bool(rng.random() < 0.5)
        half_turn = np.pi * float(rng.random() < 0.5)
        place = (float(seats.x_px[k]), float(seats.y_px[k]), float(seats.angle[k]) + half_turn)
        pressed.covered[k] = scene.press(stamp, "spore", *place, grown, mirror)
        pressed.contrast[k] = stamp.contrast
        pressed.veil[k] = veil


def _place_scales(
    rng: np.random.Generator, scene: Scene, plan: Plan
) -> tuple[NDArray[np.float64], Callable[[], int], list[ScaleLook]]:
    """Place the scales; the second value lays them, and gives how many whole ones the view holds."""
    looks = [draw_scale_look(rng) for _ in range(int(rng.integers(2, 5)))]
    rows, cols = scene.shape
    n = plan.things["scale"]
    length = np.clip(rng.uniform(100, 250) * np.exp(rng.normal(0, 0.2, n)), 100, 250)
    width = np.clip(np.minimum(rng.uniform(50, 115) * np.exp(rng.normal(0, 0.2, n)), 0.75 * length), 50, 120)
    x, y, turn = rng.uniform(0, cols, n), rng.uniform(0, rows, n), rng.uniform(0, 2 * np.pi, n)
    places = np.stack([x, y, length, width, turn], axis=1)
    if n and rng.random() < 0.5:
        # Scales come off the wing lying alike.
        places[:, 4] = rng.uniform(0, 6.3) + rng.normal(0, 0.5, n)
    torn = np.where(rng.random(n) < 0.3, rng.uniform(0.1, 0.75, n), 0)
    sort = (len(looks) * rng.beta(0.8, 1.5, n)).astype(int)

    def lay() -> int:
        for (x, y, long, wide, angle), tear, k in zip(places, torn, sort, strict=True):
            lay_scale(rng, scene, looks[k], x, y, long, wide, angle, float(tear))
        return int((torn < 0.3).sum())

    return places, lay, looks


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
        One of `plan.PRESETS`.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    shape = (height_px, width_px)
    plan = draw_plan(rng, shape, um_per_px, objective, preset)
    scene = Scene(shape, plan.px_um, plan.optics, plan.tilt, plan.from_above, plan.sheet_um)
    ground = lay_ground(rng, scene, plan.ground)
    lay_glue(rng, scene, plan.glue_slope)
    places, lay_scales, looks = _place_scales(rng, scene, plan)
    look = _visible_look(rng, scene)
    seats = seat(rng, plan, look, shape, places)
    n = len(seats.x_px)
    z = np.asarray(scene.depth_um(seats.x_px, seats.y_px)) + rng.normal(0, 1.0, n)
    pressed = Pressed(z, np.zeros(n), np.zeros(n, np.int64), [None] * n)
    beneath = round(plan.beneath * n)
    _press_spores(rng, scene, look, seats, np.arange(beneath), scene.start_veil(), pressed)
    scales = lay_scales()
    for name in SMALL[:-1]:
        _press_small(rng, scene, plan, name, looks)
    _press_spores(rng, scene, look, seats, np.arange(beneath, n), scene.start_veil(), pressed)
    for name, kind, long, half in (
        ("hair", "hair", (150, 900), (1.5, 6)), ("stub", "hair", (9, 45), (1.0, 3.5)),
        ("thread", "other", (40, 300), (0.8, 1.8)), ("fibre", "fibre", (200, 1500), (4, 12)),
    ):  # fmt: skip
        for _ in range(plan.things[name]):
            x, y = rng.uniform(0, 1, 2) * [width_px, height_px]
            length_um, half_um = float(rng.uniform(*long)), float(rng.uniform(*half))
            lay_thread(rng, scene, x, y, kind=kind, length_um=length_um, half_um=half_um)
    middle = float(np.exp(rng.uniform(np.log(7), np.log(45))))
    taken: list[tuple[float, float, float]] = []
    for _ in range(plan.things["bubble"]):
        (x, y), size = rng.uniform(0, 1, 2) * [width_px, height_px], _size(rng, middle, 0.5, 4, 150)
        # Bubbles that met would have run together.
        if all(np.hypot(x - a, y - b) * plan.px_um > 0.62 * (size + other) for a, b, other in taken):
            taken.append((x, y, size))
            lay_bubble(rng, scene, x, y, size)
    phone = draw_phone(rng, shape, plan.dim, plan.rough, plan.round_view)
    rgb, clean, noise = shoot(rng, scene.light(ground), phone)
    field = field_of(phone, shape)
    truth = judge(scene, seats, pressed, look.point, field, clean, noise)
    scene.kinds[field <= 0.5] = KIND["background"]
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=float(plan.px_um),
        objective=plan.objective,
        spores=truth,
        kind_map=scene.kinds,
        scales=scales,
        notes={
            "style": "waves",
            "preset": preset,
            "from_above": plan.from_above,
            "dim": plan.dim,
            "rough": plan.rough,
            "ground": plan.ground,
            "round_view": plan.round_view,
            "defocus_um": plan.tilt.focus_um,
            "aperture": plan.optics.aperture,
            "coherence": plan.optics.coherence,
            "spore_kind": look.kind,
            "spore_length_um": look.length_um,
            "quality": phone.quality,
            **{f"laid_{name}": number for name, number in plan.things.items()},
        },
    )
