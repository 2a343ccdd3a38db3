"""Asks the local page without a network; shared by the tests of the page."""

from __future__ import annotations

import asyncio
from typing import Any

import httpx

from calib.page.app import make_app
from calib.page.opened import Opened

PORT, TOKEN = 8123, "a-token-of-the-tests"
HERE = f"http://127.0.0.1:{PORT}"


class Client:
    """Asks the page without a network, and keeps its cookies."""

    def __init__(self, app: Any) -> None:
        self._app = app
        self.cookies = httpx.Cookies()

    def get(self, place: str, **more: Any) -> httpx.Response:
        return self._ask("GET", place, **more)

    def post(self, place: str, **more: Any) -> httpx.Response:
        return self._ask("POST", place, **more)

    def _ask(self, method: str, place: str, **more: Any) -> httpx.Response:
        async def asked() -> httpx.Response:
            transport = httpx.ASGITransport(self._app)
            async with httpx.AsyncClient(transport=transport, cookies=self.cookies, base_url=HERE) as client:
                answer = await client.request(method, HERE + place, **more)
                self.cookies = client.cookies
                return answer

        return asyncio.run(asked())


def client_of(*opened: Opened) -> Client:
    """Return a client that has its cookie already."""
    client = Client(make_app(opened, TOKEN, PORT))
    client.cookies.set(f"calib_{PORT}", TOKEN)
    return client
