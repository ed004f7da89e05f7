"""Draw the sample session: simulated photos of an invented rearing house, with their truth.

    python sample_images/make.py OUT            full size, about ten minutes
    python sample_images/make.py OUT --width 1008    a quick look

The same call with the same versions of the libraries gives the same photos. `session.csv` takes its um per px
from the ruling, as a keeper would.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pillow_heif
from PIL import Image

from sporecount.session.calibrating import read_rulings
from sporecount.simulate.camera import draw_phone
from sporecount.simulate.photo import truth_to_json
from sporecount.simulate.print_photos import draw_session
from sporecount.simulate.ranges import PRESETS
from sporecount.simulate.rulings import draw_ruling

SEED = 20260520
FIELD_NUMBER_MM, OBJECTIVE, VIEW_SHARE = 18.0, 10.0, 0.9
BEGIN = datetime(2026, 5, 17, 9, 30)
LARGEST_BYTES = 1_350_000
TURNED = 6
"""Exif orientation of a photo taken with the phone upright."""

# print: photos, spores per mm2, chance that a photo overlaps the one before, what the table notes
PRINTS = {
    "MH-01": (3, 0.0, 0.0, "none placed"),
    "MH-02": (4, 1.5, 0.4, "light"),
    "MH-03": (3, 60.0, 0.0, "heavy"),
    "MH-04": (2, 12.0, 0.0, "focus lost"),
}
UPRIGHT, HEIC = "MH-01_2", "MH-02_3"

GOOD = replace(
    PRESETS["good_focus"],
    spore_length_um=(10.6, 11.8),
    spore_ratio=(1.45, 1.6),
    spore_pointed=(0.5, 0.9),
    amber_density=(0.55, 0.85),
    scale_cover=(0.10, 0.22),
    focus_blur_um=(0.2, 0.8),
    focus_spread_um=(0.2, 1.0),
    clumped_share=(0.1, 0.4),
    clump_size=(2, 12),
    mottle_density=(0.008, 0.03),
    veil=(0.002, 0.03),
)
SPOILT = replace(GOOD, focus_blur_um=(6.0, 7.5))


def main() -> None:
    """Draw all into a folder."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("--width", type=int, default=4032)
    wish = parser.parse_args()
    wish.out.mkdir(parents=True, exist_ok=True)
    size = {"width_px": wish.width, "height_px": wish.width * 3 // 4}
    um_per_px = FIELD_NUMBER_MM * 1000 / OBJECTIVE / (VIEW_SHARE * size["height_px"])
    most_bytes = round(LARGEST_BYTES * (wish.width / 4032) ** 2)
    phone = draw_phone(np.random.default_rng(SEED), GOOD)
    phone = replace(
        phone, circle=(0.0, 0.0, VIEW_SHARE / 2), rim_soft=0.006, k1=0.004, level=0.72, noise=0.006, dirt=2,
        smear=0, smooth_px=0.7, sharpen=0.4, local=0.1, shade=0.25, tint=(1.03, 1.0, 0.95), contrast=1.1,
        saturation=1.1,
    )  # fmt: skip
    photos, truths, number = [], [], 0
    for at, (sample, (fields, density, overlap, note)) in enumerate(PRINTS.items(), 1):
        drawn = draw_session(
            np.random.default_rng([SEED, at]),
            photos=fields,
            um_per_px=um_per_px,
            objective=OBJECTIVE,
            light="below",
            phone=phone,
            spores_per_mm2=density,
            overlap_share=overlap,
            ranges=SPOILT if sample == "MH-04" else GOOD,
            **size,
        )
        for field, photo in enumerate(drawn.photos, 1):
            stem = f"{sample}_{field}"
            name = f"{stem}.heic" if stem == HEIC else f"{stem}.jpg"
            (wish.out / name).write_bytes(
                phone_file(photo.rgb, number, most_bytes, heic=stem == HEIC, upright=stem == UPRIGHT)
            )
            photos.append({"photo": name, "sample": sample, "objective": "10", "note": note})
            truths.append({**truth_to_json(photo, name), "sample": sample})
            number += 1
            print(name, truths[-1]["countable_spores"], flush=True)
    ruling, truth = draw_ruling(
        np.random.default_rng([SEED, 0]),
        pattern="stage-10um",
        um_per_px=um_per_px,
        objective=OBJECTIVE,
        angle_deg=23.0,
        k1=phone.k1,
        tilt=0.0,
        blur_um=0.3,
        cross=False,
        longer_ticks=True,
        bright_lines=False,
        phone=phone,
        **size,
    )
    ruling_path = wish.out / "ruling_10x.jpg"
    ruling_path.write_bytes(phone_file(ruling, number, most_bytes))
    (read,) = read_rulings([ruling_path], objective=OBJECTIVE, division_um=10.0, field_number_mm=18.0)
    write_table(wish.out / "session.csv", photos, read.reading.um_per_px)
    whole = {
        "simulated": True,
        "seed": SEED,
        "place": "Marrow Hill Rearing House (invented)",
        "photos": truths,
        "rulings": [{**truth, "photo": ruling_path.name}],
    }
    (wish.out / "truth.json").write_text(json.dumps(whole, separators=(",", ":")) + "\n")


def phone_file(
    rgb: np.ndarray, number: int, most_bytes: int, *, heic: bool = False, upright: bool = False
) -> bytes:
    """Save a photo as a phone would, with Exif, at the best quality up to 88 that is small enough."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Simulated", "Simulated phone"
    exif[0x010E] = "Simulated photo of an invented print"
    detail = exif.get_ifd(0x8769)
    detail[0x9003] = (BEGIN + timedelta(seconds=25 * number)).strftime("%Y:%m:%d %H:%M:%S")
    detail[0x920A], detail[0xA404] = 5.7, 1.0
    if upright:
        rgb = np.ascontiguousarray(np.rot90(rgb))
        exif[0x0112] = TURNED
    picture = Image.fromarray(rgb)
    if heic:
        out = io.BytesIO()
        pillow_heif.from_pillow(picture).save(out, quality=70, exif=exif.tobytes())
        return out.getvalue()
    for quality in range(88, 60, -4):
        out = io.BytesIO()
        picture.save(out, "JPEG", quality=quality, exif=exif)
        if out.tell() <= most_bytes:
            break
    return out.getvalue()


def write_table(path: Path, photos: list[dict[str, str]], um_per_px: float) -> None:
    """Write `session.csv` as a keeper would: the scale read from the ruling, in every row."""
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, ["photo", "sample", "objective", "um_per_px", "note"])
        table.writeheader()
        table.writerows({**photo, "um_per_px": f"{um_per_px:.4f}"} for photo in photos)


if __name__ == "__main__":
    main()
