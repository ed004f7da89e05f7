"""A print tallied again after its fields were read by people."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from sporecount.reasons import flag_of
from sporecount.records import FieldPreview, FieldResult, PrintTally
from sporecount.settings import CountSettings

_OF_THE_SESSION = ("blank-contaminated",)
"""Reasons that come from other prints of the session, so that no reading of this one takes them away."""


def tally_again(
    fields: Sequence[FieldResult],
    preview_of: Callable[[str], FieldPreview],
    settings: CountSettings,
    machine: PrintTally,
) -> PrintTally:
    """Join settled fields to the tally of their print.

    Parameters
    ----------
    fields : sequence of FieldResult
        As `readings.settle` gives them.
    preview_of : callable
        Photo to its preview.
    settings : CountSettings
    machine : PrintTally
        The program's own, for what the session said of the print.
    """
    from sporecount.chain import count_print

    tally = count_print(fields, preview_of, settings)
    kept = tuple(code for code in machine.reasons if code in _OF_THE_SESSION and code not in tally.reasons)
    reasons = (*kept, *tally.reasons)
    return replace(tally, reasons=reasons, flag=flag_of(reasons)) if kept else tally
