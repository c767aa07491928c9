"""The whole way on photographs with exact truth, and on the same photograph turned: measures hold, intervals are true.

The truth is the renderer's (geometry, not pictures), which the analysis never sees. ``python -m tests.accuracy`` does the same for whole
folders; here two pictures that no weights were trained on stand guard.
"""

import io
import json
import tomllib
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image
from scipy.spatial import cKDTree

from analyzer import Settings, examine
from analyzer.cli import read_marker
from analyzer.show.output import write
from tests import accuracy, truth_score, worst_errors
from tests.accuracy import FILES, told
from tests.conftest import DATA, ROOT

FOLDER = DATA / "truth_pictures"
TRUTHS = {truth["name"]: truth for truth in truth_score.load_truth(str(FOLDER))}


@pytest.fixture(scope="module", params=sorted(TRUTHS))
def examined(request, tmp_path_factory):
    truth = TRUTHS[request.param]
    says = told(truth)
    image = FOLDER / truth["image"]
    result = examine(image, settings=Settings(view=says["view"], tube=says["tube"], marker=read_marker(says["marker"])))
    folder = tmp_path_factory.mktemp("result")
    write(result, folder / truth["name"], only=FILES)
    score = truth_score.score_one(truth, truth_score.load_pred(str(folder))[truth["name"]])
    return SimpleNamespace(truth=truth, result=result, score=score, image=image, says=says)


def test_scale_is_that_of_the_metal(examined):
    assert abs(examined.score["scale_err_pct"]) < 2.0
    # One picture in twenty may lie outside its 95 % (``tests.accuracy`` counts how many do: 51 of 53 scales hold); none off by more
    # than three of its standard uncertainties (99.7 %).
    scale = examined.result.surface.mm_per_px
    assert abs(examined.score["scale_err_pct"]) < 3 * 100 * scale.standard_uncertainty / scale.value


def test_areas_are_those_on_the_metal(examined):
    assert abs(examined.score["analysed_area_err_pct"]) < 8.0
    assert abs(examined.score["examined_area_err_pct"]) < 8.0


def test_most_pits_are_found_and_few_invented(examined):
    # A guard against breakage, not the goal (that is in tests.accuracy): well above the 0.25 that a tuned classical dark-blob
    # filter reaches on this set with outline and scale given, by the set's own README.
    assert examined.score["f1"] > 0.4
    count = examined.result.pits.count
    low, high = count.interval_95
    assert low <= examined.score["true"] <= high
    # An interval that holds everything tells nothing: 2.2 and 2.1 times the count wide on these two when this was written.
    assert high - low <= 2.5 * count.value


def test_openings_are_measured(examined):
    # A guard too: these pictures have a dozen and three dozen matched pits; tests.accuracy holds the goal over whole folders.
    assert np.median(examined.score["diam_err"]) < 25.0
    assert np.mean(examined.score["cover_diam"]) > 0.7


def test_the_photo_turned_on_its_side_measures_the_same(examined):
    turned = io.BytesIO()
    Image.open(examined.image).convert("RGB").rotate(90, expand=True).save(turned, "PNG")
    camera = examined.result.photo.camera
    exif = Image.Exif()
    if camera.focal_35mm:
        exif.get_ifd(0x8769)[0xA405] = int(camera.focal_35mm)
    out = io.BytesIO()
    Image.open(turned).save(out, "PNG", exif=exif)
    says = examined.says
    again = examine(
        out.getvalue(), settings=Settings(view=says["view"], tube=says["tube"], marker=read_marker(says["marker"]))
    )
    first = examined.result
    # the same physical piece: half of the stated uncertainty is a fair bound for what a turn by itself may change
    assert again.surface.mm_per_px.value == pytest.approx(
        first.surface.mm_per_px.value, abs=2 * first.surface.mm_per_px.standard_uncertainty
    )
    assert again.surface.seen_area.value == pytest.approx(first.surface.seen_area.value, rel=0.05)
    # 17 and 16, 51 and 52 pits when this was written; a doubtful one may come or go with the other grid of pixels
    assert len(again.pits.pits) == pytest.approx(len(first.pits.pits), abs=max(3, 0.15 * len(first.pits.pits)))
    places = np.array([(pit.x_px, pit.y_px) for pit in first.pits.pits])
    back = np.array([(first.photo.width_px - 1 - pit.y_px, pit.x_px) for pit in again.pits.pits])
    radius = np.array([pit.equivalent_diameter_px / 2 for pit in first.pits.pits])
    found_again = cKDTree(back).query(places)[0] <= np.maximum(radius, 3)
    sure = (
        np.array([pit.confidence for pit in first.pits.pits]) >= 0.5
    )  # those at the level of the list (0.44) come and go with the grid of pixels
    assert sure.sum() >= 5 and found_again[sure].mean() >= 0.85, (found_again[sure].mean(), sure.sum())


