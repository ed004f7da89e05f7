"""Cautions: what the page cannot do, and what can hurt an animal or a person."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from sporecount.page.answers import page


def show(request: Request) -> Response:
    """Show the cautions."""
    return page(request, "cautions.html")


routes = [Route("/cautions", show)]
