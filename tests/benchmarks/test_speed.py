"""How long a 12-megapixel photo takes, beside general rivals in the same run. Read the ratios, not the seconds.

Run: `python -m pytest tests/benchmarks/test_speed.py --benchmark-only`. Skipped in the ordinary run.
The bars: the whole way takes at most 5 times `cv2.imread` of the same file, and is at least 3 times faster than
`skimage.feature.blob_log` on the photo already flattened and shrunk to the scale at which its counts are scored.

The sample photos are smooth and small (0.4 to 0.6 MB) and soon decoded; a phone's own file of 12 megapixels has
grain and often takes several MB. So one of them is counted with grain, too (3.5 MB).
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from sporecount.chain import count_field
from sporecount.files.decode import decode
from sporecount.records import Scale
from sporecount.settings import CountSettings
from tests.readme_tables import README
from tests.recipes.rivals import LOG_OPEN_UM, LOG_UM_PER_PX, flatten, search_log

FOLDER = README.parent / "sample_images"
GRAINY = "MH-01_1 with grain"
PHOTOS = ["MH-01_1.jpg", "MH-02_4.jpg", "MH-03_1.jpg", GRAINY]
SCALE = Scale(0.6614, 0.0002, "given", 10.0)


@pytest.fixture(autouse=True)
def one_thread():
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(before)


@pytest.fixture(scope="module")
def grainy(tmp_path_factory) -> Path:
    """Write the first sample photo with grain of three levels, alike in all channels, at JPEG quality 95."""
    bgr = cv2.imread(str(FOLDER / "MH-01_1.jpg"))
    grain = np.random.default_rng(1).standard_normal((*bgr.shape[:2], 1), np.float32) * 3
    path = tmp_path_factory.mktemp("grainy") / "MH-01_1.jpg"
    noisy = (bgr + grain).clip(0, 255).round().astype(np.uint8)
    assert cv2.imwrite(str(path), noisy, [cv2.IMWRITE_JPEG_QUALITY, 95])
    return path


@pytest.fixture
def photo(request) -> Path:
    return request.getfixturevalue("grainy") if request.param == GRAINY else FOLDER / request.param


def whole_way(path):
    return count_field(decode(path.read_bytes(), path.name), SCALE, CountSettings())[0]


@pytest.mark.parametrize("photo", PHOTOS, indirect=True)
@pytest.mark.benchmark(group="a photo of 12 megapixels")
def test_whole_way(benchmark, photo):
    whole_way(photo)  # the model is loaded once a session
    result = benchmark.pedantic(whole_way, args=[photo], rounds=5)
    assert result.width_px * result.height_px > 12e6


@pytest.mark.parametrize("photo", PHOTOS, indirect=True)
@pytest.mark.benchmark(group="a photo of 12 megapixels")
def test_reading_alone_by_opencv(benchmark, photo):
    assert benchmark.pedantic(cv2.imread, args=[str(photo)], rounds=5).shape == (3024, 4032, 3)


@pytest.mark.parametrize("photo", PHOTOS[:1], indirect=True)
@pytest.mark.benchmark(group="a photo of 12 megapixels")
def test_blob_log_on_the_shrunk_photo(benchmark, photo):
    rgb = decode(photo.read_bytes(), photo.name).rgb
    density, zoom = flatten(rgb, SCALE.um_per_px, LOG_UM_PER_PX, LOG_OPEN_UM)
    found = benchmark.pedantic(search_log, args=[density, SCALE.um_per_px / zoom], rounds=1)
    assert found.shape[1] == 3
