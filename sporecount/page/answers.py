"""How routes answer: pages from templates, objects as JSON, and one form for every error."""

from __future__ import annotations

import json
import math
import re
from datetime import datetime, timezone
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from sporecount.errors import SporecountError
from sporecount.page.desk import Desk
from sporecount.page.opened import photo_id
from sporecount.report import phrases

LINE_ID = re.compile(r"[A-Za-z0-9-]{8,64}")
"""Form of the id that the page gives to each line it wants written."""

_LONGEST_NAME = 40
_MOST_JSON = 4_000_000
_STATUS = {"too-large": 413, "no-room": 507, "no-photo": 404}

PLACES = (
    ("/", "Photos"),
    ("/prints", "Prints"),
    ("/recheck", "Re-check"),
    ("/calibrate", "Calibrate"),
    ("/cautions", "Cautions"),
)
"""The page's places in the order of the work, with their names."""


def desk_of(request: Request) -> Desk:
    """Give the session that the page shows."""
    desk = request.app.state.desk
    assert isinstance(desk, Desk)
    return desk


def page(request: Request, template: str, **shown: Any) -> HTMLResponse:
    """Fill a template."""
    environment: Environment = request.app.state.environment
    desk = desk_of(request)
    html = environment.get_template(template).render(
        here=request.url.path,
        places=PLACES,
        session=desk.name,
        session_id=photo_id(str(desk.out.resolve())),
        **shown,
    )
    return HTMLResponse(html.encode("utf-8", "replace"))


def make_environment() -> Environment:
    """Make the templates ready; every text is escaped."""
    environment = Environment(
        loader=PackageLoader("sporecount.page", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["area"] = phrases.area
    environment.filters["about"] = phrases.about
    environment.filters["photo_id"] = photo_id
    environment.filters["percent"] = lambda share: f"{100 * share:.0f} %" if math.isfinite(share) else "–"
    environment.filters["drawn"] = Markup
    return environment


def say(said: Any, status: int = 200) -> JSONResponse:
    """Answer with JSON; numbers that are not known become null."""
    return JSONResponse(_known(said), status)


def _known(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {name: _known(one) for name, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_known(one) for one in value]
    return value


def on_fault(_request: Request, fault: Exception) -> Response:
    """Answer an error of ours with its own words."""
    assert isinstance(fault, SporecountError)
    said = {"code": fault.code, "where": fault.where, "what": fault.what, "remedy": fault.remedy}
    return say({"error": said | {"words": str(fault)}}, _STATUS.get(fault.code, 400))


def on_missing(request: Request, fault: Exception) -> Response:
    """Answer an address that leads nowhere, or a refused one."""
    status = fault.status_code if isinstance(fault, HTTPException) else 500
    detail = fault.detail if isinstance(fault, HTTPException) else "A fault of this program."
    if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
        answer = page(request, "missing.html", words=detail)
        answer.status_code = status
        return answer
    return say({"error": {"code": str(status), "what": detail, "words": detail}}, status)


async def said_in(request: Request) -> dict[str, Any]:
    """Read the JSON object that a request brings.

    Raises
    ------
    HTTPException
        400 for anything else, 413 for more than a page of ours ever sends.
    """
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > _MOST_JSON:
            raise HTTPException(413, "That is more than this page ever sends.")
    try:
        said = json.loads(body)
    except (ValueError, RecursionError):
        said = None
    if not isinstance(said, dict):
        raise HTTPException(400, "A JSON object was expected.")
    return said


def number_of(value: Any, name: str, low: float, high: float) -> float:
    """Read a number that a form sent.

    Raises
    ------
    HTTPException
        400, with words, for anything else.
    """
    try:
        number = float(str(value).strip().replace(",", "."))
    except ValueError:
        raise HTTPException(400, f"{name} must be a number, got {str(value)[:40]!r}.") from None
    if not low <= number <= high:
        raise HTTPException(400, f"{name} must be between {low:g} and {high:g}, got {number:g}.")
    return number


def now() -> str:
    """Give the time as it is kept."""
    return datetime.now(timezone.utc).isoformat(timespec="milliseconds")


def reader_name(said: Any) -> str:
    """Give a reader's name or initials in a form that lists can show; empty where there are none."""
    text = "".join(char for char in str(said or "") if char.isprintable()).strip()
    return text[:_LONGEST_NAME]
