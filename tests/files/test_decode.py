"""Photos of every kind and in every state of repair, made here from bytes."""

import io
import struct
import zlib

import numpy as np
import pillow_heif
import pytest
import simplejpeg
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps

from sporecount.errors import PhotoError
from sporecount.files.decode import MIN_SIDE_PX, decode

H, W = 70, 110  # not square, so that a swap of rows and columns shows

# A patch of plain colour comes back from JPEG and HEIC within this many steps of 255.
LOSSY_STEPS = 6


def scene() -> np.ndarray:
    """Smooth, with a dark mark near the top left, so that turning and mirroring show."""
    y, x = np.mgrid[0:H, 0:W]
    rgb = np.dstack([150 + x * 0.6, 120 + y * 0.9, np.full((H, W), 90.0)])
    rgb[5:25, 8:40] = (20, 30, 40)
    return rgb.round().astype(np.uint8)


def saved(picture: Image.Image, kind: str, **options) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **options)
    return out.getvalue()


def heic(picture: Image.Image, **options) -> bytes:
    out = io.BytesIO()
    pillow_heif.from_pillow(picture).save(out, quality=90, **options)
    return out.getvalue()


def exif_block(orientation: int | None = None) -> Image.Exif:
    exif = Image.Exif()
    if orientation is not None:
        exif[0x0112] = orientation
    exif[0x010F], exif[0x0110] = "Invented", "Invented P1"
    detail = exif.get_ifd(0x8769)
    detail[0x9003] = "2026:05:17 09:30:12"
    detail[0x9011] = "+02:00"
    detail[0x920A] = 5.7
    detail[0xA404] = 1.5
    return exif


def fault(data: bytes, name: str = "bad.jpg") -> PhotoError:
    with pytest.raises(PhotoError) as caught:
        decode(data, name)
    assert caught.value.where == name
    assert caught.value.what
    assert caught.value.remedy
    return caught.value


def plain(kind: str, **options) -> bytes:
    picture = Image.fromarray(scene())
    return heic(picture) if kind == "HEIC" else saved(picture, kind, **options)


KINDS = [
    ("JPEG", {"quality": 95}),
    ("JPEG", {"quality": 95, "progressive": True}),
    ("PNG", {}),
    ("TIFF", {}),
    ("TIFF", {"compression": "tiff_lzw"}),
    ("TIFF", {"compression": "tiff_deflate"}),
    ("HEIC", {}),
    ("WEBP", {"quality": 95}),
    ("BMP", {}),
]


@pytest.mark.parametrize(("kind", "options"), KINDS)
def test_pixels_come_back(kind, options):
    photo = decode(plain(kind, **options), "good")
    assert photo.rgb.shape == (H, W, 3)
    assert photo.rgb.dtype == np.uint8
    assert photo.rgb.flags.c_contiguous
    assert not photo.rgb.flags.writeable
    lossless = kind in ("PNG", "TIFF", "BMP")
    off = np.abs(photo.rgb.astype(int) - scene())
    assert np.median(off) <= (0 if lossless else LOSSY_STEPS)
    assert len(photo.sha256) == 64


@pytest.mark.parametrize(("kind", "options"), KINDS)
@pytest.mark.parametrize("share", [0.02, 0.3, 0.5, 0.9, 0.995])
def test_a_file_cut_short_is_never_a_photo(kind, options, share):
    data = plain(kind, **options)
    error = fault(data[: max(20, int(len(data) * share))])
    assert error.code in ("cut-off", "damaged")
    if share >= 0.5:
        assert error.code == "cut-off"
        assert "cut short" in str(error)


@pytest.mark.parametrize(("kind", "options"), KINDS)
def test_the_last_byte_matters(kind, options):
    """Even the end mark: a copy that stopped there may have lost more elsewhere."""
    data = plain(kind, **options)
    assert fault(data[:-1]).code == "cut-off"


