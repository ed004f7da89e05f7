"""A simulated session on disk, to practise with: photos as a phone saves them, and the truth beside them."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from sporecount.errors import SessionError
from sporecount.files.whole import write_whole
from sporecount.records import SIMULATED_CAMERA
from sporecount.simulate.camera import Phone, draw_phone
from sporecount.simulate.photo import truth_to_json
from sporecount.simulate.print_photos import draw_session
from sporecount.simulate.ranges import PRESETS
from sporecount.simulate.rulings import draw_ruling

_KINDS = ("light", "none", "heavy", "out of focus", "ordinary")
_SPORES_PER_MM2 = {"light": 4.0, "none": 0.0, "heavy": 250.0, "out of focus": 30.0, "ordinary": None}
_BEGIN = datetime(2026, 5, 17, 9, 30)
_FIELD_NUMBER_MM, _VIEW_SHARE = 18.0, 0.9
"""Of the eyepiece, and the round view's diameter as a share of the photo's shorter side."""
_JPEG = {"quality": 92}
_TURNED = 6
"""Exif orientation of the photo that was taken with the phone upright."""

_README = """Simulated photos, made by `sporecount simulate` with seed {seed}.

No photo here shows a real print, butterfly or ruling; the rearing house and its sample codes are invented.
Every object was drawn at a place written down in truth.json (x, y in pixels of the upright photo).
How well a program counts these says nothing about how well it counts real prints.

Scale of all photos: {um_per_px:g} um per pixel, objective {objective:g}x.
Prints: {prints}.

Count them:
    sporecount count "{folder}" --um-per-px {um_per_px:g} --objective {objective:g}
Or calibrate first, as with a real microscope:
    sporecount calibrate "{folder}/{ruling}" --objective {objective:g} \\
        --division-um {division:g} --adapter practice
    sporecount count "{folder}" --adapter practice
"""


@dataclass(frozen=True)
class Practice:
    """What to draw.

    Parameters
    ----------
    prints, fields : int
        Number of prints, and of photos of each.
    seed : int
        The same seed gives the same files.
    width_px, height_px : int
        Of each photo.
    objective : float
        4 to 40.
    preset : str
        A name of `simulate.ranges.PRESETS`.
    """

    prints: int = 4
    fields: int = 3
    seed: int = 1
    width_px: int = 4032
    height_px: int = 3024
    objective: float = 10.0
    preset: str = "ordinary"


def write_practice(
    out: Path, wish: Practice, progress: Callable[[int, int], None] | None = None
) -> list[str]:
    """Draw a simulated session into a folder.

    Parameters
    ----------
    out : Path
        A folder that is not there yet, or empty.
    wish : Practice
    progress : callable, optional
        Called with the number of photos done and the number in all.

    Returns
    -------
    list of str
        The files written.

    Raises
    ------
    SessionError
        The folder holds something, or the preset is unknown.
    """
    if wish.preset not in PRESETS:
        raise SessionError(
            f"{wish.preset!r} is no preset", where="--preset", remedy=f"One of {', '.join(PRESETS)}"
        )
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise SessionError(
            "this place is taken", where=str(out), remedy="Give a folder that is not there yet"
        )
    out.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(wish.seed)
    phone = replace(draw_phone(rng, PRESETS[wish.preset]), circle=(0.0, 0.0, _VIEW_SHARE / 2))
    # the same field of view at any size of photo
    view_px = _VIEW_SHARE * min(wish.width_px, wish.height_px)
    um_per_px = round(_FIELD_NUMBER_MM * 1000 / wish.objective / view_px, 4)
    total = wish.prints * wish.fields + 1
    files: list[str] = []
    truths: list[dict[str, Any]] = []
    said: list[str] = []
    for number in range(wish.prints):
        sample, kind = f"FH-{number + 1:02d}", _KINDS[number % len(_KINDS)]
        said.append(f"{sample} {kind}")
        drawn = draw_session(
            rng,
            photos=wish.fields,
            width_px=wish.width_px,
            height_px=wish.height_px,
            um_per_px=um_per_px,
            objective=wish.objective,
            light="below",
            phone=phone,
            spores_per_mm2=_SPORES_PER_MM2[kind],
            ranges=_ranges(wish.preset, kind),
        )
        for field, photo in enumerate(drawn.photos, 1):
            ending = "heic" if (number, field) == (0, 2) and find_spec("pillow_heif") else "jpg"
            name = f"{sample}_{field}.{ending}"
            turned = (number, field) == (1, 1)
            write_whole(out / name, _as_phone_file(photo.rgb, len(files), wish.objective, turned, ending))
            files.append(name)
            truths.append({**truth_to_json(photo, name), "sample": sample})
            if progress is not None:
                progress(len(files), total)
    ruling, ruling_truth = _ruling(rng, wish, um_per_px, phone)
    name = f"ruling_{wish.objective:g}x.jpg"
    write_whole(out / name, _as_phone_file(ruling, len(files), wish.objective, False, "jpg"))
    files.append(name)
    truth = {
        "simulated": True,
        "seed": wish.seed,
        "photos": truths,
        "rulings": [{**ruling_truth, "photo": name}],
    }
    write_whole(out / "truth.json", json.dumps(truth, indent=1).encode())
    readme = _README.format(
        seed=wish.seed,
        um_per_px=um_per_px,
        objective=wish.objective,
        prints=", ".join(said),
        folder=out,
        ruling=name,
        division=ruling_truth["division_um"],
    )
    write_whole(out / "README.txt", readme.encode("utf-8", "backslashreplace"))
    if progress is not None:
        progress(total, total)
    return [*files, "truth.json", "README.txt"]


def _ranges(preset: str, kind: str) -> Any:
    ranges = PRESETS[preset]
    return replace(ranges, focus_blur_um=(5.0, 7.0)) if kind == "out of focus" else ranges


def _ruling(
    rng: np.random.Generator, wish: Practice, um_per_px: float, phone: Phone
) -> tuple[np.ndarray, dict[str, Any]]:
    pattern = "stage-100um" if wish.objective < 8 else "stage-10um"
    return draw_ruling(
        rng,
        pattern=pattern,
        width_px=wish.width_px,
        height_px=wish.height_px,
        um_per_px=um_per_px,
        objective=wish.objective,
        k1=phone.k1,
        tilt=0.0,
        blur_um=0.3,
        longer_ticks=True,
        bright_lines=False,
        phone=phone,
    )


def _as_phone_file(rgb: np.ndarray, number: int, objective: float, turned: bool, ending: str) -> bytes:
    """Save a photo as a phone would, with Exif."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Simulated", SIMULATED_CAMERA
    exif[0x010E] = f"Simulated photo, objective {objective:g}x"
    detail = exif.get_ifd(0x8769)
    detail[0x9003] = (_BEGIN + timedelta(seconds=20 * number)).strftime("%Y:%m:%d %H:%M:%S")
    detail[0x920A], detail[0xA404] = 5.7, 1.0
    if turned:
        rgb = np.ascontiguousarray(np.rot90(rgb))
        exif[0x0112] = _TURNED
    picture, out = Image.fromarray(rgb), io.BytesIO()
    if ending == "heic":
        import pillow_heif

        pillow_heif.from_pillow(picture).save(out, quality=85, exif=exif.tobytes())
    else:
        picture.save(out, "JPEG", exif=exif, **_JPEG)
    return out.getvalue()
