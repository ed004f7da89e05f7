"""Fields made by hand, or from the truth of simulated photos, for tests of what joins fields."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from sporecount.reasons import flag_of
from sporecount.records import (
    KINDS,
    FieldPreview,
    FieldResult,
    FieldTally,
    Kinds,
    Objects,
    Photo,
    RoundView,
    Scale,
)
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth
from sporecount.steps.round_view import find_round_view


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
    return Kinds(probability=probability)


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


def truth_field(
    photo: SimulatedPhoto, *, number: int, rng: np.random.Generator, sample: str = "FH-01"
) -> tuple[FieldResult, FieldPreview]:
    """A field as a good counter would leave it: nearly all countable spores of a simulated photo, 0.7 um off.

    What is left out is what the round view hides; the blur is not looked at.
    """
    height, width = photo.rgb.shape[:2]
    view = find_round_view(Photo(photo.rgb, f"{sample}_{number}.jpg"))
    found = [one for one in photo.spores if one.countable and rng.random() < 0.97]
    jitter = rng.normal(0, 0.7 / photo.um_per_px, (len(found), 2))
    objects = make_objects(
        np.array([one.x_px for one in found]) + jitter[:, 0],
        np.array([one.y_px for one in found]) + jitter[:, 1],
        float(np.median([one.length_um for one in found])) if found else 11.0,
    )
    zoom = min(1.0, 1000 / max(height, width))
    size = (round(width * zoom), round(height * zoom))
    x, y = np.meshgrid((np.arange(size[0]) + 0.5) / zoom - 0.5, (np.arange(size[1]) + 0.5) / zoom - 0.5)
    outside = np.hypot(x - view.center_x_px, y - view.center_y_px) > view.radius_px
    preview = FieldPreview(
        rgb=cv2.resize(photo.rgb, size, interpolation=cv2.INTER_AREA),
        left_out=np.where(outside, 255, 0).astype(np.uint8),
        blurred=np.zeros(outside.shape, bool),
        zoom=zoom,
    )
    field = make_field(
        np.full(len(found), 0.97),
        number=number,
        examined_mm2=float((~outside).sum()) * (photo.um_per_px / zoom / 1000) ** 2,
        objects=objects,
        size=(width, height),
        um_per_px=photo.um_per_px,
        sample=sample,
    )
    return replace(field, view=view), preview


def identity(spore: SporeTruth) -> tuple[float, float]:
    """What tells one simulated spore from all others, in each photo that shows it."""
    return spore.length_um, spore.width_um