def test_a_jpeg_filled_up_with_zeros_is_refused():
    data = plain("JPEG")
    assert fault(data[: len(data) // 2] + bytes(len(data) - len(data) // 2)).code == "cut-off"


def test_a_jpeg_damaged_in_the_middle_is_refused():
    data = bytearray(plain("JPEG"))
    middle = len(data) * 2 // 3
    data[middle : middle + 40] = b"\xff\xd1\x55\x13" * 10
    assert fault(bytes(data)).code in ("damaged", "cut-off")


def test_bytes_behind_the_picture_do_no_harm():
    """Phones append films and depth maps to their JPEG files."""
    assert decode(plain("JPEG") + b"a short film" * 1000, "motion.jpg").rgb.shape == (H, W, 3)


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "empty"),
        (b"hello, this is a letter and no photo at all", "not-a-photo"),
        (b"%PDF-1.7 " + bytes(100), "not-a-photo"),
        (b"BM" + bytes(100), "not-a-photo"),
        (bytes(1000), "not-a-photo"),
        (b"\xff\xd8\xff", "cut-off"),
        (b"\x89PNG\r\n\x1a\n", "cut-off"),
        (b"II*\0", "cut-off"),
    ],
)
def test_what_is_no_photo(data, code):
    assert fault(data).code == code


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "BMP", "WEBP"])
def test_one_pixel_is_too_small(kind):
    assert fault(saved(Image.new("RGB", (1, 1)), kind)).code == "too-small"
    assert fault(saved(Image.new("RGB", (400, MIN_SIDE_PX - 1)), kind)).code == "too-small"
    assert decode(saved(Image.new("RGB", (400, MIN_SIDE_PX)), kind), "x").rgb.shape == (MIN_SIDE_PX, 400, 3)


def png_of(width: int, height: int) -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(100))) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def test_pixels_are_limited_before_decoding():
    # 200 megapixels that would take 600 MB, announced by a file of 200 bytes
    assert fault(png_of(20_000, 10_000)).code == "too-large"
    assert fault(png_of(10_000, 9_000)).code == "too-large"
    assert fault(png_of(60_000, 60_000)).code == "too-large"
    jpeg = bytearray(plain("JPEG"))
    at = jpeg.index(b"\xff\xc0")
    jpeg[at + 5 : at + 9] = struct.pack(">HH", 14_200, 14_100)
    assert fault(bytes(jpeg)).code == "too-large"


@pytest.mark.parametrize("kind", ["GIF", "PNG", "WEBP", "TIFF"])
def test_animations_and_pages_are_refused(kind):
    frames = [Image.fromarray(np.roll(scene(), shift, axis=1)) for shift in (0, 20, 40)]
    error = fault(saved(frames[0], kind, save_all=True, append_images=frames[1:]))
    assert error.code == "unsupported"


