"""A session as a count leaves it, by the program's own writers. All records are drawn, none is counted."""

from __future__ import annotations

import hashlib
import io
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
from PIL import Image

from sporecount.files.kept import FieldPlace, FieldsOnDisk, KeptFields, key_of
from sporecount.records import FailedPhoto, FieldResult, PrintTally, Provenance, SessionResult
from sporecount.session.folder import KEPT
from sporecount.session.outputs import write_session
from sporecount.settings import CountSettings
from sporecount.simulate.camera import draw_phone
from sporecount.simulate.ranges import PRESETS
from sporecount.simulate.rulings import draw_ruling
from tests.report import examples
from tests.session_folder import jpeg

SIZE = (900, 700)
RULING_UM_PER_PX = 18.0 * 1000 / 40 / 630
"""Field number 18 at 40x gives a view of 0.45 mm, drawn 630 pixels across."""


def write_example(folder: Path, *, doubtful: int = 6, size: tuple[int, int] = SIZE) -> Path:
    """Write three prints of two fields each into a folder; give the folder of the results."""
    out = folder / "sporecount"
    kept = KeptFields(out / KEPT / "fields")
    places, fields, overlays = [], [], {}
    for print_number, spores in ((1, 30), (2, 4), (3, 0)):
        for number in (1, 2):
            seed = 10 * print_number + number
            field = examples.make_field(
                spores + doubtful, doubtful=doubtful, sample=f"FH-0{print_number}", number=number, seed=seed,
                size=size, um_per_px=1.0, flag="recheck" if doubtful > 2 else "clear",
                reasons=("ambiguous-objects",) if doubtful > 2 else (),
            )  # fmt: skip
            rgb = examples.make_photo(field, seed)
            data = jpeg(rgb)
            sha256 = hashlib.sha256(data).hexdigest()
            field = replace(field, sha256=sha256)
            folder.mkdir(parents=True, exist_ok=True)
            (folder / field.photo).write_bytes(data)
            key = key_of("example", sha256)
            kept.save(key, field, examples.make_preview(rgb, field))
            places.append(FieldPlace(key, field.photo, field.sample, field.field))
            fields.append(field)
            overlays[field.photo] = f"{field.photo}.jpg"
    result = SessionResult(
        folder=folder.name,
        fields=FieldsOnDisk(kept, places),
        prints=tuple(
            _tally(f"FH-0{n}", [one for one in fields if one.sample == f"FH-0{n}"]) for n in (1, 2, 3)
        ),
        failed=(
            FailedPhoto("FH-04_1.jpg", "FH-04", "cut-off", "The JPEG file is cut short: its end is missing."),
        ),
        provenance=Provenance(
            version="0.1.0",
            model="none, drawn records",
            settings=asdict(CountSettings()),
            libraries={},
            photos={one.photo: one.sha256 for one in fields},
        ),
        notes=("All records of this session are drawn.",),
    )
    write_session(out, result, places, overlays, {})
    return out


def simulated_ruling(seed: int = 3) -> bytes:
    """A simulated photo of a stage micrometer at 40x, JPEG, its view as large as that objective makes it."""
    rng = np.random.default_rng(seed)
    phone = replace(draw_phone(rng, PRESETS["ordinary"]), circle=(0.0, 0.0, 0.45))
    rgb, _ = draw_ruling(
        rng, pattern="stage-10um", width_px=SIZE[0], height_px=SIZE[1], um_per_px=RULING_UM_PER_PX,
        objective=40.0, k1=0.0, tilt=0.0, blur_um=0.3, longer_ticks=True, bright_lines=False, phone=phone,
    )  # fmt: skip
    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "JPEG", quality=92)
    return out.getvalue()


def _tally(sample: str, fields: list[FieldResult]) -> PrintTally:
    spores = sum(one.tally.spores for one in fields)
    heavy = spores > 40
    return examples.make_print(
        sample,
        spores,
        photos=len(fields),
        fields=len(fields),
        examined_mm2=sum(one.tally.examined_mm2 for one in fields),
        load_class=4 if heavy else 2,
        load_class_probability=(0.0, 0.01, 0.04, 0.15, 0.7, 0.1)
        if heavy
        else (0.2, 0.2, 0.4, 0.15, 0.05, 0.0),
        flag="recheck" if spores else "clear",
        reasons=("ambiguous-objects",) if spores else ("few-fields",),
    )
