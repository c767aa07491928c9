"""A file, the pages and Python are one way in: the same piece with the same words gives the same ``examination.json``.

One photo of a short stretch, looked at once for all: what differs between the ways is what is told, never what is seen. The pages run
in Streamlit's own harness, the command line in this process.
"""

import hashlib
import json
import math
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from analyzer import Light, Settings, check_facts, cli
from analyzer.base.flags import InputError
from analyzer.case.commands import now
from analyzer.case.store import CaseStore
from analyzer.case.work import edition_of
from analyzer.photo.reading import read_photo
from analyzer.result import examination, record
from analyzer.result.corrections import make_correction
from analyzer.result.examination import examine
from analyzer.show import output
from analyzer.wall.readings import readings_from_rows
from tests.conftest import ROOT, short_stretch

pytestmark = pytest.mark.filterwarnings("ignore")  # Streamlit's harness itself warns of what the bare mode lacks

APP = str(ROOT / "ui/app.py")
VIEW, TUBE, MARKER = "inside", "1 M", "ruler"
SAID = Settings(view=VIEW, tube=TUBE, marker=cli.read_marker(MARKER))
JSON = "examination.json"
_SEEN: dict[object, object] = {}


PIECE, TORCH, BEHIND = (short_stretch(shrink=1, brightness=level) for level in (1.0, 0.8, 0.05))
RING = (ROOT / "demo_images/cut-ring.jpg").read_bytes()


def looked_once(photos, *, settings, lights=(), progress=None):
    """``look``, remembered by what it was given: nothing else may matter to it."""
    if isinstance(photos, (str, Path, bytes)):
        photos = [read_photo(photos)]
    photos = [photos] if not isinstance(photos, (list, tuple)) else list(photos)
    key = (
        tuple((photo.sha256, photo.role, photo.name) for photo in photos),
        json.dumps(settings.as_json()),
        tuple((light.photo.sha256, light.azimuth_deg, light.elevation_deg, light.position_mm) for light in lights),
    )
    if key not in _SEEN:
        _SEEN[key] = _LOOK(photos, settings=settings, lights=lights)
    return _SEEN[key]


_LOOK = examination.look


class Ways:
    """The three ways, each giving the record of the same piece."""

    def __init__(self, monkeypatch, folder: Path) -> None:
        self.monkeypatch, self.folder = monkeypatch, folder
        self.concluded: list[examination.Examination] = []
        self.events: list[dict] = []
        for name, data in (("piece.jpg", PIECE), ("ring.jpg", RING), ("torch.jpg", TORCH), ("behind.jpg", BEHIND)):
            (folder / name).write_bytes(data)
        monkeypatch.chdir(folder)
        monkeypatch.setattr(examination, "look", looked_once)

    # --- by file ---

    def by_file(self, *options: str, files: tuple[str, ...] = (JSON,), **texts: str) -> dict:
        """``texts``: facts, readings, corrections or prices as the text of their file."""
        for name, text in texts.items():
            (self.folder / f"{name}.toml").write_text(text, encoding="utf-8")
            options += (f"--{name}", f"{name}.toml")
        with self.monkeypatch.context() as patch:
            patch.setattr(output, "FILES", {name: output.FILES[name] for name in files})
            said = ["--view", VIEW, "--tube", TUBE, "--marker", MARKER, "--quiet", "--out", "result"]
            assert cli.main(["examine", "piece.jpg", *said, *options]) == 0
        return json.loads((self.folder / "result" / JSON).read_text(encoding="utf-8"))

    # --- by Python ---

    def by_python(self, *, photos=(), lights=(), **said) -> dict:
        photos = [read_photo("piece.jpg"), *(read_photo(name, role=role) for name, role in photos)]
        lights = [
            Light(photo=read_photo(name, role="light"), azimuth_deg=at, elevation_deg=high) for name, at, high in lights
        ]
        return json.loads(record.to_json(examine(photos, settings=SAID, lights=lights, **said)))

    # --- by page ---

    def page(self, units: str = "metric", *, settings: bool = True) -> AppTest:
        """A kept case opened on the pages; with ``settings`` it was told what the photo shows."""
        from ui import looking
        from ui.sections import tools

        def concluding(*args, **said):
            self.concluded.append(examination.conclude(*args, **said))
            return self.concluded[-1]

        def photo_points(**said):
            return self.events.pop() if self.events else None

        looking._told.clear()  # what another test told is not concluded for this one
        self.monkeypatch.setattr(looking, "look", looked_once)
        self.monkeypatch.setattr(looking, "conclude", concluding)
        self.monkeypatch.setattr(tools, "photo_points", photo_points)
        self.monkeypatch.setenv("CUTPIPE_CASES", str(self.folder / "cases"))
        store = CaseStore.begin(self.folder / "cases/piece", when=now())
        store.add_photo(PIECE, file_name="piece.jpg", purpose="main", when=now())
        if settings:
            store.add("settings", {"view": VIEW, "tube": TUBE, "marker": {"kind": MARKER}}, when=now())
        app = AppTest.from_file(APP, default_timeout=120)
        app.query_params["case"] = "piece"
        app.run()
        if units == "us":
            app.segmented_control(key="units").set_value("in, psi").run()
        return app

    def of_page(self, app: AppTest) -> dict:
        assert not app.exception, app.exception
        assert not [e for e in app.error if "inside cutpipe" in str(e.value)]
        return json.loads(record.to_json(self.concluded[-1]))


