"""A session: a folder of photos in, counted prints out.

A count, in order (`run` joins it): `plan` (with `folder`, `groups`, `scales`) says what is to be done;
`photo_run` has every photo counted, `print_run` every print tallied, by the `worker`s of a `crew`; `strays` are
files that are no prints; `scale_check` and `scale_run` try other scales; `blanks`, `known`, `sizes` judge the
session as a whole; `readers` and `retally` put people's decisions beside it; `outputs` writes it, with `notes`;
`tidy` lets go of what is old. `opened` opens it again.

Beside a count: `live` (a folder while photos arrive), `planning` (how many photos are enough), `agreeing`,
`animals`, `spiking` (with `spike_donors`, `spike_job`), `calibrating`, `practice`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sporecount.session.opened import open_session
    from sporecount.session.plan import Plan, make_plan
    from sporecount.session.run import Progress, count_folder
    from sporecount.session.worker import PhotoDone

__all__ = ["PhotoDone", "Plan", "Progress", "count_folder", "make_plan", "open_session"]

_HOMES = {
    "PhotoDone": "worker",
    "Plan": "plan",
    "Progress": "run",
    "count_folder": "run",
    "make_plan": "plan",
    "open_session": "opened",
}
"""Loaded when asked for: a worker needs only its own part, and starts the sooner."""


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"sporecount.session.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'sporecount.session' has no attribute {name!r}")
