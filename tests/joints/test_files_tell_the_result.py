"""Every file and the command line tell the result as it is: one small piece with figures known beforehand, looked for in JSON, CSV, PNG, HTML and PDF.

The piece is made up here, so each figure below is a statement of the test, not of the program; pypdf, OpenCV and the csv module read the
files. The densities' interval is that of Garwood (1936): three pits are 0.619 to 8.767; 95 % is 1.96 standard deviations.
"""

import csv
import io
import json
import math
import re
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser

import cv2
import numpy as np
import pypdf
import pytest
from PIL import Image

from analyzer import Settings, cli, conclude
from analyzer.base.measured import Measure
from analyzer.door.sharpness import Sharpness
from analyzer.door.shown import Shown
from analyzer.house.facts import check_facts
from analyzer.house.tables import read_tube
from analyzer.marks.bands import Band, Bands
from analyzer.marks.catalogue import Pit, PitCatalogue
from analyzer.marks.pattern import read_pattern
from analyzer.photo.reading import CameraFacts, Photo
from analyzer.piece.surface import Surface
from analyzer.result import record
from analyzer.result.corrections import Correction
from analyzer.result.examination import Look
from analyzer.ring.cut_ring import Ring
from analyzer.scale.calibration import Calibration, CrossCheck, Marker
from analyzer.show import drawing, output, paper, phrases, report, webpage
from analyzer.wall.readings import readings_from_rows

SIZE = (140, 240)  # of the photo, rows and columns; 0.1 mm a pixel
# number: x, y, opening in mm2, width of a round mouth of the same area, its standard uncertainty
PITS = {1: (60, 50, 0.785, 1.0, 0.05), 2: (100, 90, 0.283, 0.6, 0.04), 3: (150, 60, 1.131, 1.2, 0.06)}
FACTS = {"material": "copper", "age_years": 20.0, "static_pressure_kpa": 600.0, "service_temperature_c": 60.0}


def _photo(role: str, name: str) -> Photo:
    rgb = np.full((*SIZE, 3), 150, np.uint8)
    rgb[20:120, 20:220] = (150, 90, 60)
    rgb.setflags(write=False)
    return Photo(
        role=role,
        name=name,
        sha256=("1" if role == "main" else "2") * 64,
        rgb=rgb,
        camera=CameraFacts(taken="2026:01:10 09:00:00"),
    )


def _surface() -> Surface:
    """20 x 10 mm of metal, of which the last 4 mm are seen from 80 degrees aslant: 2.00 cm2 are seen, 1.60 cm2 examined."""
    rows, columns = np.mgrid[:100, :200].astype(np.float32)
    return Surface(
        view="flat",
        view_source="told",
        unit="mm",
        origin_px=(20, 20),
        metal=np.ones((100, 200), bool),
        axial=columns * np.float32(0.1),
        around=(rows - 50) * np.float32(0.1),
        obliquity_deg=np.where(columns >= 160, 80, 0).astype(np.float32),
        area_per_px=np.full((100, 200), 0.01, np.float32),
        radius_mm=None,
        mm_per_px=Measure(value=0.1, budget={"printed size": 0.001}),  # one standard uncertainty is 1 %
        seen_area=Measure(value=200.0, budget={"printed size": 4.0}),
        examined_area=Measure(value=160.0, budget={"printed size": 3.2}),
        axial_length=Measure(value=20.0, budget={"printed size": 0.2}),
        outline_px=np.array([[20, 20], [220, 20], [220, 120], [20, 120]], np.float32),
    )


