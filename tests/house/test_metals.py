"""Metals in contact: published index gaps, directions, and the laws of Faraday and expansion."""

import csv
from importlib import resources

import pytest

from analyzer.base.flags import InputError
from analyzer.house import metals

PUBLISHED = [
    row
    for row in csv.DictReader(
        resources.files("analyzer").joinpath("data/tube/galvanic.csv").read_text(encoding="utf-8").splitlines()
    )
    if row["table"] == "anodic index gap (calculated)"
]
WORDS = {
    "carbon steel": "steel",
    "galvanised steel (zinc)": "galvanised_steel",
    "18% Cr stainless": "stainless_steel",
    "tin-lead solder": "tin_lead_solder",
}


@pytest.mark.parametrize("row", PUBLISHED, ids=[row["material_or_couple"] for row in PUBLISHED])
def test_gap_and_anode_of_the_tabled_couples(row):
    first, second = (WORDS.get(word, word) for word in row["material_or_couple"].split(" / "))
    pair = metals.couple(first, second)
    assert pair.gap_v == pytest.approx(float(row["gap_V"]), abs=1e-9)
    anode = row["note"].split("anode: ")[1].split(";")[0]
    assert pair.anode == WORDS.get(anode, anode)
    assert metals.couple(second, first).anode == pair.anode


def test_there_are_couples_to_check():
    assert len(PUBLISHED) == 9


@pytest.mark.parametrize(
    "partner", ["steel", "galvanised_steel", "zinc", "aluminium", "lead", "brass", "stainless_steel"]
)
def test_copper_is_the_protected_side(partner):
    """Every sea-water series puts steel, zinc, aluminium and lead below copper; active stainless too."""
    pair = metals.couple("copper", partner)
    assert pair.copper_is_cathode is True
    assert pair.anode == partner


def test_series_in_sea_water_agree_on_the_direction():
    """Direction of the index against a published sea-water series (data/tube/galvanic.csv, key L36 and ABYC_CHART)."""
    from analyzer.house.tables import select

    series = {r["material_or_couple"]: float(r["potential_V_from"]) for r in select("galvanic", source="L36")}
    for metal, name in {
        "steel": "carbon steel",
        "zinc": "zinc",
        "aluminium": "aluminium 3003-H",
        "yellow_brass": "naval brass",
    }.items():
        assert (series[name] < series["copper"]) == (metals.anodic_index_v(metal) < metals.anodic_index_v("copper"))


def test_carbon_makes_copper_the_anode():
    pair = metals.couple("copper", "carbon")
    assert pair.copper_is_cathode is False and pair.anode == "copper" and pair.gap_v is None


def test_alike_metals_are_no_couple():
    pair = metals.couple("copper", "copper")
    assert (pair.gap_v, pair.anode, pair.copper_is_cathode) == (0.0, None, None)


def test_unknown_metal_is_refused_in_one_sentence():
    with pytest.raises(InputError, match="choose one of"):
        metals.couple("copper", "unobtainium")
    with pytest.raises(InputError):
        metals.couple("carbon", "unobtainium")
