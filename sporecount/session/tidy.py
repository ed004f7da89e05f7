"""What is let go of after a count."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sporecount.files.kept import FieldPlace, KeptFields, KeptOverviews, KeptPrints
from sporecount.files.pictures import FieldPictures
from sporecount.files.whole import sweep
from sporecount.session.folder import KEPT
from sporecount.session.plan import Plan
from sporecount.session.worker import PhotoDone


def tidy(
    plan: Plan, done: Mapping[str, PhotoDone], places: Iterable[FieldPlace], print_keys: Iterable[str]
) -> None:
    """Let go of what belongs to photos that are gone, and of what interrupted runs left half written."""
    kept = plan.out / KEPT
    places = list(places)
    KeptFields(kept / "fields").prune(place.key for place in places)
    KeptPrints(kept / "prints").prune(print_keys)
    KeptOverviews(kept / "overviews").prune(one.key for one in done.values() if one.state == "overview")
    FieldPictures(plan.out, kept).prune(plan.overlays[place.photo] for place in places)
    keys = {place.key for place in places}
    for path in (kept / "scales").glob("*.json"):
        if path.stem not in keys:
            path.unlink(missing_ok=True)
    for folder in (plan.out, kept / "fields", kept / "prints", kept / "overviews", kept / "scales"):
        sweep(folder)
