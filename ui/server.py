"""The front end's server: answers this computer only, or a phone that was let in by its code; looks nothing up elsewhere.

Run by ``ui.launch`` in a process of its own: ``server.py ADDRESS PORT``; the code, where one is asked for, comes by CUTPIPE_CODE.
"""

from __future__ import annotations

import hmac
import ipaddress
import os
import secrets
import socket
import sys
import time
from collections.abc import Awaitable, Callable, MutableMapping
from html import escape
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

Scope = MutableMapping[str, Any]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

# Nothing leaves this computer: no statistics, no file watching; and a phone's photo may be large.
SETTINGS: dict[str, Any] = {
    "browser.gatherUsageStats": False,
    "server.headless": True,
    "server.maxUploadSize": 200,
    "server.fileWatcherType": "none",
    "client.toolbarMode": "minimal",
    "client.showErrorDetails": "none",
    "logger.level": "warning",
    "logger.hideWelcomeMessage": True,  # its banner would ask elsewhere for this computer's outside address
}
COOKIE = "cutpipe_key"
TRIES, PAUSE_S = 5, 60.0  # wrong codes taken before all new ones wait; 8 signs could not be guessed so in years


def loopback(address: str) -> bool:
    """Whether only this computer reaches the address."""
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def new_code() -> str:
    """Eight signs that cannot be taken for one another."""
    return "".join(secrets.choice("23456789abcdefghjkmnpqrstuvwxyz") for _ in range(8))


def host_allowed(host: str, address: str) -> bool:
    """Whether a Host header names this server. A name that someone else points at this computer is refused (DNS rebinding)."""
    try:
        name = (urlsplit(f"//{host}").hostname or "").rstrip(".")
    except ValueError:
        return False
    own = {"localhost", "127.0.0.1", "::1", address.lower()}
    if loopback(address):
        return name in own
    machine = socket.gethostname().lower()
    if name in own | {machine, f"{machine.split('.')[0]}.local"}:
        return True
    if address not in ("0.0.0.0", "::"):
        return False
    try:
        ipaddress.ip_address(
            name
        )  # every interface was asked for: any number of this computer's, but no stranger's name
    except ValueError:
        return False
    return True


