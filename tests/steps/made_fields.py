"""Fields made by hand, or from the truth of simulated photos, for tests of what joins fields."""

from __future__ import annotations

import numpy as np

from sporecount.reasons import flag_of
from sporecount.records import (
    KINDS,
    FieldResult,
    FieldTally,
    Kinds,
    Objects,
    RoundView,
    Scale,
)


def make_objects(x_px, y_px, length_um=11.0, sharpness=0.3) -> Objects:
    """Lone spores at these places."""
    n = len(x_px)
    return Objects(
        x_px=np.asarray(x_px, float),
        y_px=np.asarray(y_px, float),
        length_um=np.full(n, length_um, float),
        width_um=np.full(n, length_um / 1.5, float),
        angle_deg=np.zeros(n),
        area_um2=np.full(n, 0.5 * length_um**2),
        optical_density=np.full(n, 0.3),
        amber=np.full(n, 1.5),
        sharpness=np.full(n, sharpness, float),
        clump=np.ones(n, np.int64),
        on_scale=np.zeros(n, bool),
    )


def make_kinds(spore) -> Kinds:
    """Objects that are spores with these probabilities, dust otherwise."""
    probability = np.zeros((len(spore), len(KINDS)), np.float32)
    probability[:, 0] = spore
    probability[:, KINDS.index("dust")] = 1 - probability[:, 0]
    return Kinds(probability=probability, unlike_known=np.zeros(len(spore), bool))


def make_field(
    spore=(),
    *,
    number: int = 1,
    reasons: tuple[str, ...] = (),
    examined_mm2: float = 1.0,
    recall: float = 0.98,
    recall_u: float = 0.01,
    scale_rel_u: float = 0.0,
    objects: Objects | None = None,
    size: tuple[int, int] = (640, 480),
    um_per_px: float = 1.0,
    sample: str = "FH-01",
) -> FieldResult:
    """A field with objects of these probabilities."""
    spore = np.asarray(spore, np.float32)
    width, height = size
    if objects is None:
        rng = np.random.default_rng(number)
        objects = make_objects(rng.uniform(0, width, len(spore)), rng.uniform(0, height, len(spore)))
    counted = spore >= 0.5
    return FieldResult(
        photo=f"{sample}_{number}.jpg",
        sample=sample,
        field=number,
        width_px=width,
        height_px=height,
        scale=Scale(um_per_px, scale_rel_u * um_per_px, "profile", 10.0),
        view=RoundView(width / 2, height / 2, float(np.hypot(width, height)) / 2, False),
        objects=objects,
        kinds=make_kinds(spore),
        counted=counted,
        tally=FieldTally(
            spores=int(counted.sum()),
            spores_low=0,
            spores_high=int(counted.sum()) + 5,
            examined_mm2=examined_mm2,
            in_focus=0.9,
            scales=20,
            flag=flag_of(reasons),
            reasons=reasons,
            recall=recall,
            recall_u=recall_u,
            spore_length_um=11.0,
        ),
    )
