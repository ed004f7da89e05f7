"""Hand-made records with simulated discs for pictures, so that the report's tests need no detector."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.records import (
    CLUTTER_KINDS,
    KINDS,
    FailedPhoto,
    FieldPreview,
    FieldResult,
    FieldTally,
    Kinds,
    Objects,
    PrintTally,
    Provenance,
    RoundView,
    Scale,
    SessionResult,
)
from sporecount.settings import CountSettings


def make_objects(
    rng: np.random.Generator, n: int, width_px: int, height_px: int, margin: float = 0.25
) -> Objects:
    length = rng.normal(11.8, 0.7, n)
    return Objects(
        x_px=rng.uniform(margin * width_px, (1 - margin) * width_px, n),
        y_px=rng.uniform(margin * height_px, (1 - margin) * height_px, n),
        length_um=length,
        width_um=length / rng.uniform(1.4, 1.6, n),
        angle_deg=rng.uniform(0, 180, n),
        area_um2=length**2 * 0.5,
        optical_density=rng.uniform(0.2, 0.5, n),
        amber=rng.normal(1.5, 0.1, n),
        sharpness=rng.uniform(0.2, 0.4, n),
        clump=np.ones(n, np.int64),
        on_scale=np.zeros(n, bool),
    )


def make_kinds(spore: np.ndarray) -> Kinds:
    probability = np.zeros((len(spore), len(KINDS)), np.float32)
    probability[:, 0] = spore
    probability[:, 2] = 1 - np.asarray(spore)
    return Kinds(probability=probability)


def make_field(
    n: int = 40,
    *,
    doubtful: int = 6,
    sample: str = "TANK-01",
    number: int = 1,
    photo: str = "",
    seed: int = 1,
    size: tuple[int, int] = (640, 480),
    um_per_px: float = 2.0,
    flag: str = "clear",
    reasons: tuple[str, ...] = (),
) -> FieldResult:
    rng = np.random.default_rng(seed)
    width, height = size
    doubtful = min(doubtful, n)
    spore = np.concatenate([rng.uniform(0.9, 0.999, n - doubtful), rng.uniform(0.2, 0.8, doubtful)])
    counted = spore >= CountSettings().count_from
    return FieldResult(
        photo=photo or f"{sample}_{number}.jpg",
        sample=sample,
        field=number,
        width_px=width,
        height_px=height,
        scale=Scale(um_per_px, 0.002, "profile", 10.0),
        view=RoundView(width / 2, height / 2, 0.46 * min(size), True),
        objects=make_objects(rng, n, width, height),
        kinds=make_kinds(spore),
        counted=counted,
        tally=FieldTally(
            spores=int(counted.sum()),
            spores_low=max(0, int(counted.sum()) - 5),
            spores_high=int(counted.sum()) + 7,
            examined_mm2=0.72,
            in_focus=0.85,
            scales=14,
            flag=flag,
            reasons=reasons,
            recall=0.97,
            recall_u=0.02,
            spore_length_um=11.8 if n else float("nan"),
        ),
        taken_at="2031-06-01T09:14:00",
        camera="invented phone",
        sha256="ab" * 32,
    )


def make_photo(field: FieldResult, seed: int = 3) -> np.ndarray:
    """A drawn photo: bright round view, grey-brown scales, amber ellipses where the field's objects are."""
    rng = np.random.default_rng(seed)
    picture = np.full((field.height_px, field.width_px, 3), 12, np.uint8)
    view = field.view
    centre, radius = (round(view.center_x_px), round(view.center_y_px)), round(view.radius_px)
    cv2.circle(picture, centre, radius, (236, 232, 218), -1, cv2.LINE_AA)
    px = 1 / field.scale.um_per_px
    for _ in range(25):
        angle, reach = rng.uniform(0, 2 * np.pi), view.radius_px * 0.85 * np.sqrt(rng.uniform())
        at = (round(centre[0] + reach * np.cos(angle)), round(centre[1] + reach * np.sin(angle)))
        shade = int(rng.integers(40, 130))
        cv2.ellipse(
            picture,
            at,
            (max(1, round(50 * px)), max(1, round(24 * px))),
            rng.uniform(0, 180),
            0,
            360,
            (shade, shade - 10, shade - 25),
            -1,
            cv2.LINE_AA,
        )
    objects = field.objects
    for row in range(len(objects)):
        if not np.isfinite([objects.x_px[row], objects.y_px[row], objects.length_um[row]]).all():
            continue
        at = (round(objects.x_px[row] * 16), round(objects.y_px[row] * 16))
        axes = (
            max(16, round(objects.length_um[row] * px * 8)),
            max(16, round(objects.width_um[row] * px * 8)),
        )
        cv2.ellipse(picture, at, axes, objects.angle_deg[row], 0, 360, (168, 112, 40), -1, cv2.LINE_AA, 4)
    return cv2.GaussianBlur(picture, (0, 0), 0.8)