class Door:
    """Stands before every page, file, upload and websocket."""

    def __init__(self, app: Any, *, address: str, code: str = "") -> None:
        self.app, self.address, self.code = app, address, code
        self._key = secrets.token_urlsafe(
            32
        )  # what the cookie holds: long, so that only the short code can be guessed at
        self._wrong: list[float] = []

    async def __call__(self, scope: Scope, receive: Any, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        host, origin = headers.get("host", ""), headers.get("origin")
        if not host_allowed(host, self.address):
            await _refuse(scope, send, 421, "These pages answer to this computer's own address only.")
        elif origin is not None and urlsplit(origin).netloc.lower() != host.lower():
            await _refuse(scope, send, 403, "Another web page may not use cutpipe.")
        elif self.code and not self._let_in(headers.get("cookie", "")):
            await self._ask(scope, send)
        else:
            await self.app(scope, receive, send)

    def _let_in(self, cookies: str) -> bool:
        jar: SimpleCookie = SimpleCookie()
        try:
            jar.load(cookies)
        except CookieError:  # another program's, on the same host
            return False
        return COOKIE in jar and hmac.compare_digest(jar[COOKIE].value.encode(), self._key.encode())

    async def _ask(self, scope: Scope, send: Send) -> None:
        query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
        told = query.get("code", [""])[0]
        if scope["type"] == "websocket" or not told:
            await _refuse(
                scope, send, 401, "Type the code that stands in the window where cutpipe was started.", form=True
            )
            return
        now = time.monotonic()
        self._wrong = [at for at in self._wrong if now - at < PAUSE_S]
        if len(self._wrong) >= TRIES:
            await _refuse(scope, send, 429, "Too many wrong codes; wait a minute, then type it again.", form=True)
        elif hmac.compare_digest(told.strip().lower().encode(), self.code.encode()):
            cookie = f"{COOKIE}={self._key}; Path=/; HttpOnly; SameSite=Strict"
            await send(
                {
                    "type": "http.response.start",
                    "status": 303,
                    "headers": [
                        (b"location", b"/?demo=1" if "demo" in query else b"/"),
                        (b"set-cookie", cookie.encode()),
                        (b"referrer-policy", b"no-referrer"),
                    ],
                }
            )
            await send({"type": "http.response.body", "body": b""})
        else:
            self._wrong.append(now)
            await _refuse(scope, send, 401, "That is not the code; it stands where cutpipe was started.", form=True)


# The library's place for files says that it is nothing to screen readers, and then gives it a name and focus (ARIA in HTML forbids
# both at once); the name stays.
UNROLED = (
    "new MutationObserver(() => { for (const place of document.querySelectorAll('[data-testid=stFileUploaderDropzone][role=presentation]')) "
    "place.setAttribute('role', 'group') }).observe(document, { childList: true, subtree: true })"
)


class Dressed:
    """Puts the look into the page's head on its way out: there before anything is drawn."""

    def __init__(self, app: Any, *, sheet: str) -> None:
        self.app, self.head = app, f"<style>{sheet}</style><script>{UNROLED}</script></head>".encode()

    async def __call__(self, scope: Scope, receive: Any, send: Send) -> None:
        if scope["type"] != "http" or scope.get("method") != "GET" or scope["path"] != "/":
            await self.app(scope, receive, send)
            return
        # Neither packed nor "not changed": the bytes are needed.
        unwanted = (b"accept-encoding", b"if-none-match", b"if-modified-since", b"range")
        asked = {
            **scope,
            "headers": [(name, value) for name, value in scope["headers"] if name.lower() not in unwanted],
        }
        start: MutableMapping[str, Any] = {}
        body = b""

        async def take(message: MutableMapping[str, Any]) -> None:
            nonlocal body
            if message["type"] == "http.response.start":
                start.update(message)
                return
            body += message.get("body", b"")
            if message.get("more_body"):
                return
            page = body.replace(b"</head>", self.head, 1)
            stale = (b"content-length", b"etag", b"last-modified")
            kept = [(name, value) for name, value in start["headers"] if name.lower() not in stale]
            await send({**start, "headers": [*kept, (b"content-length", str(len(page)).encode())]})
            await send({"type": "http.response.body", "body": page})

        await self.app(asked, receive, take)


async def _refuse(scope: Scope, send: Send, status: int, sentence: str, *, form: bool = False) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008})
        return
    asked = (
        '<form><label>Code <input name="code" autocomplete="off" autocapitalize="off" autofocus></label> <button>Open</button></form>'
        if form
        else ""
    )
    page = (
        '<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        "<title>cutpipe</title><style>body{font:1.1rem system-ui;margin:3rem auto;max-width:30rem;padding:0 1rem}"
        "input,button{font:inherit;padding:.5rem}</style>"
        f"<main><h1>cutpipe</h1><p>{escape(sentence)}</p>{asked}</main></html>"
    ).encode()
    kind = [(b"content-type", b"text/html; charset=utf-8"), (b"cache-control", b"no-store")]
    await send({"type": "http.response.start", "status": status, "headers": kind})
    await send({"type": "http.response.body", "body": page})


def application(address: str, code: str = "") -> Any:
    """The pages as an ASGI application behind the door."""
    from starlette.middleware import Middleware
    from streamlit import net_util
    from streamlit.starlette import App

    # The library asks a server elsewhere for this computer's outside address to compare a websocket's origin with; the door has
    # compared it already, and nothing may be asked elsewhere.
    net_util.get_external_ip = lambda: None
    net_util.get_internal_ip = lambda: None
    return App(
        Path(__file__).with_name("app.py").resolve(),
        middleware=[Middleware(Door, address=address, code=code), Middleware(Dressed, sheet=_style().sheet())],
    )


def main() -> None:
    address, port = sys.argv[1], int(sys.argv[2])
    del sys.argv[1:]
    code = os.environ.pop("CUTPIPE_CODE", "")
    own = {"server.address": address, "server.port": port}
    application(address, code).run(config=SETTINGS | own | _style().THEME)


def _style() -> Any:
    """The look's module, from a checkout that is not installed too."""
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
    from ui import style

    return style


if __name__ == "__main__":
    main()
