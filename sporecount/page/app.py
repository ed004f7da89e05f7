"""The page put together: routes, templates, files, and the guard around them."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from sporecount.errors import SporecountError
from sporecount.page import calibrate, cautions, drawing, field, photos, prints, recheck
from sporecount.page.answers import make_environment, on_fault, on_missing
from sporecount.page.desk import Desk
from sporecount.page.guard import Guard


def make_app(desk: Desk, *, key: str, port: int) -> ASGIApp:
    """Put the page together.

    Parameters
    ----------
    desk : Desk
        Started with the page and closed with it.
    key : str
        Random, of this start of the program.
    port : int
        On which the page listens.
    """

    @asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        desk.start()
        yield
        desk.close()

    static = StaticFiles(directory=str(files("sporecount.page") / "static"))
    app = Starlette(
        routes=[
            *photos.routes,
            *prints.routes,
            *field.routes,
            *recheck.routes,
            *calibrate.routes,
            *drawing.routes,
            *cautions.routes,
            Mount("/static", static),
        ],
        lifespan=lifespan,
        exception_handlers={SporecountError: on_fault, HTTPException: on_missing, 500: on_missing},
    )
    app.state.desk = desk
    app.state.environment = make_environment()
    return Guard(app, key=key, port=port)