def make_preview(photo: np.ndarray, field: FieldResult, long_side: int = 1000) -> FieldPreview:
    height, width = photo.shape[:2]
    zoom = min(1.0, long_side / max(height, width))
    size = (max(1, round(width * zoom)), max(1, round(height * zoom)))
    y, x = np.mgrid[0 : size[1], 0 : size[0]]
    cx, cy, radius = field.view.center_x_px * zoom, field.view.center_y_px * zoom, field.view.radius_px * zoom
    left_out = np.where((x - cx) ** 2 + (y - cy) ** 2 > radius**2, 255, 0).astype(np.uint8)
    for index in range(len(CLUTTER_KINDS)):
        angle = index / len(CLUTTER_KINDS) * 2 * np.pi
        inside = (x - cx - 0.7 * radius * np.cos(angle)) ** 2 + (y - cy - 0.7 * radius * np.sin(angle)) ** 2
        left_out[(inside < (0.1 * radius) ** 2) & (left_out == 0)] = index + 1
    blurred = (x > cx + 0.2 * radius) & (y > cy + 0.1 * radius) & (left_out != 255)
    return FieldPreview(cv2.resize(photo, size, interpolation=cv2.INTER_AREA), left_out, blurred, zoom)


def make_print(sample: str = "TANK-01", spores: int = 0, **changes: object) -> PrintTally:
    density = spores / 4.1
    values: dict = {
        "sample": sample,
        "photos": 6,
        "fields": 6,
        "examined_mm2": 4.1,
        "spores": spores,
        "density_per_mm2": density,
        "density_low": 0.6 * density,
        "density_high": 1.5 * density + 0.9,
        "could_hide_per_mm2": 1.4 * density + 0.75,
        "load_class": 0,
        "load_class_probability": (0.7, 0.1, 0.15, 0.05, 0.0, 0.0),
        "flag": "clear",
        "reasons": (),
        "load_low": 0.6 * density * 60,
        "load_high": (1.5 * density + 0.9) * 60,
        "class_at_least": 0,
        "could_hide_even": (1.1 * density + 0.74) * 60,
        "print_area_mm2": 60.0,
        "print_area_low_mm2": 40.0,
        "print_area_high_mm2": 90.0,
        "heavy_verdict": "open",
        "fields_to_go": 2,
        "next_field_bits": 0.05,
        "expected": float(spores),
    }
    hides = changes.get("could_hide_per_mm2", values["could_hide_per_mm2"])
    values["could_hide"] = 60 * hides  # type: ignore[operator]
    values.update(changes)
    return PrintTally(**values)


def make_session(
    fields: tuple[FieldResult, ...], prints: tuple[PrintTally, ...], **changes: object
) -> SessionResult:
    values: dict = {
        "folder": "invented/morning-house",
        "fields": fields,
        "prints": prints,
        "failed": (
            FailedPhoto("TANK-09_4.jpg", "TANK-09", "unreadable", "TANK-09_4.jpg: cut short. Copy it again."),
        ),
        "provenance": Provenance(
            version="0.1.0",
            model="sorter abcdef",
            settings={"print_area_mm2": 60.0, "count_from": 0.6},
            libraries={"numpy": "2.0"},
            photos={one.photo: one.sha256 for one in fields},
            adapter={"name": "blue tube", "objective": 10, "um_per_px": 2.0},
        ),
        "notes": ("A note of the session.",),
    }
    values.update(changes)
    return SessionResult(**values)
