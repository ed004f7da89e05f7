"""Prints tallied again after their fields were read by people; their maps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from sporecount.readings import mostly_unread
from sporecount.records import FalseRate, FieldPreview, FieldResult, OwnRecall, PrintTally
from sporecount.session.sizes import OF_THE_SESSION
from sporecount.settings import CountSettings

if TYPE_CHECKING:
    from sporecount.steps.overlap import PrintMap

_OF_THE_SESSION = (
    "blank-contaminated",
    "scale-doubtful",
    "control-missed",
    "photos-left-out",
    "same-photo-elsewhere",
    "camera-names",
    *OF_THE_SESSION,
)
"""Reasons that come from other prints or photos of the session, so that no reading of this one takes them away."""


class Retally:
    """Tallies prints again. Where their fields lie is found once, for no reading moves a field.

    Parameters
    ----------
    preview_of : callable
        Photo to its preview.
    settings : CountSettings
    own_recall : OwnRecall, optional
        Of the session.
    false_rate : FalseRate, optional
        Of the session.
    """

    def __init__(
        self,
        preview_of: Callable[[str], FieldPreview],
        settings: CountSettings,
        own_recall: OwnRecall | None = None,
        false_rate: FalseRate | None = None,
    ) -> None:
        self._preview_of, self._settings = preview_of, settings
        self._own_recall, self._false_rate = own_recall, false_rate
        self._placed: dict[tuple[tuple[str, int], ...], PrintMap] = {}

    def placed(self, fields: Sequence[FieldResult]) -> PrintMap:
        """Place the fields of a print on one map; missed spores that readers added are objects, too."""
        from sporecount.chain import map_print

        key = tuple((field.photo, len(field.objects)) for field in fields)
        if key not in self._placed:
            self._placed[key] = map_print(fields, self._preview_of)
        return self._placed[key]

    def tally(self, fields: Sequence[FieldResult], machine: PrintTally, undecided: float = 1.0) -> PrintTally:
        """Join settled fields to the tally of their print.

        Parameters
        ----------
        fields : sequence of FieldResult
            All of one print, as `readings.settle` gives them.
        machine : PrintTally
            The program's own, for what the session said of the print.
        undecided : float
            Share of the spores expected on objects that no reader decided on; see `readings.undecided_share`.
        """
        from sporecount.chain import count_print
        from sporecount.steps.print_area import area_of
        from sporecount.steps.print_tally import false_rate_for, with_own_recall

        known = with_own_recall(fields, self._own_recall)
        false_rate = false_rate_for(self._false_rate, machine.sample, undecided)
        tally = count_print(
            known, self._preview_of, self._settings, self.placed(fields), area_of(machine), false_rate
        )
        stay = [code for code in machine.reasons if code in _OF_THE_SESSION]
        doubted = "ambiguous-objects" in machine.reasons
        if doubted and mostly_unread(tally.doubtful_objects, machine.doubtful_objects):
            stay.append("ambiguous-objects")
        return tally.with_reasons(*stay)

    def map_svg(self, fields: Sequence[FieldResult], machine: PrintTally) -> str:
        """Draw the map of a print; empty where it would tell nothing. Parameters as of `tally`."""
        from sporecount.session.maps import draw_map

        return draw_map(self.placed(fields), fields, self._preview_of, machine)
