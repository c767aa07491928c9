"""The learned networks: two independent runtimes of the ONNX standard agree, and the work stays in proportion to the metal."""

import json
import sys
import tomllib
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pytest

from analyzer.base import network as room
from analyzer.door import specimen
from analyzer.marks import likelihood
from tests.conftest import ROOT

# Weights of 8 bits: the engines round values halfway between two steps differently, which a figure of a pit feels less than its stated
# uncertainty; their answers are held together in the mean.
EIGHT_BIT = {"pit-likelihood": 0.1, "closeup-likelihood": 0.1}
SHAPES = {  # name of the weights: shapes of their input, as the program uses them
    "pit-likelihood": [(1, 3, 256, 288), (1, 3, 320, 256), (1, 3, 256, 288)],
    "closeup-likelihood": [(1, 3, 256, 288)],
    "specimen": [(1, 12, 128, 128)],
}


def smooth(shape: tuple[int, ...]) -> np.ndarray:
    random = np.random.default_rng(2)
    planes = [cv2.GaussianBlur(random.random(shape[2:], np.float32), (0, 0), 3) for _ in range(shape[1])]
    return np.stack(planes)[None]


@pytest.mark.parametrize("name", SHAPES)
def test_opencv_and_onnx_runtime_agree(name):
    """Neither runtime shares code with the other."""
    pytest.importorskip("onnxruntime", reason="onnxruntime is not installed: the second runtime cannot be asked")
    outputs = ("classes", "view", "metal", "framing") if name == "specimen" else None
    engines = [room._made(name, outputs, engine, 2) for engine in room.ENGINES]
    for shape in SHAPES[name]:
        values = smooth(shape)
        for ours, theirs in zip(*(engine(values) for engine in engines), strict=True):
            assert ours.shape == theirs.shape
            far = np.abs(ours - theirs)
            assert far.mean() < EIGHT_BIT[name] if name in EIGHT_BIT else far.max() < 1e-3
            assert ours.std() > 1e-3


@pytest.mark.parametrize("name", EIGHT_BIT)
def test_eight_bits_answer_as_the_weights_they_were_made_of(name):
    onnxruntime = pytest.importorskip("onnxruntime")
    whole = onnxruntime.InferenceSession(str(ROOT / "analyzer" / "training" / "weights" / f"{name}.onnx"))
    picture = 0.4 + 0.3 * smooth((1, 3, 256, 288))
    for x, y, radius in ((60, 70, 9), (150, 120, 14), (220, 200, 20)):
        spot = cv2.GaussianBlur(cv2.circle(np.zeros((256, 288), np.float32), (x, y), radius, 1.0, -1), (0, 0), 1.0)
        picture *= 1 - 0.75 * spot
    before = whole.run(None, {whole.get_inputs()[0].name: picture})[0]
    after = room.network(name)(picture)[0]
    near = before > -4  # where something may be listed
    assert near.any() and np.abs(before - after)[near].mean() < 0.35


def test_a_processor_that_overflows_runs_the_slow_way(monkeypatch):
    """Such a processor gives another answer on the trial tile than the file tells."""
    onnxruntime = pytest.importorskip("onnxruntime")
    data = room.weights("pit-likelihood")
    usual = room._Runtime(data, None, 1)
    monkeypatch.setattr(room._Runtime, "_answers", lambda self, told: False)
    slow = room._Runtime(data, None, 1)
    told = slow._session.get_session_options().graph_optimization_level
    assert told == onnxruntime.GraphOptimizationLevel.ORT_DISABLE_ALL
    assert usual._session.get_session_options().graph_optimization_level != told
    picture = smooth((1, 3, 128, 128))
    assert np.abs(slow(picture)[0] - usual(picture)[0]).mean() < 0.1


def test_an_answer_that_is_not_the_files_own_is_noticed():
    pytest.importorskip("onnxruntime")
    run = room._Runtime(room.weights("pit-likelihood"), None, 1)
    told = json.loads(run._session.get_modelmeta().custom_metadata_map[room.TRIAL_KEY])
    assert run._answers(told)
    assert not run._answers([value + 0.5 for value in told])


