"""The machine's answer and the readers' decisions to a tally again; both are kept.

A reader's word goes before the program's, but no reader is taken for infallible, and readers who differ leave the
object open until one more look decides. Nothing here changes what the program said: each function makes a new
record. `decisions`: what was said, and of which object; `settling`: a field tallied again; `queueing`: what is
still in doubt; `learning`: what decisions say of the program; `comparing`: how far readers agree.
"""

from __future__ import annotations

from sporecount.readings.comparing import Agreement, agreement, compare_readings, compare_with_machine
from sporecount.readings.decisions import (
    SAYS,
    Reading,
    Says,
    by_photo,
    current,
    differing,
    nearest,
    spot_of,
    undecided_share,
)
from sporecount.readings.learning import Learnt, learn, learnt_words
from sporecount.readings.queueing import Doubt, queue
from sporecount.readings.settling import SURE, mostly_unread, settle

__all__ = [
    "SAYS", "SURE", "Agreement", "Doubt", "Learnt", "Reading", "Says", "agreement", "by_photo",
    "compare_readings", "compare_with_machine", "current", "differing", "learn", "learnt_words", "mostly_unread",
    "nearest", "queue", "settle", "spot_of", "undecided_share",
]  # fmt: skip
