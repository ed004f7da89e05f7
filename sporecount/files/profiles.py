"""Adapter profiles on disk: one small JSON file for each adapter and objective.

They lie where the platform expects a user's data, or in `$SPORECOUNT_HOME` when that is set.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sporecount.calibration.profile import profile_from_json
from sporecount.errors import CalibrationError
from sporecount.files.whole import write_whole

_LONGEST_NAME = 60


def profile_folder() -> Path:
    """Give the folder of the profiles, whether it is there or not."""
    home = os.environ.get("SPORECOUNT_HOME")
    if home:
        return Path(home) / "adapters"
    from platformdirs import user_data_path

    return user_data_path("sporecount", appauthor=False) / "adapters"


def save_profile(profile: dict[str, Any]) -> Path:
    """Store a profile; one of the same adapter and objective is replaced.

    The one replaced is kept in the folder `earlier`, with its certificate.

    Parameters
    ----------
    profile : dict
        JSON-ready, with at least `name` and `objective`.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    CalibrationError
        A name that no list could show, or that looks like a place on the disk.
    """
    name = str(profile["name"])
    require_adapter_name(name)
    folder = profile_folder()
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / _file_name(name, profile.get("objective"))
    data = json.dumps(profile, indent=1, sort_keys=True, ensure_ascii=False).encode() + b"\n"
    if path.exists() and path.read_bytes() != data:
        _keep_earlier(path)
    write_whole(path, data)
    return path


def require_adapter_name(name: str) -> None:
    """Refuse a name that no list could show, or that looks like a place on the disk."""
    readable = name.strip() and name.isprintable() and len(name) <= _LONGEST_NAME
    if not readable or name.startswith(".") or any(char in name for char in "/\\"):
        raise CalibrationError(
            "this name cannot be used for an adapter",
            code="bad-name",
            where=repr(name),
            remedy=f"Give 1 to {_LONGEST_NAME} ordinary characters, no / or \\ among them and no dot in front",
        )


def _keep_earlier(path: Path) -> Path:
    """Copy a profile into the folder `earlier`, and move its certificate, which is no other profile's."""
    data = path.read_bytes()
    kept = path.parent / "earlier" / f"{path.stem}-{hashlib.sha256(data).hexdigest()[:8]}.json"
    kept.parent.mkdir(exist_ok=True)
    write_whole(kept, data)
    if (certificate := path.with_suffix(".html")).exists():
        certificate.replace(kept.with_suffix(".html"))
    return kept


def remove_profile(name: str, objective: float | None = None) -> Path:
    """Take a profile out of use; it stays in the folder `earlier`, with its certificate.

    Parameters and errors are those of `load_profile`.

    Returns
    -------
    Path
        Where it is kept.
    """
    profile = load_profile(name, objective)
    (path,) = (path for path, one in _stored() if one == profile)
    kept = _keep_earlier(path)
    path.unlink()
    return kept


def _file_name(name: str, objective: float | None) -> str:
    plain = "".join(char if char.isalnum() else "_" for char in name)
    plain = plain.encode()[:80].decode("utf-8", "ignore")
    mark = "" if plain == name else "-" + hashlib.sha256(name.encode()).hexdigest()[:8]
    power = "" if objective is None else f"-{objective:g}x"
    return f"{plain}{mark}{power}.json"


def list_profiles() -> list[dict[str, Any]]:
    """List the stored profiles by name and objective; files that are none are passed over."""
    found = (one for _, one in _stored())
    return sorted(found, key=lambda one: (str(one["name"]).casefold(), one.get("objective") or 0.0))


def _stored() -> Iterator[tuple[Path, dict[str, Any]]]:
    for path in profile_folder().glob("*.json"):
        try:
            yield path, read_profile(path)
        except CalibrationError:
            continue


def read_profile(path: Path) -> dict[str, Any]:
    """Read a profile from a file.

    Raises
    ------
    CalibrationError
        No file, no profile, or one with figures that cannot be.
    """
    try:
        profile = json.loads(path.read_bytes())
    except OSError as fault:
        raise CalibrationError(
            f"the profile cannot be read ({fault.strerror})",
            code="no-profile",
            where=str(path),
            remedy="Check the path",
        ) from None
    except (ValueError, RecursionError):
        profile = None
    if not isinstance(profile, dict):
        raise CalibrationError(
            "this is no adapter profile", code="no-profile", where=str(path), remedy="Calibrate again"
        )
    try:
        profile_from_json(profile)
    except CalibrationError as fault:
        raise CalibrationError(fault.what, code=fault.code, where=str(path), remedy=fault.remedy) from None
    return profile


def load_profile(name: str, objective: float | None = None) -> dict[str, Any]:
    """Load a stored profile.

    Parameters
    ----------
    name : str
        Of the adapter; upper and lower case count as the same.
    objective : float, optional
        Needed only where the adapter has profiles for several.

    Raises
    ------
    CalibrationError
        None, or several, that fit.
    """
    stored = list_profiles()
    named = [one for one in stored if str(one["name"]).casefold() == name.casefold()]
    fitting = [one for one in named if objective is None or one.get("objective") in (None, objective)]
    if len(fitting) == 1:
        return fitting[0]
    powers = ", ".join(f"{one['objective']:g}x" for one in named if one.get("objective"))
    if fitting:
        raise CalibrationError(
            f"the adapter has profiles for several objectives ({powers})",
            code="which-objective",
            where=name,
            remedy="Say which with --objective",
        )
    if named:
        raise CalibrationError(
            f"the adapter has a profile for {powers} only, not for {objective:g}x",
            code="no-profile",
            where=name,
            remedy="Calibrate it with that objective",
        )
    known = ", ".join(sorted({str(one["name"]) for one in stored})) or "none yet"
    raise CalibrationError(
        f"there is no adapter profile of this name (stored: {known})",
        code="no-profile",
        where=name,
        remedy="Make it with `sporecount calibrate PHOTO --adapter NAME`",
    )