@pytest.fixture
def ways(monkeypatch, tmp_path):
    return Ways(monkeypatch, tmp_path)


def differences(one, two, path="") -> list[str]:
    """Where two records differ by more than the last digits of a number; by whom and when a correction was made is left out."""
    if isinstance(one, dict) and isinstance(two, dict):
        keys = set(one) | set(two)
        return [
            found
            for key in sorted(keys - {"who", "when"})
            for found in differences(one.get(key, "absent"), two.get(key, "absent"), f"{path}.{key}")
        ]
    if isinstance(one, list) and isinstance(two, list) and len(one) == len(two):
        return [found for place, pair in enumerate(zip(one, two)) for found in differences(*pair, f"{path}[{place}]")]
    if isinstance(one, float) and isinstance(two, (int, float)):
        return [] if math.isclose(one, two, rel_tol=1e-6, abs_tol=1e-6) else [f"{path}: {one} and {two}"]
    return [] if one == two else [f"{path}: {one!r} and {two!r}"]


def agree(file: dict, page: dict, python: dict) -> None:
    assert differences(file, python) == [] and differences(file, page) == []


# --- facts of every kind ---

FACTS = {
    # id: units of the page, what is typed or chosen there, the file, Python
    "number": ("metric", {"water_ph": "8,1"}, "water_ph = 8.1", {"water_ph": 8.1}),
    "number in psi": (
        "us",
        {"static_pressure_kpa_psi": "80", "static_pressure_night_kpa_psi": "95 psi"},
        '[pressure]\nstatic_pressure_kpa = "80 psi"\nstatic_pressure_night_kpa = "95 psi"',
        {"static_pressure_kpa": 80 * 6.894757293168, "static_pressure_night_kpa": 95 * 6.894757293168},
    ),
    "number in inches": (
        "us",
        {"outside_diameter_mm_in": "7/8", "pit_depth_mm_in": "0.012"},
        "outside_diameter_mm = '7/8\"'\npit_depth_mm = \"0.012 in\"",
        {"outside_diameter_mm": 22.225, "pit_depth_mm": 0.3048},
    ),
    "number in Fahrenheit": (
        "us",
        {"service_temperature_c_F": "140"},
        'service_temperature_c = "140 F"',
        {"service_temperature_c": 60.0},
    ),
    "number with its unit": ("metric", {"age_years": "22 yrs"}, "age_years = 22", {"age_years": "264 months"}),
    "unusual number": ("metric", {"water_ph": "10.4"}, "water_ph = 10.4", {"water_ph": 10.4}),
    "choice": ("metric", {"service": "hot", "component": "joint"}, 'service = "hot"\ncomponent = "joint"', {"service": "hot", "component": "joint"}),
    "several choices": (
        "metric",
        {"observed_pit_shape": ["leak_path_in_joint", "pinhole"]},
        'observed_pit_shape = ["leak_path_in_joint", "pinhole"]',
        {"observed_pit_shape": ("leak_path_in_joint", "pinhole")},
    ),
    "a fine word that brings a coarse one": (
        "metric",
        {"observed_pit_shape": ["undercut_horseshoe"]},
        'observed_pit_shape = "undercut_horseshoe"',
        {"observed_pit_shape": "undercut_horseshoe"},
    ),
    "yes and no": ("metric", {"softener": "yes", "flux_residue_seen": None}, "softener = true", {"softener": True}),
    "text": ("metric", {"tube_marks": "ASTM B88 3/4 M"}, 'tube_marks = "ASTM B88 3/4 M"', {"tube_marks": "ASTM B88 3/4 M"}),
    "date": ("metric", {"history_from": "June 2015"}, "history_from = 2015-06-15", {"history_from": "2015-06-15"}),
    "dates": (
        "metric",
        {"leak_dates": "2019-03-02, 20 Nov 2022; 2024-05-14"},
        "leak_dates = [2019-03-02, 2022-11-20, 2024-05-14]",
        {"leak_dates": ["2024-05-14", "2019-03-02", "2022-11-20"]},
    ),
    "counts by year": (
        "metric",
        {"leaks_by_year": "2021: 1, 2022: 0, 2023: 2"},
        "leaks_by_year = { 2021 = 1, 2022 = 0, 2023 = 2 }",
        {"leaks_by_year": {"2021": 1, "2022": 0, "2023": 2}},
    ),
}  # fmt: skip


