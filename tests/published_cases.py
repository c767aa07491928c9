"""Judge published case histories and compare with the investigators' verdicts.

``python -m tests.published_cases FILE [--json]`` reads a file of cases (TOML, one ``[[case]]`` each), gives the tool
only what a person could tell before the verdict, and prints for each case the ranking, the standing and the verdict,
and totals. The collection's fields are read by name; notes, methods, key facts and everything about the verdict are
hindsight and are never read into the facts.

A verdict word stands for one or several causes of the catalogue (``tests/data/causes_map.toml``). Ranks count
verdict words, best first. Ties in evidence are broken by the order that ``judge`` prints, as a user would read it.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from analyzer.base.flags import InputError
from analyzer.base.measured import KPA_PER_BAR, KPA_PER_PSI
from analyzer.causes.judge import judge
from analyzer.causes.verdict import Judgement
from analyzer.house import flow
from analyzer.house.derived import derive
from analyzer.house.facts import Facts, Value, check_facts, quantities, read_value, with_coarse_words


@cache
def causes_map() -> Mapping[str, Mapping[str, list[str]]]:
    """Verdict words of published cases, and patterns of rendered photos, against the causes."""
    return tomllib.loads(Path(__file__).with_name("data").joinpath("causes_map.toml").read_text(encoding="utf-8"))


# Fields of a case that are hindsight: reading one into the facts would be cheating. A test feeds them with rubbish.
HINDSIGHT = (
    "key_facts",
    "methods",
    "verdict",
    "verdict_in_own_words",
    "verdict_fit",
    "second",
    "ruled_out",
    "confidence",
    "confidence_note",
    "disagreement",
    "evidence_grade",
    "group",
    "source",
    "scope",
    "id",
    "scorable",
    "age_note",
    "position_note",
)

# case field -> quantity, where the words are the vocabulary's own
_SAME_WORDS = {
    ("material",): "material",
    ("component",): "component",
    ("service",): "service",
    ("side",): "side_attacked",
    ("position",): "positions",
    ("colours",): "observed_colours",
    ("pit", "shape"): "observed_pit_shape",
    ("pit", "shape_class"): "observed_shape_class",
    ("pit", "pattern"): "observed_pattern",
    ("pit", "pattern_class"): "observed_pattern_class",
}
_NUMBERS = {
    ("age_years",): "age_years",
    ("pit", "size_mm"): "pit_size_mm",
    ("pit", "depth_mm"): "pit_depth_mm",
    ("water", "pH"): "water_ph",
    ("water", "alkalinity_mg_l"): "water_alkalinity_mg_per_l_caco3",
    ("water", "hardness_mg_l"): "water_hardness_mg_per_l_caco3",
    ("water", "chloride_mg_l"): "water_chloride_mg_per_l",
    ("water", "sulfate_mg_l"): "water_sulfate_mg_per_l",
    ("water", "co2_mg_l"): "water_co2_mg_per_l",
    ("water", "oxygen_mg_l"): "water_oxygen_mg_per_l",
    ("water", "chlorine_mg_l"): "free_chlorine_mg_per_l",
    ("water", "copper_mg_l"): "water_copper_mg_per_l",
    ("water", "copper_stagnant_mg_l"): "water_copper_mg_per_l",
    ("water", "velocity_m_s"): "velocity_m_per_s",
    ("water", "langelier"): "langelier_index",
}
# Free text of the site: words that name a choice of the vocabulary.
_SURROUNDINGS = (
    (r"\bclay", "clay_soil"),
    (r"\bsoil|\bground\b|\bearth", "soil"),
    (r"without membrane|membrane missing", "slab_without_membrane"),
    (r"\bconcrete", "concrete"),
    (r"\bscreed|\bmortar", "screed"),
    (r"wet room|bathroom", "wet_room_floor"),
    (r"full of water|flooded|damp floor|floor build-up|water in the floor", "flooded_floor"),
    (r"insulat|felt|foam|sleeve|lagging", "damp_insulation"),
    (r"pool", "pool_water"),
    (r"cinder|\bash\b", "cinders"),
)
_METALS = (
    (r"copper[^,;]*upstream", "copper_upstream"),
    (r"stainless", "stainless_steel"),
    (r"galvani[sz]ed", "galvanised_steel"),
    (r"(?<!stainless )\bsteel|\biron", "steel"),
    (r"yellow brass", "yellow_brass"),
    (r"(?<!yellow )\bbrass", "brass"),
    (r"\bcopper\b", "copper"),
)
_CONTACTS = (
    (r"clamp", "hose_clamp"),
    (r"strap|wire", "strap"),
    (r"hanger|bracket", "hanger"),
    (r"nail|screw", "nail_or_screw"),
    (r"duct", "duct"),
    (r"rebar|reinforc", "rebar"),
)


def facts_of(case: Mapping[str, object]) -> Facts:
    """The facts that a person could have told before the verdict, with what follows from them by arithmetic."""
    told, _ = read_case(case)
    return told


def read_case(case: Mapping[str, object]) -> tuple[Facts, list[str]]:
    """The facts of a case, and the words that the vocabulary does not hold: they are reported, never guessed at."""
    told: dict[str, object] = {}
    unread: list[str] = []
    for path, name in _SAME_WORDS.items():
        choices = quantities()[name].choices
        words = _known_words(_at(case, path))
        unread += [f"{'.'.join(path)}: {word}" for word in words if word not in choices]
        words = [word for word in words if word in choices]
        if words:
            told[name] = words if quantities()[name].multiple else words[0]
    computed: dict[str, float] = {}
    for path, name in _NUMBERS.items():
        number = _number(_at(case, path))
        if number is None:
            continue
        if quantities()[name].told:
            told.setdefault(name, number)
        else:
            computed[name] = number
    _water(case, told, computed)
    _tube(case, told)
    if _word(_at(case, ("pit", "flow_directional"))) == "yes":
        told["flow_directional_told"] = True
    _site(case, told)
    for name in list(told):
        try:
            read_value(quantities()[name], told[name])
        except InputError as error:
            unread.append(str(error))
            del told[name]
    facts = check_facts(told)
    known: dict[str, Value] = {**with_coarse_words(facts.by_id), **computed}
    if "velocity_m_per_s" in known:
        service = {"cold": "cold", "hot": "hot", "recirculated": "hot"}.get(str(known.get("service")))
        over = flow.velocity_over_limit(known["velocity_m_per_s"], service, known.get("service_temperature_c"))
        if over is not None:
            known["velocity_over_limit"] = over
    follows, _ = derive(known)
    return Facts(by_id={**follows, **known}, flags=facts.flags), unread


def _water(case: Mapping[str, object], told: dict[str, object], computed: dict[str, float]) -> None:
    temperature = _temperature(_at(case, ("water", "temperature")))
    if temperature is not None:
        told["service_temperature_c"] = temperature
    ratio = _number(_at(case, ("water", "sulfate_to_chloride")))
    if ratio:
        computed["chloride_to_sulfate_ratio"] = 1.0 / ratio
    pressure = _at(case, ("water", "pressure"))
    kpa = _pressure_kpa(pressure)
    if kpa is not None:
        told["static_pressure_kpa"] = kpa
    # A pump starved at its inlet draws the air out of the water.
    if re.search(r"inlet.*(low|negative)|starved", _word(pressure), re.I):
        told["air_in_water"] = True


def _tube(case: Mapping[str, object], told: dict[str, object]) -> None:
    kind, size = _word(case.get("tube_type")), _word(case.get("tube_size"))
    letter = re.search(r"\b(?:type )?([KLM])\b", kind)
    if letter:
        told["tube_type"] = letter[1]
    for pattern, temper in ((r"half.?hard", "half_hard"), (r"anneal|soft", "annealed"), (r"(?<!half.)\bhard", "hard")):
        if re.search(pattern, kind, re.I):
            told["temper"] = temper
            break
    if size:
        told["tube_size"] = size


def _site(case: Mapping[str, object], told: dict[str, object]) -> None:
    for field in ("stagnation", "softener"):
        if _word(_at(case, ("site", field))) in ("yes", "no"):
            told[field] = _word(_at(case, ("site", field))) == "yes"
    if _word(_at(case, ("site", "unreamed_ends"))) in ("yes", "no"):
        told["unreamed_ends"] = _word(_at(case, ("site", "unreamed_ends"))) == "yes"
    flux = _word(_at(case, ("site", "flux_residue")))
    if flux in ("yes", "no", "not_a_cause"):
        told["flux_residue"] = flux
    # Cold weather and an unheated place are frost exposure; so is a frost temperature in the water's field.
    frost = _word(_at(case, ("site", "freeze_exposure")))
    if frost:
        told["freeze_exposure"] = frost != "no"
    outside_c = re.search(r"(-\d+)\s*C", _word(_at(case, ("water", "temperature"))))
    if outside_c and "freeze_exposure" not in told:
        told["freeze_exposure"] = True
    wet = _word(_at(case, ("site", "wet_surroundings")))
    if wet in ("no", "dry"):
        told["surroundings_wet"] = False
    elif wet:
        told["surroundings_wet"] = True
        kinds = [choice for pattern, choice in _SURROUNDINGS if re.search(pattern, wet, re.I)]
        if kinds:
            told["surroundings"] = kinds
    metals = _word(_at(case, ("site", "dissimilar_contact")))
    if metals and metals not in ("no", "none"):
        joined = [choice for pattern, choice in _METALS if re.search(pattern, metals, re.I)]
        if "copper_upstream" in joined and "copper" in joined:
            joined.remove("copper")
        # A strap or clamp touches from outside; everything else is joined in the water line.
        touching = [choice for pattern, choice in _CONTACTS if re.search(pattern, metals, re.I)]
        if touching:
            told["contacts"] = touching
            if re.search(r"worn through|worn|missing", metals, re.I):
                told["sleeve_between"] = False
        if joined:
            told["joined_metals"] = joined
    electrical = _word(_at(case, ("site", "electrical")))
    if electrical and electrical not in ("no", "none"):
        if re.search(r"\bDC\b|rectifier|direct current|\btram|stray", electrical):
            told["dc_source_near"] = True
        elif re.search(r"ground|bond|earth", electrical, re.I):
            told["bonding_fault_told"] = True


def _at(case: Mapping[str, object], path: tuple[str, ...]) -> object:
    value: object = case
    for key in path:
        value = value.get(key) if isinstance(value, Mapping) else None
    return value


def _known_words(value: object) -> list[str]:
    words = value if isinstance(value, list) else [value]
    return [str(word) for word in words if word not in (None, "unknown", "none", "")]


def _word(value: object) -> str:
    words = _known_words(value)
    return words[0] if words else ""


def _number(value: object) -> float | None:
    """A number, or the bound of "above 9.0" and "below 7"; a range without a clear middle stays unknown."""
    if isinstance(value, bool):
        return None
    if isinstance(value, (int, float)):
        return float(value)
    text = _word(value).strip().lower()
    match = re.fullmatch(r"(?:about|above|over|more than|from|at least|>|>=|~)?\s*(-?\d+(?:\.\d+)?)", text)
    if match:
        return float(match[1])
    match = re.fullmatch(r"(?:below|under|less than|up to|<|<=)\s*(-?\d+(?:\.\d+)?)", text)
    if match:
        return float(match[1])
    match = re.fullmatch(r"(?:about )?(-?\d+(?:\.\d+)?)\s*(?:to|-)\s*(\d+(?:\.\d+)?)", text)
    if match:
        low, high = float(match[1]), float(match[2])
        # A narrow range means its middle; "0 to 5" says too little.
        return (low + high) / 2 if low > 0 and high <= 2 * low else None
    return None


def _temperature(value: object) -> float | None:
    """Of the water; "-12 C outside" is the air's. Several temperatures without a narrow range stay unknown."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    text = _word(value)
    if not text or re.search(r"outside|air|frost", text, re.I):
        return None
    match = re.search(r"(\d+(?:\.\d+)?)(?:\s*(?:to|-)\s*(\d+(?:\.\d+)?))?\s*(?:deg(?:rees)?)?\s*C?\b", text)
    if not match or len(re.findall(r"\d+(?:\.\d+)?", text)) != (2 if match[2] else 1):
        return None
    return (float(match[1]) + float(match[2])) / 2 if match[2] else float(match[1])


