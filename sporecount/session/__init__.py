"""A session: a folder of photos in, counted prints out."""

from __future__ import annotations

from sporecount.session.opened import open_session
from sporecount.session.plan import Plan, make_plan
from sporecount.session.run import Progress, count_folder
from sporecount.session.worker import PhotoDone

__all__ = ["PhotoDone", "Plan", "Progress", "count_folder", "make_plan", "open_session"]