def tell(app: AppTest, key: str, said) -> None:
    key = f"fact_{key}"
    for kind in (app.selectbox, app.multiselect, app.text_input):
        if any(widget.key == key for widget in kind):
            kind(key=key).set_value(said)
            return
    raise AssertionError(f"no question {key} on the page")


def told_on_page(ways: Ways, units: str, typed: dict) -> AppTest:
    app = ways.page(units)
    app.segmented_control(key="section").set_value("House").run()
    app.toggle(key="every_fact").set_value(True).run()
    for key, said in typed.items():
        if said is not None:
            tell(app, key, said)
            app.run()
    return app


@pytest.mark.parametrize("kind", FACTS)
def test_a_fact_of_each_kind(ways, kind):
    units, typed, file, plain = FACTS[kind]
    app = told_on_page(ways, units, typed)
    assert not app.error
    by_file = ways.by_file(facts=file)
    assert set(plain) <= set(by_file["facts"])
    agree(by_file, ways.of_page(app), ways.by_python(facts=check_facts(plain)))


@pytest.mark.parametrize(
    ("word", "cause"), [("leak_path_in_joint", "Leaking joint"), ("undercut_horseshoe", "Erosion-corrosion")]
)
def test_the_coarse_word_weighs_on_the_page_as_from_a_file(ways, word, cause):
    """Most rules read the coarse word. Undercut horseshoes are the mark of erosion-corrosion (CDA, Copper Tube Handbook)."""
    page = ways.of_page(told_on_page(ways, "metric", {"observed_pit_shape": [word]}))
    file = ways.by_file(facts=f'observed_pit_shape = "{word}"')
    for told in (page, file):
        (found,) = (row for row in told["findings"] if cause in row["name"])
        assert any(fact["quantity"] == "observed_shape_class" for fact in found["facts_for"]), found
        assert found["standing"] in ("fits well", "fits", "possible")  # how well hangs on the picture
        assert "observed_shape_class" in told["quantities"] and "observed_shape_class" not in told["facts"]


def test_an_unusual_value_is_flagged_on_page_file_and_report(ways):
    app = told_on_page(ways, "metric", {"water_ph": "10.4"})
    assert any("pH is 10.4, usual is 6 to 9.5" in str(w.value) for w in app.warning)  # beside the question
    told = ways.by_file(facts="water_ph = 10.4", files=(JSON, "report.html"))
    assert [flag["id"] for flag in told["flags"]].count("fact_unusual") == 1
    assert "pH is 10.4" in (ways.folder / "result/report.html").read_text(encoding="utf-8")
    assert "fact_unusual" in {flag.id for flag in ways.concluded[-1].flags}


