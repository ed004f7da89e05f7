"""Runs the trained networks and trees."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, fields
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np

_BATCH = 64
"""Crops a call: as quick as more of them, and a hundred megabytes less than 256."""

PALER = 0.65
"""Density, as a factor, under which the second network looks: phones render the same print harder or softer, and
what both networks hold for a spore is no accident of one rendering. On 20 simulated photos of styles that neither
had seen then: F1 0.861 with the first of the networks of then under both renderings, 0.878 with both."""


HIDDEN = {"first": 96, "second": 128}
"""Numbers of each network's last hidden layer."""

TWOFOLD, TWOFOLD_PX = "twofold.onnx", 32
"""The network that finds a second spore under one lemon, and the side of the crop that it sees."""

BODIES, BODY_PX = "bodies.onnx", 48
"""The network that tells parts of larger bodies, or several in one file with the mean of their answers, and the
side of the crop that is seen."""

SIDE_BY_SIDE, SIDE_PX, SIDE_WIDE_PX = "side_by_side.onnx", 48, 32
"""The network that sees doubtful objects beside the photo's likeliest spores, and the sides of its crops."""

SORTINGS = ("sorter.onnx", "sorter_again.onnx")
"""Trees that weigh an object's traits, one after the other: the later ones know what the former made of the
others."""


@dataclass(frozen=True)
class Looks:
    """What the network says of each crop, n rows.

    Parameters
    ----------
    logits : ndarray of shape (n, len(KINDS)), float32
    offset_um : ndarray of shape (n, 2), float32
        From the crop's centre to the object's, x then y.
    length_um, width_um : ndarray of shape (n,), float32
    angle_deg : ndarray of shape (n,), float32
        In [0, 180).
    blur_um : ndarray of shape (n,), float32
    disagreement : ndarray of shape (n,), float32
        Log odds of spore of the first network less those of the second; 0 where only one looked.
    hidden_first, hidden_second : ndarray of shape (n, HIDDEN[network]), float32
        What each network goes by, its last hidden layer: things that look alike have these alike. Of the crop as
        it lies, also where turned ones were looked at; 0 where the network did not look.
    """

    logits: np.ndarray
    offset_um: np.ndarray
    length_um: np.ndarray
    width_um: np.ndarray
    angle_deg: np.ndarray
    blur_um: np.ndarray
    disagreement: np.ndarray
    hidden_first: np.ndarray
    hidden_second: np.ndarray

    def take(self, rows: np.ndarray) -> Looks:
        """Keep some rows."""
        return Looks(**{name: getattr(self, name)[rows] for name in _COLUMNS})

    def append(self, other: Looks) -> Looks:
        """Put the rows of another below."""
        return Looks(
            **{name: np.concatenate((getattr(self, name), getattr(other, name))) for name in _COLUMNS}
        )

    def replaced(self, rows: np.ndarray, other: Looks) -> Looks:
        """Put another's rows in the place of some."""
        columns = {name: getattr(self, name).copy() for name in _COLUMNS}
        for name in _COLUMNS:
            columns[name][rows] = getattr(other, name)
        return Looks(**columns)


_COLUMNS = tuple(one.name for one in fields(Looks))


def spore_margin(logits: np.ndarray) -> np.ndarray:
    """Log odds of spore against everything else, shape (n,)."""
    return logits[:, 0] - np.logaddexp.reduce(logits[:, 1:], axis=1)


def look(fine: np.ndarray, wide: np.ndarray) -> Looks:
    """Look at crops with the first network.

    Parameters
    ----------
    fine, wide : ndarray of shape (n, 3, px, px), float32
        As cut by `CropSource.cut_fine` and `cut_wide`.

    Returns
    -------
    Looks
    """
    return _look("first", {"fine": fine, "wide": wide})


def look_carefully(fine: np.ndarray, finest: np.ndarray, wide: np.ndarray) -> Looks:
    """Look at crops with both networks; the mean of their answers, the first one's angle."""
    first = look(fine, wide)
    second = _look("second", {"finest": finest * np.float32(PALER), "wide": wide * np.float32(PALER)})
    means = {
        name: (getattr(first, name) + getattr(second, name)) / 2
        for name in _COLUMNS
        if name not in ("angle_deg", "disagreement", "hidden_first", "hidden_second")
    }
    return Looks(
        angle_deg=first.angle_deg,
        disagreement=spore_margin(first.logits) - spore_margin(second.logits),
        hidden_first=first.hidden_first,
        hidden_second=second.hidden_second,
        **means,
    )


def look_turned(fine: np.ndarray, finest: np.ndarray, wide: np.ndarray, turn: int) -> Looks:
    """Look at crops with both networks after quarter turns; angle and offset are of the turned crop."""
    turned = (np.ascontiguousarray(np.rot90(crops, turn, (2, 3))) for crops in (fine, finest, wide))
    return look_carefully(*turned)


