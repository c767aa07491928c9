"""The data that comes with the program: one way to open it."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import Any


def data_text(path: str) -> str:
    """The text of ``analyzer/data/PATH``."""
    return resources.files("analyzer").joinpath(f"data/{path}").read_text(encoding="utf-8")


def data_table(name: str) -> dict[str, Any]:
    """``analyzer/data/NAME.toml`` as plain data."""
    return tomllib.loads(data_text(f"{name}.toml"))