def test_answers_that_cannot_both_hold_are_refused_everywhere(ways, capsys):
    app = told_on_page(ways, "metric", {"history_from": "2024-01-01", "history_to": "2020-01-01"})
    (error,) = app.error
    assert "cannot be known until 2020-01-01 only if it is known since 2024-01-01" in str(error.value)
    assert "history_to" not in str(error.value) and "facts:" not in str(error.value)
    assert "history_to" not in app.session_state["cutpipe_case"].kept.answers
    (ways.folder / "house.toml").write_text("history_from = 2024-01-01\nhistory_to = 2020-01-01")
    assert cli.main(["examine", "piece.jpg", "--quiet", "--facts", "house.toml"]) == 1
    assert "facts: history_to: Every leak cannot be known until 2020-01-01" in capsys.readouterr().err
    with pytest.raises(InputError, match="history_to"):
        check_facts({"history_from": "2024-01-01", "history_to": "2020-01-01"})


def test_facts_that_were_not_checked_do_not_go_in(ways):
    for bare in ({"material": "copper"}, [("material", "copper")], "copper"):
        with pytest.raises(InputError, match=r"check_facts\(\{...\}\) or read_facts\(path\)"):
            ways.by_python(facts=bare)


# --- readings ---

READINGS = {
    "depth of a pit": ("metric", {"What was read": "pit", "Pit": 2, "Reading, mm": 0.21, "Read with": "dial depth gauge"}, "[[pit]]\nid = 2\ndepth = 0.21", {"kind": "pit", "id": 2, "depth": 0.21}),
    "depth in inches": ("us", {"What was read": "pit", "Pit": 2, "Reading, in": 0.0085, "Read with": "dial depth gauge"}, 'unit = "in"\n[[pit]]\nid = 2\ndepth = 0.0085', {"kind": "pit", "id": 2, "depth_mm": 0.2159}),
    "sound wall": ("metric", {"What was read": "sound_wall", "Reading, mm": 0.79, "Read with": "ball micrometer"}, '[[sound_wall]]\nwall = 0.79\nmethod = "ball micrometer"', {"kind": "sound_wall", "wall_mm": 0.79, "method": "ball micrometer"}),
    "thin wall in inches": ("us", {"What was read": "thin_wall", "Reading, in": 0.011, "Read with": "dial depth gauge"}, 'unit = "in"\nmethod = "dial depth gauge"\n[[thin_wall]]\nwall = 0.011', {"kind": "thin_wall", "wall_mm": 0.2794, "method": "dial depth gauge"}),
}  # fmt: skip


@pytest.mark.parametrize("kind", READINGS)
def test_a_reading_of_each_kind(ways, kind):
    units, typed, file, row = READINGS[kind]
    app = ways.page(units)
    app.segmented_control(key="section").set_value("Wall").run()
    for label, said in typed.items():
        widget = next(w for w in (*app.selectbox, *app.number_input) if w.label == label)
        widget.set_value(said)
    next(b for b in app.button if b.label == "Add the reading").click().run()
    assert not app.error, [e.value for e in app.error]
    by_file = ways.by_file(readings=file)
    assert any(item["kind"] in ("gauge", "sound wall") for item in by_file["wall"]["evidence"])
    agree(by_file, ways.of_page(app), ways.by_python(readings=readings_from_rows([row])))


# --- corrections ---


def on_metal(seen, along: float, across: float) -> tuple[float, float]:
    """A place of the piece by its share of the width and the height of what is seen, in pixels of the photo."""
    left, top = seen.surface.outline_px.min(axis=0)
    right, bottom = seen.surface.outline_px.max(axis=0)
    return round(float(left + along * (right - left))) + 0.25, round(float(top + across * (bottom - top))) + 0.25


