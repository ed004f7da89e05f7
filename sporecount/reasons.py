"""Reasons for a confidence flag: the only list, from which texts, tables, pages and docs are made."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Flag = Literal["clear", "recheck", "unusable"]
FLAGS: tuple[Flag, ...] = ("clear", "recheck", "unusable")


@dataclass(frozen=True)
class Reason:
    """One reason.

    Parameters
    ----------
    code : str
        Stable name, as it stands in the tables.
    flag : {"clear", "recheck", "unusable"}
        The flag that this reason alone asks for; "clear" for a remark that changes no flag.
    words : str
        What it means, in plain words.
    remedy : str
        What to do.
    """

    code: str
    flag: Flag
    words: str
    remedy: str


_TABLE = (
    Reason(
        "unreadable",
        "unusable",
        "The file could not be read as a photo.",
        "Copy it from the phone again, or leave it out.",
    ),
    Reason(
        "missing",
        "unusable",
        "The session table names this photo, but it is not in the folder.",
        "Copy it into the folder, or take its row out of the table.",
    ),
    Reason(
        "unlike-known",
        "unusable",
        "The picture does not look like a tape print under a microscope.",
        "Check that the right photo is in the folder.",
    ),
    Reason(
        "odd-picture",
        "recheck",
        "The picture differs much from the tape prints that the program knows: its light, colours or crowding.",
        "See with your own eyes that this is a print, and compare its overlay with the photo.",
    ),
    Reason(
        "out-of-focus",
        "unusable",
        "Hardly anything in the view is sharp: it is out of focus, or holds no edge to tell the focus by.",
        "Focus on a scale, a speck or the edge of the tape, and photograph this place again.",
    ),
    Reason(
        "partly-out-of-focus",
        "recheck",
        "More than half of the view is blurred, so spores there may be missed.",
        "Take a second photo of the same place with the focus on the blurred part.",
    ),
    Reason(
        "too-little-examined",
        "unusable",
        "Bubbles, glare or opaque things leave too little of the view to examine, or the view is too small.",
        "Photograph a cleaner place of the print.",
    ),
    Reason(
        "much-left-out",
        "recheck",
        "Bubbles, glare or opaque things hide a good part of the view.",
        "Add a photo of a cleaner place.",
    ),
    Reason(
        "too-few-scales",
        "recheck",
        "Hardly any scales: the tape may not have picked up what sits on the animal.",
        "Look at a place with scales, or take a new print.",
    ),
    Reason(
        "crowded",
        "recheck",
        "Spores lie so densely that some cannot be told apart; the count is an estimate.",
        "Take the interval, not the single number.",
    ),
    Reason(
        "ambiguous-objects",
        "recheck",
        "Objects could be spores or not: two or more where none counts, one where all that counts could be none,"
        " else more than five and more than half of the count.",
        "Look at the doubtful objects, at 40x if you can.",
    ),
    Reason(
        "not-amber",
        "recheck",
        "What was counted is grey or black rather than amber, as spores are.",
        "Look at some of them at 40x: ovals without amber are dirt or other spores. Check the light, too.",
    ),
    Reason(
        "readers-differ",
        "recheck",
        "Readers disagree on an object, so it stays open: it is not counted, but its doubt is in the interval.",
        "Ask for a third look: let somebody else decide on it in the re-check.",
    ),
    Reason(
        "size-mismatch",
        "recheck",
        "The spores found are not of the size that the calibration leads to expect.",
        "Check the objective and the adapter profile.",
    ),
    Reason(
        "uneven-sizes",
        "recheck",
        "The spores of this session are not all of one size, as they should be under one scale.",
        "Check the objective and scale of each photo: sizes.csv lists their spores' lengths.",
    ),
    Reason(
        "scale-doubtful",
        "recheck",
        "Hardly a spore shows at this scale, but at another objective's scale many would.",
        "Check which objective the photos were taken with, and calibrate it.",
    ),
    Reason(
        "uncalibrated",
        "recheck",
        "No calibration was given; the scale was estimated.",
        "Calibrate once with a ruling, then count with that adapter profile.",
    ),
    Reason(
        "approximate-scale",
        "recheck",
        "The scale is only known roughly, so sizes and densities are too.",
        "Calibrate with a ruling.",
    ),
    Reason(
        "view-size-mismatch",
        "recheck",
        "The photo does not fit the adapter profile: other camera, zoom, shape of the picture or view.",
        "Use the profile of this rig, or calibrate again.",
    ),
    Reason(
        "scale-contradicted",
        "recheck",
        "At this scale the round view would be wider than any eyepiece shows with this objective.",
        "Check the objective and the µm per px of this photo: areas and sizes are wrong if the scale is.",
    ),
    Reason(
        "low-power",
        "recheck",
        "At this magnification single spores cannot be counted with confidence.",
        "Use it to tell heavy from not heavy; count at 10x or above, from photos in their full size.",
    ),
    Reason(
        "dim-or-overexposed",
        "recheck",
        "The photo is too dark or too grainy, or a good part of it is blown out.",
        "Give more light if it is dark or grainy, less if it is blown out, and photograph again.",
    ),
    Reason(
        "stray-light",
        "recheck",
        "The photo is pale all over: room light or haze veils it, or hardly anything is on the tape.",
        "Keep room light off the eyepiece, wipe its lens and the phone's, and photograph again. "
        "If it stays pale, take a new print.",
    ),
    Reason(
        "no-colour",
        "recheck",
        "The photo has no colour, so amber could not help to tell spores from dirt.",
        "Photograph in colour.",
    ),
    Reason(
        "dark-ground",
        "recheck",
        "Things are lighter than their ground, as on dark card. Such a photo is counted less surely, with light "
        "and dark exchanged if that shows more spores.",
        "Check the overlay. Next time use white card, or a clear slide lit from below.",
    ),
    Reason(
        "light-from-above",
        "clear",
        "The print was lit from above.",
        "Light from below shows the amber of spores better.",
    ),
    Reason(
        "no-round-view",
        "clear",
        "The edge of the eyepiece's view is not to be seen clearly in the photo, so its size was not checked.",
        "Include the whole round view when you can.",
    ),
    Reason(
        "photos-left-out",
        "clear",
        "Some photos of this print could not be used and are left out.",
        "See what is said beside those photos.",
    ),
    Reason(
        "same-photo-elsewhere",
        "recheck",
        "A photo of this print is the same file as one of another print, so one of the two was filed wrongly.",
        "Find out which print it shows, and take it out of the other.",
    ),
    Reason(
        "camera-names",
        "recheck",
        "The photos bear the camera's own names, so it is not known which of them show the same animal.",
        "Name them SAMPLE_1.jpg, SAMPLE_2.jpg, or list them in session.csv, and count again.",
    ),
    Reason(
        "perhaps-same-place",
        "clear",
        "Two photos may show the same place; that is not certain, so they count as two places.",
        "Leave one of them out if you know that they overlap.",
    ),
    Reason(
        "few-fields",
        "clear",
        "Few places of the print were photographed.",
        "Add fields to narrow the interval.",
    ),
    Reason(
        "overview-too-narrow",
        "clear",
        "The print reaches beyond what its overview photos show, so its area was not measured.",
        "Use a lower objective for the overview, or add overlapping overview photos until all its edges show.",
    ),
    Reason(
        "overview-unclear",
        "clear",
        "No outline of the print stands out in its overview photo, so its area was not measured.",
        "Measure the print with a ruler and write its area into session.csv, column print_area_mm2.",
    ),
    Reason(
        "overview-scale",
        "clear",
        "The scale of the overview photo is only guessed, so the print's area was not measured.",
        "Say its objective, in session.csv or in its name as in overview_4x.jpg, with the round view in sight.",
    ),
    Reason(
        "control-missed",
        "recheck",
        "A print of known load in this session does not read as it should.",
        "Check scale, focus and print area before relying on any count of this session.",
    ),
    Reason(
        "area-contradicted",
        "recheck",
        "More was examined than the whole print is said to measure, so one of the two is wrong.",
        "Check the scale of fields and overview, the area entered, and that all photos show this print.",
    ),
    Reason(
        "blank-contaminated",
        "recheck",
        "A spore was found on a blank print of this session.",
        "Treat the whole session as possibly contaminated: clean, change gloves, repeat.",
    ),
)

REASONS: dict[str, Reason] = {reason.code: reason for reason in _TABLE}


def flag_of(codes: Iterable[str]) -> Flag:
    """Give the gravest flag that any of the reasons asks for; "clear" without reasons.

    Raises
    ------
    KeyError
        A code that is not in the list.
    """
    return max((REASONS[code].flag for code in codes), key=FLAGS.index, default="clear")


def gravest_first(codes: Iterable[str]) -> tuple[str, ...]:
    """Put what made the flag before all else: reasons by their own flag, the gravest first.

    Each code stands once; those of one flag keep their order; codes that are not in the list come last.
    """
    order = (*reversed(FLAGS), None)
    known = {code: REASONS[code].flag if code in REASONS else None for code in codes}
    return tuple(sorted(known, key=lambda code: order.index(known[code])))
