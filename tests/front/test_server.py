"""The server answers this computer only: names, origins and codes are checked before every page, file and websocket.

What must be refused is the published advice against DNS rebinding and cross-site websockets (OWASP Web Security Testing Guide:
host header injection, WSTG-INPV-17; testing websockets, WSTG-CLNT-10).
"""

import asyncio
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time

import pytest

from tests.conftest import ROOT
from ui import server

UPGRADE = "Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"


def asked(door, path="/", *, kind="http", query="", **headers):
    """Status (or the websocket's closing code) and headers that the door gives; 200 where it lets through."""
    sent = []

    async def send(message):
        sent.append(message)

    scope = {
        "type": kind,
        "path": path,
        "query_string": query.encode(),
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
    }
    asyncio.run(door(scope, None, send))
    first = sent[0]
    return first.get("status", first.get("code")), dict(first.get("headers", []))


async def let_through(scope, receive, send):
    await send({"type": "http.response.start", "status": 200, "headers": []})


@pytest.mark.parametrize(
    ("address", "host", "right"),
    [
        ("127.0.0.1", "127.0.0.1:8501", True),
        ("127.0.0.1", "localhost:8501", True),
        ("127.0.0.1", "[::1]:8501", True),
        ("127.0.0.1", "pipes.example:8501", False),
        ("127.0.0.1", "127.0.0.1.pipes.example", False),
        ("127.0.0.1", "192.0.2.7:8501", False),
        ("127.0.0.1", "", False),
        ("127.0.0.1", "[", False),
        ("192.0.2.7", "192.0.2.7:8501", True),
        ("192.0.2.7", "192.0.2.8:8501", False),
        ("0.0.0.0", "192.0.2.8:8501", True),
        ("0.0.0.0", "pipes.example:8501", False),
        ("0.0.0.0", f"{socket.gethostname()}:8501", True),
    ],
)
def test_only_own_names_are_answered(address, host, right):
    door = server.Door(let_through, address=address)
    assert (asked(door, host=host)[0] == 200) is right
    assert (asked(door, host=host, kind="websocket")[0] == 200) is right


@pytest.mark.parametrize(("kind", "refusal"), [("http", 403), ("websocket", 1008)])
def test_another_origin_is_refused_and_the_own_one_not(kind, refusal):
    door = server.Door(let_through, address="127.0.0.1")
    host = "127.0.0.1:8501"
    assert asked(door, kind=kind, host=host, origin="http://127.0.0.1:8501")[0] == 200
    for origin in ("http://pipes.example", "null", "http://127.0.0.1:9000", "http://127.0.0.1:8501.pipes.example"):
        assert asked(door, kind=kind, host=host, origin=origin)[0] == refusal


def test_a_code_opens_once_told_and_guesses_have_to_wait(monkeypatch):
    code = server.new_code()
    door = server.Door(let_through, address="192.0.2.7", code=code)
    host = "192.0.2.7:8501"
    assert asked(door, host=host)[0] == 401
    assert asked(door, "/_stcore/upload_file/a/b", host=host)[0] == 401
    assert asked(door, kind="websocket", host=host)[0] == 1008
    status, headers = asked(door, host=host, query=f"code={code}")
    assert status == 303
    cookie = headers[b"set-cookie"].decode()
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie
    assert asked(door, host=host, cookie=cookie.split(";")[0])[0] == 200
    assert asked(door, kind="websocket", host=host, cookie=f"other=1; {cookie.split(';')[0]}")[0] == 200
    assert asked(door, host=host, cookie="cutpipe_key=22222222")[0] == 401
    for _ in range(server.TRIES):
        assert asked(door, host=host, query="code=22222222")[0] == 401
    assert asked(door, host=host, query=f"code={code}")[0] == 429  # not even the right one, at once
    assert asked(door, host=host, cookie=cookie.split(";")[0])[0] == 200  # who is in stays in
    later = time.monotonic() + server.PAUSE_S + 1
    monkeypatch.setattr(server.time, "monotonic", lambda: later)
    assert asked(door, host=host, query=f"code={code}")[0] == 303


