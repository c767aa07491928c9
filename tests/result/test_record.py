"""examination.json against its own schema (jsonschema is the independent judge), tables and label pictures."""

import csv
import io
import json
import math

import cv2
import numpy as np
import pytest
from jsonschema import Draft202012Validator

from analyzer import conclude
from analyzer.result import record
from analyzer.show import drawing


@pytest.fixture(scope="module")
def document(demo_examination):
    return json.loads(record.to_json(demo_examination))


def test_schema_is_valid_and_met(document):
    Draft202012Validator.check_schema(record.schema())
    Draft202012Validator(record.schema()).validate(document)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d["scale"].pop("mm_per_px"),
        lambda d: d["photos"][0].update(sha256="short"),
        lambda d: d["pits"].append({"id": 1}),
        lambda d: d["findings"][0].update(standing="certain"),
        lambda d: d.update(extra=1),
    ],
)
def test_schema_refuses_what_is_not_an_examination(document, spoil):
    wrong = json.loads(json.dumps(document))
    spoil(wrong)
    assert list(Draft202012Validator(record.schema()).iter_errors(wrong))


def test_every_number_is_finite(document):
    def walk(node):
        if isinstance(node, dict):
            for item in node.values():
                yield from walk(item)
        elif isinstance(node, list):
            for item in node:
                yield from walk(item)
        elif isinstance(node, float):
            yield node

    assert all(math.isfinite(number) for number in walk(document))


def test_same_input_same_bytes(demo_examination):
    again = conclude(demo_examination.look, facts=demo_examination.facts)
    assert record.to_json(again) == record.to_json(demo_examination)


def test_intervals_hold_their_values(document):
    for pit in document["pits"]:
        for name in ("opening_area_mm2", "equivalent_diameter_mm"):
            low, high = pit[name]["interval_95"]
            assert low <= pit[name]["value"] <= high


def test_tables_hold_one_row_each(demo_examination, document):
    rows = list(csv.DictReader(io.StringIO(record.pits_csv(demo_examination))))
    assert [int(row["id"]) for row in rows] == [pit["id"] for pit in document["pits"]]
    assert [float(row["equivalent_diameter_mm"]) for row in rows] == [
        p["equivalent_diameter_mm"]["value"] for p in document["pits"]
    ]
    bands = list(csv.DictReader(io.StringIO(record.bands_csv(demo_examination))))
    assert [row["kind"] for row in bands] == [band["kind"] for band in document["bands"]]


def test_label_pictures_stand_in_the_upright_frame(demo_examination, document):
    labels = cv2.imdecode(np.frombuffer(drawing.png(demo_examination.pits.labels), np.uint8), cv2.IMREAD_UNCHANGED)
    assert labels.dtype == np.uint16
    assert labels.shape == (document["photos"][0]["height_px"], document["photos"][0]["width_px"])
    assert set(np.unique(labels)) - {0} == {pit["id"] for pit in document["pits"]}
    for pit in document["pits"]:
        rows, columns = np.nonzero(labels == pit["id"])
        assert columns.min() - 1 <= pit["x_px"] <= columns.max() + 1
        assert rows.min() - 1 <= pit["y_px"] <= rows.max() + 1
