"""Train the U-Net that tells a pit's mouth, a mound and a pit's core from the metal round them; writes OUT.pt and OUT.onnx.

    python -m analyzer.training.pit_likelihood TRUTH_FOLDER STEPS OUT [--names d,h] [--leave-out h01,h03] [--from WEIGHTS]

TRUTH_FOLDER holds ``images/`` and ``truth/NAME/{truth.json,pits.png,class.png,capped.png}`` (rendered pictures with exact
masks). ``--names`` are beginnings of the names that are learned from; what is left out can judge. ``--from`` goes on from
earlier weights (.pt, or the .onnx in ``analyzer/models``). Needs torch 2.13 and, to start from an .onnx, onnx; a GPU is used
where there is one: a step takes a second on one core. OUT is written every 100 steps. Neither the package nor its tests need
this file. The calibration tables beside the weights are made afterwards by ``analyzer.training.pit_calibration``.

Every crop is turned, mirrored, stretched, coarsened (as by a phone farther away: fewer pixels, noise, JPEG), re-lit and
re-coloured, and pits of other pictures are set into a quarter of them: a network that saw each pit in one place only learns the
place. Pits too small or too hidden to be counted are neither right nor wrong. Small pits weigh a little more than large ones; half of
the crops lie at a pit, a fifth at a mound or where earlier weights were mistaken, the rest anywhere on metal.
"""

from __future__ import annotations

import argparse
import json
import random
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from PIL import Image, ImageOps
from torch import nn

from analyzer.marks.likelihood import raster_over, resample

MM_PER_PX = 0.05
CHANNELS = ("mouth", "mound", "core")
WIDTHS = (24, 48, 96, 160, 224)
CROP = 256
BATCH = 6
SMALLEST_MM, LEAST_VISIBLE = 0.30, 0.25  # what counts as a pit in the truth


def _block(inward: int, outward: int) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inward, outward, 3, padding=1),
        nn.ReLU(True),
        nn.Conv2d(outward, outward, 3, padding=1),
        nn.ReLU(True),
    )