def _pits() -> PitCatalogue:
    labels = np.zeros(SIZE, np.uint16)
    made = []
    for number, (x, y, area, diameter, uncertainty) in PITS.items():
        cv2.circle(labels, (x, y), round(5 * diameter), number, -1)
        made.append(
            Pit(
                id=number,
                x_px=float(x),
                y_px=float(y),
                opening_area_px=100 * area,
                equivalent_diameter_px=10 * diameter,
                confidence=0.9,
                through=None,
                obliquity_deg=0.0,
                contrast=20.0,
                axial_mm=(x - 20) / 10,
                around_mm=(y - 70) / 10,
                opening_area_mm2=Measure(value=area, budget={"edge": 2 * area * uncertainty / diameter}),
                equivalent_diameter_mm=Measure(value=diameter, budget={"edge": uncertainty}),
                length_mm=Measure(value=1.1 * diameter, budget={"edge": uncertainty}),
                width_mm=Measure(value=0.9 * diameter, budget={"edge": uncertainty}),
                orientation_deg=30.0,
            )
        )
    return PitCatalogue(
        pits=tuple(made),
        mounds=(),
        labels=labels,
        count=Measure(value=3.0, interval=(2.0, 5.0)),
        smallest_counted_mm=0.3,
        evidence="learned",
        evidence_version="test",
    )


def _bands() -> Bands:
    """A green mark from 2 to 6 mm along the pipe all across, a water line from 12 to 13 mm round it."""
    labels = np.zeros(SIZE, np.uint8)
    labels[20:120, 40:80] = 1
    labels[95:105, 80:220] = 2
    mark = Band(
        id=1, kind="contact_mark", colour_class="green_product", area_px=4000.0, share_of_metal=0.2, confidence="clear",
        axial_mm=(2.0, 6.0), around_mm=(-5.0, 5.0), area_mm2=Measure(value=40.0, budget={"edge": 1.0}),
    )  # fmt: skip
    line = Band(
        id=2, kind="water_line", colour_class="white_scale", area_px=1400.0, share_of_metal=0.07, confidence="faint",
        axial_mm=(6.0, 20.0), around_mm=(2.5, 3.5), area_mm2=Measure(value=14.0, budget={"edge": 0.5}),
    )  # fmt: skip
    shares = {"red_brown_oxide": 0.6, "green_product": 0.25, "blue_green_product": 0.1, "white_scale": 0.05}
    return Bands(bands=(mark, line), labels=labels, colour_shares=shares, white_source="card")


def _ring() -> Ring:
    """0.70 mm of wall all round but 0.40 mm at 90 degrees."""
    angles = np.radians(np.arange(-180, 180))
    circle = np.stack([np.cos(angles), -np.sin(angles)], axis=1)
    wall = np.full(360, 0.7)
    wall[270] = 0.4  # the list begins at -180 degrees
    return Ring(
        centre_px=(100.0, 70.0),
        outer_contour_px=(100, 70) + 60 * circle,
        inner_contour_px=(100, 70) + 53 * circle,
        wall_px=10 * wall,
        mm_per_px=Measure(value=0.1),
        scale_source="tube's outside diameter",
        wall_mm=wall,
        minimum_mm=Measure(value=0.4, budget={"edges": 0.02}),
        minimum_image_angle_deg=90.0,
        maximum_mm=Measure(value=0.7, budget={"edges": 0.02}),
        mean_mm=Measure(value=0.699, budget={"edges": 0.02}),
        outside_diameter_mm=Measure(value=22.2),
        ovality_percent=0.0,
        loss_outside_mm=np.zeros(360),
        loss_inside_mm=0.7 - wall,
        edge_uncertainty_px=0.2,
    )


def _shown() -> Shown:
    sharpness = Sharpness(
        blur_px=1.1, measured_at="marker", noise_levels=0.4, glare_share=0.0, dark_share=0.0, smallest_seen_px=3.0,
        smallest_seen_mm=0.3,
    )  # fmt: skip
    return Shown(
        framing="apart", framing_source="seen", piece_share=0.6, unsure_share=0.06, contrast=4.2, further_share=0.0,
        view_shares=(0.1, 0.1, 0.7, 0.1), sharpness=sharpness, colours=None, metal=None, specimen=None, not_countable="",
    )  # fmt: skip