BOX = ((0.3, 0.2), (0.6, 0.2), (0.6, 0.8), (0.3, 0.8))
CORRECTIONS = {
    # id: units, tool, what is typed beside it, pit or places pointed at, the entry that a file would hold
    "not a pit": ("metric", "Not a pit", {}, 3, {"kind": "remove_pit"}),
    "is a pit": ("metric", "Is a pit", {}, 3, {"kind": "confirm_pit"}),
    "is a mound": ("metric", "Is a mound", {}, 3, {"kind": "call_mound"}),
    "a pit of told width": ("metric", "Add a pit", {"pit_size": 1.25}, [(0.5, 0.5)], {"kind": "add_pit", "diameter_mm": 1.25}),
    "a pit of a width in inches": ("us", "Add a pit", {"pit_size": 0.05}, [(0.5, 0.5)], {"kind": "add_pit", "diameter_mm": 1.27}),
    "a pit by its mouth": ("metric", "Add a pit", {}, [(0.5, 0.5), (0.51, 0.5)], {"kind": "add_pit"}),
    "an area left out": ("metric", "Leave out an area", {}, BOX, {"kind": "leave_out"}),
    "only an area": ("metric", "Examine only here", {}, BOX, {"kind": "examine_only"}),
    "a length": ("metric", "Mark a length", {"known_length": 50.8}, [(0.3, 0.5), (0.7, 0.5)], {"kind": "known_length", "length_mm": 50.8}),
    "a place of metal": ("metric", "This is metal", {}, [(0.5, 0.5)], {"kind": "metal_here"}),
    "a place of none": ("metric", "This is not metal", {}, [(0.02, 0.5)], {"kind": "not_metal_here"}),
    "a length in inches": ("us", "Mark a length", {"known_length": 2.0}, [(0.3, 0.5), (0.7, 0.5)], {"kind": "known_length", "length_mm": 50.8}),
}  # fmt: skip


@pytest.mark.parametrize("kind", CORRECTIONS)
def test_a_correction_of_each_kind(ways, monkeypatch, kind):
    from ui.sections import shapes, tools

    units, tool, typed, where, row = CORRECTIONS[kind]
    monkeypatch.setattr(shapes, "LONGEST_PX", 300)  # so that what is pointed at is not already in pixels of the photo
    app = ways.page(units)
    if isinstance(where, int):
        ways.events.append({"pit": where, "points": None})
        app.run()
    else:
        app.pills(key="tool").set_value(tool).run()
    for key, said in typed.items():
        app.number_input(key=key).set_value(said).run()
    app.text_input(key="why").set_value("seen with a lens").run()
    row = {**row, "why": "seen with a lens"}
    seen = ways.concluded[-1].look
    left, top, _, _, enlarge, _ = shapes.picture(ways.concluded[-1], whole=tool in tools.WHOLE_PHOTO)
    if isinstance(where, int):
        row["pit"] = where
        (pit,) = (pit for pit in seen.pits.pits if pit.id == where)
        row["points_px"] = [[pit.x_px, pit.y_px]]
        next(button for button in app.button if button.label == tool).click()
    else:
        row["points_px"] = [list(on_metal(seen, *place)) for place in where]
        ways.events.append(
            {"pit": None, "points": [[(x - left) * enlarge, (y - top) * enlarge] for x, y in row["points_px"]]}
        )
    app.run()
    assert not app.error, [e.value for e in app.error]
    text = "[[correction]]\n" + "\n".join(f"{key} = {json.dumps(value)}" for key, value in row.items())
    by_file = ways.by_file(corrections=text)
    assert len(by_file["corrections"]) == 1
    agree(by_file, ways.of_page(app), ways.by_python(corrections=[make_correction(row)]))


# --- further photos ---

