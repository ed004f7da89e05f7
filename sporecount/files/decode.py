"""Bytes to `Photo`: the one decoder, for folders, uploads and tests alike.

The kind of file is told by its bytes. Size and pixels are checked before any pixel is decoded. Of a file
that holds several pictures, the first counts where the rest are only smaller copies of it (TIFF) or
another rendering of it (HEIF, JPEG); an animation, or a TIFF of several pages, is refused, because
nobody can tell which picture was meant.
"""

from __future__ import annotations

import hashlib
import io
import warnings
from typing import NoReturn

import numpy as np
import simplejpeg
from PIL import Image

from sporecount.errors import PhotoError
from sporecount.files.colour import ColourError, profiled, to_srgb
from sporecount.files.exif import CameraFacts, camera_facts
from sporecount.files.sniff import Kind, is_cut_off, kind_of
from sporecount.records import Photo

MAX_BYTES = 250_000_000
MAX_PIXELS = 64_000_000
WHOLE_PIXELS = 32_000_000
"""Up to so many a photo fits into half a gigabyte as it is, with all that the count needs beside it."""
MIN_SIDE_PX = 64

_Read = tuple[np.ndarray, CameraFacts, bool]
"""Pixels as the file has them, what it says of the camera, and whether they are halved."""

_NAMES = {"HEIF": "HEIC", "TIFF": "TIFF", "BMP": "BMP", "WEBP": "WebP"}
_SIGNS_OF_A_CUT = ("premature", "truncated", "end of file")
_COPY_AGAIN = "Copy it from the phone again, or photograph this place again"
_SAVE_AS = "Save it as JPEG, HEIC, PNG or TIFF"


def decode(data: bytes, name: str, *, whole: bool = True) -> Photo:
    """Decode a photo, upright and in sRGB.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        Name for the result and for errors.
    whole : bool
        False where half the size will do for a photo of more than `WHOLE_PIXELS`.

    Returns
    -------
    Photo
        `halved` only where that was allowed, and both sides can be halved.

    Raises
    ------
    PhotoError
        With a code: "empty", "not-a-photo", "unsupported", "too-large", "too-small", "cut-off", "damaged".
    """
    if not data:
        _refuse("empty", name, "the file is empty", _COPY_AGAIN)
    if len(data) > MAX_BYTES:
        _refuse(
            "too-large", name, f"the file has {len(data) / 1e6:.0f} MB, more than {MAX_BYTES / 1e6:.0f}",
            "Save it as JPEG",
        )  # fmt: skip
    kind = kind_of(data[:32])
    if kind is None:
        _refuse("not-a-photo", name, "the file is not a photo, whatever its name says", "Leave it out")
    if kind in ("GIF", "AVIF"):
        _refuse("unsupported", name, f"{kind} files are not read", _SAVE_AS)
    read = {"JPEG": _jpeg, "HEIF": _heif}.get(kind, _by_pillow)
    rgb, facts, halved = read(data, name, kind, whole)
    return Photo(
        rgb=_upright(rgb, facts.orientation),
        name=name,
        halved=halved,
        sha256=hashlib.sha256(data).hexdigest(),
        taken_at=facts.taken_at,
        camera=facts.camera,
        focal_length_mm=facts.focal_length_mm,
        digital_zoom=facts.digital_zoom,
    )


def _refuse(code: str, name: str, what: str, remedy: str) -> NoReturn:
    raise PhotoError(what, code=code, where=name, remedy=remedy)


def _broken(kind: Kind, data: bytes, name: str, detail: str) -> NoReturn:
    """Refuse a file whose pixels could not be read."""
    title = _NAMES.get(kind, kind)
    if is_cut_off(kind, data) or any(sign in detail.casefold() for sign in _SIGNS_OF_A_CUT):
        _refuse("cut-off", name, f"the {title} file is cut short: its end is missing", _COPY_AGAIN)
    _refuse("damaged", name, f"the {title} file is damaged", _COPY_AGAIN)


def _check_size(width: int, height: int, name: str, whole: bool) -> bool:
    """Tell whether to halve a photo of this size."""
    if width * height > MAX_PIXELS:
        megapixels, limit = width * height / 1e6, MAX_PIXELS / 1e6
        _refuse(
            "too-large", name,
            f"{width} x {height} pixels are {megapixels:.0f} megapixels, more than {limit:.0f}",
            "Set the phone's camera to 12 megapixels, or save a smaller copy",
        )  # fmt: skip
    if min(width, height) < MIN_SIDE_PX:
        _refuse(
            "too-small", name, f"{width} x {height} pixels are too few for a photo of a print",
            "Use the photo as the camera saved it",
        )  # fmt: skip
    return not whole and width * height > WHOLE_PIXELS and width % 2 == height % 2 == 0