def _look() -> Look:
    surface, pits, bands = _surface(), _pits(), _bands()
    check = CrossCheck(
        name="ruler length",
        difference_percent=0.5,
        standard_uncertainty_percent=0.6,
        agrees=True,
        sentence="The ruler's length agrees.",
    )
    calibration = Calibration(
        method="ruler",
        camera_matrix=np.array([[300.0, 0, 120], [0, 300, 70], [0, 0, 1]]),
        distortion=np.zeros(5),
        focal_source="exif",
        rotation=np.diag([1.0, -1.0, -1.0]),
        translation_mm=np.array([0.0, 0.0, 30.0]),
        marker_plane_height_mm=2.0,
        mm_per_px_marker=Measure(value=0.098, budget={"printed size": 0.0005}),
        cross_checks=(check,),
    )
    return Look(
        settings=Settings(view="flat", tube="22.2x0.8", marker=Marker(kind="ruler")),
        tube=read_tube("22.2x0.8"),
        photos=(_photo("main", "piece.jpg"),),
        calibration=calibration,
        shown=_shown(),
        surface=surface,
        pits=pits,
        bands=bands,
        pattern=read_pattern(surface, pits, bands),
        ring=None,
        relief=None,
        flags=(),
    )


@pytest.fixture(scope="module")
def plain():
    """One photo and the facts: nothing measured a depth."""
    return conclude(_look(), facts=check_facts(FACTS))


@pytest.fixture(scope="module")
def measured():
    """With a gauge reading of pit 1 and a cut ring as well."""
    seen = replace(_look(), photos=(_photo("main", "piece.jpg"), _photo("ring", "ring.jpg")), ring=_ring())
    readings = readings_from_rows([{"kind": "pit", "id": 1, "depth_mm": 0.3, "method": "needle micrometer"}])
    return conclude(seen, facts=check_facts(FACTS), readings=readings)


@pytest.fixture(scope="module")
def files(measured, tmp_path_factory):
    folder = tmp_path_factory.mktemp("metric")
    output.write(measured, folder)
    return folder


@pytest.fixture(scope="module")
def us_files(measured, tmp_path_factory):
    folder = tmp_path_factory.mktemp("us")
    output.write(measured, folder, units="us")
    return folder


class _Text(HTMLParser):
    def __init__(self):
        super().__init__()
        self.parts = []

    def handle_data(self, data):
        self.parts.append(data)


def page_text(text: str) -> str:
    reader = _Text()
    reader.feed(text)
    return re.sub(r"\s+", " ", " ".join(reader.parts))


def pdf_text(data: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in pages).replace("\u200b", ""))


@cache
def both_texts(folder) -> tuple[str, str]:
    return page_text((folder / "report.html").read_text(encoding="utf-8")), pdf_text(
        (folder / "report.pdf").read_bytes()
    )


def picture(path) -> np.ndarray:
    return cv2.imread(str(path), cv2.IMREAD_UNCHANGED)


# --- JSON ---


def test_json_tells_the_figures(files):
    told = json.loads((files / "examination.json").read_text())
    assert told["schema_version"] == record.SCHEMA_VERSION
    assert [(photo["role"], photo["name"], photo["sha256"][0]) for photo in told["photos"]] == [
        ("main", "piece.jpg", "1"),
        ("ring", "ring.jpg", "2"),
    ]
    assert told["scale"]["method"] == "ruler"
    assert told["scale"]["mm_per_px"]["value"] == 0.1 and told["scale"]["mm_per_px"]["standard_uncertainty"] == 0.001
    assert told["scale"]["mm_per_px"]["interval_95"] == pytest.approx([0.1 - 0.00196, 0.1 + 0.00196], abs=1e-6)
    assert told["scale"]["mm_per_px_marker"]["value"] == 0.098
    assert told["surface"]["seen_area_mm2"]["value"] == 200.0 and told["surface"]["seen_area_px"] == 20000
    assert told["surface"]["examined_area_mm2"]["value"] == 160.0 and told["surface"]["examined_area_px"] == 16000
    assert told["density"]["pit_count"]["value"] == 3 and told["density"]["pit_count"]["interval_95"] == [2, 5]
    density = told["density"]["pits_per_cm2"]
    assert density["value"] == pytest.approx(3 / 1.6)
    # the number's interval by the area, which is known to 2 %: ln(5/3) and 0.039 in quadrature (GUM 5.1.6)
    assert density["interval_95"] == pytest.approx([2 / 1.6, 5 / 1.6], rel=0.003)
    assert told["density"]["largest_diameter_mm"]["value"] == 1.2
    assert (
        told["facts"]["static_pressure_kpa"] == 600
        and told["facts"]["age_years"] == 20
        and told["facts"]["material"] == "copper"
    )