def test_a_tiff_with_its_own_thumbnail_is_one_photo():
    full = Image.fromarray(scene())
    data = saved(full, "TIFF", save_all=True, append_images=[full.resize((W // 4, H // 4))])
    np.testing.assert_array_equal(decode(data, "scan.tif").rgb, scene())


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_exif_turning_agrees_with_pillow(kind, orientation):
    """Reference: PIL.ImageOps.exif_transpose; the eight cases of Exif (CIPA DC-008)."""
    options = {"JPEG": {"quality": 95, "subsampling": 0}, "WEBP": {"lossless": True}}.get(kind, {})
    data = saved(Image.fromarray(scene()), kind, exif=exif_block(orientation), **options)
    with Image.open(io.BytesIO(data)) as opened:
        expected = np.asarray(ImageOps.exif_transpose(opened).convert("RGB"))
    photo = decode(data, "turned")
    assert photo.rgb.flags.c_contiguous
    # the two JPEG decoders may round apart by a step or two
    np.testing.assert_allclose(photo.rgb.astype(int), expected, atol=3 if kind == "JPEG" else 0)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_heic_is_turned_once(orientation):
    data = heic(Image.fromarray(scene()), exif=exif_block(orientation).tobytes())
    photo = decode(data, "turned.heic")
    untouched = saved(Image.fromarray(scene()), "PNG", exif=exif_block(orientation))
    with Image.open(io.BytesIO(untouched)) as opened:
        expected = np.asarray(ImageOps.exif_transpose(opened))
    assert photo.rgb.shape == expected.shape
    assert np.median(np.abs(photo.rgb.astype(int) - expected)) <= LOSSY_STEPS
    assert photo.camera == "Invented P1"


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "HEIC"])
def test_exif_facts(kind):
    picture = Image.fromarray(scene())
    block = exif_block(1)
    data = heic(picture, exif=block.tobytes()) if kind == "HEIC" else saved(picture, kind, exif=block)
    photo = decode(data, "x")
    assert photo.taken_at == "2026-05-17T09:30:12+02:00"
    assert photo.camera == "Invented P1"  # the maker is not said twice
    assert photo.focal_length_mm == pytest.approx(5.7)
    assert photo.digital_zoom == pytest.approx(1.5)


def test_digital_zoom_of_zero_means_none():
    """Exif (CIPA DC-008), DigitalZoomRatio: numerator 0 says that digital zoom was not used."""
    block = exif_block()
    block.get_ifd(0x8769)[0xA404] = 0.0
    assert decode(saved(Image.fromarray(scene()), "JPEG", exif=block), "x").digital_zoom == 1.0


def test_a_photo_without_exif_has_none():
    photo = decode(plain("JPEG"), "x")
    assert (photo.taken_at, photo.camera, photo.focal_length_mm, photo.digital_zoom) == (None,) * 4


@settings(max_examples=40, deadline=None)
@given(junk=st.binary(max_size=200), keep=st.integers(0, 60))
def test_broken_exif_is_never_fatal(junk, keep):
    block = exif_block(6).tobytes()
    body = block[: 6 + keep] + junk
    jpeg = plain("JPEG")
    data = jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + jpeg[2:]
    assert decode(data, "x").rgb.size == H * W * 3


def test_broken_dates_and_numbers_are_left_out():
    block = exif_block()
    detail = block.get_ifd(0x8769)
    detail[0x9003], detail[0x920A], detail[0xA404] = "0000:00:00 00:00:00", -3.0, "wide"
    block[0x010F], block[0x0110] = "\x1b[31mred\0rest", ""
    photo = decode(saved(Image.fromarray(scene()), "PNG", exif=block), "x")
    assert photo.taken_at is None
    assert photo.focal_length_mm is None
    assert photo.digital_zoom is None
    assert photo.camera == "[31mred"


def test_grey_palette_and_alpha():
    grey = Image.fromarray(scene()).convert("L")
    for kind in ("JPEG", "PNG", "TIFF"):
        photo = decode(saved(grey, kind), "grey")
        assert np.ptp(photo.rgb.astype(int), axis=2).max() == 0
    palette = Image.fromarray(scene()).convert("P")
    np.testing.assert_array_equal(decode(saved(palette, "PNG"), "p").rgb, np.asarray(palette.convert("RGB")))
    layer = np.dstack([scene(), np.full((H, W), 255, np.uint8)])
    layer[:, : W // 2, 3] = 0
    photo = decode(saved(Image.fromarray(layer), "PNG"), "alpha")
    assert (photo.rgb[:, : W // 2] == 255).all()  # nothing there: white, as on paper
    np.testing.assert_array_equal(photo.rgb[:, W // 2 :], scene()[:, W // 2 :])


def test_cmyk():
    cmyk = Image.fromarray(scene()).convert("CMYK")
    for kind, options in (("JPEG", {"quality": 95}), ("TIFF", {})):
        photo = decode(saved(cmyk, kind, **options), "print.jpg")
        assert np.median(np.abs(photo.rgb.astype(int) - scene())) <= LOSSY_STEPS


@pytest.mark.parametrize("bits", [10, 12, 14, 16])
@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_16_bit_grey(kind, bits):
    ramp = np.linspace(0, (1 << bits) - 1, W).astype(np.uint16)
    picture = Image.fromarray(np.tile(ramp, (H, 1)))
    photo = decode(saved(picture, kind), "deep")
    np.testing.assert_array_equal(photo.rgb[0, :, 1], ramp >> (bits - 8))


def test_16_bit_colour_tiff():
    tifffile = pytest.importorskip("tifffile")
    deep = scene().astype(np.uint16) * 257
    out = io.BytesIO()
    tifffile.imwrite(out, deep, photometric="rgb")
    np.testing.assert_array_equal(decode(out.getvalue(), "deep.tif").rgb, scene())


def test_floating_point_tiff_is_refused():
    picture = Image.fromarray(np.linspace(0, 1, H * W, dtype=np.float32).reshape(H, W))
    assert fault(saved(picture, "TIFF")).code == "unsupported"


def test_colour_profile():
    """A profile with red and blue swapped shows whether it is applied; sRGB must change nothing."""
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    data = saved(Image.fromarray(scene()), "PNG", icc_profile=srgb)
    np.testing.assert_array_equal(decode(data, "x").rgb, scene())

    swapped = bytearray(srgb)
    at_red, at_blue = swapped.index(b"rXYZ") + 4, swapped.index(b"bXYZ") + 4
    swapped[at_red : at_red + 8], swapped[at_blue : at_blue + 8] = (
        swapped[at_blue : at_blue + 8],
        swapped[at_red : at_red + 8],
    )
    strange = bytes(swapped).replace(b"s\0R\0G\0B", b"o\0t\0h\0r").replace(b"\0s\0R\0G\0B", b"\0o\0t\0h\0r")
    for kind in ("PNG", "JPEG"):
        options = {"quality": 98, "subsampling": 0} if kind == "JPEG" else {}
        photo = decode(saved(Image.fromarray(scene()), kind, icc_profile=strange, **options), "x")
        off = np.abs(photo.rgb.astype(int) - scene()[:, :, ::-1])
        assert np.median(off) <= 3
    data = saved(Image.fromarray(scene()), "PNG", icc_profile=b"junk" * 50)
    np.testing.assert_array_equal(decode(data, "x").rgb, scene())


@settings(max_examples=60, deadline=None)
@given(
    kind=st.sampled_from(["JPEG", "PNG", "TIFF", "WEBP", "BMP"]),
    places=st.lists(st.tuples(st.floats(0, 0.999), st.integers(0, 255)), min_size=1, max_size=8),
)
def test_damage_gives_a_photo_or_a_clear_error(kind, places):
    data = bytearray(plain(kind))
    for share, value in places:
        data[int(share * len(data))] = value
    try:
        photo = decode(bytes(data), "x")
    except PhotoError as error:
        code = error.code
    else:
        code = ""
        assert photo.rgb.ndim == 3
    assert code in {"", "not-a-photo", "unsupported", "too-large", "too-small", "cut-off", "damaged"}


def test_the_same_pixels_as_the_jpeg_decoder():
    data = plain("JPEG")
    np.testing.assert_array_equal(decode(data, "x").rgb, simplejpeg.decode_jpeg(data, "RGB"))


def large(monkeypatch) -> None:
    monkeypatch.setattr("sporecount.files.decode.WHOLE_PIXELS", H * W - 1)


@pytest.mark.parametrize("kind", ["JPEG", "HEIC", "PNG", "TIFF", "WEBP"])
def test_a_large_photo_may_come_at_half_its_size(monkeypatch, kind):
    data = plain(kind)
    whole = decode(data, "x")
    assert not decode(data, "x", whole=False).halved
    large(monkeypatch)
    half = decode(data, "x", whole=False)
    assert half.halved
    assert half.size_px == whole.size_px == (W, H)
    means = whole.rgb.reshape(H // 2, 2, W // 2, 2, 3).mean(axis=(1, 3))
    off = np.abs(half.rgb - means)
    assert np.median(off) <= 1
    assert np.percentile(off, 95) <= LOSSY_STEPS
    np.testing.assert_array_equal(decode(data, "x").rgb, whole.rgb)


def test_a_large_photo_at_half_its_size_is_upright_and_srgb(monkeypatch):
    large(monkeypatch)
    half = decode(plain("JPEG", exif=exif_block(6), quality=95), "x", whole=False)
    assert half.size_px == (H, W)
    assert (
        np.unravel_index(half.rgb[..., 0].argmin(), half.rgb.shape[:2])[1] > H / 4
    )  # the mark, top right now
    sixteen_bits = io.BytesIO()
    Image.fromarray(scene()[:, :, 0].astype(np.uint16) * 16).save(sixteen_bits, "PNG")
    grey = decode(sixteen_bits.getvalue(), "x", whole=False)
    assert grey.halved
    assert np.abs(grey.rgb[::, ::, 1] - scene()[::2, ::2, 0].astype(float)).mean() < 3


def test_a_large_photo_with_an_odd_side_comes_whole(monkeypatch):
    large(monkeypatch)
    wider = Image.fromarray(np.pad(scene(), ((0, 0), (0, 1), (0, 0)), mode="edge"))
    photo = decode(saved(wider, "JPEG"), "x", whole=False)
    assert not photo.halved
    assert photo.rgb.shape == (H, W + 1, 3)


def test_pixels_of_a_heic_outlive_its_decoder():
    data = plain("HEIC")
    first = decode(data, "x").rgb
    before = first.copy()
    for _ in range(20):  # takes the memory that a decoder left
        decode(data, "x")
    np.testing.assert_array_equal(first, before)


def test_bands_of_rows_join(monkeypatch):
    """However few rows are turned at a time, the picture is the same."""
    wide = (
        ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
        .tobytes()
        .replace(b"s\0R\0G\0B", b"o\0t\0h\0r")
    )
    files = [plain("PNG"), saved(Image.fromarray(scene()), "JPEG", icc_profile=wide), plain("HEIC")]
    whole = [decode(data, "x").rgb for data in files]
    monkeypatch.setattr("sporecount.files.colour._BAND", 16)
    for data, rgb in zip(files, whole, strict=True):
        np.testing.assert_array_equal(decode(data, "x").rgb, rgb)
