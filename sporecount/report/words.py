"""What a keeper reads: sentences that say what the photos support, with their uncertainty.

The words never say that an animal is without the parasite, and they give no orders: hold, release or
re-test is the keeper's decision.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sporecount.reasons import REASONS, gravest_first
from sporecount.records import FieldTally, PrintTally, Readers
from sporecount.report.phrases import (
    HEAVY_FROM,
    LOAD_CLASSES,
    about,
    area,
    count_phrase,
    in_100,
    plural,
    shows_as_little,
)

_WORTH_A_WORD = 0.5
"""Spores expected beyond those counted before it is said."""

_MANY_DOUBTS = 3.0
"""Spores that doubtful objects must add up to before a print is called doubtful."""

_LIKELY = 0.5
"""Probability from which a load is called likely."""

_RISK = 0.05
"""Accepted risk of a wrong verdict on whether a load is heavy (`PrintTally.heavy_verdict`)."""

PrintCase = Literal["unusable", "none", "doubtful", "few", "many", "heavy"]


@dataclass(frozen=True)
class Verdict:
    """The verdict of a print in words.

    Parameters
    ----------
    case : str
        One of `PrintCase`.
    headline : str
        One sentence.
    evidence : tuple of str
        Density, load and class, each with its uncertainty.
    could_hide : str
        What could be there without having been seen, where none was found; else empty.
    supports : str
        What the evidence speaks for.
    doubts : tuple of str
        Why it should be looked at again, in plain words.
    remarks : tuple of str
        What is good to know but changes no flag.
    next_steps : tuple of str
        What would settle it.
    stop : str
        Whether more fields would settle if the load is heavy.
    """

    case: PrintCase
    headline: str
    evidence: tuple[str, ...]
    could_hide: str
    supports: str
    doubts: tuple[str, ...]
    remarks: tuple[str, ...]
    next_steps: tuple[str, ...]
    stop: str


def reason_words(codes: Iterable[str]) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Turn reason codes into doubts, remarks and remedies, each once, the gravest first.

    Where a reason makes the count unusable, what would help to re-check it is no remedy.
    """
    known = [REASONS[code] for code in gravest_first(codes) if code in REASONS]
    doubts = tuple(reason.words for reason in known if reason.flag != "clear")
    remarks = tuple(reason.words for reason in known if reason.flag == "clear")
    unusable = [reason for reason in known if reason.flag == "unusable"]
    ordered = unusable or [reason for reason in known if reason.flag == "recheck"]
    ordered += [reason for reason in known if reason.flag == "clear"]
    return doubts, remarks, tuple(dict.fromkeys(reason.remedy for reason in ordered))


def heavy_probability(tally: PrintTally) -> float:
    """Probability of load class 4 or 5; nan when it is not known."""
    probability = tally.load_class_probability
    if len(probability) != len(LOAD_CLASSES):
        return math.nan
    return float(sum(probability[4:]))


def print_case(tally: PrintTally) -> PrintCase:
    """Tell which of the verdicts a print has.

    "doubtful" where the load rests more on objects that could be spores or not than on sure ones, or is likely
    to be heavy by those alone.
    """
    if tally.flag == "unusable" or tally.fields == 0:
        return "unusable"
    heavy = heavy_probability(tally)
    without = tally.heavy_without_doubtful if tally.doubtful_objects else heavy
    if tally.class_at_least >= 4 or without >= _LIKELY:
        return "heavy"
    sure = tally.expected - tally.doubtful_expected if tally.doubtful_objects else tally.spores
    if tally.doubtful_expected >= max(_MANY_DOUBTS, sure) or heavy >= _LIKELY:
        return "doubtful"
    if tally.spores == 0:
        return "none"
    middling = heavy + float(tally.load_class_probability[3]) if not math.isnan(heavy) else math.nan
    return "many" if tally.class_at_least >= 3 or middling >= _LIKELY else "few"


