"""A kept case is one more way in: what is told to it gives the same ``examination.json`` as the same files given at once."""

import json

import pytest

from analyzer import cli
from analyzer.show import output
from analyzer.wall.readings import METHODS
from tests.joints.test_one_way_in import (
    BOX,
    CORRECTIONS,
    FACTS,
    JSON,
    MARKER,
    SAID,
    TUBE,
    VIEW,
    differences,
    looked_once,
    on_metal,
    ways,  # noqa: F401
)

TAPS = ("metal_here", "not_metal_here")


@pytest.fixture
def case(ways, tmp_path, monkeypatch, capsys):  # noqa: F811
    """Tell a new case, examine it, and compare with the same told to ``examine``."""

    def told(*photos: tuple[str, ...], kept: str = "kept", examine: tuple[str, ...] = (), **texts: str) -> dict:
        for words in (
            ("begin", kept, "--name", "Alder Row"),
            ("add", kept, "piece.jpg"),
            ("say", kept, "--view", VIEW, "--tube", TUBE, "--marker", MARKER),
            *(("add", kept, *words) for words in photos),
        ):
            assert cli.main(["case", *words]) == 0
        for name, text in texts.items():
            (tmp_path / f"case-{name}.toml").write_text(text, encoding="utf-8")
            assert cli.main(["case", "say", kept, f"--{name}", f"case-{name}.toml"]) == 0
        monkeypatch.setattr(output, "FILES", {JSON: output.FILES[JSON]})
        assert cli.main(["case", "examine", kept, "--out", f"of-{kept}"]) == 0
        record = json.loads((tmp_path / f"of-{kept}" / JSON).read_text(encoding="utf-8"))
        assert differences(ways.by_file(*examine, **texts), record) == []
        assert cli.main(["case", "show", kept]) == 0 and "Every hash fits." in capsys.readouterr().out
        return record

    return told


def together() -> list[tuple[set[str], str]]:
    """The facts of every kind in as few files as their keys allow."""
    groups: list[tuple[set[str], list[str]]] = []
    for _, _, text, plain in FACTS.values():
        if all(keys & set(plain) for keys, _ in groups):
            groups.append((set(), []))
        keys, texts = next((keys, texts) for keys, texts in groups if not keys & set(plain))
        keys |= set(plain)
        texts.append(text)
    # a table of a TOML file ends with the file, so what stands in one comes last
    return [(keys, "\n".join(sorted(texts, key=lambda text: text.startswith("[")))) for keys, texts in groups]


@pytest.mark.parametrize(("keys", "text"), together())
def test_facts_of_every_kind(case, keys, text):
    assert keys <= set(case(facts=text)["facts"])


def test_readings_of_every_kind_unit_and_method(case):
    text = """
[[pit]]
id = 2
depth = 0.0085
unit = "in"
resolution = 0.0005
[[sound_wall]]
wall = 0.79
method = "ball micrometer"
[[thin_wall]]
wall = 0.4
confirmed = true
"""
    text += "".join(f'[[pit]]\nid = 1\ndepth = 0.{20 + k}\nmethod = "{name}"\n' for k, name in enumerate(METHODS))
    record = case(readings=text)
    read = json.dumps(record["wall"])
    assert all(name in read for name in ("gauge", "sound wall"))


def test_corrections_of_every_kind(case, ways):  # noqa: F811
    seen = looked_once("piece.jpg", settings=SAID)
    rows = []
    for _, _, _, where, row in CORRECTIONS.values():
        if row["kind"] == "known_length":
            continue
        row = {**row, "why": "seen with a lens"}
        if isinstance(where, int):
            row["pit"] = 1 + len(rows)
        else:
            row["points_px"] = [list(on_metal(seen, *place)) for place in (BOX if len(where) > 2 else where)]
        rows.append(row)
    rows = [row for row in rows if row["kind"] != "leave_out"]  # its box is that of examine_only: nothing would be left
    taps = [row for row in rows if row["kind"] in TAPS]  # looked with anew, under new numbers: a case of their own
    rows = [row for row in rows if row not in taps]
    for kept, chosen in (
        ("taps", taps),("pits", rows), ("length", [{"kind": "known_length", "length_mm": 50.8, "points_px": [list(on_metal(seen, x, 0.5)) for x in (0.3, 0.7)]}])):  # fmt: skip
        text = "\n".join(
            "[[correction]]\n" + "\n".join(f"{key} = {json.dumps(value)}" for key, value in row.items())
            for row in chosen
        )
        record = case(kept=kept, corrections=text)
        assert [entry["kind"] for entry in record["corrections"]] == [row["kind"] for row in chosen]


def test_further_photos_of_every_kind(case):
    record = case(
        ("ring.jpg", "--purpose", "ring"),
        ("behind.jpg", "--purpose", "backlit"),
        ("torch.jpg", "--purpose", "light", "--torch", "180,35"),
        examine=("--ring", "ring.jpg", "--backlit", "behind.jpg", "--light", "torch.jpg@180,35"),
    )
    assert [photo["role"] for photo in record["photos"]] == ["main", "backlit", "ring", "light"]


def test_prices(case):
    record = case(
        facts='leak_dates = ["2019-03-02", "2022-11-20", "2024-05-14"]',
        prices="repair_per_leak = 450\nreplace_all = 9000\nmoving_out = 700\nhorizon_years = 15",
    )
    assert record["repair_or_replace"] is not None
