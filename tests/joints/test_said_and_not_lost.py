"""What a person said reaches every file, stays on its place, or is answered with one sentence: nothing is lost in silence."""

import io
import json
from dataclasses import replace

import pypdf
import pytest

from analyzer import check_facts, conclude
from analyzer.base.flags import InputError
from analyzer.causes.repair import Prices
from analyzer.house.facts import describe, read_value, told_quantities
from analyzer.result import record
from analyzer.result.corrections import make_correction
from analyzer.show import output
from analyzer.show.edition import Edition
from analyzer.wall.readings import read_readings, readings_from_rows
from tests.joints.test_files_tell_the_result import _look, page_text, pdf_text


@pytest.fixture(scope="module")
def seen():
    return _look()


def flags(examination) -> dict[str, str]:
    return {flag.id: flag.message for flag in examination.flags}


# --- every quantity of the vocabulary ---

CLASH = {"history_from", "history_to", "leak_dates"}  # these bind one another: told together with ends that fit


def values_of(quantity) -> list[object]:
    """Its own example, and its ends: the least and the most that are possible, each choice, both answers."""
    if quantity.kind == "number":
        return [*quantity.possible]
    if quantity.kind == "choice":
        return several_words(list(quantity.choices)) if quantity.multiple else list(quantity.choices)
    if quantity.kind == "flag":
        return [True, False]
    if quantity.kind == "text":
        return ["1", "x" * 500] if quantity.id != "tube_size" else ["1/2", "15.9x0.7"]
    if quantity.kind == "counts":
        return [{"1850": 0, "2020": 10000}, {"2021": 1, "2022": 0}]
    if quantity.kind == "dates":
        return [["1990-01-01", "2024-12-31"], ["2024-02-29"]]
    return ["1990-01-01", "2024-12-31"]


def several_words(words: list[str]) -> list[list[str]]:
    """Four at a time, so that 59 words need no more rounds than the 19 of which only one can hold; what excludes the others alone."""
    alone = [word for word in words if word in ("none", "nothing")]
    others = [word for word in words if word not in alone]
    return [*([word] for word in alone), *(others[first : first + 4] for first in range(0, len(others), 4))]


def rounds() -> list[dict[str, object]]:
    """So many sets of facts that every value of every quantity stands in one of them."""
    most = max(len(values_of(q)) for q in told_quantities())
    made = []
    for number in range(most):
        told = {}
        for quantity in told_quantities():
            values = values_of(quantity)
            told[quantity.id] = values[number % len(values)]
        told["history_from"], told["history_to"] = "1990-01-01", "2024-12-31"
        made.append(told)
    return made


def refused_together(told: dict[str, object]) -> dict[str, object]:
    """Without what a person could not say beside the rest: a pit deeper than the wall is thick is refused, and rightly."""
    return {key: value for key, value in told.items() if key not in ("pit_depth_mm", "gauge_wall_mm")}