def _pressure_kpa(value: object) -> float | None:
    text = _word(value)
    match = re.search(r"(\d+(?:\.\d+)?)\s*(bar|kPa|MPa|psi)\b", text)
    if not match or len(re.findall(r"\d+(?:\.\d+)?", text)) != 1:
        return None
    return float(match[1]) * {"bar": KPA_PER_BAR, "kPa": 1.0, "MPa": 1000.0, "psi": KPA_PER_PSI}[match[2]]


def words_of(judgement: Judgement) -> list[tuple[str, str]]:
    """Verdict words, best first, each with the best standing among its causes."""
    word_of = {cause: word for word, ids in causes_map()["verdicts"].items() for cause in ids}
    ranked: dict[str, str] = {}
    for finding in judgement.findings:
        # Causes without a word of the vocabulary keep their own place in the ranking.
        word = word_of[finding.cause]
        name = f"other:{finding.cause}" if word == "other" else word
        ranked.setdefault(name, finding.standing)
    return list(ranked.items())


def judge_case(case: Mapping[str, object]) -> dict[str, object]:
    """One case judged: facts, ranking, and how it compares with the investigators' verdict."""
    facts, unread = read_case(case)
    judgement = judge(facts, material=facts.get("material", "unknown"))
    ranked = words_of(judgement)
    verdict, second = case["verdict"], list(case.get("second", []))
    names = [name for name, _ in ranked]
    standing = dict(ranked)
    fits_well = [name for name, word in ranked if word == "fits well"]
    # Under "other" a cause of ours without a word of the vocabulary may be what the investigators meant.
    right = (verdict, *second)
    wrong = [name for name in fits_well if name not in right and not ("other" in right and name.startswith("other:"))]
    fitting = [name for name, word in ranked if word in ("fits well", "fits")]
    if verdict == "other":  # no word of the vocabulary: right only where the tool names no word of it either
        first = three = not [name for name in fitting if not name.startswith("other:")]
        rank = None
    else:
        rank = names.index(verdict) + 1 if verdict in names else None
        first, three = rank == 1, rank is not None and rank <= 3
    return {
        "id": case["id"],
        "scorable": bool(case["scorable"]),
        "grade": case["evidence_grade"],
        "verdict": verdict,
        "second": second,
        "rank": rank,
        "standing": standing.get(verdict),
        "first": first,
        "first_three": three,
        "second_first": bool(names) and names[0] in second,
        "ruled_out_wrongly": standing.get(verdict) == "ruled out" and case["evidence_grade"] in ("A", "B"),
        "fits_well_wrong": wrong,
        "speaks_against": standing.get(verdict) == "speaks against",
        "fitting": len(fitting),
        "alone_first": first and verdict != "other" and not _tied(judgement, names[0]),
        "ranking": [{"cause": name, "standing": word} for name, word in ranked if word != "ruled out"][:6],
        "summary": judgement.summary,
        "unread": unread,
        "checks": [check.quantity for check in judgement.checks[:3]],
        "facts": {key: list(value) if isinstance(value, tuple) else value for key, value in facts.items()},
    }


