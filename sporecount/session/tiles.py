"""Photos cut into tiles, so that a browser can look closely at 12 megapixels.

Decoding happens in a process of its own. Level 0 has all pixels, each further level half as many a side.
A finished set of tiles appears at once.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
import tempfile
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from sporecount.errors import PhotoError
from sporecount.files.decode import decode
from sporecount.records import Photo, Scale
from sporecount.session.crew import Crew, WorkerDied
from sporecount.settings import CountSettings

TILE_PX = 512
Layer = Literal["photo", "density"]
LAYERS: tuple[Layer, ...] = ("photo", "density")

_MOST_SETS = 80
_MEMORY_BYTES = 3_000_000_000
_QUALITY = 88
_DARKEST = 0.9
"""Optical density that is drawn darkest: a spore's core has 0.3 to 0.6, a scale up to 1."""


@dataclass(frozen=True)
class TileJob:
    """Cut a photo.

    Parameters
    ----------
    path, name : str
    to : str
        Folder to make.
    layer : {"photo", "density"}
    scale : Scale
        For the density.
    """

    path: str
    name: str
    to: str
    layer: Layer
    scale: Scale


class TileShelf:
    """Tiles in a folder of the system's for passing things; it goes when the program ends."""

    def __init__(self) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="sporecount-tiles-"))
        self._lock = threading.Lock()
        self._crew: Crew | None = None

    def close(self) -> None:
        """End the worker and remove the tiles."""
        if self._crew is not None:
            self._crew.__exit__()
        shutil.rmtree(self._folder, ignore_errors=True)

    def about(self, path: Path, name: str, layer: Layer, scale: Scale) -> dict[str, Any]:
        """Give what is to know of a photo's tiles, cut now if they were not yet.

        Raises
        ------
        PhotoError
            The photo cannot be read.
        """
        to = self._place(path, layer, scale)
        with self._lock:
            if not (to / "about.json").is_file():
                self._crew = self._crew or Crew(1, "sporecount.session.tiles:make_cutter", None)
                (_, answer), *_ = self._crew.do([TileJob(str(path), name, str(to), layer, scale)])
                if isinstance(answer, WorkerDied):
                    answer = Refused(
                        "the photo brings the decoder down", "damaged", "Copy it from the phone again"
                    )
                if answer is not None:
                    raise PhotoError(answer.what, code=answer.code, where=name, remedy=answer.remedy)
                self._prune()
            to.touch()
            return dict(json.loads((to / "about.json").read_bytes())) | {"set": to.name}

    def tile(self, tiles: str, level: int, col: int, row: int) -> Path | None:
        """Give the file of a tile; None when there is none."""
        path = self._folder / Path(tiles).name / f"{level}" / f"{col}_{row}.jpg"
        return path if path.is_file() else None

    def _place(self, path: Path, layer: Layer, scale: Scale) -> Path:
        about = path.stat()
        made_from = [str(path), about.st_size, about.st_mtime_ns, layer, scale if layer == "density" else 0]
        return self._folder / hashlib.sha256(repr(made_from).encode()).hexdigest()[:24]

    def _prune(self) -> None:
        sets = sorted(self._folder.iterdir(), key=lambda one: one.stat().st_mtime)
        for old in sets[:-_MOST_SETS]:
            shutil.rmtree(old, ignore_errors=True)


@dataclass(frozen=True)
class Refused:
    """Why a photo could not be cut: the parts of a `PhotoError`, which does not travel between processes."""

    what: str
    code: str
    remedy: str


def make_cutter(_setup: None) -> Callable[[TileJob], Any]:
    """Make the function that cuts, with a limit on its memory where the system has one."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))

    def work(job: TileJob) -> Refused | None:
        try:
            cut(decode(Path(job.path).read_bytes(), job.name), job)
        except PhotoError as fault:
            return Refused(fault.what, fault.code, fault.remedy)
        except (OSError, MemoryError) as fault:
            why = str(fault) or "not enough memory"
            return Refused(
                f"the photo cannot be shown ({why})", "unreadable", "Copy it into the folder again"
            )
        return None

    return work


def cut(photo: Photo, job: TileJob) -> None:
    """Write the tiles of a layer.

    Parameters
    ----------
    photo : Photo
    job : TileJob
    """
    zoom, left, top, rgb = 1.0, 0, 0, photo.rgb
    if job.layer == "density":
        rgb, zoom, left, top = _density(photo, job.scale)
    to = Path(job.to)
    part = Path(tempfile.mkdtemp(prefix=".", dir=to.parent))
    levels = write_tiles(rgb, part)
    about = {
        "width": rgb.shape[1], "height": rgb.shape[0], "levels": levels, "tile": TILE_PX,
        "zoom": zoom, "left": left, "top": top,
    }  # fmt: skip
    (part / "about.json").write_text(json.dumps(about))
    part.rename(to)


def write_tiles(rgb: np.ndarray, to: Path) -> int:
    """Write a picture as tiles, level by level, until one tile holds it; give the number of levels."""
    import cv2
    import simplejpeg

    level = 0
    while True:
        folder = to / f"{level}"
        folder.mkdir(parents=True)
        height, width = rgb.shape[:2]
        for row in range(-(-height // TILE_PX)):
            for col in range(-(-width // TILE_PX)):
                part = rgb[row * TILE_PX : (row + 1) * TILE_PX, col * TILE_PX : (col + 1) * TILE_PX]
                data = simplejpeg.encode_jpeg(
                    np.ascontiguousarray(part), quality=_QUALITY, colorspace="RGB", colorsubsampling="444"
                )
                (folder / f"{col}_{row}.jpg").write_bytes(data)
        level += 1
        if max(height, width) <= TILE_PX:
            return level
        # a side of odd length gains its last pixel once more, so that level n is exactly 2**n times coarser
        even = cv2.copyMakeBorder(rgb, 0, height % 2, 0, width % 2, cv2.BORDER_REPLICATE)
        rgb = cv2.resize(even, (even.shape[1] // 2, even.shape[0] // 2), interpolation=cv2.INTER_AREA)


def _density(photo: Photo, scale: Scale) -> tuple[np.ndarray, float, int, int]:
    """Draw the optical density: light is empty card, dark is dense; what was not seen is nearly black."""
    from sporecount.chain import find_view
    from sporecount.steps.prepare import prepare

    ready = prepare(photo, find_view(photo), scale, CountSettings())[0]
    work = ready.work
    shade = np.clip(ready.flat.density / _DARKEST, 0, 1)
    grey = np.where(work.seen, 250 - 230 * shade, 14).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2), work.zoom, work.left_px, work.top_px
