"""The one family of errors that a user may see.

Each says what is wrong, where it was found and what to do about it. The command line maps them to
exit code 2 (or names the photo and goes on), the page to an answer with the same words.
"""

from __future__ import annotations


class SporecountError(Exception):
    """Something that the user can put right.

    Parameters
    ----------
    what : str
        What is wrong, in one sentence without a full stop.
    where : str
        File, field or argument in which it was found; empty when it is plain from `what`.
    remedy : str
        What to do, in one sentence without a full stop.
    """

    code = "error"

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        super().__init__(str(self))

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        way_out = f". {self.remedy}." if self.remedy else "."
        return f"{place}{self.what}{way_out}"


class PhotoError(SporecountError):
    """A file that cannot be used as a photo; `code` tells the kind of fault."""

    def __init__(self, what: str, *, code: str, where: str = "", remedy: str = "") -> None:
        super().__init__(what, where=where, remedy=remedy)
        self.code = code


class SessionError(SporecountError):
    """A folder, table or output place that cannot be used."""

    code = "session"


class SettingsError(SporecountError):
    """A setting outside its range."""

    code = "settings"


class CalibrationError(SporecountError):
    """A ruling that gives no trustworthy number, or a profile that does not fit; `code` tells why."""

    def __init__(self, what: str, *, code: str, where: str = "", remedy: str = "") -> None:
        super().__init__(what, where=where, remedy=remedy)
        self.code = code
