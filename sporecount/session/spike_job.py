"""What one worker does in a spike-in: place spores into a copy of a photo and count it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sporecount.errors import SessionError, SporecountError
from sporecount.files.decode import decode
from sporecount.files.kept import KeptFields
from sporecount.records import FieldResult, Photo
from sporecount.session.folder import KEPT, PhotoFile
from sporecount.session.spike_donors import lone_spores, usual_look
from sporecount.settings import CountSettings
from sporecount.simulate.copies import SporeCut, cut_spore, place_cuts
from sporecount.simulate.spike import spike_in
from sporecount.simulate.truth import SporeTruth

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
_BLUR_LEEWAY_UM = 0.3
"""What a spore that is cut out may lie more blurred than the place for it: so well is blur estimated."""
_NEAR_UM, _ENOUGH_EDGES = 250.0, 4


@dataclass(frozen=True)
class SpikeSetup:
    """What all jobs of a spike-in share."""

    out: str
    settings: CountSettings
    seed: int


@dataclass(frozen=True)
class KeptPhoto:
    """A counted photo: its file, the key of its kept field, and its print."""

    file: PhotoFile
    key: str
    sample: str


@dataclass(frozen=True)
class SpikeJob:
    """Place `number` spores into a copy of a photo.

    Parameters
    ----------
    photo : KeptPhoto
    donor : KeptPhoto or None
        The photo whose likely spores are copied; None to draw spores.
    turn : int
        A photo's second copy has other places than its first.
    number : int
    """

    photo: KeptPhoto
    donor: KeptPhoto | None
    turn: int
    number: int


@dataclass(frozen=True)
class PlacedSpore:
    """A placed spore, and whether it was found.

    Parameters
    ----------
    photo, sample : str
    cut_from, cut_sample : str
        Photo that it is a copy from, and its print; "" for a drawn one.
    turn : int
    x_px, y_px, length_um, width_um, angle_deg, blur_um : float
    background : str
        One of `steps.backgrounds.BACKGROUNDS`.
    sharp : bool
    counted : bool
    found : bool
        Counted, or among the doubtful objects.
    probability : float
        Of the nearest object there; nan where there is none.
    """

    photo: str
    sample: str
    cut_from: str
    cut_sample: str
    turn: int
    x_px: float
    y_px: float
    length_um: float
    width_um: float
    angle_deg: float
    blur_um: float
    background: str
    sharp: bool
    counted: bool
    found: bool
    probability: float


@dataclass(frozen=True)
class SpikeDone:
    """Answer to a job: the spores with their pictures (packed), or a photo's fault in words."""

    placed: tuple[PlacedSpore, ...] = ()
    crops: bytes = b""
    fault: str = ""


def make_spiker(setup: SpikeSetup) -> Callable[[SpikeJob], SpikeDone]:
    """Make the function that does a job."""
    from sporecount.chain import survey_backgrounds, without_lateral_colour  # a missing library shows here

    kept = KeptFields(Path(setup.out) / KEPT / "fields")

    def load(one: KeptPhoto) -> _Loaded:
        field = kept.result(one.key)
        if field is None:
            raise SessionError("its count is gone", where=one.file.name)
        data = Path(one.file.path).read_bytes()
        if hashlib.sha256(data).hexdigest() != field.sha256:
            raise SessionError("it has changed since it was counted", where=one.file.name)
        photo = decode(data, one.file.name)
        photo = without_lateral_colour(photo, field.scale, setup.settings)  # the spores placed have none
        return _Loaded(photo, field, survey_backgrounds(photo, field.scale, setup.settings))

    def work(job: SpikeJob) -> SpikeDone:
        try:
            into = load(job.photo)
            donor = into if job.donor == job.photo else load(job.donor) if job.donor else None
            return _spike(into, donor, job, setup)
        except (SporecountError, OSError) as fault:
            where = getattr(fault, "where", "") or job.photo.file.name
            return SpikeDone(fault=f"{where}: {getattr(fault, 'what', None) or fault}")

    return work