def _jpeg(data: bytes, name: str, kind: Kind, whole: bool) -> _Read:
    try:
        height, width, colours, _ = simplejpeg.decode_jpeg_header(data)
    except ValueError:  # an odd kind of JPEG, or a broken one: the other decoder tells
        return _by_pillow(data, name, kind, whole)
    halve = _check_size(width, height, name, whole)
    if colours in ("CMYK", "YCCK"):
        return _by_pillow(data, name, kind, whole)
    try:
        rgb = simplejpeg.decode_jpeg(
            data, "RGB", min_height=halve * (height // 2), min_width=halve * (width // 2)
        )
    except ValueError as fault:
        _broken("JPEG", data, name, str(fault))
    facts, profile = _notes_beside(data)
    return (rgb if colours == "Gray" else profiled(rgb, profile)), facts, halve


def _notes_beside(jpeg: bytes) -> tuple[CameraFacts, bytes | None]:
    """Read Exif and colour profile; a photo with whole pixels and broken notes is good without them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            head = Image.open(io.BytesIO(jpeg), formats=["JPEG", "MPO"])
            return camera_facts(head), head.info.get("icc_profile")
        except Exception:
            return CameraFacts(), None


def _heif(data: bytes, name: str, kind: Kind, whole: bool) -> _Read:
    import pi_heif

    try:
        picture = pi_heif.open_heif(io.BytesIO(data))  # 8 bits a channel, the primary picture
        width, height = picture.size
        halve = _check_size(width, height, name, whole)
        layers = np.asarray(picture)
    except (ValueError, EOFError, OSError, RuntimeError, IndexError, SyntaxError) as fault:
        _broken(kind, data, name, str(fault))
    facts, profile = camera_facts(picture.info.get("exif")), picture.info.get("icc_profile")
    if picture.mode == "RGB":
        rgb = profiled(layers, profile, halve=halve)
        rgb = rgb.copy() if rgb is layers else rgb  # `layers` are gone with `picture`
    else:
        layered = Image.fromarray(layers)
        layered.info["icc_profile"] = profile
        rgb = to_srgb(layered, halve=halve)
    # the container's own turning has been applied to the pixels, and the Exif entry only repeats it
    return rgb, CameraFacts(**{**vars(facts), "orientation": 1}), halve


def _by_pillow(data: bytes, name: str, kind: Kind, whole: bool) -> _Read:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # faults come as errors; what is only odd is none
        try:
            picture = Image.open(io.BytesIO(data), formats=["JPEG", "MPO"] if kind == "JPEG" else [kind])
            halve = _check_size(*picture.size, name, whole)
            _check_frames(picture, name, kind)
            picture.load()
            facts = camera_facts(picture)  # after loading: a TIFF arrives turned, a PNG has notes at its end
            if kind in ("PNG", "WEBP", "BMP") and is_cut_off(kind, data):
                _broken(kind, data, name, "truncated")
            return to_srgb(picture, halve=halve), facts, halve
        except PhotoError:
            raise
        except Image.DecompressionBombError:
            _refuse("too-large", name, "the file has far too many pixels", "Save a smaller copy")
        except ColourError as fault:
            _refuse("unsupported", name, f"it has {fault}, which are not read", f"{_SAVE_AS}, 8 or 16 bits")
        except Exception as fault:  # decoders raise whatever their format's faults bring forth
            _broken(kind, data, name, str(fault))


def _check_frames(picture: Image.Image, name: str, kind: Kind) -> None:
    frames = getattr(picture, "n_frames", 1)
    if frames == 1 or kind == "JPEG":
        return
    if kind == "TIFF" and frames <= 16:
        full = picture.size
        sizes = []
        for page in range(1, frames):
            picture.seek(page)
            sizes.append(picture.size)
        picture.seek(0)
        if all(width < full[0] and height < full[1] for width, height in sizes):
            return
    _refuse("unsupported", name, f"it holds {frames} pictures", f"{_SAVE_AS}, one picture a file")


def _upright(rgb: np.ndarray, orientation: int) -> np.ndarray:
    """Turn and mirror as Exif's orientation asks."""
    if orientation == 1:
        return rgb
    import cv2

    turn = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}.get(orientation)
    if turn is not None:
        return cv2.rotate(rgb, turn)
    if orientation >= 5:  # rows and columns are swapped
        rgb = cv2.transpose(rgb)
    flip = {2: 1, 4: 0, 7: -1}.get(orientation)
    return rgb if flip is None else cv2.flip(rgb, flip)
