"""What one worker does in a spike-in: place simulated spores into a copy of a photo and count it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sporecount.errors import SporecountError
from sporecount.files.decode import decode
from sporecount.files.kept import KeptFields
from sporecount.records import FieldResult, Photo
from sporecount.session.folder import KEPT, PhotoFile
from sporecount.settings import CountSettings
from sporecount.simulate.spike import SpikeSpore, spike_in

if TYPE_CHECKING:
    from sporecount.steps.backgrounds import Backgrounds

WINDOW_UM = 40.0
"""Width of the cut-outs for the picture."""
_CROP_PX = 128

_APART_LENGTHS, _FREE_LENGTHS = 4.0, 1.3
"""Placed spores keep this far from one another, and from anything that may be a spore already."""
_MATCH_LENGTHS = 0.6
"""A counted object this near to a placed spore is that spore."""

_EDGE_SLOPE = 0.4
"""Steepest rise of a blurred edge, times the blur's standard deviation, over its height: 1 / sqrt(2 pi)."""
_OWN_SOFTNESS_UM = 0.65
"""Blur that an object's rounded edge shows on a sharp photo. On 60 simulated photos of three styles, edges of
spores read 0.8 to 1.2 um where the photo's blur was 0.5 to 0.9 um."""
_LEAST_BLUR_UM, _BLURRED_UM = 0.4, 2.8
_NEAR_UM, _ENOUGH_EDGES = 250.0, 4


@dataclass(frozen=True)
class SpikeSetup:
    """What all jobs of a spike-in share."""

    out: str
    settings: CountSettings
    spore: SpikeSpore
    seed: int


@dataclass(frozen=True)
class SpikeJob:
    """Place `number` spores into a copy of a photo.

    Parameters
    ----------
    file : PhotoFile
    key : str
        Of its kept field.
    sample : str
    turn : int
        A photo's second copy has other places than its first.
    number : int
    """

    file: PhotoFile
    key: str
    sample: str
    turn: int
    number: int


@dataclass(frozen=True)
class PlacedSpore:
    """A simulated spore in a photo, and whether it was found.

    Parameters
    ----------
    photo, sample : str
    turn : int
    x_px, y_px, length_um, width_um, angle_deg, blur_um : float
    background : str
        One of `steps.backgrounds.BACKGROUNDS`.
    sharp : bool
    found : bool
        Counted as a spore.
    probability : float
        Of the nearest object there; nan where there is none.
    """

    photo: str
    sample: str
    turn: int
    x_px: float
    y_px: float
    length_um: float
    width_um: float
    angle_deg: float
    blur_um: float
    background: str
    sharp: bool
    found: bool
    probability: float


@dataclass(frozen=True)
class SpikeDone:
    """Answer to a job: the spores with their cut-outs (packed), or a fault in words."""

    placed: tuple[PlacedSpore, ...] = ()
    crops: bytes = b""
    fault: str = ""


def make_spiker(setup: SpikeSetup) -> Callable[[SpikeJob], SpikeDone]:
    """Make the function that does a job."""
    import sporecount.chain  # noqa: F401  a missing library shows here, before any photo

    kept = KeptFields(Path(setup.out) / KEPT / "fields")

    def work(job: SpikeJob) -> SpikeDone:
        field = kept.result(job.key)
        if field is None:
            return SpikeDone(fault="its count is gone")
        try:
            data = Path(job.file.path).read_bytes()
            if hashlib.sha256(data).hexdigest() != field.sha256:
                return SpikeDone(fault="it has changed since it was counted")
            return _spike(decode(data, job.file.name), field, job, setup)
        except (SporecountError, OSError) as fault:
            return SpikeDone(fault=getattr(fault, "what", None) or str(fault))

    return work