def print_verdict(tally: PrintTally) -> Verdict:
    """Say what a print's photos support."""
    case = print_case(tally)
    doubts, remarks, remedies = reason_words(tally.reasons)
    place = f"in {plural(tally.fields, 'field')}, {area(tally.examined_mm2)}"
    found = f"{plural(tally.spores, 'spore')} found {place}"
    doubt = _beyond_counted(tally)
    headline = {
        "unusable": "No verdict: these photos cannot be relied on.",
        "none": f"No sure spore found {place}; doubtful objects add up to about {about(doubt)}."
        if doubt
        else f"No spore found {place}.",
        "doubtful": f"Open: {found}, but {_doubtful_objects(tally)} decide what that means.",
        "few": f"Few spores: {found}.",
        "many": f"More than a few spores are likely: {found}.",
        "heavy": f"A heavy load is likely: {found}.",
    }[case]
    evidence = [] if case == "unusable" else _evidence(tally)
    if case == "unusable" and tally.spores:
        evidence = [
            f"{plural(tally.spores, 'object')} looked like {'a spore' if tally.spores == 1 else 'spores'} "
            "all the same; take the number as a hint only."
        ]
    steps = list(remedies)
    if case == "unusable" and not steps:
        steps = ["Photograph the print again, or take a new print."]
    return Verdict(
        case=case,
        headline=headline,
        evidence=tuple(evidence),
        could_hide=could_hide_words(tally),
        supports=_supports(case, tally),
        doubts=doubts,
        remarks=remarks,
        next_steps=tuple(steps),
        stop=stop_words(tally),
    )


def could_hide_words(tally: PrintTally) -> str:
    """Say what load could be there all the same where none was found; never that nothing is.

    Empty where spores were found, or doubtful objects decide: the load says it there.
    """
    case = print_case(tally)
    if case not in ("none", "unusable"):
        return ""
    if math.isnan(tally.could_hide) or tally.examined_mm2 <= 0 or case == "unusable":
        return "What could have been missed is not known: too little could be examined to say."
    if math.isinf(tally.could_hide):
        return "Any load could be there unseen: too little of the print was examined."
    bound = _bound(tally.could_hide)
    if _beyond_counted(tally):
        return (
            f"With the doubtful objects, what was seen fits a whole print of up to about {bound} (95 of 100 "
            "cases). None found is not none there."
        )
    words = f"A print with more than about {bound} would have shown one in 95 of 100 cases"
    if math.isfinite(tally.could_hide_even) and tally.could_hide_even < 0.8 * tally.could_hide:
        words += f" (about {_bound(tally.could_hide_even)} if they lay evenly, which they seldom do)"
    return f"{words}. None found is not none there."


def _beyond_counted(tally: PrintTally) -> float:
    """Spores that are expected in the fields beyond those counted; 0 below half a spore."""
    more = tally.expected - tally.spores
    return more if math.isfinite(more) and more >= _WORTH_A_WORD else 0.0


def _doubtful_objects(tally: PrintTally) -> str:
    return plural(tally.doubtful_objects, "doubtful object")


def density_of_doubts_words(tally: PrintTally) -> str:
    """Say why a density stands beside a count of 0; empty where none does."""
    if tally.spores or not tally.doubtful_objects or not math.isfinite(tally.density_per_mm2):
        return ""
    if about(tally.density_per_mm2) == "0":
        return ""
    return f"None counts as a spore; the density is that of {_doubtful_objects(tally)}."


def _bound(load: float) -> str:
    number = about(max(load, 1.0), up=True)
    return f"{number} {'spore' if number == '1' else 'spores'}"


def area_words(tally: PrintTally) -> str:
    """Say how large the whole print is held to be, and how that is known; empty when it is not."""
    mm2, low, high = tally.print_area_mm2, tally.print_area_low_mm2, tally.print_area_high_mm2
    if not math.isfinite(mm2):
        return ""
    span = f"{area(low, unit=False)} to {area(high)}"
    if tally.print_area_source == "measured":
        return f"The whole print measures {area(mm2)} on its overview photos (95 % range {span})."
    if tally.print_area_source == "entered":
        return f"The whole print measures {area(mm2)}, as it was entered ({span} is allowed for)."
    return (
        f"How large this print is was not measured: {area(mm2)} is taken, and {span} allowed for. An overview "
        "photo or a ruler would narrow the load."
    )


