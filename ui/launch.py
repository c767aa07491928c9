"""Starts the front end's server on this computer and opens the browser."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
import webbrowser
from pathlib import Path

from analyzer.base.flags import InputError

FIRST_PORT = 8501
# Nothing leaves this computer: no statistics, no file watching; and a phone's photo may be large.
SETTINGS = {
    "browser.gatherUsageStats": "false",
    "server.headless": "true",
    "server.maxUploadSize": "200",
    "server.fileWatcherType": "none",
    "client.toolbarMode": "minimal",
    "client.showErrorDetails": "none",
    "logger.level": "warning",
    # No base is set: the pages follow the device by day and by night.
    "theme.light.primaryColor": "#0b6e69",
    "theme.dark.primaryColor": "#5cc4bc",
}


def launch(*, address: str = "127.0.0.1", port: int | None = None, demo: bool = False, browser: bool = True) -> int:
    """Run the server until Ctrl+C. Raises InputError where the port is taken or the address is not this computer's."""
    chosen = _free_port(address, port)
    shown = "127.0.0.1" if address in ("0.0.0.0", "::") else address
    url = f"http://{shown}:{chosen}" + ("/?demo=1" if demo else "")
    command = [sys.executable, "-m", "streamlit", "run", str(Path(__file__).with_name("app.py"))]
    command += [f"--server.address={address}", f"--server.port={chosen}"]
    command += [f"--{name}={value}" for name, value in SETTINGS.items()]
    print(f"cutpipe is at {url}  (stop it with Ctrl+C)", flush=True)
    if address != "127.0.0.1":
        print("Anyone on this network can open these pages while it runs.", flush=True)
    server = subprocess.Popen(
        command,
        env={**os.environ, "STREAMLIT_BROWSER_GATHER_USAGE_STATS": "false"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
    )
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # a polite request to stop ends the server too
    if browser:
        threading.Thread(target=_open_when_ready, args=(shown, chosen, url, server), daemon=True).start()
    try:
        return server.wait()
    except KeyboardInterrupt:
        return 0
    finally:
        _stop(server)


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