class Net(nn.Module):
    """A U-Net without normalisation layers: those of the first weights are folded into the convolutions."""

    def __init__(self) -> None:
        super().__init__()
        self.d = nn.ModuleList(_block(i, o) for i, o in zip((3, *WIDTHS[:-1]), WIDTHS, strict=True))
        self.u = nn.ModuleList(_block(WIDTHS[k] + WIDTHS[k - 1], WIDTHS[k - 1]) for k in range(len(WIDTHS) - 1, 0, -1))
        self.h = nn.Conv2d(WIDTHS[0], len(CHANNELS), 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x = (x - 0.45) / 0.25
        skipped = []
        for k, block in enumerate(self.d):
            x = block(x)
            if k < len(self.d) - 1:
                skipped.append(x)
                x = F.max_pool2d(x, 2)
        for block, skip in zip(self.u, reversed(skipped), strict=True):
            x = block(torch.cat([F.interpolate(x, scale_factor=2, mode="bilinear", align_corners=False), skip], 1))
        return self.h(x)

    def start_from(self, path: Path) -> None:
        """Take over weights: a state file of this class, or an ONNX file whose convolutions stand in the same order."""
        if path.suffix == ".pt":
            self.load_state_dict(torch.load(path))
            return
        import onnx
        from onnx import numpy_helper

        model = onnx.load(str(path))
        stored = {i.name: torch.from_numpy(numpy_helper.to_array(i).copy()) for i in model.graph.initializer}
        convolutions = [node.input for node in model.graph.node if node.op_type == "Conv"]
        own = [c for block in (*self.d, *self.u) for c in block if isinstance(c, nn.Conv2d)]
        with torch.no_grad():
            for layer, (_, weight, bias) in zip(own, convolutions[:-1], strict=True):
                layer.weight.copy_(stored[weight])
                layer.bias.copy_(stored[bias])
            weight, bias = stored[convolutions[-1][1]], stored[convolutions[-1][2]]
            if len(weight) == len(CHANNELS):
                self.h.weight.copy_(weight)
                self.h.bias.copy_(bias)
            else:  # the first weights know the mouth alone
                self.h.weight.zero_()
                self.h.bias.fill_(-4.0)
                self.h.weight[0], self.h.bias[0] = weight[0], bias[0]
                self.h.weight[2], self.h.bias[2] = 0.7 * weight[0], bias[0] - 1.5

    def write(self, out: Path) -> None:
        torch.save(self.state_dict(), out.with_suffix(".pt"))
        torch.onnx.export(
            self.eval().cpu().float(),
            (torch.zeros(1, 3, 512, 512),),
            str(out.with_suffix(".onnx")),
            input_names=["x"],
            output_names=["y"],
            dynamic_axes={"x": {2: "h", 3: "w"}, "y": {2: "h", 3: "w"}},
            opset_version=17,
            dynamo=False,
        )


@dataclass(frozen=True, kw_only=True)
class Graft:
    """One pit cut out of its picture: light against the metal round it, so that it can stand on other metal."""

    ratio: np.ndarray  # float32 (h, w, 3), 1 where it is as light as its surroundings
    target: np.ndarray  # float32 (4, h, w), as of a Scene


@dataclass(frozen=True, kw_only=True)
class Scene:
    """One picture at MM_PER_PX: ``target`` holds a plane for each of CHANNELS and last the weight of each pixel."""

    image: np.ndarray  # uint8 (h, w, 3)
    target: np.ndarray  # float16 (4, h, w)
    pits: tuple[tuple[float, float], ...]  # centres, x and y
    traps: tuple[tuple[float, float], ...]  # mounds and earlier mistakes
    metal: tuple[np.ndarray, np.ndarray]  # rows, columns
    grafts: tuple[Graft, ...]  # its pits that stand alone, to be set into other pictures
    share: float  # how often it is drawn


def read_scene(root: Path, name: str, image: str | None, earlier: Net | None, share: float) -> Scene | None:
    folder = root / "truth" / name
    truth = json.loads((folder / "truth.json").read_text())
    with Image.open(root / (image or truth["image"])) as opened:
        rgb = np.asarray(ImageOps.exif_transpose(opened).convert("RGB"))
    classes, mouths, capped = (
        cv2.imread(str(folder / f), cv2.IMREAD_UNCHANGED) for f in ("class.png", "pits.png", "capped.png")
    )
    rows, columns = np.nonzero(classes == 1)
    if not rows.size:
        return None
    x0, y0 = max(0, int(columns.min()) - 60), max(0, int(rows.min()) - 60)
    window = np.s_[y0 : int(rows.max()) + 60, x0 : int(columns.max()) + 60]
    rgb, classes, mouths, capped = (a[window] for a in (rgb, classes, mouths, capped))
    raster = raster_over((0, 0), classes.shape, truth["mm_per_px_surface"] / MM_PER_PX)
    counted, ignored = np.zeros(65536, bool), np.zeros(65536, bool)
    weight_of = np.ones(65536, np.float32)
    core = np.zeros(classes.shape, np.float32)
    centres = []
    for pit in truth["pits"]:
        if not pit["mask_px"]:
            continue
        number, diameter = pit["id"], pit["equivalent_diameter_mm"]
        if diameter < SMALLEST_MM or pit["visible_fraction"] < LEAST_VISIBLE:
            ignored[number] = True
            continue
        counted[number] = True
        weight_of[number] = np.clip(0.8 / diameter, 0.8, 1.5)
        centres.append(raster.from_photo(pit["centroid_px"][0] - x0, pit["centroid_px"][1] - y0))
        left, top, right, bottom = pit["bbox_px"]
        box = np.s_[max(top - y0, 0) : bottom - y0, max(left - x0, 0) : right - x0]
        own = mouths[box] == number
        depth = cv2.distanceTransform(np.pad(own, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
        core[box] = np.maximum(core[box], depth > 0.5 * max(float(depth.max()), 1e-3))

    def laid(mask: np.ndarray) -> np.ndarray:
        return np.clip(resample(mask.astype(np.float32), raster), 0, 1)

    picture = resample(np.ascontiguousarray(rgb), raster)
    mouth, mound, metal = laid(counted[mouths]), laid(capped > 0), laid(classes == 1)
    weight = (laid(ignored[mouths]) < 0.3) * (0.15 + 0.85 * (metal > 0.5))
    weight = weight * resample(np.where(counted[mouths], weight_of[mouths], 1).astype(np.float32), raster, nearest=True)
    target = np.stack([mouth, mound, laid(core), weight]).astype(np.float16)
    traps = [tuple(c) for c in cv2.connectedComponentsWithStats((mound > 0.5).astype(np.uint8))[3][1:]]
    if earlier is not None:
        traps += _mistakes(earlier, picture, mouth)
    return Scene(
        image=picture,
        target=target,
        pits=tuple(centres),
        traps=tuple(traps),
        metal=np.nonzero(metal > 0.5),
        grafts=_grafts(picture, target, metal > 0.5),
        share=share * (metal > 0.5).sum() ** 0.5 * (1 + min(len(centres), 30) / 15),
    )


def _grafts(picture: np.ndarray, target: np.ndarray, metal: np.ndarray) -> tuple[Graft, ...]:
    """The mouths that stand alone on open metal, each with some of the metal round it."""
    mouth = target[0].astype(np.float32)
    count, parts, boxes, _ = cv2.connectedComponentsWithStats((mouth > 0.5).astype(np.uint8))
    found = []
    for k in range(1, count):
        x, y, w, h = (int(v) for v in boxes[k, :4])
        around = max(5, round(0.4 * max(w, h)))
        if max(w, h) + 2 * around > CROP // 2 or min(x, y) < around:
            continue
        box = np.s_[y - around : y + h + around, x - around : x + w + around]
        alone = not np.any((parts[box] != k) & (parts[box] > 0))
        if parts[box].shape != (h + 2 * around, w + 2 * around) or not alone or not metal[box].all():
            continue
        if target[1][box].max() > 0.1 or target[3][box].min() < 0.5:  # a mound, or a pit that is not counted
            continue
        own = picture[box].astype(np.float32) / 255
        ring = np.median(own[mouth[box] < 0.1], axis=0)
        found.append(Graft(ratio=own / np.maximum(ring, 0.02), target=target[:, *box].astype(np.float32)))
    return tuple(found)


def _set_in(image: np.ndarray, target: np.ndarray, graft: Graft) -> None:
    """Set a graft, turned and resized, somewhere on the crop's open metal; ``image`` and ``target`` are changed."""
    quarter, size = random.randrange(4), float(np.exp(random.uniform(-0.35, 0.25)))
    planes = np.concatenate([graft.ratio, graft.target.transpose(1, 2, 0)], axis=2)
    planes = np.rot90(planes, quarter)
    if random.random() < 0.5:
        planes = planes[:, ::-1]
    method = cv2.INTER_AREA if size < 1 else cv2.INTER_LINEAR
    planes = np.dstack(
        [
            cv2.resize(np.ascontiguousarray(part), None, fx=size, fy=size, interpolation=method)
            for part in np.split(planes, [3], 2)
        ]
    )
    h, w = planes.shape[:2]
    if planes[..., 3].sum() < 30 or min(CROP - h, CROP - w) < 1:  # below the smallest size that counts
        return
    for _ in range(6):
        x, y = random.randrange(CROP - w), random.randrange(CROP - h)
        box = np.s_[y : y + h, x : x + w]
        under = target[:, *box]
        if under[:2].max() > 0.05 or under[3].min() < 0.5:
            continue
        distance = cv2.distanceTransform((planes[..., 3] < 0.05).astype(np.uint8), cv2.DIST_L2, 3)
        margin = max(
            3.0, 0.8 * float(min(distance[0].min(), distance[-1].min(), distance[:, 0].min(), distance[:, -1].min()))
        )
        share = np.clip(1 - distance / margin, 0, 1)[..., None]
        ratio = np.exp(random.uniform(0.7, 1.15) * np.log(np.clip(planes[..., :3], 0.02, 8)))  # fainter or stronger
        image[box] = np.clip(image[box] * (1 + share * (ratio - 1)), 0, 1)
        target[0][box], target[2][box] = planes[..., 3], planes[..., 5]
        target[3][box] = np.where(planes[..., 3] > 0.5, np.maximum(planes[..., 6], 1), under[3])
        return


@torch.no_grad()
def _mistakes(net: Net, picture: np.ndarray, mouth: np.ndarray) -> list[tuple[float, float]]:
    """Where the weights to start from see a pit that is none."""
    height, width = (-(-n // 16) * 16 for n in picture.shape[:2])
    padded = cv2.copyMakeBorder(
        picture, 0, height - picture.shape[0], 0, width - picture.shape[1], cv2.BORDER_REPLICATE
    )
    seen = np.zeros((height, width), np.float32)
    for top in range(0, height, 512):
        part = torch.from_numpy(padded[top : top + 512].transpose(2, 0, 1)[None].astype(np.float32) / 255)
        seen[top : top + 512] = net(part)[0, 0].numpy()
    seen = seen[: picture.shape[0], : picture.shape[1]]
    found = cv2.connectedComponentsWithStats((seen > -1).astype(np.uint8))[3][1:]
    near = cv2.dilate(mouth, np.ones((11, 11), np.uint8))
    return [(x, y) for x, y in found if near[int(y), int(x)] < 0.2]


def read_scenes(root: Path, names: tuple[str, ...], left_out: tuple[str, ...], earlier: Net | None) -> list[Scene]:
    scenes: list[Scene | None] = []
    for folder in sorted((root / "truth").iterdir()):
        if not folder.name.startswith(names) or folder.name in left_out:
            continue
        truth = json.loads((folder / "truth.json").read_text())
        if truth["view"] == "end":
            continue
        scenes.append(read_scene(root, folder.name, None, earlier, 1.0))
        for other in truth.get("multi") or ():  # the same piece under a lamp from one side
            if other["kind"] in ("light0", "light2", "light4"):
                scenes.append(read_scene(root, folder.name, other["image"], None, 0.25))
    return [scene for scene in scenes if scene is not None]


def draw(scenes: list[Scene], shares: list[float]) -> tuple[np.ndarray, np.ndarray]:
    """One augmented crop: image (3, CROP, CROP) 0..1 and target (4, CROP, CROP)."""
    scene = random.choices(scenes, shares)[0]
    at = random.random()
    if scene.pits and at < 0.5:
        x, y = random.choice(scene.pits)
    elif scene.traps and at < 0.68:
        x, y = random.choice(scene.traps)
    else:
        k = random.randrange(scene.metal[0].size)
        x, y = float(scene.metal[1][k]), float(scene.metal[0][k])
    x, y = x + random.uniform(-90, 90), y + random.uniform(-90, 90)
    image, target = _cut(scene, x, y) if random.random() < 0.5 else _turned(scene, x, y)
    if random.random() < 0.25:
        for _ in range(random.randint(1, 3)):
            giver = random.choices(scenes, shares)[0]
            if giver.grafts:
                _set_in(image, target, random.choice(giver.grafts))
    if random.random() < 0.25:
        image = _coarser(image)
    quarter = random.randrange(4)
    image, target = np.rot90(image, quarter), np.rot90(target, quarter, (1, 2))
    if random.random() < 0.5:
        image, target = image[:, ::-1], target[:, :, ::-1]
    image = image * random.uniform(0.6, 1.45) * np.random.uniform(0.82, 1.2, 3).astype(np.float32)
    image = np.clip(image, 1e-4, 1) ** random.uniform(0.75, 1.35)
    if random.random() < 0.2:
        ramp = np.linspace(-1, 1, CROP, dtype=np.float32)
        light = random.uniform(-0.35, 0.35) * ramp[None, :, None] + random.uniform(-0.35, 0.35) * ramp[:, None, None]
        image = image * (1 + light)
    if random.random() < 0.3:
        image = image + np.random.randn(CROP, CROP, 3).astype(np.float32) * random.uniform(0, 0.05)
    if random.random() < 0.2:
        image = cv2.GaussianBlur(np.ascontiguousarray(image), (0, 0), random.uniform(0.4, 1.2))
    if random.random() < 0.1:
        image = np.repeat(image.mean(2, keepdims=True), 3, 2)
    return (
        np.ascontiguousarray(np.clip(image, 0, 1).transpose(2, 0, 1), np.float32),
        np.ascontiguousarray(target, np.float32),
    )


def _cut(scene: Scene, x: float, y: float) -> tuple[np.ndarray, np.ndarray]:
    height, width = scene.image.shape[:2]
    left = int(min(max(x - CROP / 2, 0), max(0, width - CROP)))
    top = int(min(max(y - CROP / 2, 0), max(0, height - CROP)))
    image = scene.image[top : top + CROP, left : left + CROP]
    target = scene.target[:, top : top + CROP, left : left + CROP].astype(np.float32)
    below, right = CROP - image.shape[0], CROP - image.shape[1]
    image = cv2.copyMakeBorder(image, 0, below, 0, right, cv2.BORDER_REPLICATE)
    return image.astype(np.float32) / 255, np.pad(target, ((0, 0), (0, below), (0, right)))


def _turned(scene: Scene, x: float, y: float) -> tuple[np.ndarray, np.ndarray]:
    angle = random.uniform(-np.pi, np.pi)
    size, stretch = np.exp(random.uniform(-0.22, 0.2)), np.exp(random.uniform(-0.12, 0.12))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    turn = turn @ np.diag([size * stretch, size / stretch])
    matrix = np.c_[turn, np.array([x, y]) - turn @ np.array([CROP / 2, CROP / 2])]
    image = cv2.warpAffine(
        scene.image,
        matrix,
        (CROP, CROP),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    reach = int(CROP * 1.3)
    left, top = max(0, int(x) - reach), max(0, int(y) - reach)
    near = scene.target[:, top : top + 2 * reach, left : left + 2 * reach].astype(np.float32).transpose(1, 2, 0)
    matrix[:, 2] -= (left, top)
    target = cv2.warpAffine(
        near, matrix, (CROP, CROP), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderValue=(0, 0, 0, 0)
    )
    return image.astype(np.float32) / 255, target.transpose(2, 0, 1)


def _coarser(image: np.ndarray) -> np.ndarray:
    side = int(CROP * random.uniform(0.5, 0.95))
    small = cv2.resize(image, (side, side), interpolation=cv2.INTER_AREA)
    if random.random() < 0.5:
        small = small + np.random.randn(side, side, 3).astype(np.float32) * random.uniform(0, 0.035)
    if random.random() < 0.4:
        quality = [cv2.IMWRITE_JPEG_QUALITY, random.randint(60, 92)]
        packed = cv2.imencode(".jpg", (np.clip(small, 0, 1) * 255).astype(np.uint8), quality)[1]
        small = cv2.imdecode(packed, cv2.IMREAD_COLOR).astype(np.float32) / 255
    return np.clip(cv2.resize(small, (CROP, CROP), interpolation=cv2.INTER_CUBIC), 0, 1)


def loss_of(answer: torch.Tensor, target: torch.Tensor) -> torch.Tensor:
    """Cross-entropy and overlap of the mouth, cross-entropy of mound and core."""
    weight = target[:, 3]

    def entropy(channel: int, positive: float, weight: torch.Tensor) -> torch.Tensor:
        return (
            F.binary_cross_entropy_with_logits(
                answer[:, channel],
                target[:, channel],
                reduction="none",
                pos_weight=torch.tensor(positive, device=answer.device),
            )
            * weight
        ).mean()

    probability = answer[:, 0].sigmoid() * weight
    both = (probability * target[:, 0]).sum()
    overlap = 1 - (2 * both + 1) / (probability.sum() + (target[:, 0] * weight).sum() + 1)
    return (
        entropy(0, 2.0, weight)
        + 0.5 * overlap
        + 0.3 * entropy(1, 2.0, weight.clamp(max=1))
        + 0.4 * entropy(2, 3.0, weight)
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("truth", type=Path)
    parser.add_argument("steps", type=int)
    parser.add_argument("out", type=Path)
    parser.add_argument("--names", default="d")
    parser.add_argument("--leave-out", default="", help="names that are not learned from, to judge on")
    parser.add_argument("--from", dest="start", type=Path)
    parser.add_argument("--rate", type=float, default=1e-4, help="1e-4 to go on from weights, 1e-3 from nothing")
    parser.add_argument(
        "--mistakes", action="store_true", help="draw more often where the earlier weights were mistaken"
    )
    parser.add_argument("--threads", type=int, default=0)
    asked = parser.parse_args()
    if asked.threads:
        torch.set_num_threads(asked.threads)
        cv2.setNumThreads(asked.threads)
    random.seed(1)
    np.random.seed(1)
    torch.manual_seed(1)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    net = Net()
    earlier = None
    if asked.start is not None:
        net.start_from(asked.start)
        earlier = net if asked.mistakes else None
    scenes = read_scenes(asked.truth, tuple(asked.names.split(",")), tuple(asked.leave_out.split(",")), earlier)
    shares = [scene.share for scene in scenes]
    print(f"{len(scenes)} pictures", flush=True)
    net = net.to(device, memory_format=torch.channels_last)
    smoothed = {name: value.clone() for name, value in net.state_dict().items()}
    # The last layer may move faster: planes that the weights to start from do not know begin at nothing there.
    backbone = [value for name, value in net.named_parameters() if not name.startswith("h.")]
    groups = [{"params": backbone, "pace": 1.0}, {"params": list(net.h.parameters()), "pace": 5.0}]
    optimiser = torch.optim.AdamW(groups, asked.rate, weight_decay=1e-3)
    started, total = time.time(), 0.0
    for step in range(1, asked.steps + 1):
        for group in optimiser.param_groups:
            cosine = 0.5 * (1 + np.cos(np.pi * step / asked.steps)) + 0.02
            group["lr"] = group["pace"] * asked.rate * min(1, step / 30) * cosine
        images, targets = zip(*(draw(scenes, shares) for _ in range(BATCH)), strict=True)
        x = torch.from_numpy(np.stack(images)).to(device, memory_format=torch.channels_last)
        target = torch.from_numpy(np.stack(targets)).to(device)
        with torch.autocast(device, torch.bfloat16):
            answer = net(x)
        loss = loss_of(answer.float(), target)
        optimiser.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        total += float(loss.detach())
        with torch.no_grad():  # the weights written are a running mean
            keep = min(0.998, (1 + step) / (10 + step))
            for name, value in net.state_dict().items():
                smoothed[name].mul_(keep).add_(value, alpha=1 - keep)
        if step % 50 == 0:
            print(f"{step} {time.time() - started:.0f} s loss {total / 50:.4f}", flush=True)
            total = 0.0
        if step % 100 == 0 or step == asked.steps:
            final = Net()
            final.load_state_dict({name: value.cpu() for name, value in smoothed.items()})
            final.write(asked.out)


if __name__ == "__main__":
    main()