def test_the_short_code_is_no_key():
    """Else it could be guessed at by cookies, past the count of wrong codes."""
    door = server.Door(let_through, address="192.0.2.7", code="abcdefgh")
    assert asked(door, host="192.0.2.7", cookie="cutpipe_key=abcdefgh")[0] == 401


class Listener:
    """Stands where a look-up elsewhere would pass: the proxy of the server's process. Counts who calls."""

    def __enter__(self):
        self.calls = []
        self.socket = socket.create_server(("127.0.0.1", 0))
        self.port = self.socket.getsockname()[1]
        threading.Thread(target=self._take, daemon=True).start()
        return self

    def _take(self):
        while True:
            try:
                other, _ = self.socket.accept()
            except OSError:
                return
            self.calls.append(other.recv(500))
            other.close()

    def __exit__(self, *_):
        self.socket.close()


def exchange(port, text):
    with socket.create_connection(("127.0.0.1", port), timeout=30) as line:
        line.sendall(text.encode())
        return line.recv(65536).decode("latin-1")


def test_the_running_server_refuses_and_looks_nothing_up():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with Listener() as proxy:
        through = dict.fromkeys(("http_proxy", "https_proxy", "all_proxy"), f"http://127.0.0.1:{proxy.port}")
        command = [
            sys.executable,
            "-m",
            "analyzer",
            "open",
            "--no-browser",
            "--address",
            "0.0.0.0",
            "--port",
            str(port),
        ]
        running = subprocess.Popen(
            command,
            cwd=ROOT,
            env={k: v for k, v in os.environ.items() if k.lower() != "no_proxy"} | through,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        try:
            said = running.stdout.readline() + running.stdout.readline()
            code = re.search(r"code=([a-z0-9]{8})", said)[1]
            for _ in range(600):
                try:
                    socket.create_connection(("127.0.0.1", port), timeout=1).close()
                    break
                except OSError:
                    assert running.poll() is None
                    time.sleep(0.1)
            host = f"Host: 127.0.0.1:{port}\r\n"
            assert " 401 " in exchange(port, f"GET / HTTP/1.1\r\n{host}Connection: close\r\n\r\n").splitlines()[0]
            door = exchange(port, f"GET /?code={code} HTTP/1.1\r\n{host}Connection: close\r\n\r\n")
            key = f"Cookie: {re.search('cutpipe_key=[^;]+', door)[0]}\r\n"
            page = exchange(port, f"GET / HTTP/1.1\r\n{host}{key}Connection: close\r\n\r\n")
            assert " 200 " in page.splitlines()[0]
            stranger = exchange(port, f"GET / HTTP/1.1\r\nHost: pipes.example\r\n{key}Connection: close\r\n\r\n")
            assert " 421 " in stranger.splitlines()[0]
            stream = f"GET /_stcore/stream HTTP/1.1\r\n{host}{key}{UPGRADE}"
            foreign = exchange(port, stream + "Origin: http://pipes.example\r\n\r\n")
            assert " 403 " in foreign.splitlines()[0]
            own = exchange(port, stream + f"Origin: http://127.0.0.1:{port}\r\n\r\n")
            assert " 101 " in own.splitlines()[0]
            assert not proxy.calls, f"asked elsewhere: {proxy.calls}"
        finally:
            os.killpg(running.pid, signal.SIGTERM)
            try:
                running.wait(8)
            except subprocess.TimeoutExpired:
                os.killpg(running.pid, signal.SIGKILL)
                running.wait(8)
            running.stdout.close()


def test_nothing_can_ask_for_the_outside_address():
    """Whatever in the library asks for it gets none, without a look-up."""
    command = (
        "import socket\n"
        "def no(*a, **k): raise SystemExit('asked elsewhere')\n"
        "from ui.server import application\n"
        "application('0.0.0.0')\n"
        "socket.getaddrinfo = socket.create_connection = no\n"
        "from streamlit import config\n"
        "from streamlit.web.server import server_util\n"
        "assert not server_util.is_url_from_allowed_origins('http://pipes.example')\n"
    )
    done = subprocess.run([sys.executable, "-c", command], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
