"""What a kept answer depends on besides photo and settings: this program and the libraries it uses."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from importlib import metadata
from importlib.resources import files
from pathlib import Path

_LIBRARIES = ("numpy", "opencv-python", "onnxruntime", "simplejpeg", "Pillow", "pi-heif", "scipy")
_STAND_INS = {"opencv-python": "opencv-python-headless"}


@lru_cache(maxsize=1)
def program_id() -> str:
    """Give a SHA-256 of the package's own files, so that a changed program takes over no old answers."""
    root = Path(str(files("sporecount")))
    whole = hashlib.sha256()
    for path in sorted(root.rglob("*")):
        if path.suffix in (".py", ".onnx", ".npz", ".json", ".html", ".css", ".svg"):
            whole.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return whole.hexdigest()


@lru_cache(maxsize=1)
def library_versions() -> dict[str, str]:
    """Give the versions of the libraries that read and measure."""
    return {name: version for name in _LIBRARIES if (version := _version(name))}


def _version(name: str) -> str:
    for one in (name, _STAND_INS.get(name, name)):
        try:
            return metadata.version(one)
        except metadata.PackageNotFoundError:
            continue
    return ""