def _look(name: str, crops: dict[str, np.ndarray]) -> Looks:
    session = _session(f"{name}.onnx")
    count = len(crops["wide"])
    out = np.empty((count, 16), np.float32)
    hidden = {one: np.zeros((count, numbers), np.float32) for one, numbers in HIDDEN.items()}
    for start in range(0, count, _BATCH):
        part = slice(start, start + _BATCH)
        out[part], hidden[name][part] = session.run(
            None, {crop: values[part] for crop, values in crops.items()}
        )
    length = np.exp(np.clip(out[:, 11], np.log(2.0), np.log(60.0)))
    width = np.exp(np.clip(out[:, 12], np.log(1.0), np.log(60.0)))
    return Looks(
        logits=out[:, :9],
        offset_um=np.clip(out[:, 9:11], -8, 8),
        length_um=np.maximum(length, width),
        width_um=np.minimum(length, width),
        angle_deg=np.degrees(np.arctan2(out[:, 14], out[:, 13])) / 2 % 180.0,
        blur_um=np.maximum(out[:, 15], 0),
        disagreement=np.zeros(len(out), np.float32),
        hidden_first=hidden["first"],
        hidden_second=hidden["second"],
    )


def glance(crops: np.ndarray) -> np.ndarray:
    """Log odds of spore from a quick look, shape (n,), float32."""
    return _answers("glance.onnx", {"crop": crops})


def look_for_second(crops: np.ndarray, figures: np.ndarray) -> np.ndarray:
    """Tell whether an object is two spores, and where they are.

    Parameters
    ----------
    crops : ndarray of shape (n, 5, TWOFOLD_PX, TWOFOLD_PX), float32
    figures : ndarray of shape (n, 6), float32
        Both as `steps.twofold.views` gives them.

    Returns
    -------
    ndarray of shape (n, 5), float32
        Log odds of two spores; the middle of their centres along and across the object, in lengths of the photo's
        spores; half the way between them, times cosine and sine of twice its angle to the object's.
    """
    return _answers(TWOFOLD, {"crops": crops, "figures": figures}, 5)


def look_for_body(crops: np.ndarray, figures: np.ndarray) -> np.ndarray:
    """Tell whether an object is part of something larger.

    Parameters
    ----------
    crops : ndarray of shape (n, 3, BODY_PX, BODY_PX), float32
    figures : ndarray of shape (n, 3), float32
        Both as `steps.bodies.views` gives them.

    Returns
    -------
    ndarray of shape (n,), float32
        Log odds.
    """
    return _answers(BODIES, {"crops": crops, "figures": figures})


def look_side_by_side(crops: np.ndarray, wide: np.ndarray, figures: np.ndarray) -> np.ndarray:
    """Tell whether objects are of the spores that are shown beside them.

    Parameters
    ----------
    crops : ndarray of shape (n, 6, SIDE_PX, SIDE_PX), float32
    wide : ndarray of shape (n, 3, SIDE_WIDE_PX, SIDE_WIDE_PX), float32
    figures : ndarray of shape (n, 9), float32
        All as `classify.side_by_side` gives them.

    Returns
    -------
    ndarray of shape (n,), float32
        Log odds of spore.
    """
    return _answers(SIDE_BY_SIDE, {"crops": crops, "wide": wide, "figures": figures})


def _answers(name: str, fed: dict[str, np.ndarray], *columns: int) -> np.ndarray:
    """Run a network that gives n crops an answer each, or columns of them: shape (n, *columns), float32."""
    session = _session(name)
    answers = np.empty((len(next(iter(fed.values()))), *columns), np.float32)
    for start in range(0, len(answers), _BATCH):
        part = slice(start, start + _BATCH)
        (answers[part],) = session.run(None, {what: values[part] for what, values in fed.items()})
    return answers


def sorter_log_odds(traits: np.ndarray, sorting: str) -> np.ndarray:
    """Log odds of spore from the trees of one of `SORTINGS`, traits of shape (n, k) float32 to (n,)."""
    return np.asarray(_session(sorting).run(None, {"traits": traits})[0][:, 0], np.float64)


@lru_cache(maxsize=1)
def model_card() -> dict[str, Any]:
    """Read the recipe and the scores that stand beside the model file."""
    text = files("sporecount.steps.classify").joinpath("model.json").read_text("utf-8")
    card: dict[str, Any] = json.loads(text)
    return card


@lru_cache(maxsize=1)
def model_id() -> str:
    """Name, and SHA-256 of all that decides: the model's files, and what calibrates probabilities and recall."""
    card = model_card()
    parts = b"".join(
        _bytes(part)
        for part in ("first.onnx", "second.onnx", "glance.onnx", *SORTINGS, SIDE_BY_SIDE, TWOFOLD, BODIES)
    )
    parts += json.dumps(card["calibration"]["slope_and_shift"]).encode()
    laws = (card["recall"][name] for name in ("counted", "empty"))
    parts += json.dumps([(law["weights"], law["spread"]) for law in laws]).encode()
    return f"{card['name']} {hashlib.sha256(parts).hexdigest()}"


def _bytes(name: str) -> bytes:
    return files("sporecount.steps.classify").joinpath(name).read_bytes()


@lru_cache(maxsize=8)
def _session(name: str) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1  # the same sums in the same order, whatever the number of workers
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(_bytes(name), options, providers=["CPUExecutionProvider"])