def test_json_places_pits_and_bands_along_and_round_the_pipe(files):
    told = json.loads((files / "examination.json").read_text())
    assert [(pit["id"], pit["x_px"], pit["y_px"]) for pit in told["pits"]] == [(1, 60, 50), (2, 100, 90), (3, 150, 60)]
    assert [(pit["axial_mm"], pit["around_mm"]) for pit in told["pits"]] == [(4.0, -2.0), (8.0, 2.0), (13.0, -1.0)]
    assert [pit["equivalent_diameter_mm"]["value"] for pit in told["pits"]] == [1.0, 0.6, 1.2]
    assert [pit["opening_area_mm2"]["value"] for pit in told["pits"]] == [0.785, 0.283, 1.131]
    assert [(band["axial_mm"], band["around_mm"]) for band in told["bands"]] == [
        ([2.0, 6.0], [-5.0, 5.0]),
        ([6.0, 20.0], [2.5, 3.5]),
    ]
    assert told["colour_shares"] == {
        "red_brown_oxide": 0.6,
        "green_product": 0.25,
        "blue_green_product": 0.1,
        "white_scale": 0.05,
    }


def test_json_keeps_what_was_measured_apart_from_what_is_indicative(files, plain):
    told = json.loads((files / "examination.json").read_text())
    gauged, guessed, _ = told["pits"]
    assert (
        gauged["depth_mm"]["value"] == 0.3
        and gauged["indicative_depth_mm"] is None
        and gauged["depth_evidence"] == "gauge"
    )
    assert guessed["depth_mm"] is None
    # a tenth of the mouth's 0.6 mm at least
    assert guessed["indicative_depth_mm"]["value"] == pytest.approx(0.3) and guessed["indicative_depth_mm"][
        "interval_95"
    ][0] == pytest.approx(0.06)
    assert told["wall"]["indicative"] is False
    assert (
        told["wall"]["minimum_mm"]["value"],
        told["wall"]["minimum_image_angle_deg"],
        told["wall"]["mean_mm"]["value"],
    ) == (0.4, 90.0, 0.699)
    assert told["wall"]["remaining_mm"]["value"] == 0.4
    assert {item["kind"] for item in told["wall"]["evidence"]} == {"gauge", "ring"}
    assert told["wall"]["profile"]["wall_mm"][270] == 0.4 and told["wall"]["profile"]["image_angle_deg"][270] == 90

    alone = json.loads(record.to_json(plain))
    assert alone["wall"]["remaining_mm"] is None  # the mouths leave nearly all of the wall open
    assert all(pit["depth_mm"] is None and pit["indicative_depth_mm"] is not None for pit in alone["pits"])


# --- CSV ---