def test_demo_manifest_tells_the_truth_of_its_files():
    import hashlib

    for row in tomllib.loads((ROOT / "demo_images/manifest.toml").read_text(encoding="utf-8"))["picture"]:
        data = (ROOT / "demo_images" / row["file"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == row["sha256"]


def test_the_record_of_a_picture_without_scale_claims_no_millimetre(tmp_path):
    rng = np.random.default_rng(3)
    metal = np.clip(rng.normal(150, 5, (300, 300, 3)), 0, 255).astype(np.uint8)
    rows, columns = np.indices((300, 300))
    for y, x, r in ((80, 90, 9), (200, 180, 12)):
        metal[(rows - y) ** 2 + (columns - x) ** 2 < r * r] = 35
    Image.fromarray(metal).save(tmp_path / "close.png")
    result = examine(tmp_path / "close.png", settings=Settings(view="flat", marker=read_marker("none")))
    write(result, tmp_path / "r", only=("examination.json",))
    document = json.loads((tmp_path / "r/examination.json").read_text())
    assert document["scale"]["mm_per_px"] is None and document["density"]["pits_per_cm2"] is None
    assert len(document["pits"]) == 2
    assert all(pit["equivalent_diameter_mm"] is None and pit["equivalent_diameter_px"] > 10 for pit in document["pits"])
    assert "no_scale" in {flag["id"] for flag in document["flags"]}


def test_a_picture_scaled_by_its_tube_is_not_said_to_have_no_millimetres():
    """bore-contact-mark.jpg with its ruler not used: its truth, 0.059846 mm a pixel, lies within what the tube's diameter gives."""
    photo = ROOT / "demo_images/bore-contact-mark.jpg"
    result = examine(photo, settings=Settings(view="inside", tube="3/4", marker=read_marker("none")))
    low, high = result.surface.mm_per_px.interval_95
    assert low <= 0.059846 <= high, (low, high)
    said = {flag.id for flag in result.flags}
    assert "scale_from_tube" in said and "no_scale" not in said


def test_worst_errors_are_told_as_they_are(tmp_path):
    """All true pits given back but one, and one added far off: the line that explains the picture says just that."""
    truth = dict(next(iter(TRUTHS.values())))
    truth["_contrast"] = truth_score.contrast(truth, str(FOLDER))
    prediction = truth_score.as_prediction(truth)
    gone = prediction["pits"].pop(0)
    prediction["pits"].append({**gone, "x_px": 0.0, "y_px": 0.0})
    sentence = worst_errors.explain(truth, prediction, FOLDER, tmp_path / "worst.jpg")
    counted = sum(truth_score.valid(pit) for pit in truth["pits"])
    assert f"{counted - 1} of {counted} found; missed: 1 of" in sentence and "1 taken by mistake" in sentence
    assert (tmp_path / "worst.jpg").stat().st_size > 10_000


def test_the_accuracy_command_takes_a_folder_of_real_pictures(tmp_path, capsys):
    """Two dark discs on grey, one a picture without: their mask is known, so both F1 are 1 and nothing is invented."""
    rng = np.random.default_rng(5)
    rows, columns = np.indices((300, 300))
    for part in ("img", "mask", "inst"):
        (tmp_path / part).mkdir()
    for name, discs in (("one", ((80, 90, 12), (200, 180, 14))), ("none", ())):
        metal = np.clip(rng.normal(150, 5, (300, 300, 3)), 0, 255).astype(np.uint8)
        truth = np.zeros((300, 300), np.uint8)
        for number, (y, x, r) in enumerate(discs, 1):
            inside = (rows - y) ** 2 + (columns - x) ** 2 < r * r
            metal[inside], truth[inside] = 35, number
        Image.fromarray(metal).save(tmp_path / f"img/{name}.png")
        Image.fromarray(truth).save(tmp_path / f"inst/{name}.png")
        Image.fromarray((truth > 0).astype(np.uint8) * 255).save(tmp_path / f"mask/{name}.png")
    assert accuracy.real(tmp_path, tmp_path / "results", "", 1, 0) == 0
    said = capsys.readouterr().out
    assert "centre F1" in said and said.count(" met ") == 3 and "MISSED" not in said