@pytest.mark.slow
@pytest.mark.parametrize("number", range(len(rounds())))
@pytest.mark.usefixtures("set_as_it_comes")
def test_every_quantity_at_its_ends_goes_through_to_all_files(seen, number):
    told = refused_together(rounds()[number])
    result = conclude(replace(seen, tube=None), facts=check_facts(told))
    units = ("metric", "us")[number // 2 % 2]  # so that both ends of a number meet both
    whole = number < 4 or number % 8 == 0
    files, faults = output.make(
        result, Edition(units=units), None if whole else ("examination.json", "pits.csv", "bands.csv", "report.html")
    )
    assert not faults
    assert set(files) == set(output.FILES) or not whole
    kept = json.loads(files["examination.json"])["facts"]
    assert set(kept) == set(told)
    page = page_text(files["report.html"].decode())
    for quantity in told_quantities():
        if quantity.id in told:
            words = describe(quantity.id, result.facts[quantity.id], units)
            assert " ".join(words.split())[:60] in page, quantity.id


@pytest.mark.usefixtures("set_as_it_comes")
def test_the_example_of_every_quantity_in_the_template_goes_through(seen):
    """The facts file to fill in with every # before a name taken away is itself a facts file, and all that it says is kept."""
    import re

    from analyzer.house.facts import facts_template, parse_facts

    text = re.sub(r"^# ([a-z][a-z0-9_]* = )", r"\1", facts_template(), flags=re.MULTILINE)
    facts = parse_facts(text)
    assert set(facts) == {quantity.id for quantity in told_quantities()}
    result = conclude(replace(seen, tube=None), facts=check_facts(refused_together(dict(facts))))
    files, faults = output.make(result)
    assert not faults and set(files) == set(output.FILES)
    told = json.loads(files["examination.json"])["facts"]
    assert set(told) == set(facts) - {"pit_depth_mm", "gauge_wall_mm"}
    printed = pdf_text(files["report.pdf"])
    for key in ("material", "static_pressure_kpa", "leaks_by_year", "tube_marks"):
        words = describe(key, result.facts[key])
        assert words.split(",")[0] in printed, key


@pytest.mark.parametrize(
    "quantity", [q for q in told_quantities() if q.id in ("pit_depth_mm", "gauge_wall_mm")], ids=lambda q: q.id
)
def test_a_told_depth_or_wall_reaches_the_wall(seen, quantity):
    value = read_value(quantity, 0.3)
    plain, told = conclude(seen), conclude(seen, facts=check_facts({quantity.id: value}))
    kinds = [{item.kind for item in result.wall.evidence} for result in (plain, told)]
    assert "gauge" not in kinds[0] and "gauge" in kinds[1]


# --- long words, and a file that cannot be made ---


def test_a_long_remark_costs_no_file(seen):
    why = "solderdrip, " * 333  # 3996 letters, nearly the longest that is kept
    entry = make_correction({"kind": "remove_pit", "pit": 3, "who": "R. Field", "why": why})
    files, faults = output.make(conclude(seen, corrections=[entry]))
    assert not faults and set(files) == set(output.FILES)
    for text in (pdf_text(files["report.pdf"]), page_text(files["report.html"].decode())):
        assert text.count("solderdrip") == 333
    for page in pypdf.PdfReader(io.BytesIO(files["report.pdf"])).pages:  # and nothing runs off the foot of a page
        heights: list[float] = []
        page.extract_text(visitor_text=lambda text, _, at, *__, h=heights: h.append(at[5]) if text.strip() else None)
        assert all(0 < height < float(page.mediabox.top) for height in heights)


def test_a_file_that_cannot_be_made_never_costs_the_others(seen, tmp_path, monkeypatch, capsys):
    from PIL import Image

    from analyzer import cli

    def broken(work):
        raise ValueError("no such font")

    monkeypatch.setitem(output.FILES, "report.pdf", broken)
    result = conclude(seen)
    with pytest.raises(output.NotAllMade, match="report.pdf could not be made, .*no such font") as caught:
        output.write(result, tmp_path / "result")
    others = set(output.FILES) - {"report.pdf"}
    assert {path.name for path in caught.value.paths} == others | {output.MANIFEST}
    assert {path.name for path in (tmp_path / "result").iterdir()} == others | {output.MANIFEST}
    listed = (tmp_path / "result" / output.MANIFEST).read_text().splitlines()
    assert {line.split("  ")[1] for line in listed} == others  # the list names what is there and nothing else
    Image.effect_noise((400, 300), 60).convert("RGB").save(tmp_path / "piece.png")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("analyzer.result.examination.examine", lambda *_, **__: result)
    assert cli.main(["examine", "piece.png", "--quiet", "--out", "by-hand"]) == 1
    said = capsys.readouterr().err
    assert "report.pdf could not be made" in said and "Traceback" not in said and said.count("\n") == 1
    assert (tmp_path / "by-hand/report.html").is_file()


# --- prices, readings ---


def test_prices_without_leaks_are_said_to_be_unused(seen):
    prices = Prices(repair_per_leak=400.0, replace_all=9000.0)
    assert "prices_not_used" in flags(conclude(seen, prices=prices))
    known = check_facts({"leak_dates": ["2019-03-02", "2022-11-20", "2024-05-14"]})
    used = conclude(seen, facts=known, prices=prices)
    assert used.house is not None and "prices_not_used" not in flags(used)
    assert "prices_not_used" not in flags(conclude(seen))


def test_prices_reach_the_comparison_of_a_long_record(seen):
    days = [f"{year}-05-14" for year in (2004, 2009, 2013, 2016, 2018, 2020, 2021, 2022, 2023)]
    told = check_facts({"leak_dates": days, "history_from": "2000-01-01", "history_to": "2024-01-01"})
    prices = Prices(repair_per_leak=400.0, replace_all=9000.0)
    house = conclude(seen, facts=told, prices=prices).house
    assert house.costs.prices == prices and [option.id for option in house.costs.options] == ["repair", "all"]
    assert house.costs.options[1].present_value == 9000.0  # paid today, and no leak assumed after it


def test_two_readings_of_one_pit_that_contradict_are_flagged_and_widen(seen):
    """0.4 and 0.2 mm with a gauge that repeats within 0.03 mm: 1.96 times the root of twice its variance is 0.083 mm (ISO 5725-6)."""
    rows = [{"kind": "pit", "id": 1, "depth_mm": depth} for depth in (0.4, 0.2)]
    result = conclude(seen, readings=readings_from_rows(rows))
    assert "pit 1: 0.20 and 0.40 mm" in flags(result)["readings_of_a_pit_disagree"]
    low, high = result.wall.pit_depths[1].depth_mm.interval_95
    assert low <= 0.2 and high >= 0.4 and result.wall.pit_depths[1].depth_mm.value == 0.4
    alike = conclude(seen, readings=readings_from_rows([{**rows[0]}, {**rows[0], "depth_mm": 0.36}]))
    assert "readings_of_a_pit_disagree" not in flags(alike)


@pytest.mark.parametrize(
    ("wall", "words"), [(29.0, "more than any water pipe's wall"), (1.9, "more than twice that of")]
)
def test_a_sound_wall_that_no_such_tube_has_is_refused(seen, wall, words):
    """The tube of this piece has 0.8 mm; the thickest pipe of a house has 11.07 mm (ASME B36.10M, 2 in, from memory)."""
    with pytest.raises(InputError, match=words):
        conclude(seen, readings=readings_from_rows([{"kind": "sound_wall", "wall_mm": wall}]))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("pit,3,0.42,mm\npit,4,0.2,mm\n", "has no head line"),
        ("kind,id,depth,unit\n", "a head line and no readings"),
        ("# nothing\n", "holds no readings"),
    ],
)
def test_a_list_that_gives_no_reading_is_told(tmp_path, text, words):
    (tmp_path / "gauge.csv").write_text(text)
    with pytest.raises(InputError, match=words):
        read_readings(tmp_path / "gauge.csv")
    (tmp_path / "gauge.toml").write_text('unit = "mm"\n')
    with pytest.raises(InputError, match="holds no readings"):
        read_readings(tmp_path / "gauge.toml")


