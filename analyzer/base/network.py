"""The learned networks run on arrays: by ONNX Runtime where it is installed, else by OpenCV.

Both read the same files and give the same figures to rounding (``tests/base/test_network.py``). ONNX Runtime takes half the time on
processors with 512-bit vectors, a tenth where the weights are 8-bit numbers, and one network serves all shapes; OpenCV is there in
any case.

Processors without instructions for 8-bit products may overflow in ONNX Runtime's quick way. A file of 8-bit weights therefore carries
what it answers on ``trial_tile``; where this processor answers otherwise, the same file is run without the quick way.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cache, lru_cache
from importlib import resources
from threading import Lock
from typing import Any, Protocol

import cv2
import numpy as np

ENGINES = ("onnxruntime", "opencv")
# A judgement, no source.
SHAPES_KEPT = 4  # networks that OpenCV keeps, each with the memory of a tile
TRIAL_KEY = "answers_on_the_trial_tile"
TRIAL_MOST = 0.2  # mean difference in a logit; rounding that falls the other way gives .02


class Network(Protocol):
    """Runs on a float32 array of any shape that the network takes; gives the outputs that were asked for, in that order."""

    def __call__(self, values: np.ndarray) -> list[np.ndarray]: ...


@cache
def engine() -> str:
    """The engine that is used: the first of ENGINES that is installed and runs."""
    try:
        import onnxruntime  # noqa: F401
    except ImportError:
        return ENGINES[1]
    return ENGINES[0]


def weights(name: str) -> bytes | None:
    """The bytes of ``models/NAME.onnx``; None where the file is missing."""
    file = resources.files("analyzer").joinpath(f"models/{name}.onnx")
    return file.read_bytes() if file.is_file() else None


def network(name: str, outputs: Sequence[str] | None = None, *, by: str | None = None) -> Network:
    """The network of ``models/NAME.onnx`` with all its outputs, or those named; made once for each number of threads.

    The number of threads is OpenCV's own (``cv2.setNumThreads``), whichever engine runs. ``by`` names the engine, for weights
    that only one takes. Several threads may run it at a time.
    """
    return _made(name, None if outputs is None else tuple(outputs), by or engine(), cv2.getNumThreads())


def trial_tile(channels: int) -> np.ndarray:
    """Float32 (1, channels, 64, 64) in 0..1: light, dark and sharp edges, so that large products meet."""
    y, x = np.mgrid[:64, :64].astype(np.float32)
    tile = 0.5 + 0.5 * np.sign(np.sin(x * y / 40)) * np.cos(x / 9)
    return np.stack([np.clip(tile * (1 - 0.1 * k) + 0.05 * k, 0, 1) for k in range(channels)])[None].astype(np.float32)


@lru_cache(maxsize=8)
def _made(name: str, outputs: tuple[str, ...] | None, by: str, threads: int) -> Network:
    data = weights(name)
    if data is None:
        raise FileNotFoundError(f"There are no weights {name}.onnx.")
    return _Runtime(data, outputs, threads) if by == "onnxruntime" else _OpenCV(data, outputs)


class _Runtime:
    def __init__(self, data: bytes, outputs: tuple[str, ...] | None, threads: int) -> None:
        import onnxruntime

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = max(1, threads)
        options.inter_op_num_threads = 1
        options.log_severity_level = 3
        options.enable_mem_pattern = False  # else it keeps a plan and its memory for every shape
        # threads that wait for work give the processor free
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        self._session: Any = onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
        self._input = self._session.get_inputs()[0].name
        self._outputs = outputs
        told = self._session.get_modelmeta().custom_metadata_map.get(TRIAL_KEY)
        if told is not None and not self._answers(json.loads(told)):
            options.graph_optimization_level = onnxruntime.GraphOptimizationLevel.ORT_DISABLE_ALL
            self._session = onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])

    def _answers(self, told: list[float]) -> bool:
        own = self(trial_tile(int(self._session.get_inputs()[0].shape[1])))[0].ravel()[:: 64 * 7]
        return own.size == len(told) and float(np.abs(own - np.array(told)).mean()) < TRIAL_MOST

    def __call__(self, values: np.ndarray) -> list[np.ndarray]:
        return list(self._session.run(self._outputs, {self._input: np.ascontiguousarray(values, np.float32)}))


class _OpenCV:
    """One network for each shape: OpenCV 5.0 may fail where one network meets several."""

    def __init__(self, data: bytes, outputs: tuple[str, ...] | None) -> None:
        self._outputs = outputs
        buffer = np.frombuffer(data, np.uint8)
        self._of_shape = lru_cache(maxsize=SHAPES_KEPT)(lambda shape: cv2.dnn.readNetFromONNX(buffer))
        self._alone = Lock()

    def __call__(self, values: np.ndarray) -> list[np.ndarray]:
        with self._alone:
            net = self._of_shape(values.shape)
            net.setInput(np.ascontiguousarray(values, np.float32))
            names = tuple(net.getUnconnectedOutLayersNames())
            given = dict(zip(names, net.forward(names), strict=True))  # OpenCV 5.0 gives all outputs or fails
            return [given[name] for name in self._outputs or names]
