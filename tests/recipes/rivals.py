"""Two general blob detectors at fair settings, to be measured beside the product.

Both are given the scale in um per px and the usual band of spore lengths, work on the flattened optical
density at a working scale of their own, and do not look outside the round view. Their thresholds were
chosen once, by the highest mean F1 over the sets of `TUNING_SETS`, `TUNING` photos each of the held-back
recipe, drawn with a seed that no score uses: `python -m tests.recipes.rivals` prints the table. Blue alone
did better than blue and green together, and for `blob_log` an opening that takes away what is broader
than a spore did too.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.feature import blob_log

from sporecount.simulate.aperture import draw_photo
from sporecount.simulate.truth import SimulatedPhoto
from tests.recipes.scoring import score_photo, summarise

LENGTH_BAND_UM = (8.0, 16.0)
WIDTH_SHARE = 1 / 1.5
LOG_UM_PER_PX, SIMPLE_UM_PER_PX = 1.0, 0.5
LOG_OPEN_UM, SIMPLE_OPEN_UM = 16.0, 0.0
LOG_THRESHOLD = 0.14
SIMPLE_CIRCULARITY = 0.7
SIMPLE_FROM_OD = 0.12
TUNING, TUNING_SEED = 5, 915_001
TUNING_SETS = ("good_focus", "ordinary", "hard", "heavy")


def flatten(
    rgb: NDArray[np.uint8], um_per_px: float, wanted: float, open_um: float
) -> tuple[NDArray[np.float32], float]:
    """Give the optical density in blue, where amber is darkest, and the share of photo pixels per pixel.

    Parameters
    ----------
    rgb : ndarray of shape (H, W, 3), uint8, sRGB
    um_per_px, wanted : float
        Scale of the photo, and of the result unless the photo is coarser.
    open_um : float
        What is broader than this is taken away; 0 leaves it.
    """
    zoom = min(1.0, um_per_px / wanted)
    small = cv2.resize(rgb, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA) if zoom < 1 else rgb
    s = small[..., 2].astype(np.float32) / 255
    light = np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4).astype(np.float32)
    seen = light > 0.05 * np.quantile(light, 0.9)
    pitch = um_per_px / zoom
    tiny = cv2.resize(light, None, fx=pitch / 8, fy=pitch / 8, interpolation=cv2.INTER_AREA)
    # Brightest light within about 120 um, so that scales do not pull it down.
    ground = cv2.GaussianBlur(cv2.dilate(cv2.medianBlur(tiny, 3), np.ones((15, 15), np.uint8)), (0, 0), 6)
    ground = cv2.resize(ground, (light.shape[1], light.shape[0]), interpolation=cv2.INTER_LINEAR)
    od = np.log10(np.maximum(ground, 1e-3) / np.maximum(light, 1e-3))
    margin = max(1, int(12 / pitch))
    seen = cv2.erode(
        cv2.morphologyEx(seen.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8)),
        np.ones((margin, margin), np.uint8),
        borderValue=1,
    )
    if open_um:
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * int(open_um / pitch / 2) + 1,) * 2)
        od = od - cv2.morphologyEx(od, cv2.MORPH_OPEN, disc)
    return np.where(seen > 0, od, 0).astype(np.float32), zoom


def _answer(x: NDArray[Any], y: NDArray[Any], rgb: NDArray[np.uint8], um_per_px: float) -> dict[str, Any]:
    n = len(x)
    return {
        "x_px": x,
        "y_px": y,
        "probability": np.ones(n),
        "kind": np.full(n, "spore"),
        "count": n,
        "low": n,
        "high": n,
        "flag": "none",
        "reasons": (),
        "examined_mm2": rgb.shape[0] * rgb.shape[1] * um_per_px**2 / 1e6,
    }


def detect_log(
    rgb: NDArray[np.uint8], um_per_px: float, objective: float, threshold: float = LOG_THRESHOLD
) -> dict[str, Any]:
    """Detect with `skimage.feature.blob_log`."""
    od, zoom = flatten(rgb, um_per_px, LOG_UM_PER_PX, LOG_OPEN_UM)
    found = search_log(od, um_per_px / zoom, threshold)
    return _answer((found[:, 1] + 0.5) / zoom - 0.5, (found[:, 0] + 0.5) / zoom - 0.5, rgb, um_per_px)


def search_log(od: NDArray[np.float32], pitch: float, threshold: float = LOG_THRESHOLD) -> NDArray[Any]:
    """Run `skimage.feature.blob_log` on density of so many um per px; rows of row, column, sigma."""
    # A disc answers best at sigma = radius / sqrt 2; the radius is that of the circle of a spore's area.
    low, high = (length * np.sqrt(WIDTH_SHARE) / 2 / np.sqrt(2) / pitch for length in LENGTH_BAND_UM)
    return blob_log(od, min_sigma=low, max_sigma=high, num_sigma=5, threshold=threshold, overlap=0.4)


def detect_simple(
    rgb: NDArray[np.uint8],
    um_per_px: float,
    objective: float,
    circularity: float = SIMPLE_CIRCULARITY,
    from_od: float = SIMPLE_FROM_OD,
) -> dict[str, Any]:
    """Detect with `cv2.SimpleBlobDetector`."""
    od, zoom = flatten(rgb, um_per_px, SIMPLE_UM_PER_PX, SIMPLE_OPEN_UM)
    pitch = um_per_px / zoom
    grey = np.clip(cv2.GaussianBlur(od, (0, 0), max(0.6, 0.6 / pitch)) * 255, 0, 255).astype(np.uint8)
    choice = cv2.SimpleBlobDetector_Params()
    choice.filterByColor, choice.blobColor = True, 255
    choice.minThreshold, choice.maxThreshold, choice.thresholdStep = from_od * 255, 230, 8
    choice.minRepeatability, choice.minDistBetweenBlobs = 2, 0.4 * LENGTH_BAND_UM[0] / pitch
    ellipse = np.pi / 4 * WIDTH_SHARE / pitch**2
    choice.filterByArea = True
    choice.minArea, choice.maxArea = (
        0.5 * ellipse * LENGTH_BAND_UM[0] ** 2,
        1.3 * ellipse * LENGTH_BAND_UM[1] ** 2,
    )
    choice.filterByCircularity, choice.minCircularity = True, circularity
    choice.filterByInertia, choice.minInertiaRatio = True, 0.15
    choice.filterByConvexity, choice.minConvexity = True, 0.8
    found = cv2.SimpleBlobDetector_create(choice).detect(grey)
    xy = np.array([one.pt for one in found], np.float64).reshape(-1, 2)
    return _answer((xy[:, 0] + 0.5) / zoom - 0.5, (xy[:, 1] + 0.5) / zoom - 0.5, rgb, um_per_px)


RIVALS = {"blob_log": detect_log, "SimpleBlob": detect_simple}


def main() -> None:
    """Print the pooled F1 of both rivals for a range of settings on the tuning draw."""
    photos = {
        name: [
            draw_photo(np.random.default_rng([TUNING_SEED, k, n]), width_px=1024, height_px=768, preset=name)
            for k in range(TUNING)
        ]
        for n, name in enumerate(TUNING_SETS)
    }

    def mean_f1(find: Callable[[SimulatedPhoto], dict[str, Any]]) -> str:
        f1 = [summarise([score_photo(q, find(q)) for q in photos[name]])["f1"] for name in TUNING_SETS]
        return f"mean F1 {np.mean(f1):.3f}  " + "  ".join(f"{x:.3f}" for x in f1)

    for threshold in (0.06, 0.08, 0.10, 0.12, 0.14, 0.17, 0.20):
        print(
            f"blob_log {threshold:.2f}:",
            mean_f1(lambda q, t=threshold: detect_log(q.rgb, q.um_per_px, q.objective, t)),
        )
    for circularity in (0.6, 0.7, 0.8):
        for od in (0.06, 0.12, 0.18):
            print(
                f"SimpleBlob {circularity:.1f} {od:.2f}:",
                mean_f1(lambda q, c=circularity, d=od: detect_simple(q.rgb, q.um_per_px, q.objective, c, d)),
            )


if __name__ == "__main__":
    main()
