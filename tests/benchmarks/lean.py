"""What a count takes beside the sums on its photos: memory, start, and what two workers gain on one.

Run: `python -m tests.benchmarks.lean` on a machine that does nothing else; a few minutes. The bars: 500 MB a
worker for a photo of up to 64 megapixels; in the main process the same for 20 photos and for thousands; two
workers on two cores 1.8 times as fast as one; `--help` within 0.3 s. Seconds of the processor bear some company,
those on the clock do not.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2

from tests.readme_tables import README
from tests.session_folder import UM_PER_PX, drawn_photo, jpeg

SAMPLE = README.parent / "sample_images"
SAMPLE_UM_PER_PX = 0.6614

_COUNT = """
import json, resource, sys, time
start = time.perf_counter()
from sporecount.session import count_folder
folder, out, um_per_px, workers = sys.argv[1:]
count_folder(folder, out=out, um_per_px=float(um_per_px), objective=10.0, workers=int(workers))
clock = time.perf_counter() - start
us, them = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
peak_kb = next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(json.dumps({
    "clock_s": clock, "main_s": us.ru_utime + us.ru_stime, "workers_s": them.ru_utime + them.ru_stime,
    "main_mb": peak_kb / 1024, "worker_mb": them.ru_maxrss / 1024,
}))
"""
"""In a process of its own, on Linux; those that it waited for are its workers. Its own `ru_maxrss` would tell of
the process that started it."""


def count(folder: Path, um_per_px: float, workers: int = 1) -> dict[str, float]:
    """Count a folder anew; tell seconds and MB."""
    with tempfile.TemporaryDirectory() as out:
        call = [sys.executable, "-c", _COUNT, str(folder), out, str(um_per_px), str(workers)]
        said = subprocess.run(call, check=True, capture_output=True, text=True).stdout
    return json.loads(said)


def larger(path: Path, width: int, height: int) -> None:
    """Write a sample photo as a phone of more megapixels would."""
    bgr = cv2.imread(str(SAMPLE / "MH-03_1.jpg"))
    assert cv2.imwrite(str(path), cv2.resize(bgr, (width, height), interpolation=cv2.INTER_CUBIC))


def copies(folder: Path, files: list[bytes], number: int) -> Path:
    """Fill a folder with copies of photos that differ behind their pictures' end only, five to a print."""
    folder.mkdir()
    for at in range(number):
        (folder / f"P{at // 5:05d}_{at % 5 + 1}.jpg").write_bytes(
            files[at % len(files)] + at.to_bytes(4, "big")
        )
    return folder


def start_s() -> tuple[float, float]:
    """Seconds that `--help` takes on the clock and of a processor, the least of five."""
    clocks, used = [], []
    for _ in range(5):
        began, before = time.perf_counter(), os.times()
        subprocess.run([sys.executable, "-m", "sporecount.cli", "--help"], check=True, capture_output=True)
        clocks.append(time.perf_counter() - began)
        after = os.times()
        used.append(
            after.children_user + after.children_system - before.children_user - before.children_system
        )
    return min(clocks), min(used)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--few", type=int, default=20, help="photos of the small session")
    parser.add_argument("--many", type=int, default=600, help="photos of the large one")
    asked = parser.parse_args()
    print("--help: {:.2f} s on the clock, {:.2f} s of a processor".format(*start_s()))
    with tempfile.TemporaryDirectory() as place:
        for width, height in ((4032, 3024), (8064, 6048), (9232, 6924)):
            folder = Path(place, f"{width}")
            folder.mkdir()
            larger(folder / "MH-03_1.jpg", width, height)
            # a view at 10x; and one at 4x, in which nothing is found, so that other scales are tried
            for power, um_per_px in ((10, SAMPLE_UM_PER_PX), (4, 1.49)):
                peak = count(folder, um_per_px * 4032 / width)["worker_mb"]
                print(f"a worker, {width * height / 1e6:.0f} megapixels at {power}x: {peak:.0f} MB")
        small = [jpeg(drawn_photo(seed, ovals=seed)) for seed in (0, 3, 6)]
        for number in (asked.few, asked.many):
            got = count(copies(Path(place, f"small{number}"), small, number), UM_PER_PX)
            print(
                f"{number} small photos: main process {got['main_mb']:.0f}, worker {got['worker_mb']:.0f} MB"
            )
        sample = [path.read_bytes() for path in sorted(SAMPLE.glob("MH-0*.jpg"))]
        folder = copies(Path(place, "sample"), sample, asked.few)
        one, two = (count(folder, SAMPLE_UM_PER_PX, workers) for workers in (1, 2))
        for name, got in (("one worker", one), ("two workers", two)):
            print(
                f"{asked.few} photos of 12 megapixels, {name}: {got['clock_s']:.1f} s on the clock, "
                f"processor {got['main_s']:.1f} s in the main process, {got['workers_s']:.1f} s in workers"
            )
        print(f"two workers: {one['clock_s'] / two['clock_s']:.2f} times as fast as one")


if __name__ == "__main__":
    main()
