"""Starts the front end's server on this computer and opens the browser."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
import webbrowser
from pathlib import Path

from analyzer.base.flags import InputError
from analyzer.case.place import VARIABLE, cases_folder
from ui.server import loopback, new_code

FIRST_PORT = 8501


def launch(
    *,
    address: str = "127.0.0.1",
    port: int | None = None,
    demo: bool = False,
    browser: bool = True,
    cases: str | None = None,
) -> int:
    """Run the server until Ctrl+C; ``cases``: folder that keeps the cases, None for the person's own.

    Raises InputError where the port is taken, the address is not this computer's or the folder cannot be written.
    """
    folder = _folder(cases)
    chosen = _free_port(address, port)
    shown = "127.0.0.1" if address in ("0.0.0.0", "::") else address
    named = f"[{shown}]" if ":" in shown else shown
    url = f"http://{named}:{chosen}" + ("/?demo=1" if demo else "")
    code = "" if loopback(address) else new_code()
    print(f"cutpipe is at {url}  (stop it with Ctrl+C). Cases are kept in {folder}.", flush=True)
    if code:
        _let_in(address, chosen, code)
    server = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("server.py")), address, str(chosen)],
        env={
            **os.environ,
            "STREAMLIT_BROWSER_GATHER_USAGE_STATS": "false",
            "CUTPIPE_CODE": code,
            VARIABLE: str(folder),
        },
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
    )
    if code:
        url += f"{'&' if demo else '/?'}code={code}"
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # a polite request to stop ends the server too
    if browser:
        threading.Thread(target=_open_when_ready, args=(named, chosen, url, server), daemon=True).start()
    try:
        return server.wait()
    except KeyboardInterrupt:
        return 0
    finally:
        _stop(server)


def _folder(told: str | None) -> Path:
    """The folder that keeps the cases, there and writable."""
    folder = (Path(told).expanduser() if told else cases_folder()).absolute()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except OSError as error:
        raise InputError(
            f"Cases cannot be kept in {folder} ({error.strerror}); name another folder with --cases."
        ) from None


def _let_in(address: str, port: int, code: str) -> None:
    """What a phone in the same network needs: the address with the code, as text and as a square to photograph."""
    host = _own_address() if address in ("0.0.0.0", "::") else address
    link = f"http://{f'[{host}]' if ':' in host else host}:{port}/?code={code}"
    print(f"A phone in this network: {link}\nWithout the code {code} nothing can be opened.", flush=True)
    try:
        print(_square(link), flush=True)
    except UnicodeEncodeError:  # a terminal that knows plain letters only
        pass


def _own_address() -> str:
    """This computer's number in its network, asked of its own routing table: a datagram socket sends nothing when it is connected."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # reserved for documentation (RFC 5737)
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()


def _square(text: str) -> str:
    """A QR code in block letters, two rows to a line, light round it."""
    import cv2

    dots = cv2.copyMakeBorder(cv2.QRCodeEncoder.create().encode(text), 1, 2, 2, 2, cv2.BORDER_CONSTANT, value=255) > 127
    signs = {(True, True): "\u2588", (True, False): "\u2580", (False, True): "\u2584", (False, False): " "}
    rows = zip(dots[::2].tolist(), dots[1::2].tolist())
    return "\n".join("".join(signs[pair] for pair in zip(*both)) for both in rows)


def _free_port(address: str, port: int | None) -> int:
    wanted = [port] if port is not None else range(FIRST_PORT, FIRST_PORT + 50)
    for candidate in wanted:
        if not 1 <= candidate <= 65535:
            raise InputError(f"{candidate} is not a port; choose one from 1024 to 65535.")
        try:
            family = socket.AF_INET6 if ":" in address else socket.AF_INET
            with socket.socket(family, socket.SOCK_STREAM) as probe:
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                probe.bind((address, candidate))
            return candidate
        except socket.gaierror:
            raise InputError(f"{address} is not an address of this computer; leave --address away.") from None
        except OSError as error:
            if port is not None or "assign" in str(error):
                raise InputError(
                    f"{address}:{candidate} cannot be used ({error.strerror}); choose another --port or --address."
                ) from None
    raise InputError(f"No free port from {FIRST_PORT} on; close another cutpipe or give --port.")


def _open_when_ready(address: str, port: int, url: str, server: subprocess.Popen[bytes]) -> None:
    for _ in range(300):
        if server.poll() is not None:
            return
        try:
            urllib.request.urlopen(f"http://{address}:{port}/_stcore/health", timeout=1).read()
        except urllib.error.HTTPError:  # it answers, and asks for the code
            pass
        except OSError:
            time.sleep(0.1)
            continue
        webbrowser.open(url)
        return


def _stop(server: subprocess.Popen[bytes]) -> None:
    if server.poll() is None:
        server.terminate()
        try:
            server.wait(5)
        except subprocess.TimeoutExpired:  # seen: a server with an open page ignores the polite request
            server.kill()
            server.wait(5)