def _spike(photo: Photo, field: FieldResult, job: SpikeJob, setup: SpikeSetup) -> SpikeDone:
    from sporecount.chain import count_field, survey_backgrounds, without_lateral_colour
    from sporecount.report import cut_out, pack_crops
    from sporecount.steps.backgrounds import BACKGROUNDS

    rng = np.random.default_rng([setup.seed, int(field.sha256[:12], 16), job.turn])
    um_per_px = field.scale.um_per_px
    photo = without_lateral_colour(photo, field.scale, setup.settings)  # the spores placed have none
    ground = survey_backgrounds(photo, field.scale, setup.settings)
    places = choose_places(ground, field, job.number, setup.spore.length_um, setup.settings.doubt_low, rng)
    kind, sharp = ground.at(places[:, 0], places[:, 1])
    blur = np.array([blur_at(field, x, y, bool(s)) for (x, y), s in zip(places, sharp, strict=True)])
    spiked, truth = spike_in(photo.rgb, places, um_per_px=um_per_px, blur_um=blur, rng=rng, spore=setup.spore)
    result, _ = count_field(Photo(spiked, photo.name), field.scale, setup.settings)
    placed, crops = [], []
    for one, where, is_sharp in zip(truth, kind, sharp, strict=True):
        away = np.hypot(result.objects.x_px - one.x_px, result.objects.y_px - one.y_px) * um_per_px
        near = away < _MATCH_LENGTHS * one.length_um
        placed.append(
            PlacedSpore(
                photo=job.file.name,
                sample=job.sample,
                turn=job.turn,
                x_px=one.x_px,
                y_px=one.y_px,
                length_um=one.length_um,
                width_um=one.width_um,
                angle_deg=one.angle_deg,
                blur_um=one.blur_um,
                background=BACKGROUNDS[where],
                sharp=bool(is_sharp),
                found=bool((near & result.counted).any()),
                probability=float(result.kinds.spore[near].max()) if near.any() else float("nan"),
            )
        )
        crops.append(cut_out(spiked, one.x_px, one.y_px, WINDOW_UM / um_per_px, _CROP_PX))
    return SpikeDone(tuple(placed), pack_crops(np.stack(crops)) if crops else b"")


def choose_places(
    ground: Backgrounds,
    field: FieldResult,
    number: int,
    length_um: float,
    doubt_low: float,
    rng: np.random.Generator,
) -> np.ndarray:
    """Draw places evenly over the view, clear of its edge, of each other, and of what may be a spore already.

    Returns
    -------
    ndarray of shape (n, 2)
        x, y; fewer than `number` where the view is full.
    """
    length = length_um / field.scale.um_per_px
    taken = np.asarray(field.kinds.spore > doubt_low)
    known = np.stack([field.objects.x_px[taken], field.objects.y_px[taken]], axis=1)
    chosen: list[np.ndarray] = []
    for place in rng.uniform((0, 0), (field.width_px, field.height_px), (80 * number, 2)):
        around = place + length * np.array([(0, 0), (-1, 0), (1, 0), (0, -1), (0, 1)])
        if (ground.at(around[:, 0], around[:, 1])[0] < 0).any():
            continue
        if len(known) and np.hypot(*(known - place).T).min() < _FREE_LENGTHS * length:
            continue
        if chosen and np.hypot(*(np.array(chosen) - place).T).min() < _APART_LENGTHS * length:
            continue
        chosen.append(place)
        if len(chosen) == number:
            break
    return np.array(chosen).reshape(-1, 2)


def blur_at(field: FieldResult, x_px: float, y_px: float, sharp: bool) -> float:
    """Estimate the blur in um of a place from the edges of the objects around it.

    A blurred edge rises by at most 0.4 of its height per standard deviation of the blur. Where no objects tell,
    a place is as blurred as the field is in the middle, or clearly blurred where the focus map says so.
    """
    objects = field.objects
    good = (objects.optical_density > 0.08) & (objects.sharpness > 0) & np.isfinite(objects.sharpness)
    away = np.hypot(objects.x_px - x_px, objects.y_px - y_px) * field.scale.um_per_px
    near = good & (away < _NEAR_UM)
    if near.sum() < _ENOUGH_EDGES:
        if not sharp:
            return _BLURRED_UM
        near = good
    if not near.any():
        return 1.0
    seen = _EDGE_SLOPE / float(np.percentile(objects.sharpness[near], 75))
    return float(np.sqrt(max(seen**2 - _OWN_SOFTNESS_UM**2, _LEAST_BLUR_UM**2)))
