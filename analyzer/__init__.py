"""Why a water pipe failed, from a photo of the cut-out piece. ``examine`` does all of it."""

from typing import Any

_HOMES = {
    "examine": "result.examination",
    "look": "result.examination",
    "conclude": "result.examination",
    "Examination": "result.examination",
    "Settings": "result.examination",
    "read_photo": "photo.reading",
    "Photo": "photo.reading",
    "Marker": "scale.calibration",
    "Light": "relief.lights",
    "read_facts": "house.facts",
    "check_facts": "house.facts",
    "read_readings": "wall.readings",
    "read_corrections": "result.corrections",
    "CutpipeError": "base.flags",
    "Measure": "base.measured",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    # On first use, so that a part can be used, and --help answer, without loading the image libraries.
    from importlib import import_module

    if name in _HOMES:
        return getattr(import_module(f"analyzer.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'analyzer' has no attribute {name!r}")