@dataclass(frozen=True)
class _Loaded:
    """A photo as it is spiked, and what is known of it."""

    photo: Photo
    field: FieldResult
    ground: Backgrounds

    @property
    def um_per_px(self) -> float:
        return self.field.scale.um_per_px

    def blur_at(self, x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
        _, sharp = self.ground.at(x_px, y_px)
        return np.array(
            [blur_at(self.field, x, y, bool(s)) for x, y, s in zip(x_px, y_px, sharp, strict=True)]
        )


def _spike(into: _Loaded, donor: _Loaded | None, job: SpikeJob, setup: SpikeSetup) -> SpikeDone:
    from sporecount.chain import count_field
    from sporecount.report import cut_out, pack_crops
    from sporecount.steps.backgrounds import BACKGROUNDS

    field, settings = into.field, setup.settings
    rng = np.random.default_rng([setup.seed, int(field.sha256[:12], 16), job.turn])
    look = usual_look(settings, rng)
    length = look.length_um if donor is None else _usual_length(donor.field, settings)
    places = choose_places(into.ground, field, job.number, length, settings.doubt_low, rng)
    kind, sharp = into.ground.at(places[:, 0], places[:, 1])
    blur = into.blur_at(places[:, 0], places[:, 1])
    rgb, scale = into.photo.rgb, into.um_per_px
    spiked: np.ndarray
    truth: tuple[SporeTruth, ...]
    if donor is None:
        spiked, truth = spike_in(rgb, places, um_per_px=scale, blur_um=blur, rng=rng, spore=look)
    else:
        cuts = _cut(donor, blur, settings, rng)
        spiked, truth = place_cuts(rgb, places, cuts, um_per_px=scale, blur_um=blur, rng=rng)
    result, _ = count_field(Photo(spiked, into.photo.name), field.scale, settings)
    placed, crops = [], []
    for one, where, is_sharp in zip(truth, kind, sharp, strict=True):
        away = np.hypot(result.objects.x_px - one.x_px, result.objects.y_px - one.y_px) * scale
        near = away < _MATCH_LENGTHS * one.length_um
        probability = float(result.kinds.spore[near].max()) if near.any() else float("nan")
        placed.append(
            PlacedSpore(
                photo=job.photo.file.name,
                sample=job.photo.sample,
                cut_from=job.donor.file.name if job.donor else "",
                cut_sample=job.donor.sample if job.donor else "",
                turn=job.turn,
                x_px=one.x_px,
                y_px=one.y_px,
                length_um=one.length_um,
                width_um=one.width_um,
                angle_deg=one.angle_deg,
                blur_um=one.blur_um,
                background=BACKGROUNDS[where],
                sharp=bool(is_sharp),
                counted=bool((near & result.counted).any()),
                found=probability > settings.doubt_low,
                probability=probability,
            )
        )
        crops.append(cut_out(spiked, one.x_px, one.y_px, WINDOW_UM / scale, _CROP_PX))
    return SpikeDone(tuple(placed), pack_crops(np.stack(crops)) if crops else b"")


def _usual_length(field: FieldResult, settings: CountSettings) -> float:
    return float(np.median(field.objects.length_um[lone_spores(field, settings).row]))


def _cut(
    donor: _Loaded, blur_um: np.ndarray, settings: CountSettings, rng: np.random.Generator
) -> list[SporeCut]:
    """Cut out a likely spore for each place's blur, from where the photo is no more blurred, if there is one."""
    objects, lone = donor.field.objects, lone_spores(donor.field, settings)
    lies = donor.blur_at(objects.x_px[lone.row], objects.y_px[lone.row])
    cuts = []
    for blur in blur_um:
        fit = lone.chance * (lies <= blur + _BLUR_LEEWAY_UM)
        weight = fit if fit.sum() >= 1 else lone.chance
        chosen = int(rng.choice(len(lone.row), p=weight / weight.sum()))
        row = lone.row[chosen]
        cuts.append(
            cut_spore(
                donor.photo.rgb,
                float(objects.x_px[row]),
                float(objects.y_px[row]),
                length_um=float(objects.length_um[row]),
                width_um=float(objects.width_um[row]),
                angle_deg=float(objects.angle_deg[row]),
                blur_um=float(lies[chosen]),
                um_per_px=donor.um_per_px,
            )
        )
    return cuts


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