def test_a_told_wall_or_depth_beside_readings_is_said_to_be_unused(seen):
    told = check_facts({"gauge_wall_mm": 0.35, "pit_depth_mm": 0.3})
    rows = [{"kind": "thin_wall", "wall_mm": 0.4}, {"kind": "pit", "id": 1, "depth_mm": 0.25}]
    message = flags(conclude(seen, facts=told, readings=readings_from_rows(rows)))["told_not_used"]
    assert "wall by gauge of 0.35 mm and the depth of the deepest pit of 0.3 mm" in message
    assert "told_not_used" not in flags(conclude(seen, facts=told))


def test_a_tube_told_only_in_the_facts_is_said_to_count_for_less(seen):
    told = check_facts({"tube_size": "1/2", "tube_type": "M"})
    assert "1/2" in flags(conclude(replace(seen, tube=None), facts=told))["tube_not_beside_photo"]
    assert "tube_not_beside_photo" not in flags(conclude(seen, facts=check_facts({"tube_size": "3/4"})))


# --- the place on the metal ---


def renumbered(seen, order=(3, 1, 2)):
    """The same look with its pits found in another order, so under other numbers."""
    pits = {new: replace(seen.pits.pits[old - 1], id=new) for new, old in enumerate(order, 1)}
    return replace(seen, pits=replace(seen.pits, pits=tuple(pits.values())))


