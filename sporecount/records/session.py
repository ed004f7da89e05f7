"""What flows from the fields of a session to its prints and results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from sporecount.reasons import Flag, flag_of
from sporecount.records.field import FieldResult, FieldTally


@dataclass(frozen=True)
class PrintTally:
    """Count of a print, from its fields.

    Parameters
    ----------
    sample : str
    photos, fields : int
        Photos used, and different places that they show.
    examined_mm2 : float
        Union of the examined areas.
    spores : int
    density_per_mm2, density_low, density_high : float
        Spores per mm2 with its 95 % interval; nan when nothing was examined.
    could_hide_per_mm2 : float
        95 % upper bound of the density that what was seen is compatible with.
    load_class : int
        Likeliest load class 0-5 of the whole print, once the doubtful objects are decided the likelier way.
    load_class_probability : tuple of float
        Of the classes 0 to 5.
    flag : Flag
    reasons : tuple of str
    load_low, load_high : float
        95 % interval of the number of spores on the whole print.
    class_at_least : int
        Load class of the sure spores in the examined fields alone: a lower bound.
    could_hide, could_hide_even : float
        Smallest load of the whole print that would have shown more spores than were found in 95 of 100 cases;
        the same if spores were scattered evenly, the optimistic case. inf where none is ruled out.
    heavy_verdict : {"below", "at least", "open"}
        Whether it is decided, at a risk of 0.05, that the load is below class 4, or of it or above.
    fields_to_go : int
        Fields like those so far that would decide it; 0 when decided, -1 when all that fit would not do.
    next_field_bits : float
        Expected loss of doubt about that by one more field, 0 to 1.
    expected : float
        Spores expected among what was found: the sum of the objects' probabilities.
    doubtful_objects : int
        Objects of which a closer look could still decide, each once.
    doubtful_expected : float
        Spores expected among those.
    heavy_without_doubtful : float
        Probability of class 4 or 5 if none of them is a spore.
    print_area_mm2, print_area_low_mm2, print_area_high_mm2 : float
        Area of the whole print that the load rests on, with its 95 % range.
    print_area_source : {"entered", "measured", "default"}
        Whether somebody entered it, overview photos show it, or it is the usual area of a print.
    print_outlines_um : tuple of tuple of (float, float)
        Outlines of what the overview photos show of the print, x and y in um; empty without any.
    """

    sample: str
    photos: int
    fields: int
    examined_mm2: float
    spores: int
    density_per_mm2: float
    density_low: float
    density_high: float
    could_hide_per_mm2: float
    load_class: int
    load_class_probability: tuple[float, ...]
    flag: Flag
    reasons: tuple[str, ...]
    load_low: float = float("nan")
    load_high: float = float("nan")
    class_at_least: int = 0
    could_hide: float = float("nan")
    could_hide_even: float = float("nan")
    heavy_verdict: Literal["below", "at least", "open"] = "open"
    fields_to_go: int = -1
    next_field_bits: float = float("nan")
    expected: float = float("nan")
    doubtful_objects: int = 0
    doubtful_expected: float = 0.0
    heavy_without_doubtful: float = float("nan")
    print_area_mm2: float = float("nan")
    print_area_low_mm2: float = float("nan")
    print_area_high_mm2: float = float("nan")
    print_area_source: Literal["entered", "measured", "default"] = "default"
    print_outlines_um: tuple[tuple[tuple[float, float], ...], ...] = ()

    def with_reasons(self, *codes: str) -> PrintTally:
        """Add reasons, codes of `reasons.REASONS`, and take the flag that all of them ask for."""
        reasons = tuple(dict.fromkeys((*self.reasons, *codes)))
        return replace(self, reasons=reasons, flag=flag_of(reasons))


@dataclass(frozen=True)
class OwnRecall:
    """How many copies of likely spores, placed into the examined parts of a session's own photos, were found.

    Found are those that were counted, and those among the doubtful objects.

    Parameters
    ----------
    sharp_found, sharp_placed : int
        Where the photo is sharp.
    blurred_found, blurred_placed : int
        Where it is not.
    strange_found, strange_placed : int
        Copies from another print, placed where a print shows too few of its own; not among the others.
    """

    sharp_found: int
    sharp_placed: int
    blurred_found: int
    blurred_placed: int
    strange_found: int = 0
    strange_placed: int = 0

    @property
    def found(self) -> int:
        """Found of the copies within their print."""
        return self.sharp_found + self.blurred_found

    @property
    def placed(self) -> int:
        """Copies within their print."""
        return self.sharp_placed + self.blurred_placed


@dataclass(frozen=True)
class FalseRate:
    """False spores per mm2 on a session's prints that are known to be clean.

    Parameters
    ----------
    prints : tuple of str
        Those prints.
    found : float
        Spores that sure objects on them would add up to.
    examined_mm2 : float
        Of those prints, above 0.
    low, high : float
        95 % interval of the rate, per mm2.
    """

    prints: tuple[str, ...]
    found: float
    examined_mm2: float
    low: float
    high: float

    @property
    def per_mm2(self) -> float:
        """Best value of the rate."""
        return self.found / self.examined_mm2


@dataclass(frozen=True)
class SporeSize:
    """Length of the spores of a session or a print, from its sure single ones.

    Parameters
    ----------
    spores : int
        Those it rests on.
    length_um, spread_um : float
        Median, and robust standard deviation of single spores; nan without any.
    length_low_um, length_high_um : float
        95 % interval of the median; nan below six spores.
    groups_um : tuple of float
        Lengths of two clearly different sizes, where there are two; else empty.
    """

    spores: int
    length_um: float
    spread_um: float
    length_low_um: float
    length_high_um: float
    groups_um: tuple[float, ...] = ()


@dataclass(frozen=True)
class FailedPhoto:
    """A file that could not be used, with the reason in words."""

    photo: str
    sample: str
    code: str
    message: str


@dataclass(frozen=True)
class Provenance:
    """What a result was made with: enough to make it again.

    Parameters
    ----------
    version : str
        Of the package.
    model : str
        Name and SHA-256 of the classifier's file.
    settings : dict
    libraries : dict
        Name to version.
    photos : dict
        Photo name to SHA-256.
    adapter : dict or None
        The adapter profile used.
    """

    version: str
    model: str
    settings: dict[str, Any]
    libraries: dict[str, str]
    photos: dict[str, str]
    adapter: dict[str, Any] | None = None


@dataclass(frozen=True)
class Readers:
    """What people decided on a session, and what follows from it; the machine's answer stands elsewhere.

    Parameters
    ----------
    fields : mapping of str to FieldTally
        Photo to its count with the decisions, for photos of prints that somebody read.
    decided : mapping of str to int
        Photo to the number of places decided on.
    prints : mapping of str to PrintTally
        Sample to its tally with the decisions.
    names_of : mapping of str to tuple of str
        Sample to its readers.
    decided_of : mapping of str to int
        Sample to the number of places decided on.
    differ_of : mapping of str to int
        Sample to the number of objects on which readers differ.
    keeper : mapping of str to (str, str)
        Sample to the keeper's decision (hold, release, re-test) and note.
    learnt : tuple of str
        What the decisions say of the machine's probabilities, in sentences.
    """

    fields: Mapping[str, FieldTally]
    decided: Mapping[str, int]
    prints: Mapping[str, PrintTally]
    names_of: Mapping[str, tuple[str, ...]]
    decided_of: Mapping[str, int]
    keeper: Mapping[str, tuple[str, str]]
    learnt: tuple[str, ...] = ()
    differ_of: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class SessionResult:
    """Result of a folder of photos. Its fields may be loaded from the disk when they are asked for.

    `spore_size` is that of all prints together; `own_recall` is what a spike-in found, None where none holds;
    `false_rate` is what prints known to be clean show, None without such a print.
    `readers` is None where nobody has read or decided anything. `next_print` is the one of the notes that says
    which print comes next; empty without one. `simulated` of the photos counted are simulated.
    """

    folder: str
    fields: Sequence[FieldResult]
    prints: tuple[PrintTally, ...]
    failed: tuple[FailedPhoto, ...]
    provenance: Provenance
    notes: tuple[str, ...] = field(default_factory=tuple)
    spore_size: SporeSize | None = None
    own_recall: OwnRecall | None = None
    false_rate: FalseRate | None = None
    readers: Readers | None = None
    next_print: str = ""
    simulated: int = 0

    @property
    def prints_read(self) -> tuple[PrintTally, ...]:
        """The prints as they stand: with the readers' decisions where there are any, else the machine's."""
        read = self.readers.prints if self.readers is not None else {}
        return tuple(read.get(one.sample, one) for one in self.prints)
