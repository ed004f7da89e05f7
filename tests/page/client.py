"""A client that talks to the page inside this process, as the session's own browser would."""

from __future__ import annotations

import asyncio
from typing import Any

import httpx

from sporecount.page.app import make_app
from sporecount.page.desk import Desk

PORT, KEY = 8599, "a-key-of-the-tests"
HOME = f"http://127.0.0.1:{PORT}"


class Client:
    """Requests one after the other, each with cookie and origin unless said otherwise."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.app = make_app(desk, key=KEY, port=PORT)

    def ask(self, method: str, address: str, *, known: bool = True, **options: Any) -> httpx.Response:
        headers = {"origin": HOME, **options.pop("headers", {})}
        if known:
            headers.setdefault("cookie", f"sporecount-{PORT}={KEY}")

        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.app, raise_app_exceptions=False)
            async with httpx.AsyncClient(transport=transport, base_url=HOME) as client:
                return await client.request(method, address, headers=headers, **options)

        return asyncio.run(once())

    def get(self, address: str, **options: Any) -> httpx.Response:
        return self.ask("GET", address, **options)

    def post(self, address: str, **options: Any) -> httpx.Response:
        return self.ask("POST", address, **options)

    def put(self, address: str, **options: Any) -> httpx.Response:
        return self.ask("PUT", address, **options)

    def files(self) -> list[str]:
        """List what lies in the session's folder, without its results."""
        folder = self.desk.folder
        every = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))
        return [name for name in every if name.split("/")[0] != "sporecount"]
