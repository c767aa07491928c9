"""The invented demo cases: photos with what a person would have told about them."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from analyzer.cli import read_marker
from analyzer.house.facts import check_facts
from analyzer.result.examination import Settings
from ui import state

_CHECKOUT = Path(__file__).resolve().parent.parent / "demo_images"
FOLDER = (
    _CHECKOUT if _CHECKOUT.is_dir() else Path(__file__).with_name("demo_images")
)  # installed they lie beside the pages


def cases() -> dict[str, dict[str, Any]]:
    """Title to row of the manifest; empty where the pictures are not installed."""
    manifest = FOLDER / "manifest.toml"
    if not manifest.is_file():
        return {}
    rows = tomllib.loads(manifest.read_text(encoding="utf-8"))["picture"]
    return {row["title"]: row for row in rows}


def begin(title: str) -> None:
    row = cases()[title]
    settings = Settings(view=row["view"], tube=row["tube"], marker=read_marker(row["marker"]))
    answers = dict(check_facts(row.get("facts", {})))
    state.begin((FOLDER / row["file"]).read_bytes(), row["file"], settings, demo=title, answers=answers)


def open_first() -> None:
    for title in cases():
        begin(title)
        break
