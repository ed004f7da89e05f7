"""What a spike-in found, kept beside the results for the counts that follow."""

from __future__ import annotations

import json
from pathlib import Path

from sporecount.records import OwnRecall
from sporecount.settings import CountSettings

SPIKE_FILE = "spike.json"
SPIKE_FORM = 2


def read_own_recall(
    out: Path, model: str, settings: CountSettings
) -> tuple[OwnRecall | None, tuple[str, ...]]:
    """Read the recall that the last spike-in into this session's photos gave.

    Parameters
    ----------
    out : Path
        Folder of the results.
    model : str
        What the count is made with.
    settings : CountSettings

    Returns
    -------
    own : OwnRecall or None
        None without a spike-in, when its spores were drawn, or when it was made with another model or for spores
        of another size.
    notes : tuple of str
        What a keeper should know of it, a sentence each.
    """
    from sporecount.stats.control import recovery

    try:
        said = json.loads((out / SPIKE_FILE).read_bytes())
        if said["form"] != SPIKE_FORM:
            raise ValueError
        same = said["model"] == model and said["settings"] == decisive(settings)
        if said["own_recall"] is None:
            return None, ()
        own = OwnRecall(**said["own_recall"])
    except FileNotFoundError:
        return None, ()
    except (OSError, ValueError, KeyError, TypeError):
        return None, (f"{SPIKE_FILE} cannot be read, so it is not used; run `sporecount spike` again.",)
    if not same:
        return None, (
            "The spike-in was made with another version or other settings, so it is not used; run "
            "`sporecount spike` again.",
        )
    told = [
        f"{found} of {placed} {where} ({100 * share.value:.0f} %, 95 % interval {100 * share.low:.0f} to "
        f"{100 * share.high:.0f} %)"
        for found, placed, where in (
            (own.found, own.placed, "in photos of the same print"),
            (own.strange_found, own.strange_placed, "in photos of prints that show too few"),
        )
        if placed
        for share in [recovery(found, placed).share]
    ]
    return own, (
        f"Density and what could still hide rest on a spike-in into these photos, too. Of simulated spores, "
        f"copies of likely ones, were found: {'; '.join(told)}. They lay alone, and on top. See spike.jpg.",
    )


def decisive(settings: CountSettings) -> dict[str, float]:
    """Give the settings that decide what is found."""
    names = ("spore_length_min_um", "spore_length_max_um", "count_from")
    return {name: getattr(settings, name) for name in names}