def test_a_reading_stays_with_its_place_when_numbers_change(seen):
    pit = seen.pits.pits[0]
    row = {"kind": "pit", "id": 1, "depth_mm": 0.3, "x_px": pit.x_px, "y_px": pit.y_px}
    before = conclude(seen, readings=readings_from_rows([row]))
    after = conclude(renumbered(seen), readings=readings_from_rows([row]))
    assert before.wall.pit_depths[1].evidence == "gauge" and "reading_moved" not in flags(before)
    assert after.wall.pit_depths[2].evidence == "gauge" and after.wall.pit_depths[1].evidence != "gauge"
    assert "pit 1 then, 2 now" in flags(after)["reading_moved"]


def test_a_reading_where_no_pit_lies_any_more_is_asked_about(seen):
    row = {"kind": "pit", "id": 1, "depth_mm": 0.3, "x_px": 200.0, "y_px": 100.0}
    result = conclude(seen, readings=readings_from_rows([row]))
    assert "at 200, 100 px" in flags(result)["reading_no_pit"]
    assert all(depth.evidence != "gauge" for depth in result.wall.pit_depths.values())


@pytest.mark.parametrize("kind", ["remove_pit", "confirm_pit", "call_mound"])
def test_a_word_on_a_pit_stays_with_its_place_when_numbers_change(seen, kind):
    pit = seen.pits.pits[0]
    entry = make_correction({"kind": kind, "pit": 1, "points_px": [[pit.x_px, pit.y_px]]})
    after = conclude(renumbered(seen), corrections=[entry])
    there = {p.id: p for p in after.standing_pits.pits}
    if kind == "confirm_pit":
        assert there[2].by_hand and not there[1].by_hand
    else:
        assert set(there) == {1, 3} and after.corrected.removed_pits == (2,)
    assert "word_on_no_pit" not in flags(after)


def test_a_word_on_a_pit_that_is_found_no_more_is_asked_about(seen):
    gone = make_correction({"kind": "confirm_pit", "pit": 7, "points_px": [[200.0, 100.0]]})
    assert "number 7 then, at 200, 100 px" in flags(conclude(seen, corrections=[gone]))["word_on_no_pit"]
    with pytest.raises(InputError, match="There is no pit 7"):
        conclude(seen, corrections=[make_correction({"kind": "confirm_pit", "pit": 7})])


def test_a_reading_of_an_added_pit_is_found_by_its_place(seen):
    added = make_correction({"kind": "add_pit", "points_px": [[180.0, 100.0]], "diameter_mm": 1.0})
    row = {"kind": "pit", "id": 9, "depth_mm": 0.3, "x_px": 180.0, "y_px": 100.0}
    result = conclude(seen, corrections=[added], readings=readings_from_rows([row]))
    assert result.wall.pit_depths[4].evidence == "gauge"
    assert record.as_dict(result)["corrected"]["pits"][-1]["id"] == 4


# --- water ---


def test_water_above_ph_9_is_said_to_be_out_of_range(seen):
    test = {
        "water_temperature_c": 20.0,
        "water_calcium_mg_per_l_caco3": 100.0,
        "water_alkalinity_mg_per_l_caco3": 100.0,
        "water_tds_mg_per_l": 250.0,
    }
    above = conclude(seen, facts=check_facts({**test, "water_ph": 9.2}))
    assert "langelier_index" in above.quantities and "ph 9.2 is outside" in str([f.message for f in above.flags])
    below = conclude(seen, facts=check_facts({**test, "water_ph": 8.9}))
    assert "water_index_out_of_range" not in flags(below)
