"""A whole photo: stamps from the bottom to the top, lens, phone, and what a reader can count."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import map_coordinates

from sporecount.simulate.stamps import portraits
from sporecount.simulate.stamps.ground import draw_ground
from sporecount.simulate.stamps.phone import Phone, draw_phone, light_the_view, take_picture
from sporecount.simulate.stamps.plan import Plan, clump_sizes, draw_plan, seat_spores
from sporecount.simulate.stamps.portraits import FOCUS_STAGES, SporeFamily
from sporecount.simulate.stamps.sheet import LAYERS_UM, MARGIN_PX, Array, Lens, Sheet, Sprite
from sporecount.simulate.stamps.wings import lay_strand, scale_portrait, torn_piece
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto, SporeTruth

_LUMA = np.array([0.3, 0.59, 0.11], np.float32)
_KIND = {name: number for number, name in enumerate(KIND_NAMES)}
_SMALL = {
    "dust": (portraits.dust, "dust", (0, 2, 3)),
    "pollen": (portraits.pollen, "pollen", (2, 3)),
    "droplet": (portraits.droplet, "other", (0, 2, 3)),
    "mould": (portraits.mould, "other", (2, 3)),
    "bubble": (portraits.bubble, "bubble", (4,)),
}
BLUR_LIMIT = 0.22
"""Most blur of a countable spore, as a share of its length."""


_COLUMNS = ("x_px", "y_px", "length_um", "width_um", "angle_deg", "layer", "area_px")


@dataclass
class Table:
    """Where one photo is put together."""

    rng: np.random.Generator
    plan: Plan
    sheet: Sheet
    lens: Lens
    heights_um: Array
    fine: int
    stamped: list[tuple[float, ...]] = field(default_factory=list)

    @property
    def fine_um(self) -> float:
        """Grid of the portraits of small things."""
        return min(self.plan.um_per_px / self.fine, 0.45)

    def places(self, number: int, reach_px: float) -> Array:
        """Even places over the view and a border of it."""
        size = np.array([self.plan.shape[1], self.plan.shape[0]])
        return self.rng.uniform(-reach_px, size + reach_px, (number, 2))

    def spores(self, family: SporeFamily, seats: Array, beneath: bool) -> None:
        """Stamp spores, each with the portrait that its focus asks for."""
        rng, sheet = self.rng, self.sheet
        slope = np.tan(np.arcsin(self.plan.aperture))
        crowd = np.bincount(seats[:, 3].astype(int)) if len(seats) else np.zeros(1)
        for x, y, angle, group in seats:
            row = int(np.clip(round(y) + MARGIN_PX, 0, sheet.kinds.shape[0] - 1))
            col = int(np.clip(round(x) + MARGIN_PX, 0, sheet.kinds.shape[1] - 1))
            raised = sheet.wing[row, col] or rng.random() < (0.1 if crowd[int(group)] < 6 else 0.3)
            layer = 0 if beneath else 3 if raised else 2
            error = float(self.lens.depth_um(x, y) + self.heights_um[layer]) * slope / 1.5
            stage = int(
                np.clip(
                    np.rint((error + rng.normal(0, 0.12) + 1) / 2 * (FOCUS_STAGES - 1)), 0, FOCUS_STAGES - 1
                )
            )
            sprite = family.portrait(int(rng.integers(len(family.shapes))), stage)
            size = float(np.clip(rng.normal(1, 0.012), 0.975, 1.025))
            turn = angle + 180.0 * (rng.random() < 0.5)
            area = sheet.stamp(layer, sprite, (x, y), turn, _KIND["spore"], size, owner=len(self.stamped) + 1)
            length, width = sprite.length_um * size, sprite.width_um * size
            self.stamped.append((x, y, length, width, angle % 180, layer, area))

    def wings(self, tones: list[str], at: Array) -> tuple[int, list[Sprite]]:
        """Stamp the scales of a print; returns how many lie in the view, and their portraits."""
        rng, sheet = self.rng, self.sheet
        px = max(self.plan.um_per_px, 0.3)
        models = [scale_portrait(rng, str(rng.choice(tones)), px) for _ in range(min(max(2, len(at)), 12))]
        main = rng.uniform(0, 360)
        combed = rng.random() < 0.4
        whole = 0
        for x, y in at:
            turn = main + rng.normal(0, 20) if combed else rng.uniform(0, 360)
            sprite = models[int(rng.integers(len(models)))]
            size = float(rng.uniform(0.88, 1.06))
            sheet.stamp(1, sprite, (x, y), turn, _KIND["scale"], size, flip=bool(rng.random() < 0.5))
            whole += 0 <= x < self.plan.shape[1] and 0 <= y < self.plan.shape[0]
        return whole, models

    def rubble(self, scales: list[Sprite], spore_sized: float) -> None:
        """Stamp everything small that is not a spore."""
        rng, plan = self.rng, self.plan
        for name, (draw, kind, layers) in _SMALL.items():
            number = plan.things[name]
            models = [
                draw(rng, self.fine_um, self.fine, bool(rng.random() < spore_sized))
                for _ in range(min(number, 14))
            ]
            taken: list[tuple[float, float, float]] = []
            for x, y in self.places(number, 6.0):
                sprite = models[int(rng.integers(len(models)))]
                size, turn = float(rng.uniform(0.8, 1.25)), rng.uniform(0, 360)
                radius = 0.55 * sprite.length_um * size / plan.um_per_px
                # Bubbles that meet would have run together.
                if kind == "bubble" and any(np.hypot(x - a, y - b) < radius + r for a, b, r in taken):
                    continue
                taken.append((x, y, radius))
                self.sheet.stamp(int(rng.choice(layers)), sprite, (x, y), turn, _KIND[kind], size)
        number = plan.things["piece"]
        models = [
            torn_piece(
                rng,
                scales[int(rng.integers(len(scales)))],
                bool(rng.random() < spore_sized),
                self.fine,
                self.fine_um,
            )
            for _ in range(min(number, 14))
        ]
        for x, y in self.places(number, 6.0):
            sprite = models[int(rng.integers(len(models)))]
            layer = int(rng.choice([0, 2, 3]))
            self.sheet.stamp(
                layer, sprite, (x, y), rng.uniform(0, 360), _KIND["scale piece"], rng.uniform(0.85, 1.15)
            )


def _followed(
    columns: dict[str, Array],
    owner: Array,
    density: Array,
    px: float,
    least: Array,
) -> Array:
    """Share of each outline that stands out from what lies just outside of it, in the blurred picture."""
    n = len(columns["x_px"])
    theta = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    a, b = columns["length_um"] / 2 / px, columns["width_um"] / 2 / px
    turn = np.radians(columns["angle_deg"])

    def at(share: float, picture: Array, order: int) -> Array:
        u, v = share * a[:, None] * np.cos(theta), share * b[:, None] * np.sin(theta)
        x = columns["x_px"][:, None] + u * np.cos(turn)[:, None] - v * np.sin(turn)[:, None]
        y = columns["y_px"][:, None] + u * np.sin(turn)[:, None] + v * np.cos(turn)[:, None]
        return map_coordinates(picture, [y, x], order=order, mode="nearest")

    rim = np.stack([at(s, density, 1) for s in (0.7, 0.85, 1.0)])
    out = np.stack([at(s, density, 1) for s in (1.25, 1.45)]).mean(axis=0)
    step = np.abs(rim - out).max(axis=0)
    mine = at(0.8, owner, 0) == np.arange(1, n + 1)[:, None]
    return (mine & (step > least[:, None])).mean(axis=1)


def _strength(
    columns: dict[str, Array], owner: Array, density: Array, px: float
) -> tuple[Array, Array, Array]:
    """Mean density over the surroundings, root mean square of it, and unrest of the surroundings."""
    n = len(columns["x_px"])
    mean, swing, unrest = np.zeros(n), np.zeros(n), np.zeros(n)
    rows, cols = density.shape
    for i in range(n):
        a, b = columns["length_um"][i] / 2 / px, columns["width_um"][i] / 2 / px
        x, y, reach = columns["x_px"][i], columns["y_px"][i], int(2 * a + 2)
        x0, y0 = max(int(x) - reach, 0), max(int(y) - reach, 0)
        box = (
            slice(y0, max(min(int(y) + reach + 1, rows), y0)),
            slice(x0, max(min(int(x) + reach + 1, cols), x0)),
        )
        part = density[box]
        v, u = np.arange(part.shape[0])[:, None] + (y0 - y), np.arange(part.shape[1]) + (x0 - x)
        turn = np.radians(columns["angle_deg"][i])
        c, s = np.cos(turn), np.sin(turn)
        share = np.hypot((u * c + v * s) / a, (v * c - u * s) / b)
        body = part[share < 0.95]
        ring = part[(share > 1.3) & (share < 2.2) & (owner[box] == 0)]
        if len(ring) < 8:
            ring = part[(share > 1.2) & (owner[box] == 0)]
        if len(body) == 0 or len(ring) == 0:
            continue
        level = float(np.median(ring))
        mean[i], unrest[i] = float(body.mean()) - level, 1.48 * float(np.median(np.abs(ring - level)))
        swing[i] = float(np.sqrt(((body - level) ** 2).mean()))
    return mean, swing, unrest


def judge(table: Table, phone: Phone, light: Array, seen: Array) -> tuple[SporeTruth, ...]:
    """Tell what each spore is, and whether a careful person could count it."""
    n = len(table.stamped)
    if n == 0:
        return ()
    columns = dict(zip(_COLUMNS, np.array(table.stamped, float).T, strict=True))
    px, plan, sheet = table.plan.um_per_px, table.plan, table.sheet
    inner = (slice(MARGIN_PX, -MARGIN_PX), slice(MARGIN_PX, -MARGIN_PX))
    owner = sheet.owner[inner]
    x, y = columns["x_px"], columns["y_px"]
    shown = np.bincount(owner[seen], minlength=n + 1)[1 : n + 1]
    visible = np.clip(shown / np.maximum(columns["area_px"], 1), 0, 1)
    luma = np.maximum(light @ _LUMA, 1e-3)
    density = -np.log10(luma)
    mean, swing, unrest = _strength(columns, owner, density, px)
    col, row = (
        np.clip(np.rint(p).astype(int), 0, m - 1) for p, m in ((x, plan.shape[1]), (y, plan.shape[0]))
    )
    # An outline is read over about a micrometre, so the noise of many fine pixels is averaged.
    noise = phone.noise(luma[row, col]) / np.log(10) / max(1.2 / px, 1.0)
    followed = _followed(columns, owner, density, px, np.maximum(np.maximum(0.02, 2 * noise), 0.9 * unrest))
    blur = np.array(
        [
            float(table.lens.sigma_um(x[i], y[i], table.heights_um[int(k)]))
            for i, k in enumerate(columns["layer"])
        ]
    )
    clump = clump_sizes(
        np.column_stack([x, y]) * px, columns["length_um"], columns["width_um"], columns["angle_deg"]
    )
    inside = (x >= 0) & (x <= plan.shape[1] - 1) & (y >= 0) & (y <= plan.shape[0] - 1) & seen[row, col]
    sharp = blur <= BLUR_LIMIT * columns["length_um"]
    excess = np.sqrt(np.maximum(swing**2 - unrest**2, 0))
    clear = (swing > np.maximum(0.025, 2 * noise)) & (excess > 0.9 * unrest) & (followed >= 0.5)
    countable = inside & sharp & clear & (visible >= 0.5)
    wing = sheet.wing[inner][row, col]
    told = {name: columns[name] for name in _COLUMNS[:5]}
    told |= {"visible": visible, "blur_um": blur, "contrast": mean, "on_scale": wing, "clump": clump}
    told["countable"] = countable
    return tuple(SporeTruth(**{name: values[i].item() for name, values in told.items()}) for i in range(n))


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
    way, lit = rng.uniform(0, 2 * np.pi, 2)
    tilt = plan.tilt_um * np.array([np.cos(way), np.sin(way)])
    lens = Lens(
        um_per_px=plan.um_per_px,
        aperture=plan.aperture,
        soft_px=float(rng.uniform(0.35, 0.7 if preset == "scan_4x" else 1.3)),
        focus_um=plan.focus_um,
        tilt_um=(float(tilt[0]), float(tilt[1])),
        bend_um=float(rng.normal(0, 0.35)) * plan.tilt_um,
        disc_share=float(rng.uniform(0.2, 0.9)),
        shape=shape,
    )
    lamp = (float(np.cos(lit)), float(np.sin(lit))) if plan.from_above else None
    sheet = Sheet(shape, plan.um_per_px, lamp)
    # High powers see a thin layer only; their readers choose places where the tape is pressed flat.
    heights = np.array(LAYERS_UM) * rng.uniform(0.2, 1.0) * (10 / max(plan.objective, 10)) ** 0.8
    ground = draw_ground(rng, plan.ground, sheet.kinds.shape, plan.um_per_px, plan.from_above, plan.rough)
    sheet.kinds[ground.ink] = _KIND["other"]
    table = Table(rng, plan, sheet, lens, heights, 3 if plan.um_per_px > 0.3 else 2)
    family = SporeFamily(rng, table.fine_um, table.fine, plan.from_above)
    look = family.look
    wings = table.places(plan.things["scale"], 90 / plan.um_per_px)
    seats = seat_spores(rng, plan, look["length_um"], look["length_um"] / look["aspect"], wings)
    under = rng.random(len(seats)) < plan.beneath
    table.spores(family, seats[under], beneath=True)
    tones = list(rng.choice(["orange", "brown", "black", "white", "pale"], int(rng.integers(1, 5))))
    scales, models = table.wings(tones, wings)
    strands = rng.permutation([True] * plan.strands[0] + [False] * plan.strands[1])
    for hair in strands[::2]:
        lay_strand(rng, sheet, int(rng.choice([2, 3, 4])), bool(hair))
    table.rubble(models, 0.75 if preset == "no_spores" else 0.25)
    table.spores(family, seats[~under], beneath=False)
    for hair in strands[1::2]:
        lay_strand(rng, sheet, int(rng.choice([3, 4])), bool(hair))
    light = sheet.expose(ground.light, ground.height_um, lens, heights)
    phone = draw_phone(rng, shape, plan.dim, plan.rough)
    light, seen = light_the_view(light, phone)
    truth = judge(table, phone, light, seen)
    rgb = take_picture(rng, light, phone)
    inner = (slice(MARGIN_PX, -MARGIN_PX), slice(MARGIN_PX, -MARGIN_PX))
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=plan.um_per_px,
        objective=plan.objective,
        spores=truth,
        kind_map=np.where(seen, sheet.kinds[inner], 0).astype(np.uint8),
        scales=int(scales),
        notes={
            "style": "stamps",
            "preset": preset,
            "from_above": plan.from_above,
            "dim": plan.dim,
            "rough": plan.rough,
            "ground": plan.ground,
            "round_view": phone.view is not None,
            "focus_um": plan.focus_um,
            "tilt_um": plan.tilt_um,
            "spore_length_um": look["length_um"],
            "denoise": phone.denoise,
            "quality": phone.quality,
            **{f"laid_{name}": number for name, number in plan.things.items()},
        },
    )
