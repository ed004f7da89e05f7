"""What happens in the session, told to every open tab as it happens: server-sent events."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator
from typing import Any

_QUIET_S = 15.0
"""After so long without news a line is sent, by which a tab that is gone is noticed."""


class News:
    """The news of a session: the latest of each subject, in order.

    A tab that comes back names the last number it has seen and gets what is newer.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._number = 0
        self._latest: dict[tuple[str, str], tuple[int, str]] = {}
        self._tabs: set[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = set()
        self._over = False

    def tell(self, kind: str, subject: str, **said: Any) -> None:
        """Say something, from any thread; it takes the place of what was said of the same subject."""
        with self._lock:
            self._number += 1
            self._latest.pop((kind, subject), None)
            self._latest[kind, subject] = (self._number, json.dumps(said))
        self._wake()

    def close(self) -> None:
        """Let all tabs go."""
        self._over = True
        self._wake()

    def _wake(self) -> None:
        for loop, event in list(self._tabs):
            if not loop.is_closed():
                loop.call_soon_threadsafe(event.set)

    async def follow(self, after: int) -> AsyncIterator[str]:
        """Give the news newer than a number, then each as it comes, as server-sent events."""
        event = asyncio.Event()
        tab = (asyncio.get_running_loop(), event)
        self._tabs.add(tab)
        try:
            yield "retry: 1000\n\n"
            while not self._over:
                event.clear()
                with self._lock:
                    if after > self._number:  # the number is of an earlier start of the program
                        after = 0
                    fresh = [
                        (number, kind, text)
                        for (kind, _), (number, text) in self._latest.items()
                        if number > after
                    ]
                for number, kind, text in sorted(fresh):
                    after = number
                    yield f"id: {number}\nevent: {kind}\ndata: {text}\n\n"
                try:
                    await asyncio.wait_for(event.wait(), _QUIET_S)
                except asyncio.TimeoutError:
                    yield ": still here\n\n"
        finally:
            self._tabs.discard(tab)