def doubts_decide(tally: PrintTally) -> bool:
    """Tell whether a print's doubtful objects are to be settled before more photos are taken.

    The load rests on them, or no number of fields decides; in the latter case `plan` says so, too
    (`PrintPlan.rests_on_doubt`).
    """
    if tally.heavy_verdict != "open":
        return False
    return print_case(tally) == "doubtful" or (tally.fields_to_go < 0 and tally.doubtful_objects > 0)


def stop_words(tally: PrintTally) -> str:
    """Say whether more fields would settle if the load is heavy; empty without a usable field."""
    if print_case(tally) == "unusable" or math.isnan(tally.next_field_bits):
        return ""
    if tally.heavy_verdict != "open":
        is_it = "it is not" if tally.heavy_verdict == "below" else "it is"
        return (
            f"Whether the load is heavy is decided ({is_it}), at a risk of 5 in 100: no more photos are needed "
            "for that question."
        )
    why = ""
    if heavy_probability(tally) <= _RISK:
        why = f", for {shows_as_little(HEAVY_FROM, in_100(_RISK))}"
    if doubts_decide(tally):
        return (
            f"Whether the load is heavy is open{why}: settle the doubtful objects before taking more photos."
        )
    if tally.fields_to_go < 0:
        return f"Whether the load is heavy stays open, even with all fields that still fit on the print{why}."
    more = plural(tally.fields_to_go, "more field")
    return (
        f"Whether the load is heavy is open{why}: about {more} like these would decide it, at a risk of "
        f"{in_100(_RISK)}."
    )


def _evidence(tally: PrintTally) -> list[str]:
    lines = []
    if math.isfinite(tally.density_per_mm2) and tally.spores:
        lines.append(
            f"Density: {about(tally.density_per_mm2)} spores per mm² (95 % interval {about(tally.density_low)} "
            f"to {about(tally.density_high, up=True)}). It is the mean over the print; clumps, counting, sorting "
            "and scale are allowed for."
        )
    elif words := density_of_doubts_words(tally):
        lines.append(words)
    if math.isfinite(tally.load_low) and math.isfinite(tally.load_high) and print_case(tally) != "none":
        lines.append(
            f"Load: between {about(tally.load_low)} and {about(tally.load_high, up=True)} spores on the whole "
            "print (95 of 100 cases). It also weighs how large the print is and which loads occur at all, so it "
            "is not just density times area."
        )
    lines.append(class_words(tally))
    if tally.class_at_least > 1:
        lines.append(
            f"The sure spores of the examined fields alone make class {tally.class_at_least} "
            f"({LOAD_CLASSES[tally.class_at_least]})."
        )
    if words := area_words(tally):
        lines.append(words)
    return lines


def class_words(tally: PrintTally) -> str:
    """Name the likely load classes with their probabilities, those of 5 in 100 and more.

    First the class by the sure spores, where doubtful objects alone make another one likelier; then by
    probability.
    """
    probability = tally.load_class_probability
    if len(probability) != len(LOAD_CLASSES) or not np.isfinite(probability).all():
        return "The load class of the whole print cannot be told."
    order = sorted(range(6), key=lambda one: (-probability[one], one))
    by_sure = tally.doubtful_objects > 0 and tally.load_class != order[0]
    first = tally.load_class if by_sure else order[0]
    others = [
        f"class {one} ({_class_range(one)}): {in_100(probability[one])}"
        for one in order
        if probability[one] >= 0.05 and one != first
    ]
    words = "Load class by the sure spores" if by_sure else "Likeliest load class"
    words += f" {first} ({_class_range(first)}): {in_100(probability[first])}"
    return "; ".join([words, *others]) + f". {heavy_words(tally)}"


def heavy_words(tally: PrintTally) -> str:
    """Say how likely a heavy load is, and how likely without the doubtful objects where they matter."""
    heavy = heavy_probability(tally)
    words = f"A heavy load (class 4 or 5): {in_100(heavy)}"
    without = tally.heavy_without_doubtful
    if tally.doubtful_objects and in_100(without) != in_100(heavy):
        words += f"; {in_100(without)} if none of the {_doubtful_objects(tally)} is a spore"
    return f"{words}."


