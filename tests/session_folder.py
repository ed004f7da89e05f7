"""Small drawn photos for tests of sessions and commands: ovals of spore size on bright card. Simulated."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from tests.steps.drawn import lemon_cover

UM_PER_PX = 1.0
WIDTH, HEIGHT = 300, 220


def drawn_photo(seed: int, ovals: int = 6, width: int = WIDTH, height: int = HEIGHT) -> np.ndarray:
    """Card with a little grain, and amber pointed ovals of 12 x 8 um with a darker rim, at 1 um per pixel."""
    rng = np.random.default_rng(seed)
    rgb = np.full((height, width, 3), (225, 220, 210), np.float32) + rng.normal(0, 2, (height, width, 3))
    for _ in range(ovals):
        x, y = rng.uniform(20, width - 20), rng.uniform(20, height - 20)
        angle_deg = rng.uniform(0, 180)
        for size, colour in ((1.0, (115, 75, 35)), (0.6, (165, 115, 60))):
            cover = lemon_cover((height, width), x, y, 12 * size, 8 * size, angle_deg).astype(np.float32)
            mask = cv2.GaussianBlur(cover, (0, 0), 0.7)[..., None]
            rgb = rgb * (1 - mask) + np.float32(colour) * mask
    return np.clip(rgb, 0, 255).astype(np.uint8)


def jpeg(rgb: np.ndarray, taken_at: str | None = None) -> bytes:
    """A JPEG as a phone would save it."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Simulated", "Simulated phone"
    if taken_at is not None:
        exif.get_ifd(0x8769)[0x9003] = taken_at
    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "JPEG", quality=92, exif=exif)
    return out.getvalue()


def write_photo(path: Path, seed: int, **options) -> None:
    """Write a drawn photo."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(jpeg(drawn_photo(seed, **options)))


def label_photo(text: str, taken_at: str | None = None) -> bytes:
    """A photo of a printed QR label, slightly tilted, unevenly lit."""
    import segno

    code = io.BytesIO()
    segno.make(text, error="m").save(code, kind="png", scale=14, border=6)
    label = np.asarray(Image.open(code).convert("RGB"))
    ground = np.full((700, 900, 3), 150, np.uint8)
    ground[60 : 60 + label.shape[0], 150 : 150 + label.shape[1]] = label[:600, :700]
    turn = cv2.getRotationMatrix2D((450, 350), 8, 1.0)
    photo = cv2.warpAffine(ground, turn, (900, 700), borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
    photo *= np.linspace(0.7, 1.0, 900, dtype=np.float32)[None, :, None]
    return jpeg(photo.astype(np.uint8), taken_at)


def all_files(folder: Path) -> dict[str, bytes]:
    """Every file below a folder with its bytes."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
