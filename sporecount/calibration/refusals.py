"""Why a ruling gives no number: the only list, with what it means and what to do."""

from __future__ import annotations

from dataclasses import dataclass

from sporecount.errors import CalibrationError


@dataclass(frozen=True)
class Refusal:
    """One cause: stable code, plain words without a full stop, what to do."""

    code: str
    words: str
    remedy: str


_TABLE = (
    Refusal(
        "no-ruling",
        "no ruling with 5 divisions or more was found: nothing repeats as an engraved scale does",
        "Photograph the stage micrometer so that its ticks fill much of the view, in focus and evenly lit",
    ),
    Refusal(
        "too-blurred",
        "the photo is too blurred: its finest ticks cannot be told apart",
        "Focus on the ticks, hold the phone still in its adapter, and photograph again",
    ),
    Refusal(
        "too-few-divisions",
        "fewer than 5 divisions of the ruling can be seen",
        "Move the ruling into the view, or use one with finer divisions for this objective",
    ),
    Refusal(
        "aliased",
        "the ticks are finer than the photo's pixels can show, so what repeats may be moire",
        "Use the full-size photo instead of a reduced one, or a higher objective or a coarser ruling",
    ),
    Refusal(
        "not-a-ruling",
        "something repeats, but not like a ruling: no ends on a common line, no longer 5th or 10th ticks, "
        "no whole and even lines",
        "Check that this is the photo of the ruling; if it is, show the ends of the ticks",
    ),
    Refusal(
        "division-contradiction",
        "the named division cannot be right",
        "Check what is engraved on the ruling and which objective was in use",
    ),
    Refusal(
        "division-unknown",
        "the size of a division was not named and cannot be told from this photo",
        "Name it, such as --division-um 10, or show the whole round view and name the objective",
    ),
    Refusal(
        "picture-unfit",
        "this is no picture that a ruling could be read from",
        "Use a photo of at least 100 x 100 pixels with light and dark parts",
    ),
    Refusal(
        "no-round-view",
        "without the round view and the objective no scale can be told",
        "Show the whole round view, name the objective and the eyepiece's field number, or use a ruling",
    ),
    Refusal(
        "bad-length",
        "the length given is no use for a scale",
        "Give the length of the object in um, more than 0: 1000 for 1 mm",
    ),
    Refusal(
        "ends-too-near",
        "the two ends are too near each other: at least 50 pixels are needed",
        "Mark the ends of something longer, or move one end away; the longer it is in the photo, the surer",
    ),
    Refusal(
        "end-off-photo",
        "an end lies off the photo",
        "Mark both ends inside the upright photo, in pixels of its full size",
    ),
    Refusal(
        "drawings-disagree",
        "the drawings are not of one length",
        "Take away the drawing that went wrong, and draw the same object each time",
    ),
    Refusal(
        "length-contradiction",
        "the named length cannot be right",
        "Check the length and its unit (1 mm is 1000 um), and which objective was in use",
    ),
    Refusal(
        "bad-profile",
        "this is no adapter profile that this version understands",
        "Calibrate again, or copy the profile once more from the machine where it works",
    ),
    Refusal(
        "readings-disagree",
        "the readings do not belong together",
        "Use photos of one adapter, objective, camera, zoom and pixel size",
    ),
)

REFUSALS: dict[str, Refusal] = {one.code: one for one in _TABLE}


def refuse(code: str, detail: str = "") -> CalibrationError:
    """Make the error for a cause; `detail` adds what was seen in this photo."""
    one = REFUSALS[code]
    return CalibrationError(f"{one.words} ({detail})" if detail else one.words, code=code, remedy=one.remedy)