def _class_range(load_class: int) -> str:
    words = LOAD_CLASSES[load_class]
    return words if load_class < 2 else f"{words} spores"


def _supports(case: PrintCase, tally: PrintTally) -> str:
    heavy = heavy_probability(tally)
    if case == "unusable":
        words = "The photos support neither holding nor releasing; better photos or a re-test would."
    elif case == "none":
        if tally.could_hide <= HEAVY_FROM:
            words = "This speaks against a heavy load (more than 100 spores); a light one remains possible."
        else:
            words = (
                "This does not rule out a heavy load (more than 100 spores): too little of the print was "
                "examined. More fields would narrow it."
            )
    elif case == "doubtful":
        words = (
            "What the doubtful objects are decides this print, and only a re-check can tell: look at them before "
            "anything else."
        )
    elif case == "few":
        words = "This speaks for a light load" + (
            " and against a heavy one."
            if heavy < 0.05
            else f"; a heavy one keeps {in_100(heavy)}."
            if not math.isnan(heavy)
            else "."
        )
        words += (
            " A few spores are common in wild animals and can come from gloves or a shared container; "
            "a second print tells more than a second look."
        )
    elif case == "many":
        words = "This speaks for an infected animal"
        words += f"; a heavy load is possible: {in_100(heavy)}." if not math.isnan(heavy) else "."
    else:
        words = (
            "This speaks for a heavily infected animal. Animals from the same container often differ, so "
            "each needs its own print."
        )
    if tally.flag == "recheck":
        return f"With the doubts named below, {_lower(words)}"
    return words


def field_sentence(tally: FieldTally) -> str:
    """Say what one field shows, in one or two sentences."""
    doubts, _, _ = reason_words(tally.reasons)
    if tally.flag == "unusable":
        words = "Not usable" + (f": {_lower(doubts[0])}" if doubts else ".")
        if tally.spores:
            words += (
                f" {plural(tally.spores, 'object')} looked like "
                f"{'a spore' if tally.spores == 1 else 'spores'} all the same."
            )
        return words
    words = (
        f"{count_phrase(tally.spores, tally.spores_low, tally.spores_high)} in {area(tally.examined_mm2)}."
    )
    if tally.flag == "recheck":
        words += f" Look again: {_lower(doubts[0])}" if doubts else " Look again before relying on it."
    return words


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]


def read_sentences(tally: PrintTally, readers: Readers) -> list[str]:
    """Say what readers' decisions make of a print, and what its keeper decided; empty where nobody did."""
    lines = []
    read = readers.prints.get(tally.sample)
    if read is not None:
        names = ", ".join(readers.names_of[tally.sample])
        who = f"{plural(readers.decided_of[tally.sample], 'object')} decided by {names}"
        verdict = print_verdict(read)
        lines.append(f"With readers' decisions ({who}): {_lower(verdict.headline)}")
        if read.spores and math.isfinite(read.density_per_mm2):
            lines.append(verdict.evidence[0])
        elif verdict.case == "none":
            lines.append(verdict.could_hide)
        if verdict.case != "unusable":
            lines.append(class_words(read))
        if differ := readers.differ_of.get(tally.sample, 0):
            lines.append(
                f"Readers disagree on {plural(differ, 'object')}, which {'stays' if differ == 1 else 'stay'} "
                "open: not in the count, half a spore each in density and load. A third look decides."
            )
        if read.flag != tally.flag:
            lines.append(f"The flag is then {read.flag}; the machine's own is {tally.flag}.")
    if keeper := keeper_words(tally.sample, readers):
        lines.append(keeper)
    return lines


def keeper_words(sample: str, readers: Readers) -> str:
    """Say what the keeper decided on a print; empty where nothing."""
    if sample not in readers.keeper:
        return ""
    says, note = readers.keeper[sample]
    return f"The keeper's decision: {says}" + (f" ({note})." if note else ".")
