"""How long a 12-megapixel photo takes, beside general rivals in the same run. Read the ratios, not the seconds.

Run: `python -m pytest tests/benchmarks/test_speed.py --benchmark-only`. Skipped in the ordinary run.
The bars: the whole way takes at most 5 times `cv2.imread` of the same file, and is at least 3 times faster than
`skimage.feature.blob_log` on the photo already flattened and shrunk to the scale at which its counts are scored.
"""

from __future__ import annotations

import cv2
import pytest

from sporecount.chain import count_field
from sporecount.files.decode import decode
from sporecount.records import Scale
from sporecount.settings import CountSettings
from tests.readme_tables import README
from tests.recipes.rivals import LOG_OPEN_UM, LOG_UM_PER_PX, flatten, search_log

FOLDER = README.parent / "sample_images"
PHOTOS = ["MH-01_1.jpg", "MH-02_4.jpg", "MH-03_1.jpg"]
SCALE = Scale(0.6614, 0.0002, "given", 10.0)


@pytest.fixture(autouse=True)
def one_thread():
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(before)


def whole_way(path):
    return count_field(decode(path.read_bytes(), path.name), SCALE, CountSettings())[0]


@pytest.mark.parametrize("name", PHOTOS)
@pytest.mark.benchmark(group="a photo of 12 megapixels")
def test_whole_way(benchmark, name):
    whole_way(FOLDER / name)  # the model is loaded once a session
    result = benchmark.pedantic(whole_way, args=[FOLDER / name], rounds=5)
    assert result.width_px * result.height_px > 12e6


@pytest.mark.parametrize("name", PHOTOS)
@pytest.mark.benchmark(group="a photo of 12 megapixels")
def test_reading_alone_by_opencv(benchmark, name):
    assert benchmark.pedantic(cv2.imread, args=[str(FOLDER / name)], rounds=5).shape == (3024, 4032, 3)


@pytest.mark.parametrize("name", PHOTOS[:1])
@pytest.mark.benchmark(group="a photo of 12 megapixels")
def test_blob_log_on_the_shrunk_photo(benchmark, name):
    photo = decode((FOLDER / name).read_bytes(), name)
    density, zoom = flatten(photo.rgb, SCALE.um_per_px, LOG_UM_PER_PX, LOG_OPEN_UM)
    found = benchmark.pedantic(search_log, args=[density, SCALE.um_per_px / zoom], rounds=1)
    assert found.shape[1] == 3