def test_pits_csv_tells_low_before_high(files):
    rows = list(csv.DictReader(io.StringIO((files / "pits.csv").read_text())))
    for row, (number, (x, y, area, diameter, uncertainty)) in zip(rows, PITS.items(), strict=True):
        assert (int(row["id"]), float(row["x_px"]), float(row["y_px"])) == (number, x, y)
        assert (float(row["axial_mm"]), float(row["around_mm"])) == ((x - 20) / 10, (y - 70) / 10)
        for name, value, sigma in (
            ("equivalent_diameter_mm", diameter, uncertainty),
            ("length_mm", 1.1 * diameter, uncertainty),
            ("width_mm", 0.9 * diameter, uncertainty),
            ("opening_area_mm2", area, 2 * area * uncertainty / diameter),
        ):
            told = [float(row[key]) for key in (name, f"{name}_low_95", f"{name}_high_95")]
            assert told == pytest.approx([value, value - 1.96 * sigma, value + 1.96 * sigma], abs=1e-4), name
    # needle micrometer, its own repeatability 0.02 and resolution 0.01 mm: 0.3 less and more 1.96 hypot(0.02, 0.01 / root 12)
    half = 1.96 * math.hypot(0.02, 0.01 / math.sqrt(12))
    depths = [[row[key] for key in ("depth_mm", "depth_mm_low_95", "depth_mm_high_95")] for row in rows]
    assert [float(cell) for cell in depths[0]] == pytest.approx([0.3, 0.3 - half, 0.3 + half], abs=1e-4)
    assert depths[1:] == [["", "", ""], ["", "", ""]]  # a range from the mouth alone is no depth


def test_bands_csv_tells_extents(files):
    rows = list(csv.DictReader(io.StringIO((files / "bands.csv").read_text())))
    assert [row["kind"] for row in rows] == ["contact_mark", "water_line"]
    assert [row["colour_class"] for row in rows] == ["green_product", "white_scale"]
    keys = ("axial_from_mm", "axial_to_mm", "around_from_mm", "around_to_mm", "area_mm2", "share_of_metal")
    assert [[float(row[key]) for key in keys] for row in rows] == [[2, 6, -5, 5, 40, 0.2], [6, 20, 2.5, 3.5, 14, 0.07]]
    spans = [[float(row[f"area_mm2_{end}_95"]) for end in ("low", "high")] for row in rows]
    assert spans == [pytest.approx([40 - 1.96, 40 + 1.96], abs=1e-3), pytest.approx([14 - 0.98, 14 + 0.98], abs=1e-3)]


# --- PNG ---


def test_label_pictures_are_those_of_pits_and_bands(files):
    pits, bands = picture(files / "pit-labels.png"), picture(files / "band-labels.png")
    assert pits.shape == bands.shape == SIZE and pits.dtype == np.uint16
    assert [int(pits[y, x]) for x, y, *_ in PITS.values()] == [1, 2, 3] and pits[0, 0] == 0
    assert bands[70, 60] == 1 and bands[100, 150] == 2 and bands[70, 150] == 0  # places in KINDS, from 1
    assert [int((bands == kind).sum()) for kind in (1, 2)] == [4000, 1400]


def _drawn(rgb: np.ndarray) -> np.ndarray:
    return np.abs(rgb.astype(int) - drawing.PIT).max(axis=2) < 40


def test_pictures_for_people_show_each_pit_where_it_is(files):
    overlay = picture(files / "overlay.png")[:, :, ::-1]
    # the whole photo, enlarged three times; what was not examined is dimmed
    assert overlay.shape[0] > 3 * SIZE[0] and overlay.shape[1] == 3 * SIZE[1]
    overlay = overlay[: 3 * SIZE[0]]  # below it stands the foot: scale bar, legend, name and hash
    for x, y, _, diameter, _ in PITS.values():
        column, row, reach = 3 * x, 3 * y, round(15 * diameter)
        round_it = _drawn(overlay[row - reach - 4 : row + reach + 4, column - reach - 4 : column + reach + 4])
        assert round_it.sum() > 3 * reach and not _drawn(overlay[row - 2 : row + 3, column - 2 : column + 3]).any()
    assert not _drawn(overlay[:30]).any()
    assert _drawn(picture(files / "unrolled.png")[:, :, ::-1]).sum() > 100


# --- report ---


