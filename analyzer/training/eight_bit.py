"""Turn a trained network's weights and activations into 8-bit numbers: a third of the time, a quarter of the file.

    python -m analyzer.training.eight_bit WEIGHTS.onnx OUT.onnx PHOTO_FOLDER NAME,NAME,...       (for pit-likelihood)
    python -m analyzer.training.eight_bit WEIGHTS.onnx OUT.onnx PICTURE_FOLDER                   (for close-ups)

The range of every activation is read from what the network sees on pictures that it learned from: tiles of the named photographs as
the program cuts them, or whole pictures. The last convolution stays as it is, so that the answer is not told in steps. Both engines
run the file (``analyzer.base.network``). Needs the package onnx, which nothing else does.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from analyzer.base.network import TRIAL_KEY, trial_tile

MOST_TILES = 16  # from then on the ranges hardly grow


def tiles_of_photos(folder: Path, names: list[str]) -> list[np.ndarray]:
    """What the pit network is given on these photographs, float32 (1, 3, h, w) each."""
    from analyzer import examine
    from analyzer.marks import likelihood

    kept: list[np.ndarray] = []
    made = likelihood.network

    def listening(name: str) -> Any:
        run = made(name)
        return run if name != likelihood.MODEL else lambda values: (kept.append(values.copy()), run(values))[1]

    likelihood.network = listening  # type: ignore[assignment]
    try:
        for name in names:
            examine(next(folder.glob(f"{name}.*")))
    finally:
        likelihood.network = made
    return kept


def tiles_of_pictures(folder: Path) -> list[np.ndarray]:
    out = []
    for path in sorted(folder.glob("*.jpg")):
        picture = cv2.imread(str(path))[:512, :512, ::-1]
        sides = [side // 16 * 16 for side in picture.shape[:2]]
        out.append(cv2.dnn.blobFromImage(np.ascontiguousarray(picture[: sides[0], : sides[1]]), 1 / 255.0))
    return out


def eight_bit(weights: Path, out: Path, tiles: list[np.ndarray]) -> None:
    import onnx
    from onnxruntime.quantization import CalibrationDataReader, QuantFormat, QuantType, quantize_static
    from onnxruntime.quantization.shape_inference import quant_pre_process

    class Reader(CalibrationDataReader):  # type: ignore[misc]
        def __init__(self) -> None:
            self.left = iter(tiles[:: -(-len(tiles) // MOST_TILES)])

        def get_next(self) -> dict[str, np.ndarray] | None:
            tile = next(self.left, None)
            return None if tile is None else {graph.input[0].name: tile}

    with tempfile.TemporaryDirectory() as scratch:
        ready = Path(scratch) / "ready.onnx"
        quant_pre_process(str(weights), str(ready), skip_symbolic_shape=True)
        graph = onnx.load(str(ready)).graph
        last = [node.name for node in graph.node if node.op_type == "Conv"][-1]
        quantize_static(
            str(ready), str(out), Reader(), quant_format=QuantFormat.QDQ, per_channel=True,
            activation_type=QuantType.QUInt8, weight_type=QuantType.QInt8, nodes_to_exclude=[last],
        )  # fmt: skip
    sign(out)


def sign(path: Path) -> None:
    """Write into the file what it answers on the trial tile when nothing is done the quick way."""
    import json

    import onnx
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.graph_optimization_level = onnxruntime.GraphOptimizationLevel.ORT_DISABLE_ALL
    session = onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
    given = session.get_inputs()[0]
    told = session.run(None, {given.name: trial_tile(int(given.shape[1]))})[0].ravel()[:: 64 * 7]
    model = onnx.load(str(path))
    entry = model.metadata_props.add()
    entry.key, entry.value = TRIAL_KEY, json.dumps([round(float(value), 3) for value in told])
    onnx.save(model, str(path))


if __name__ == "__main__":
    source, target, pictures = (Path(argument) for argument in sys.argv[1:4])
    read = tiles_of_photos(pictures, sys.argv[4].split(",")) if len(sys.argv) > 4 else tiles_of_pictures(pictures)
    eight_bit(source, target, read)