@pytest.mark.parametrize("engine", room.ENGINES)
def test_the_number_of_threads_changes_no_bit(engine):
    if engine == "onnxruntime":
        pytest.importorskip(engine)
    values = smooth((1, 3, 256, 288))
    one, two = (room._made("pit-likelihood", None, engine, threads)(values)[0] for threads in (1, 2))
    assert one.tobytes() == two.tobytes()


@pytest.mark.parametrize("engine", room.ENGINES)
def test_several_threads_may_run_one_network(engine):
    """The front end examines one photo for each reader at a time; every answer is that of a run alone."""
    if engine == "onnxruntime":
        pytest.importorskip(engine)
    run = room._made("specimen", ("classes", "view"), engine, 1)
    inputs = [smooth((1, 12, 128, 128)) * (k + 1) for k in range(8)]
    alone = [run(values)[0].copy() for values in inputs]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(lambda values: run(values)[0], inputs))
    assert [a.tobytes() for a in together] == [a.tobytes() for a in alone]


def test_opencv_serves_where_onnx_runtime_is_missing(monkeypatch):
    monkeypatch.setitem(sys.modules, "onnxruntime", None)  # Python's own way to say that an import fails
    room.engine.cache_clear()
    try:
        assert room.engine() == "opencv"
        assert isinstance(room.network("specimen", ("classes", "view")), room._OpenCV)
    finally:
        room.engine.cache_clear()


def bar(length: int, width: int, turned_deg: float) -> np.ndarray:
    """Metal (bool) as a straight piece lies in a picture, turned."""
    corners = cv2.boxPoints(((0.0, 0.0), (length, width), turned_deg))
    corners = corners - corners.min(0) + 20
    shape = np.ceil(corners.max(0) + 20).astype(int)[::-1]
    return cv2.fillPoly(np.zeros(shape, np.uint8), [np.round(corners).astype(np.int32)], 1) > 0


@pytest.mark.parametrize("turned_deg, most", [(0.0, 1.25), (12.0, 1.6), (90.0, 1.25)])
def test_the_network_runs_few_pixels_for_each_of_metal(monkeypatch, turned_deg, most):
    """A 100 mm half shell of 3/4 inch tube at the weights' 0.05 mm a pixel: what one look costs is pixels run."""
    metal, run = bar(2000, 400, turned_deg), []

    def counted(name, tile, channels):
        run.append(tile.shape[0] * tile.shape[1])
        return np.zeros((channels, *tile.shape[:2]), np.float32)

    monkeypatch.setattr(likelihood, "_run", counted)
    likelihood.learned_logits(np.zeros((*metal.shape, 3), np.uint8), metal)
    assert metal.sum() <= sum(run) <= most * metal.sum()


def test_a_piece_in_the_middle_is_looked_at_twice(monkeypatch):
    """Once from afar and once closer, four ways each; a third look only where the closer one cuts the piece."""
    rgb = cv2.cvtColor(cv2.imread(str(ROOT / "demo_images/bore-even-attack.jpg")), cv2.COLOR_BGR2RGB)
    run, real = [], specimen._run
    monkeypatch.setattr(specimen, "_run", lambda square: run.append(square.shape) or real(square))
    assert specimen.find_specimen(rgb) is not None
    assert len(run) <= 8


def test_the_record_names_what_the_specimen_network_answers():
    """Names in the record against the widths of the answers in the ONNX file itself, read by the second runtime."""
    record = tomllib.loads((ROOT / "analyzer/models/specimen.toml").read_text(encoding="utf-8"))
    answers = dict(
        zip(
            record["outputs"],
            room._made("specimen", tuple(record["outputs"]), "opencv", 1)(smooth((1, 12, 128, 128))),
            strict=True,
        )
    )
    for name in ("view", "metal", "framing"):
        assert answers[name].size == len(record[f"{name}s"]) == len(record[name]["answers"])
        assert record[name]["answers"] == record[f"{name}s"]
        assert 1 <= record[name]["temperature"] < 5
    assert record["views"] == list(specimen.VIEWS)
