"""Open pictures that a registry package ships, with a number of objects that anybody can count.

They are no spores: they show how the steps behave on a real camera's picture.
"""

from __future__ import annotations

import numpy as np
import pytest
from skimage import data
from sklearn.datasets import load_sample_image

from sporecount.chain import count_field
from sporecount.records import FieldTally, Photo, Scale
from sporecount.settings import CountSettings
from sporecount.steps.candidates import find_candidates
from sporecount.steps.clutter import find_clutter
from sporecount.steps.flatten import flatten
from sporecount.steps.focus import blur_map
from tests.steps.drawn import as_flat, as_work

COINS = 24
"""`skimage.data.coins`: Greek coins from Pompeii, 4 rows of 6, counted by eye. Brooklyn Museum collection, no
known copyright restrictions; shipped with scikit-image."""


def coins() -> np.ndarray:
    """The picture with the coins dark on bright, as things on a print are."""
    return 255 - data.coins()


def coin_density(um_per_px: float):
    rgb = np.repeat(coins()[..., None], 3, axis=2)
    work = as_work(rgb, um_per_px)
    return work, flatten(work)


def test_coins_are_so_many_large_objects():
    """A coin is some 45 px wide: at 2 um per px it is of the size of a scale."""
    work, flat = coin_density(2.0)
    _, large = find_clutter(work, flat, CountSettings())
    round_ones = (large.width_um > 55) & (large.length_um < 1.5 * large.width_um)
    assert int(round_ones.sum()) == pytest.approx(COINS, abs=2)  # some touch the uneven light at the top


def test_coins_are_so_many_candidates():
    """With a pixel of 0.26 um a coin is of a spore's size; each coin answers once at its own size."""
    um_per_px = 0.26
    work, flat = coin_density(um_per_px)
    found = find_candidates(work, flat, CountSettings())
    sized = (found.size_um > 7.5) & (found.score > 0.35 * np.sort(found.score)[-10])
    rows, cols = found.row[sized], found.col[sized]
    apart = [i for i in range(len(rows)) if not (np.hypot(rows[:i] - rows[i], cols[:i] - cols[i]) < 25).any()]
    assert len(apart) == pytest.approx(COINS, abs=2)


def test_blur_of_a_real_photo_is_found():
    """A photo blurred further measures more blurred, whatever it shows."""
    import cv2

    sharp = coins().astype(np.float32)
    measured = []
    for sigma in (0.0, 2.0, 4.0):
        seen = cv2.GaussianBlur(sharp, (0, 0), sigma) if sigma else sharp
        density = -np.log10(np.maximum(seen, 1) / 255)
        work = as_work(np.repeat(seen.astype(np.uint8)[..., None], 3, axis=2), 1.0)
        measured.append(float(np.nanmedian(blur_map(work, as_flat(density)))))
    assert measured == sorted(measured)
    assert measured[2] > 1.5 * measured[0]


def tally_of(name: str, um_per_px: float) -> FieldTally:
    image = getattr(data, name)()
    rgb = np.repeat(image[..., None], 3, axis=2) if image.ndim == 2 else image[..., :3]
    photo = Photo(np.ascontiguousarray(rgb), f"{name}.png")
    result, _ = count_field(photo, Scale(um_per_px, 0.001, "given", 10.0), CountSettings())
    return result.tally


@pytest.mark.parametrize("name", ["rocket", "page", "brick", "camera", "moon", "cell", "text"])
def test_pictures_of_something_else_are_never_clear(name):
    """A rocket, print, a wall, a photographer, the moon, a cell: no print, so no count without a warning."""
    tally = tally_of(name, 0.7)
    assert tally.flag != "clear", tally


@pytest.mark.parametrize("um_per_px", [0.35, 0.9])
@pytest.mark.parametrize("name", ["astronaut", "chelsea", "coffee", "retina", "hubble_deep_field", "coins"])
def test_faces_and_things_are_called_unlike_a_print(name, um_per_px):
    """A face, a cat, a cup, the back of an eye, galaxies, coins: pictures that scikit-image ships."""
    tally = tally_of(name, um_per_px)
    assert "unlike-known" in tally.reasons, tally
    assert tally.flag == "unusable"


@pytest.mark.parametrize("um_per_px", [0.35, 0.66, 1.0])
@pytest.mark.parametrize("part", ["whole", "mirrored", "left half"])
def test_a_landscape_is_never_clear(part, um_per_px):
    """A temple under a wide sky, as empty and evenly lit as card: `china`, which scikit-learn ships (CC BY)."""
    china = load_sample_image("china.jpg")
    rgb = {"whole": china, "mirrored": china[:, ::-1], "left half": china[:, :320]}[part]
    photo = Photo(np.ascontiguousarray(rgb), "china.jpg")
    tally = count_field(photo, Scale(um_per_px, 0.001, "given", 10.0), CountSettings())[0].tally
    assert {"unlike-known", "odd-picture"} & set(tally.reasons), tally


@pytest.mark.parametrize("um_per_px", [0.25, 0.5, 1.0])
def test_stained_tissue_is_never_clear(um_per_px):
    """Something else seen through a microscope: brown and blue stained tissue, shipped with scikit-image."""
    tally = tally_of("immunohistochemistry", um_per_px)
    assert {"unlike-known", "odd-picture"} & set(tally.reasons), tally
