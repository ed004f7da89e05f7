"""A session: a folder of photos in, counted prints out.

A count, in order (`run` joins it): `plan` (with `folder`, `groups`, `scales`) says what is to be done;
`photo_run` has every photo counted, `print_run` every print tallied, by the `worker`s of a `crew`; `scale_check`
and `scale_run` try other scales; `blanks`, `known`, `sizes` judge the session as a whole; `readers` and `retally`
put people's decisions beside it; `outputs` writes it, with `notes`; `tidy` lets go of what is old. `opened` opens
it again.

Beside a count: `live` (a folder while photos arrive), `planning` (how many photos are enough), `agreeing`,
`animals`, `spiking`, `calibrating`, `practice`.
"""

from __future__ import annotations

from sporecount.session.opened import open_session
from sporecount.session.plan import Plan, make_plan
from sporecount.session.run import Progress, count_folder
from sporecount.session.worker import PhotoDone

__all__ = ["PhotoDone", "Plan", "Progress", "count_folder", "make_plan", "open_session"]
