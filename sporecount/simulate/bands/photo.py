"""A whole photo: ground, spores and everything else from the bottom to the top, then the phone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.bands.bands import Stuff
from sporecount.simulate.bands.camera import draw_phone, shoot, to_channels
from sporecount.simulate.bands.drops import lay_bubble, lay_droplet
from sporecount.simulate.bands.grains import (
    draw_mould_look,
    draw_pollen_look,
    lay_dust,
    lay_flake,
    lay_mould,
    lay_pollen,
    lay_specks,
)
from sporecount.simulate.bands.occasion import Occasion, draw_occasion
from sporecount.simulate.bands.scales import ScaleLook, draw_scale_look, lay_piece, lay_scale
from sporecount.simulate.bands.seats import group_sizes, seat
from sporecount.simulate.bands.spores import Drawn, draw_look, lay_spores
from sporecount.simulate.bands.stage import MARGIN_PX, Stage
from sporecount.simulate.bands.threads import lay_fibre, lay_hair, lay_hypha, lay_ridge
from sporecount.simulate.bands.underlay import draw_ground
from sporecount.simulate.bands.verdict import judge
from sporecount.simulate.truth import SimulatedPhoto

_LUMA = np.array([0.3, 0.59, 0.11], np.float32)


def _sizes(rng: np.random.Generator, middle: float, spread: float, low: float, high: float) -> float:
    return float(np.clip(np.exp(rng.normal(np.log(middle), spread)), low, high))


class _Crew:
    """Lays the things of an occasion down; the looks are those of one print."""

    def __init__(self, rng: np.random.Generator, occasion: Occasion, stage: Stage) -> None:
        self.rng, self.occasion, self.stage = rng, occasion, stage
        self.scale_looks = [draw_scale_look(rng) for _ in range(int(rng.integers(2, 5)))]
        self.moulds = [draw_mould_look(rng) for _ in range(2)]
        self.pollens = [draw_pollen_look(rng) for _ in range(2)]
        strong = rng.uniform(0.12, 0.5)
        self.liquids = [
            Stuff({"melanin": 0.6 * strong, "amber": 0.3 * strong}),
            Stuff({"carotenoid": 0.8 * strong, "pterin": strong, "lignin": 0.1 * strong}),
        ]

    def places(self, name: str) -> NDArray[np.float64]:
        rows, cols = self.occasion.shape
        number = self.occasion.things[name]
        return self.rng.uniform(-10, 10, (number, 2)) + self.rng.uniform(0, 1, (number, 2)) * [cols, rows]

    def look_of_scale(self) -> ScaleLook:
        # The first sort is the commonest.
        return self.scale_looks[int(len(self.scale_looks) * self.rng.beta(0.9, 1.6))]

    def scales(self) -> int:
        whole = 0
        rows, cols = self.occasion.shape
        for x, y in self.places("scale"):
            left = lay_scale(self.rng, self.stage, self.look_of_scale(), x, y, bool(self.rng.random() < 0.35))
            whole += left > 0.6 and 0 <= x < cols and 0 <= y < rows
        return whole

    def rubble(self) -> None:
        rng, stage = self.rng, self.stage
        lay_specks(rng, stage, *self.places("speck").T)
        for x, y in self.places("piece"):
            lay_piece(rng, stage, self.look_of_scale(), x, y, _sizes(rng, 13, 0.55, 4, 60))
        for x, y in self.places("dust"):
            lay_dust(rng, stage, x, y, _sizes(rng, 5.5, 0.55, 2, 30))
        for x, y in self.places("flake"):
            lay_flake(rng, stage, x, y, _sizes(rng, 11, 0.5, 4, 45))
        for x, y in self.places("droplet"):
            lay_droplet(rng, stage, x, y, _sizes(rng, 10, 0.5, 3.5, 45), self.liquids[int(rng.integers(2))])

    def living(self) -> None:
        rng, stage = self.rng, self.stage
        for x, y in self.places("hypha"):
            lay_hypha(rng, stage, x, y, self.moulds[0].olive)
        for x, y in self.places("mould"):
            lay_mould(rng, stage, self.moulds[int(rng.random() < 0.3)], x, y)
        for x, y in self.places("pollen"):
            lay_pollen(rng, stage, self.pollens[int(rng.random() < 0.3)], x, y)

    def long_ones(self) -> None:
        dyed = self.rng.random() < 0.25
        for x, y in self.places("hair"):
            lay_hair(self.rng, self.stage, x, y)
        for x, y in self.places("fibre"):
            lay_fibre(self.rng, self.stage, x, y, bool(dyed and self.rng.random() < 0.6))

    def tape(self) -> None:
        rng, stage = self.rng, self.stage
        for x, y in self.places("ridge"):
            lay_ridge(rng, stage, x, y)
        middle = rng.uniform(8, 40)
        px = stage.lens.um_per_px
        taken: list[tuple[float, float, float]] = []
        for x, y in self.places("bubble"):
            size = _sizes(rng, middle, 0.6, 4, 160)
            # Bubbles that meet would have run together.
            if all(np.hypot(x - a, y - b) * px > 0.6 * (size + other) for a, b, other in taken):
                taken.append((x, y, size))
                lay_bubble(rng, stage, x, y, size)


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
        One of `occasion.PRESETS`.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    occasion = draw_occasion(rng, (height_px, width_px), um_per_px, objective, preset)
    lens = occasion.lens
    ground = draw_ground(rng, occasion.shape, lens, occasion.ground, occasion.from_above)
    stage = Stage(ground, lens, occasion.from_above)
    crew = _Crew(rng, occasion, stage)
    look = draw_look(rng)
    sizes = group_sizes(rng, occasion.spores, occasion.alone, occasion.mean_group, occasion.largest)
    spores = seat(rng, look, sizes, (width_px, height_px), lens.um_per_px, occasion.pressed)
    below = round(len(spores) * occasion.beneath)
    first = np.arange(len(spores)) < below
    drawn = [lay_spores(rng, stage, look, spores.only(first), 0, -0.5)]
    scales = crew.scales()
    crew.rubble()
    drawn.append(lay_spores(rng, stage, look, spores.only(~first), below, 1.0))
    crew.living()
    crew.long_ones()
    crew.tape()
    inner = (slice(None), slice(MARGIN_PX, MARGIN_PX + height_px), slice(MARGIN_PX, MARGIN_PX + width_px))
    phone = draw_phone(rng, occasion.shape, occasion.from_above, occasion.dim, occasion.rough)
    channels, field = to_channels(np.ascontiguousarray(stage.light[inner]), phone)
    luma = np.tensordot(_LUMA, channels, 1)
    both = Drawn(*(np.concatenate(pair) for pair in zip(*(vars(one).values() for one in drawn), strict=True)))
    truth = judge(occasion, stage, phone, spores, both, luma, field > 0)
    rgb = shoot(rng, channels, phone)
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=float(lens.um_per_px),
        objective=occasion.objective,
        spores=truth,
        kind_map=np.where(field > 0, stage.kinds[inner[1:]], 0).astype(np.uint8),
        scales=int(scales),
        notes={
            "style": "bands",
            "preset": preset,
            "from_above": occasion.from_above,
            "dim": occasion.dim,
            "rough": occasion.rough,
            "ground": occasion.ground,
            "round_view": phone.view_px is not None,
            "defocus_um": float(lens.focus_um),
            "spore_length_um": float(look.length_um),
            "quality": phone.quality,
            **{f"laid_{name}": number for name, number in occasion.things.items()},
        },
    )