def test_report_tells_the_headline_figures_in_both_forms(files):
    """The largest pit (1.2 mm, 0.06 of it shared by all) is none with 10 %, then it is the next, of 1.0 mm: from 1.2 exp(-0.207) = 0.98
    (ln 1.2 and 1.96 * 0.05 in quadrature) to 1.2 exp(0.098) = 1.32 mm."""
    for text in both_texts(files):
        for words in (
            "Pits estimated 3 2 to 5",
            "Pits per area 1.9 per cm² 1.2 to 3.1",
            "Largest pit opening 1.20 mm 0.98 to 1.32",
            "Metal examined 1.60 cm² 1.54 to 1.66",
            "Remaining wall 0.400 mm 0.361 to",
        ):
            assert words in text, words
        assert "Indicative only" not in text and "Remaining wall (indicative)" not in text


def test_the_scale_is_printed_with_its_95_percent(files, measured):
    """One standard uncertainty is 1 %, so that 95 % is 2.0 %; of the cross-check 0.6 %, so 1.2 %."""
    assert "± 2.0 %" in phrases.scale_in_short(measured) and "± 2.0 % (95 %)" in phrases.scale_in_words(measured)
    for text in both_texts(files):
        assert "Scale at the metal 0.10000 mm a pixel ± 2.0 %" in text
        assert "Cross-check: ruler length +0.5 % ± 1.2 %" in text


def test_a_wall_of_which_only_mouths_are_known_is_not_known(plain):
    """Pit 3 is 1.2 mm wide: 0.12 mm deep at least, and as deep as the wall at most: that leaves nearly all of 0.8 mm open."""
    assert phrases.headline_figures(plain)[-1] == ("Remaining wall", "not known", "")
    for text in (page_text(webpage.html(plain)), pdf_text(paper.pdf(plain))):
        assert "Remaining wall not known" in text and "that is not known" in text
        assert re.search(r"Remaining wall [(]?0[.]", text) is None


def test_units_reach_every_file_that_people_read(files, us_files):
    for metric, us in zip(both_texts(files), both_texts(us_files), strict=True):
        assert "Remaining wall 0.400 mm" in metric and "Remaining wall 0.0157 in" in us
        assert "1.60 cm²" in metric and "0.25 in²" in us  # 160 mm2 by 645.16
    sizes = [pypdf.PdfReader(folder / "report.pdf").pages[0].mediabox.width for folder in (files, us_files)]
    assert [float(size) for size in sizes] == pytest.approx([595.3, 612.0], abs=0.5)  # A4 and Letter
    assert not np.array_equal(
        picture(files / "unrolled.png"), picture(us_files / "unrolled.png")
    )  # rules in mm and in inches
    for name in ("examination.json", "pits.csv", "bands.csv"):  # programs read these: always millimetres
        assert (files / name).read_bytes() == (us_files / name).read_bytes()


def test_the_record_tells_the_size_of_the_marker(plain):
    """The scale rests on it. 24.26 mm is a US quarter (United States Mint): 0.955 in."""

    def told(marker: Marker, units: str = "metric") -> str:
        seen = replace(plain.look, settings=replace(plain.settings, marker=marker))
        return str(report.section(replace(plain, look=seen), "record", units=units))

    disc, length = (
        Marker(kind="disc", diameter_mm=24.26),
        Marker(kind="length", points_px=((12, 30.5), (98, 31)), length_mm=50.0),
    )
    assert "marker disc of 24.26 mm." in told(disc) and "marker disc of 0.9551 in." in told(disc, "us")
    assert "marker length of 50 mm between the pixels (12, 30.5) and (98, 31)." in told(length)
    assert "marker ruler." in told(Marker(kind="ruler"))


def test_facts_are_told_in_the_units_of_the_report(files, us_files):
    """NIST SP 811: 600 kPa = 87.0 psi; 60 degrees Celsius = 140 degrees Fahrenheit."""
    for metric, us in zip(both_texts(files), both_texts(us_files), strict=True):
        metric, us = (text.partition("as told Fact Told")[2].partition("Why each step")[0] for text in (metric, us))
        assert "600 kPa" in metric and "60 °C" in metric and "20 years" in metric
        assert "87 psi" in us and "140 °F" in us and "20 years" in us and "kPa" not in us


