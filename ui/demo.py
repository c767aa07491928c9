"""The invented demo cases: photos with what a person would have told about them."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from analyzer.cli import read_marker
from analyzer.house.facts import check_facts
from analyzer.result.examination import Settings
from ui import entries, shelf, state

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
    """Open an invented case: as it was left where it is kept already, else a new one."""
    for row in shelf.rows():
        store = shelf.find(row.address) if row.title == title and not row.fault else None
        if store is not None:
            state.open_case(store)
            return
    made = cases()[title]
    settings = Settings(view=made["view"], tube=made["tube"], marker=read_marker(made["marker"]))
    answers = dict(check_facts(made.get("facts", {})))
    entries.begin((FOLDER / made["file"]).read_bytes(), made["file"], settings, title=title, answers=answers)


def open_first() -> None:
    for title in cases():
        begin(title)
        break
