"""The plan of the second run of scenes: names, seeds and options for the renderer, as a list on standard output.

    python -m analyzer.training.scenes_2 > plan.json

``k0000`` on: scenes like those of ``scenes.json``, with what weights 5-g.1 missed drawn more often (outside views, pits filled with
product, touching and wide ones, ink, drying rings, mounds, 12 megapixels). Of these ``packs.kept_back`` names every tenth, from which
nothing may learn. ``km00`` to ``km15``: pieces in the room's light and under five torches, from which nothing may learn either; the
tables of several lights rest on the first twelve.
"""

import json
from typing import Any

import numpy as np

PATTERNS = ["localised_contact", "erosion_at_fitting", "uniform_attack", "scattered_pitting", "bottom_line"]
STYLES = ["bright", "cuprite", "tenorite", "green", "scaled", "mixed"]
TABLES = ["wood", "concrete", "fabric", "cardboard", "granite", "laminate"]
MARKERS = ["aruco_card", "ruler", "disc"]
METALS = ["copper", "steel_black", "steel_rusty", "galvanised", "brass"]
MORE = {
    "filled": 0.34, "touching": 0.38, "wide": 0.38, "halfcovered": 0.14, "green": 0.34, "marks": 0.22,
    "ink": 0.22, "rings": 0.28, "mounds": 0.24, "tape": 0.12, "solder": 0.10,
}  # fmt: skip


def plan(scenes: int = 2800, pieces: int = 16) -> list[dict[str, Any]]:
    """The pieces in several lights, then the scenes; the same for every call."""
    draw = np.random.default_rng(41)

    def pick(values: list[str], shares: list[float] | None = None) -> str:
        return str(draw.choice(values, p=shares))

    def more(scale: float, kinds: int = len(MORE)) -> dict[str, str]:
        chosen = [name for name, share in list(MORE.items())[:kinds] if draw.random() < share * scale]
        return {"more": " ".join(chosen)} if chosen else {}

    entries = []
    for number in range(scenes):
        entry: dict[str, Any] = {"name": f"k{number:04d}", "seed": 4000000 + 41 * number}
        view = "end" if draw.random() < 0.02 else pick(["inside", "outside", "flat"], [0.52, 0.30, 0.18])
        entry["view"] = view
        entry["pattern"] = pick(PATTERNS, [0.29, 0.21, 0.12, 0.2, 0.18])
        entry["style"] = pick(STYLES)
        entry["marker"] = pick(MARKERS, [0.42, 0.26, 0.32])
        entry["table"] = pick(TABLES)
        entry["res"] = pick(["2600x1950", "2000x1500", "1600x1200", "4000x3000"], [0.46, 0.38, 0.12, 0.04])
        entry["f35"] = int(draw.choice([26, 52]))
        world = draw.random()
        if view == "end":
            pass
        elif world < 0.70:  # the judged world; what is missed there more often
            if draw.random() < 0.55:
                entry |= more(0.62, 9)
        elif world < 0.88:  # the wider world
            entry |= more(1.2)
            entry["metal"] = pick(METALS, [0.40, 0.12, 0.20, 0.14, 0.14])
            if draw.random() < 0.35:
                entry["bench"] = "busy"
            if draw.random() < 0.2:
                entry["copy"] = "messenger"
            if draw.random() < 0.08:
                entry["pattern"] = "scabbed"
            if draw.random() < 0.3:
                entry["mood"] = pick(["bulb", "window"])
            if draw.random() < 0.12:
                entry["framing"] = "far"
        else:
            entry["framing"] = "close"
            entry["metal"] = pick(METALS, [0.5, 0.1, 0.16, 0.12, 0.12])
            entry |= more(0.8)
            if draw.random() < 0.25:
                entry["bench"] = "busy"
            if draw.random() < 0.08:
                entry["pattern"] = "scabbed"
            if draw.random() < 0.25:
                entry["copy"] = "messenger"
            if draw.random() < 0.2:
                entry["mood"] = pick(["bulb", "window"])
            if draw.random() < 0.7:
                entry["res"] = "1600x1200"
        entries.append(entry)
    lit = []
    for number in range(pieces):
        entry = {"name": f"km{number:02d}", "seed": 4900001 + 41 * number, "view": "multi"}
        entry["base_view"] = ["inside", "flat", "outside"][number % 3]
        entry["pattern"] = pick(PATTERNS, [0.35, 0.2, 0.0, 0.25, 0.2])
        entry["style"] = pick(STYLES)
        entry["marker"] = pick(["aruco_card", "disc"], [0.8, 0.2])
        entry["table"] = pick(TABLES)
        entry |= {"res": "2000x1500", "f35": int(draw.choice([26, 52]))}
        lit.append(entry)
    return lit + entries


if __name__ == "__main__":
    print(json.dumps(plan(), indent=0))