# --- command line: what is typed reaches the examination ---


@pytest.fixture
def typed(plain, tmp_path, monkeypatch):
    """Runs ``cutpipe examine`` with a stand-in for the examination itself, and gives what that was called with."""
    for name in ("piece", "behind", "ring", "first", "second"):
        grey = np.random.default_rng(len(name)).integers(0, 255, (80, 90, 3), np.uint8)
        Image.fromarray(grey).save(tmp_path / f"{name}.png")
    (tmp_path / "house.toml").write_text('material = "copper"\nage_years = 31\n')
    (tmp_path / "readings.toml").write_text("[[pit]]\nid = 2\ndepth_mm = 0.27\n")
    (tmp_path / "corrections.toml").write_text('[[correction]]\nkind = "remove_pit"\npit = 3\nwhy = "a scratch"\n')
    monkeypatch.chdir(tmp_path)

    def run(*options: str) -> dict:
        calls = []

        def stand_in(photos, **arguments):
            calls.append({"photos": photos, **arguments})
            return plain

        def not_written(result, folder, *, units):
            assert result is plain
            calls[0].update(folder=str(folder), units=units)
            return []

        monkeypatch.setattr("analyzer.result.examination.examine", stand_in)
        monkeypatch.setattr(output, "write", not_written)  # what is written is looked at above
        assert cli.main(["examine", "piece.png", "--quiet", "--out", "result", *options]) == 0
        return calls[0]

    return run


def test_nothing_typed_is_nothing_told(typed):
    call = typed()
    assert [(photo.role, photo.name) for photo in call["photos"]] == [("main", "piece.png")]
    assert (
        not call["facts"]
        and not call["readings"]
        and not call["corrections"]
        and not call["prices"]
        and not call["lights"]
    )
    assert call["settings"] == Settings()


def test_view_tube_and_marker_are_passed_on(typed):
    settings = typed("--view", "outside", "--tube", "3/4 L", "--marker", "length:1,2,30,4,5.5")["settings"]
    assert (settings.view, settings.tube) == ("outside", "3/4 L")
    assert settings.marker == Marker(kind="length", points_px=((1, 2), (30, 4)), length_mm=5.5)


def test_files_of_a_person_are_passed_on(typed):
    call = typed("--facts", "house.toml", "--readings", "readings.toml", "--corrections", "corrections.toml")
    assert dict(call["facts"]) == {"material": "copper", "age_years": 31}
    assert [(reading.kind, reading.pit, reading.depth_mm) for reading in call["readings"].readings] == [
        ("pit", 2, 0.27)
    ]
    assert [(entry.kind, entry.pit, entry.why) for entry in call["corrections"]] == [("remove_pit", 3, "a scratch")]
    assert isinstance(call["corrections"][0], Correction)


def test_further_photos_keep_their_part(typed):
    call = typed("--ring", "ring.png", "--backlit", "behind.png")
    assert {(photo.role, photo.name) for photo in call["photos"]} == {
        ("main", "piece.png"),
        ("ring", "ring.png"),
        ("backlit", "behind.png"),
    }
    assert call["photos"][0].role == "main"


def test_a_torch_keeps_its_direction_height_and_place(typed):
    first, second = typed("--light", "first.png@20,40", "--light", "second.png@100,-50,300")["lights"]
    assert (first.photo.name, first.azimuth_deg, first.elevation_deg, first.position_mm) == ("first.png", 20, 40, None)
    assert (second.photo.name, second.position_mm, second.azimuth_deg) == ("second.png", (100, -50, 300), None)
    assert first.photo.role == second.photo.role == "light"


def test_units_and_folder_are_passed_on(typed):
    call = typed("--units", "us")
    assert (call["units"], call["folder"]) == ("us", "result")
    assert typed()["units"] == "metric"
