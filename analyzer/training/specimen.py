"""Train the small network that tells metal, sawn rim, other side, marker and tape from the table; writes one ONNX file.

    python -m analyzer.training.specimen TRUTH_FOLDER SECONDS OUT.onnx [--leave-out NAME ...] [--from WEIGHTS.pt]


TRUTH_FOLDER holds ``images/NAME.jpg`` and ``truth/NAME/{truth.json,class.png}`` (rendered pictures with exact classes).
Names that begin with ``h`` are never read: the model is judged on them. Needs torch 2.13 (CPU is enough: an hour on
one core); neither the package nor its tests need it.

The network sees a square picture of ``SIDE`` pixels, first of the whole photo, then of a window round the piece, so it
is trained on both. Every picture is turned, cropped, re-lit and re-coloured, and its table is
often swapped for a made-up one that keeps the shadows.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from PIL import Image, ImageOps
from torch import nn

SIDE = 256  # analyzer/specimen.py holds the same figure
# class.png: 1 pitted surface, 2 sawn rim, 3 other side, 4 marker, 5 table, 6 props, 7 tape or solder on the pipe
CLASSES = ("table", "metal", "rim", "other_side", "marker", "covered")
FROM_PICTURE = np.array([0, 1, 2, 3, 4, 0, 0, 5], np.uint8)
CLASS_WEIGHTS = (1.0, 1.3, 2.0, 1.5, 1.0, 2.0)  # in the loss: a rim has few pixels
VIEWS = ("inside", "outside", "flat", "end")
CACHE_SIDE = 1280  # long side of the pictures held in memory


def _block(inward: int, outward: int) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inward, outward, 3, padding=1, bias=False),
        nn.BatchNorm2d(outward),
        nn.ReLU(True),
        nn.Conv2d(outward, outward, 3, padding=1, bias=False),
        nn.BatchNorm2d(outward),
        nn.ReLU(True),
    )


class SpecimenNet(nn.Module):
    """A U-Net on blocks of 2 x 2 pixels.

    In: N x 12 x h x w, the four pixels of a block (RGB, 0..1, less 0.45, by 0.25) as 12 planes. Out: for
    each block the class logits of its four pixels (24 planes, class by class), and the logits of the view. The blocks
    are made and taken apart outside, by plain slicing, so that the file holds only common layers.
    """

    def __init__(self, widths: tuple[int, ...] = (16, 32, 48, 64, 96)) -> None:
        super().__init__()
        self.down = nn.ModuleList()
        inward = 12
        for width in widths:
            self.down.append(_block(inward, width))
            inward = width
        self.up = nn.ModuleList(
            [_block(widths[k] + widths[k - 1], widths[k - 1]) for k in range(len(widths) - 1, 0, -1)]
        )
        self.head = nn.Conv2d(widths[0], 4 * len(CLASSES), 1)
        self.view = nn.Linear(widths[-1], len(VIEWS))

    def forward(self, x: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        kept = []
        for k, block in enumerate(self.down):
            x = block(x)
            if k < len(self.down) - 1:
                kept.append(x)
                x = F.max_pool2d(x, 2)
        view = self.view(x.mean((2, 3)))
        for block, skip in zip(self.up, kept[::-1]):
            x = F.interpolate(x, scale_factor=2, mode="bilinear", align_corners=False)
            x = block(torch.cat([x, skip], 1))
        return self.head(x), view


def load(folder: Path, leave_out: set[str]) -> list[dict]:
    scenes = []
    for place in sorted((folder / "truth").glob("d*")):
        if place.name in leave_out:
            continue
        truth = json.loads((place / "truth.json").read_text())
        classes = cv2.imread(str(place / "class.png"), cv2.IMREAD_UNCHANGED)
        images = (
            [folder / truth["image"]]
            if not truth.get("multi")
            else sorted((folder / "images").glob(f"{place.name}_*.jpg"))
        )
        for path in images:
            if "backlit" in path.name or not path.exists():
                continue
            rgb = np.asarray(ImageOps.exif_transpose(Image.open(path)).convert("RGB"))
            scale = CACHE_SIDE / max(rgb.shape[:2])
            size = (round(rgb.shape[1] * scale), round(rgb.shape[0] * scale))
            rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
            label = cv2.resize(FROM_PICTURE[classes], size, interpolation=cv2.INTER_NEAREST)
            metal = np.argwhere(np.isin(label, (1, 2, 3, 5)))
            scenes.append(
                {
                    "rgb": rgb,
                    "label": label,
                    "view": VIEWS.index(truth["view"]),
                    "half": cv2.resize(rgb, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA),
                    "quarter": cv2.resize(rgb, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA),
                    "box": (*metal.min(0)[::-1], *metal.max(0)[::-1]),
                    "weight": 0.3 if len(images) > 1 else (1.6 if truth["view"] == "end" else 1.0),
                }
            )
    return scenes


def _noise_field(rng: np.random.Generator, height: int, width: int, grain: float) -> np.ndarray:
    """Smooth noise of unit spread whose features are about ``grain`` pixels."""
    small = rng.standard_normal((max(2, int(height / grain)) + 2, max(2, int(width / grain)) + 2)).astype(np.float32)
    field = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)
    return field / (field.std() + 1e-6)


def _made_up_table(rng: np.random.Generator, side: int) -> np.ndarray:
    kind = rng.integers(5)
    base = rng.uniform(0.05, 0.95, 3).astype(np.float32)
    if rng.random() < 0.5:  # most tables are hardly coloured
        base = base.mean() + 0.25 * (base - base.mean())
    elif rng.random() < 0.35:  # wood and copper tones: hard to tell from the metal
        base = np.array([0.72, 0.45, 0.3], np.float32) * rng.uniform(0.5, 1.3) + rng.normal(0, 0.05, 3).astype(
            np.float32
        )
    out = np.ones((side, side, 3), np.float32) * base
    if kind == 1:  # speckle
        for grain in (2, 5, 14):
            out *= (1 + rng.uniform(0, 0.22) * _noise_field(rng, side, side, grain))[..., None]
    elif kind == 2:  # grain of wood
        angle = rng.uniform(0, np.pi)
        yy, xx = np.mgrid[:side, :side].astype(np.float32)
        across = xx * np.cos(angle) + yy * np.sin(angle) + 9 * _noise_field(rng, side, side, 90)
        stripes = np.sin(across / rng.uniform(2, 9)) + np.sin(across / rng.uniform(5, 25))
        out *= (1 + rng.uniform(0.02, 0.12) * stripes)[..., None]
        out *= (1 + 0.05 * _noise_field(rng, side, side, 3))[..., None]
    elif kind == 3:  # cloth
        yy, xx = np.mgrid[:side, :side].astype(np.float32)
        pitch = rng.uniform(3, 10)
        out *= (1 + rng.uniform(0.02, 0.15) * np.sin(2 * np.pi * xx / pitch) * np.sin(2 * np.pi * yy / pitch))[
            ..., None
        ]
    elif kind == 4:  # stains in another colour
        other = rng.uniform(0.05, 0.95, 3).astype(np.float32)
        share = np.clip(_noise_field(rng, side, side, rng.uniform(8, 60)) * 0.5, 0, 1)[..., None]
        out = out * (1 - share) + other * share
    return out


def sample(scene: dict, rng: np.random.Generator, far: bool) -> tuple[np.ndarray, np.ndarray]:
    """One training picture: (3, SIDE, SIDE) float32 and (SIDE, SIDE) labels; far: the whole photo, else a window round
    the piece."""
    rgb, label = scene["rgb"], scene["label"]
    height, width = label.shape
    x0, y0, x1, y1 = scene["box"]
    piece = max(x1 - x0, y1 - y0) * 1.0
    side = SIDE
    if far:
        span = max(height, width) * rng.uniform(0.75, 1.2)
        centre = np.array([width / 2, height / 2]) + rng.uniform(-0.1, 0.1, 2) * span
    else:
        span = piece * rng.uniform(1.05, 1.5)
        centre = np.array([(x0 + x1) / 2, (y0 + y1) / 2]) + rng.uniform(-0.15, 0.15, 2) * (span - 0.8 * piece)
    angle = rng.integers(4) * 90 + (rng.uniform(-45, 45) if rng.random() < 0.7 else 0)
    scale = side / span
    cosine, sine = np.cos(np.radians(angle)) * scale, np.sin(np.radians(angle)) * scale
    flip = -1.0 if rng.random() < 0.5 else 1.0
    squeeze = rng.uniform(0.9, 1.1)
    matrix = np.array([[cosine * flip, -sine, 0], [sine * flip * squeeze, cosine * squeeze, 0]])
    matrix[:, 2] = side / 2 - matrix[:, :2] @ centre
    to_label = matrix
    if scale < 0.7:  # smaller by areas, as analyzer/specimen.py does
        small = scene["half"] if scale > 0.3 else scene["quarter"]
        times = np.array([rgb.shape[1] / small.shape[1], rgb.shape[0] / small.shape[0]])
        matrix = matrix @ np.array([[times[0], 0, (times[0] - 1) / 2], [0, times[1], (times[1] - 1) / 2], [0, 0, 1]])
        rgb = small
    border = cv2.BORDER_CONSTANT  # black beyond the photo, as analyzer/specimen.py has it
    image = (
        cv2.warpAffine(rgb, matrix, (side, side), flags=cv2.INTER_LINEAR, borderMode=border).astype(np.float32) / 255
    )
    target = cv2.warpAffine(label, to_label, (side, side), flags=cv2.INTER_NEAREST, borderMode=border)

    linear = image**2.2
    if rng.random() < 0.35:  # another table, under the same light and shadow
        table = (target == 0).astype(np.float32)
        soft = cv2.GaussianBlur(table, (0, 0), 0.6)[..., None]
        light = cv2.GaussianBlur(linear.mean(2) * table, (0, 0), 6) / (cv2.GaussianBlur(table, (0, 0), 6) + 1e-3)
        level = light[table > 0].mean() if table.any() else 1.0
        light = np.clip(light / max(level, 1e-3), 0, 3) ** rng.uniform(0.5, 1.2)
        fine = linear.mean(2) / (cv2.GaussianBlur(linear.mean(2), (0, 0), 3) + 1e-3)
        made = (
            np.clip(_made_up_table(rng, side), 0, None) ** 1.5 * light[..., None] * fine[..., None] ** rng.uniform(0, 1)
        )
        linear = linear * (1 - soft) + made * soft
    metal = np.argwhere(target == 1)
    if rng.random() < 0.15 and len(metal) > 500:  # a strip of tape or a run of paint across the piece
        y, x = metal[rng.integers(len(metal))]
        a, half = rng.uniform(0, np.pi), rng.uniform(3, 14)
        yy, xx = np.mgrid[:side, :side].astype(np.float32)
        strip = (np.abs((xx - x) * np.cos(a) + (yy - y) * np.sin(a)) < half) & np.isin(target, (1, 2, 3))
        shade = cv2.GaussianBlur(linear.mean(2), (0, 0), 5)
        tone = rng.uniform(0.02, 0.8) * (np.ones(3) + rng.normal(0, 0.2, 3)).clip(0.3, 1.6)
        cover = (shade / (shade[strip].mean() + 1e-3) * (1 + 0.03 * rng.standard_normal((side, side))))[
            ..., None
        ] * tone
        soft = cv2.GaussianBlur(strip.astype(np.float32), (0, 0), 0.6)[..., None]
        linear = (linear * (1 - soft) + cover * soft).astype(np.float32)
        target = np.where(strip & (target == 1), 5, target).astype(target.dtype)
    if rng.random() < 0.4:  # the card's or ruler's own colour
        marker = cv2.GaussianBlur((target == 4).astype(np.float32), (0, 0), 0.6)[..., None]
        linear = linear * (1 + marker * (rng.uniform(0.4, 1.5, 3).astype(np.float32) - 1))
    if rng.random() < 0.25:  # another metal, more or less tarnished
        pipe = cv2.GaussianBlur(np.isin(target, (1, 2, 3)).astype(np.float32), (0, 0), 0.6)[..., None]
        grey = linear.mean(2, keepdims=True)
        saturation = rng.uniform(0.4, 1.4)
        linear = linear * (1 - pipe) + pipe * np.clip(grey + saturation * (linear - grey), 0, None) * rng.uniform(
            0.6, 1.5
        )
    if rng.random() < 0.5:  # uneven light, a shadow's edge
        field = np.exp(rng.uniform(0.1, 0.5) * _noise_field(rng, side, side, rng.uniform(100, 380)))
        if rng.random() < 0.4:
            yy, xx = np.mgrid[:side, :side].astype(np.float32) / side - 0.5
            a = rng.uniform(0, 2 * np.pi)
            edge = np.cos(a) * xx + np.sin(a) * yy - rng.uniform(-0.4, 0.4)
            field = field * (
                1 - rng.uniform(0.2, 0.7) / (1 + np.exp(-np.clip(edge / rng.uniform(0.005, 0.1), -30, 30)))
            )
        linear = linear * field[..., None]
    linear = linear * rng.uniform(0.5, 1.7) * rng.uniform(0.8, 1.25, 3).astype(np.float32)
    image = np.clip(linear, 0, 1) ** (1 / 2.2)
    image = np.clip(image, 1e-4, 1) ** rng.uniform(0.8, 1.25)
    if rng.random() < 0.04:
        image = np.repeat(image.mean(2, keepdims=True), 3, 2)
    if rng.random() < 0.3:
        image = cv2.GaussianBlur(image, (0, 0), rng.uniform(0.3, 1.2))
    if rng.random() < 0.5:
        image = image + rng.standard_normal(image.shape).astype(np.float32) * rng.uniform(0, 0.04)
    return np.clip(image, 0, 1).astype(np.float32).transpose(2, 0, 1), target


class _Batches(torch.utils.data.IterableDataset):
    """Endless batches of eight: whole photos with their view two times in five, else windows round the piece."""

    def __init__(self, scenes: list[dict], seed: int) -> None:
        self.scenes, self.seed = scenes, seed

    def __iter__(self):
        cv2.setNumThreads(1)
        rng = np.random.default_rng(self.seed)
        weights = np.array([scene["weight"] for scene in self.scenes])
        weights = weights / weights.sum()
        while True:
            far = bool(rng.random() < 0.4)
            chosen = [self.scenes[k] for k in rng.choice(len(self.scenes), 8, p=weights)]
            pairs = [sample(scene, rng, far) for scene in chosen]
            yield (
                far,
                np.stack([p[0] for p in pairs]),
                np.stack([p[1] for p in pairs]),
                np.array([scene["view"] for scene in chosen]),
            )


def train(scenes: list[dict], seconds: float, out: Path, start: Path | None, seed: int = 2) -> SpecimenNet:
    torch.manual_seed(seed)
    net = SpecimenNet()
    if start is not None:
        net.load_state_dict(torch.load(start))
    net = net.to(memory_format=torch.channels_last)
    rate = 3e-3 if start is None else 1.2e-3
    optimiser = torch.optim.AdamW(net.parameters(), rate, weight_decay=1e-3)
    class_weight = torch.tensor(CLASS_WEIGHTS)
    batches = iter(
        torch.utils.data.DataLoader(_Batches(scenes, seed), batch_size=None, num_workers=1, prefetch_factor=4)
    )
    begin, step, running = time.time(), 0, 0.0
    while (passed := time.time() - begin) < seconds:
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1, (step + 1) / 50) * 0.5 * (1 + np.cos(np.pi * passed / seconds)) + 1e-5
        far, x, y, view = next(batches)
        x, y, view = torch.as_tensor(x), torch.as_tensor(y).long(), torch.as_tensor(view)
        with torch.autocast("cpu", torch.bfloat16):
            blocks, view_logits = net(
                F.pixel_unshuffle((x - 0.45) / 0.25, 2).contiguous(memory_format=torch.channels_last)
            )
        logits = F.pixel_shuffle(blocks.float(), 2)
        loss = F.cross_entropy(logits, y, weight=class_weight)
        if far:
            loss = loss + 0.1 * F.cross_entropy(view_logits.float(), view)
        share = logits.softmax(1)[:, 1]
        metal = (y == 1).float()
        loss = loss + 0.3 * (1 - (2 * (share * metal).sum() + 1) / (share.sum() + metal.sum() + 1))
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        step += 1
        running += loss.item()
        if step % 100 == 0:
            print(f"{step} steps, {passed:.0f} s, loss {running / 100:.4f}", flush=True)
            running = 0.0
        if step % 200 == 0:  # something to look at meanwhile
            torch.save(net.state_dict(), out.with_suffix(".part.pt"))
    return net.eval()


def export(net: SpecimenNet, out: Path) -> None:
    """Write the weights, and the network with the loss's class weights taken out again: they would widen the rims."""
    torch.save(net.state_dict(), out.with_suffix(".pt"))
    with torch.no_grad():
        net.head.bias -= torch.log(torch.tensor(CLASS_WEIGHTS)).repeat_interleave(4)
    torch.onnx.export(
        net.eval().to(memory_format=torch.contiguous_format),
        torch.zeros(1, 12, SIDE // 2, SIDE // 2),
        str(out),
        input_names=["blocks"],
        output_names=["classes", "view"],
        opset_version=17,
        dynamo=False,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("seconds", type=float)
    parser.add_argument("out", type=Path)
    parser.add_argument("--leave-out", nargs="*", default=[])
    parser.add_argument("--from", dest="start", type=Path)
    parser.add_argument("--threads", type=int, default=1)
    options = parser.parse_args()
    torch.set_num_threads(options.threads)
    cv2.setNumThreads(1)
    scenes = load(options.folder, set(options.leave_out))
    print(len(scenes), "pictures", flush=True)
    net = train(scenes, options.seconds, options.out, options.start)
    export(net, options.out)
    print("weights:", sum(p.numel() for p in net.parameters()))


if __name__ == "__main__":
    main()