def _tied(judgement: Judgement, word: str) -> bool:
    """Whether the first cause is tied with one of another verdict word."""
    ids = causes_map()["verdicts"].get(word, ())
    return any(cause not in ids for cause in judgement.findings[0].tied_with)


def totals(results: list[dict[str, object]]) -> dict[str, object]:
    """Counts, not shares: of the verdicts that have a word of the vocabulary, of those that have none, of the disputed."""
    scorable = [r for r in results if r["scorable"]]
    named = [r for r in scorable if r["verdict"] != "other"]
    other = [r for r in scorable if r["verdict"] == "other"]
    broad = [r for r in results if not r["scorable"]]
    return {
        "scorable": len(scorable),
        "named": len(named),
        "named_first": sum(r["first"] for r in named),
        "named_first_not_tied": sum(r["alone_first"] for r in named),
        "named_first_three": sum(r["first_three"] for r in named),
        "named_ruled_out_wrongly": sum(r["ruled_out_wrongly"] for r in named),
        "named_speaks_against": sum(r["speaks_against"] for r in named),
        "named_verdict_fits": sum(r["standing"] in ("fits well", "fits") for r in named),
        "named_nothing_fits": sum(not r["fitting"] for r in named),
        "named_several_fit": sum(r["fitting"] > 1 for r in named),
        "other": len(other),
        "other_right": sum(r["first"] for r in other),
        "fits_well_wrong": sum(bool(r["fits_well_wrong"]) for r in scorable),
        "second_first": sum(r["second_first"] and not r["first"] for r in named),
        "not_scorable": len(broad),
        "not_scorable_fits_well": sum(any(row["standing"] == "fits well" for row in r["ranking"]) for r in broad),
    }


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.published_cases", description=__doc__.splitlines()[0])
    parser.add_argument("file", help="a file of published cases (TOML)")
    parser.add_argument("--json", action="store_true", help="print JSON: cases and totals")
    options = parser.parse_args(arguments)
    try:
        cases = tomllib.loads(Path(options.file).read_text(encoding="utf-8"))["case"]
    except OSError as error:
        print(f"{options.file} cannot be opened: {error.strerror}.", file=sys.stderr)
        return 2
    except (tomllib.TOMLDecodeError, KeyError) as error:
        print(f"{options.file} is no file of cases: {error}.", file=sys.stderr)
        return 2
    results = [judge_case(case) for case in cases]
    if options.json:
        print(json.dumps({"cases": results, "totals": totals(results)}, indent=1, ensure_ascii=False))
        return 0
    for r in results:
        mark = "" if r["scorable"] else "   (not scorable)"
        print(f"{r['id']}  grade {r['grade']}{mark}")
        for row in r["ranking"]:
            print(f"    {row['standing']:15} {row['cause']}")
        rank = f"rank {r['rank']}" if r["rank"] else "no rank"
        print(
            f"    investigators:  {r['verdict']}  ({rank}, {r['standing']})  second: {', '.join(r['second']) or 'none'}"
        )
        if r["unread"]:
            print(f"    not read: {'; '.join(r['unread'])}")
        if r["fits_well_wrong"]:
            print(f"    fits well, wrongly: {', '.join(r['fits_well_wrong'])}")
    print()
    for name, count in totals(results).items():
        print(f"{name:24} {count}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