EXTRAS = {
    "ring": ("ring", "ring.jpg", RING, {}, ("--ring", "ring.jpg"), {"photos": [("ring.jpg", "ring")]}),
    "backlit": ("backlit", "behind.jpg", BEHIND, {}, ("--backlit", "behind.jpg"), {"photos": [("behind.jpg", "backlit")]}),
    "light": (
        "light", "torch.jpg", TORCH, {"mark": 180.0, "Torch height": 35.0}, ("--light", "torch.jpg@180,35"),
        {"lights": [("torch.jpg", 180.0, 35.0)]},
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", EXTRAS)
def test_a_further_photo_of_each_kind(ways, monkeypatch, kind):
    from ui.sections import wall

    role, name, data, typed, options, python = EXTRAS[kind]
    app = ways.page()
    app.segmented_control(key="section").set_value("Wall").run()
    monkeypatch.setattr(wall, "torch_dial", lambda photos, key: [typed["mark"] for _ in photos])  # a tap on a dial
    app.file_uploader(key=f"extra_{role}_0").upload(name, data, "image/jpeg").run()
    for label, said in typed.items():
        if label != "mark":
            next(w for w in app.number_input if w.label.startswith(label)).set_value(said).run()
    app.button(key=f"add_{role}").click().run()
    assert not app.error, [e.value for e in app.error]
    by_file = ways.by_file(*options)
    assert [photo["role"] for photo in by_file["photos"]] == ["main", role]
    together = [flag["id"] for flag in by_file["flags"] if flag["id"] == "pits_by_lights"]
    assert together == (["pits_by_lights"] if kind == "light" else [])
    assert {k for pit in by_file["pits"] for k in pit["carried_by"]} <= ({0, 1} if kind == "light" else {0})
    agree(by_file, ways.of_page(app), ways.by_python(**python))


# --- prices ---


def test_prices(ways):
    from analyzer.causes.repair import Prices

    told = ["2019-03-02", "2022-11-20", "2024-05-14"]
    app = told_on_page(ways, "metric", {"leak_dates": ", ".join(told)})
    for label, said in (
        ("Repair of one leak", 450.0),
        ("New pipes in the whole house", 9000.0),
        ("Moving out meanwhile", 700.0),
    ):
        next(w for w in app.number_input if w.label == label).set_value(said)
    next(b for b in app.button if b.label == "Compare").click().run()
    assert not app.error, [e.value for e in app.error]
    facts = check_facts({"leak_dates": told})
    prices = Prices(repair_per_leak=450.0, replace_all=9000.0, moving_out=700.0)
    by_file = ways.by_file(
        facts=f"leak_dates = {json.dumps(told)}", prices="repair_per_leak = 450\nreplace_all = 9000\nmoving_out = 700"
    )
    assert by_file["repair_or_replace"] is not None
    agree(by_file, ways.of_page(app), ways.by_python(facts=facts, prices=prices))


# --- what was said about the photo, and all files ---


def test_what_is_said_about_the_photo(ways):
    """Chosen in the form of the pages, typed on the command line, given in Python: the same settings, and so the same look."""
    app = ways.page(settings=False)
    for label, said in (("The photo shows", VIEW), ("Tube", TUBE), ("Beside the piece lies", MARKER)):
        next(w for w in app.selectbox if w.label == label).set_value(said)
    next(b for b in app.button if b.label == "Examine again").click().run()
    agree(ways.by_file(), ways.of_page(app), ways.by_python())


@pytest.mark.parametrize("units", ["metric", "us"])
def test_the_pages_save_the_files_that_the_command_writes_from_the_same_case(ways, units):
    from ui import looking

    app = ways.page(units)
    app.segmented_control(key="section").set_value("House").run()
    app.selectbox(key="fact_service").set_value("hot").run()
    app.segmented_control(key="section").set_value("Save").run()
    assert not app.exception
    store = CaseStore.open(ways.folder / "cases/piece")
    edition = edition_of(store.state(), ways.concluded[-1], units=units)
    assert cli.main(["case", "examine", str(store.folder), "--units", units, "--out", "result"]) == 0
    made_of = hashlib.sha256(record.to_json(ways.concluded[-1]).encode()).hexdigest()
    saved, faults = looking._files(made_of, edition, ways.concluded[-1])  # what the page has made and offers
    assert set(saved) == set(output.FILES) and not faults
    assert json.loads(saved[JSON])["facts"]["service"] == "hot"
    for name, made in saved.items():
        assert made == (ways.folder / "result" / name).read_bytes(), name
