"""Go on training the specimen network on a GPU, on packs (``analyzer.training.packs``) that may still be growing in number.

    python -m analyzer.training.specimen_on_device PACKS[,PACKS] SECONDS OUT START.onnx

Writes OUT.pt and OUT.onnx with the outputs ``classes`` and ``view`` as ever and two more: ``metal`` and ``framing`` (in the order of
``models/specimen.toml``). It looks at whole photos, at windows round the piece, at windows within it and at windows without any metal.
"""

import copy
import os
import sys
import time
from pathlib import Path

import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

from analyzer.training import specimen as S
from analyzer.training.arena import Arena, grid
from analyzer.training.norms import Mean, folded, with_norms
from analyzer.training.packs import METALS, VIEWS, kept_back

folders, seconds, out, start = sys.argv[1].split(","), float(sys.argv[2]), Path(sys.argv[3]), Path(sys.argv[4])
DEV = torch.device("cuda" if torch.cuda.is_available() else "cpu")
BATCH = int(os.environ.get("BATCH", "96"))
SIDE = S.SIDE
RATE = float(os.environ.get("RATE", "2e-3"))
PIXELS = int(float(os.environ.get("PIXELS", "1.6e9")))
FRAMINGS = ("apart", "cut_off", "fills", "none")
NONE = len(METALS) - 1
rng = np.random.default_rng(11)
torch.manual_seed(11)


def _block(i, o):
    return nn.Sequential(nn.Conv2d(i, o, 3, padding=1), nn.ReLU(True), nn.Conv2d(o, o, 3, padding=1), nn.ReLU(True))


class Net(nn.Module):
    """The layers of analyzer.training.specimen.SpecimenNet, norms folded, and two more linear answers."""

    def __init__(self, widths=(16, 32, 48, 64, 96)):
        super().__init__()
        self.down = nn.ModuleList(_block(i, o) for i, o in zip((12, *widths[:-1]), widths))
        self.up = nn.ModuleList(_block(widths[k] + widths[k - 1], widths[k - 1]) for k in range(len(widths) - 1, 0, -1))
        self.head = nn.Conv2d(widths[0], 4 * len(S.CLASSES), 1)
        self.view, self.metal, self.framing = (
            nn.Linear(widths[-1], n) for n in (len(VIEWS), len(METALS), len(FRAMINGS))
        )

    def forward(self, x):
        kept = []
        for k, block in enumerate(self.down):
            x = block(x)
            if k < len(self.down) - 1:
                kept.append(x)
                x = F.max_pool2d(x, 2)
        p = x.mean((2, 3))
        answers = self.view(p), self.metal(p), self.framing(p)
        for block, skip in zip(self.up, kept[::-1]):
            x = block(torch.cat([F.interpolate(x, scale_factor=2, mode="bilinear", align_corners=False), skip], 1))
        return (self.head(x), *answers)

    def start_from(self, path):
        import onnx
        from onnx import numpy_helper

        m = onnx.load(str(path))
        st = {i.name: torch.from_numpy(numpy_helper.to_array(i).copy()) for i in m.graph.initializer}
        convs = [n.input for n in m.graph.node if n.op_type == "Conv"]
        own = [c for b in (*self.down, *self.up) for c in b if isinstance(c, nn.Conv2d)] + [self.head]
        with torch.no_grad():
            for layer, (_, w, b) in zip(own, convs, strict=True):
                layer.weight.copy_(st[w])
                layer.bias.copy_(st[b])
            self.head.bias += torch.log(torch.tensor(S.CLASS_WEIGHTS)).repeat_interleave(4)
            whole = [n.input for n in m.graph.node if n.op_type == "Gemm"]  # files before 5-g.1 tell the view alone
            for layer, (_, w, b) in zip((self.view, self.metal, self.framing), whole, strict=False):
                layer.weight.copy_(st[w])
                layer.bias.copy_(st[b])


class Levels:
    """Pictures at full, half and quarter size in one arena each (classes at full size only)."""

    def __init__(self):
        self.a = Arena(folders, ".spec.npy", 4, PIXELS, DEV)
        self.small = []  # (level 1, level 2) offsets and shapes
        self.more = torch.zeros((int(PIXELS * 0.4), 3), dtype=torch.uint8, device=DEV)
        self.used = 0

    def look(self, most=10**9):
        new = self.a.look(most)
        for k in range(len(self.small), len(self.a.meta)):
            h, w = self.a.shape[k]
            o = self.a.offset[k]
            x = self.a.data[o : o + h * w, :3].reshape(h, w, 3).permute(2, 0, 1)[None].float()
            rec = []
            for _ in range(2):
                hh, ww = x.shape[2] // 2 * 2, x.shape[3] // 2 * 2
                x = F.avg_pool2d(x[:, :, :hh, :ww], 2)
                n = x.shape[2] * x.shape[3]
                self.more[self.used : self.used + n] = (x[0].permute(1, 2, 0).reshape(n, 3) + 0.5).to(torch.uint8)
                rec.append((self.used, x.shape[2], x.shape[3]))
                self.used += n
            self.small.append(rec)
        return new

    def rgb(self, which, level, x, y):
        """Bilinear colours at full-size positions; level (B,) 0, 1, 2."""
        off, H, W = [], [], []
        for k, l in zip(which, level):
            o, h, w = (self.a.offset[k], *self.a.shape[k]) if l == 0 else self.small[k][l - 1]
            off.append(o)
            H.append(h)
            W.append(w)
        f = torch.tensor(2.0 ** np.asarray(level), dtype=torch.float32, device=DEV)[:, None, None]
        x, y = (x + 0.5) / f - 0.5, (y + 0.5) / f - 0.5
        off, H, W = (torch.tensor(v, device=DEV)[:, None, None] for v in (off, H, W))
        lv0 = torch.tensor(np.asarray(level) == 0, device=DEV)[:, None, None]
        fx, fy = x.floor(), y.floor()
        ax, ay = (x - fx)[..., None], (y - fy)[..., None]
        total = 0
        for j in (0, 1):
            for i in (0, 1):
                q, r = (
                    torch.minimum((fx + i).clamp(min=0), W - 1).long(),
                    torch.minimum((fy + j).clamp(min=0), H - 1).long(),
                )
                at = off + r * W + q
                v = torch.where(
                    lv0[..., None], self.a.data[torch.where(lv0, at, 0)][..., :3], self.more[torch.where(lv0, 0, at)]
                )
                total = total + v.float() * ((ax if i else 1 - ax) * (ay if j else 1 - ay))
        return total / 255


def batch(lv, weights):
    a = lv.a
    which = np.searchsorted(weights, rng.random(BATCH) * weights[-1])
    m, level = np.zeros((BATCH, 2, 3)), []
    for i, k in enumerate(which):
        meta = a.meta[k]
        h, w = a.shape[k]
        u = rng.random()
        box = meta["box"]
        full = max(h, w)
        c = np.array([w / 2, h / 2])
        if meta.get("whole"):  # pictures without a box: metal everywhere, or none
            span = full * rng.uniform(0.5, 1.1)
            c = c + rng.uniform(-0.2, 0.2, 2) * full
        elif u < 0.09 and len(meta["empty"]):  # no metal in the window
            x, y, r = meta["empty"][rng.integers(len(meta["empty"]))]
            span = r * rng.uniform(0.9, 1.35)
            c = np.array([x, y])
        elif u < 0.25 and len(meta["on_metal"]):  # within the piece
            x, y = meta["on_metal"][rng.integers(len(meta["on_metal"]))]
            p = min(box[2] - box[0], box[3] - box[1]) + 1
            span = max(60, p * rng.uniform(0.35, 1.1))
            c = np.array([x, y]) + rng.uniform(-0.2, 0.2, 2) * span
        elif u < 0.62 or box is None:  # the whole photo
            span = full * rng.uniform(0.75, 1.2) if rng.random() < 0.6 else full
            c = c + rng.uniform(-0.1, 0.1, 2) * span * (rng.random() < 0.6)
        else:
            p = max(box[2] - box[0], box[3] - box[1]) + 1.0
            span = p * rng.uniform(1.05, 1.5)
            c = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2]) + rng.uniform(-0.15, 0.15, 2) * (
                span - 0.8 * p
            )
        t = rng.integers(4) * np.pi / 2 + (np.radians(rng.uniform(-45, 45)) if rng.random() < 0.5 else 0)
        s = span / SIDE * np.diag([1.0, rng.uniform(0.9, 1.1)]) @ np.diag([1.0, rng.choice([-1.0, 1.0])])
        t = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]]) @ s
        m[i, :, :2] = t
        m[i, :, 2] = c - t @ np.full(2, (SIDE - 1) / 2)
        level.append(0 if span / SIDE < 1.4 else 1 if span / SIDE < 2.8 else 2)
    x, y = grid(m, SIDE, DEV)
    rgb = lv.rgb(which, level, x, y)
    lab, inside = a.read(which, x.round(), y.round())
    label = torch.where(inside, lab[..., 3].long(), 0)
    rgb = (rgb * inside[..., None]).clamp(0, 1).permute(0, 3, 1, 2)
    view = torch.tensor([a.meta[k]["view"] for k in which], device=DEV)
    metal = torch.tensor([a.meta[k]["metal"] for k in which], device=DEV)
    pipe = (label > 0) & (label != 4)
    n = inside.float().sum((1, 2)).clamp(min=1)
    share = pipe.float().sum((1, 2)) / n
    ins = inside.float()[:, None]
    edge = inside & ~(-F.max_pool2d(F.pad(-ins, (2, 2, 2, 2), value=0.0), 5, 1) > 0.5)[:, 0]
    cut = (pipe & edge).float().sum((1, 2)) / edge.float().sum((1, 2)).clamp(min=1)
    framing = torch.where(share >= 0.85, 2, torch.where(share < 0.0008, 3, torch.where(cut > 0.01, 1, 0)))
    gone = share < 0.0008
    unsure = (share >= 0.0008) & (share < 0.004)
    metal = torch.where(gone, NONE, torch.where(unsure, -1, metal))
    view = torch.where(gone | unsure, -1, view)
    framing = torch.where(unsure, -1, framing)
    rgb, label, metal = augment(rgb, label, metal)
    return rgb, label, view, metal, framing, inside


def U(lo, hi, *shape):
    return torch.rand(shape, device=DEV) * (hi - lo) + lo


def chance(p, n):
    return (torch.rand(n, 1, 1, 1, device=DEV) < p).float()


def noise(n, grain, c=1):
    s = max(2, int(SIDE / grain)) + 2
    f = F.interpolate(torch.randn(n, c, s, s, device=DEV), (SIDE, SIDE), mode="bicubic", align_corners=False)
    return f / (f.std((1, 2, 3), keepdim=True) + 1e-6)


def blur(x, s):
    r = int(np.ceil(3 * s))
    g = torch.exp(-0.5 * (torch.arange(-r, r + 1, device=DEV) / s) ** 2)
    g = g / g.sum()
    c = x.shape[1]
    x = F.conv2d(F.pad(x, (r, r, r, r), mode="reflect"), g.expand(c, 1, 1, -1), groups=c)
    return F.conv2d(x, g.expand(c, 1, 1, -1).transpose(2, 3), groups=c)


def tables(n):
    base = U(0.05, 0.95, n, 3, 1, 1)
    dull = chance(0.5, n)
    base = base * (1 - dull) + dull * (base.mean(1, keepdim=True) + 0.25 * (base - base.mean(1, keepdim=True)))
    cop = chance(0.2, n)
    base = base * (1 - cop) + cop * torch.tensor([0.72, 0.45, 0.3], device=DEV)[:, None, None] * U(0.5, 1.3, n, 1, 1, 1)
    t = base.expand(n, 3, SIDE, SIDE)
    for g in (2, 5, 14):
        t = t * (1 + U(0, 0.22, n, 1, 1, 1) * chance(0.5, n) * noise(n, g))
    yy, xx = torch.meshgrid(
        torch.arange(SIDE, device=DEV).float(), torch.arange(SIDE, device=DEV).float(), indexing="ij"
    )
    a = U(0, 3.1416, n, 1, 1, 1)
    across = xx * a.cos() + yy * a.sin() + 9 * noise(n, 90)
    t = t * (
        1
        + chance(0.3, n)
        * U(0.02, 0.12, n, 1, 1, 1)
        * (torch.sin(across / U(2, 9, n, 1, 1, 1)) + torch.sin(across / U(5, 25, n, 1, 1, 1)))
    )
    p = U(3, 10, n, 1, 1, 1)
    t = t * (1 + chance(0.2, n) * U(0.02, 0.15, n, 1, 1, 1) * torch.sin(6.283 * xx / p) * torch.sin(6.283 * yy / p))
    s = (noise(n, rng.uniform(8, 60)) * 0.5).clamp(0, 1) * chance(0.25, n)
    return t * (1 - s) + s * U(0.05, 0.95, n, 3, 1, 1)


def augment(x, label, metal):
    n = len(x)
    lin = x**2.2
    k = torch.randperm(n, device=DEV)[: n // 4]  # another table, under the same light and shadow
    tab = (label[k] == 0).float()[:, None]
    soft = blur(tab, 0.6)
    grey = lin[k].mean(1, keepdim=True)
    light = blur(grey * tab, 6) / (blur(tab, 6) + 1e-3)
    level = (light * tab).sum((1, 2, 3), keepdim=True) / tab.sum((1, 2, 3), keepdim=True).clamp(min=1)
    light = (light / level.clamp(min=1e-3)).clamp(0, 3) ** U(0.5, 1.2, len(k), 1, 1, 1)
    fine = (grey / (blur(grey, 3) + 1e-3)).clamp(0, 4)
    made = tables(len(k)).clamp(min=0) ** 1.5 * light * fine ** U(0, 1, len(k), 1, 1, 1)
    lin = lin.index_copy(0, k, lin[k] * (1 - soft) + made * soft)
    k = torch.randperm(n, device=DEV)[: n // 8]  # a strip of tape across the piece
    yy, xx = torch.meshgrid(
        torch.arange(SIDE, device=DEV).float(), torch.arange(SIDE, device=DEV).float(), indexing="ij"
    )
    met = label[k] == 1
    w = met.float() + 1e-6
    at = torch.multinomial(w.flatten(1), 1)[:, 0]
    cy, cx = (at // SIDE).float()[:, None, None], (at % SIDE).float()[:, None, None]
    a = U(0, 3.1416, len(k), 1, 1)
    d = ((xx - cx) * a.cos() + (yy - cy) * a.sin()).abs()
    strip = (d < U(3, 16, len(k), 1, 1)) & (label[k] >= 1) & (label[k] <= 3)
    shade = blur(lin[k].mean(1, keepdim=True), 5)
    tone = U(0.02, 0.8, len(k), 1, 1, 1) * (1 + 0.2 * torch.randn(len(k), 3, 1, 1, device=DEV)).clamp(0.3, 1.6)
    cover = (
        shade
        / shade.mean((1, 2, 3), keepdim=True).clamp(min=1e-3)
        * (1 + 0.03 * torch.randn(len(k), 1, SIDE, SIDE, device=DEV))
        * tone
    )
    soft = blur(strip.float()[:, None], 0.6)
    lin = lin.index_copy(0, k, lin[k] * (1 - soft) + cover * soft)
    label = label.index_copy(0, k, torch.where(strip & met, 5, label[k]))
    mk = blur((label == 4).float()[:, None], 0.6) * chance(0.4, n)
    lin = lin * (1 + mk * (U(0.4, 1.5, n, 3, 1, 1) - 1))
    odd = torch.rand(n, device=DEV) < 0.15  # another colour of metal: its kind is then not asked
    pipe = blur(((label >= 1) & (label <= 3)).float()[:, None], 0.6) * odd.float()[:, None, None, None]
    grey = lin.mean(1, keepdim=True)
    lin = lin * (1 - pipe) + pipe * (grey + U(0.2, 1.4, n, 1, 1, 1) * (lin - grey)).clamp(min=0) * U(
        0.6, 1.5, n, 1, 1, 1
    )
    metal = torch.where(odd & (metal != NONE), -1, metal)
    lin = lin * torch.exp(U(0.1, 0.5, n, 1, 1, 1) * noise(n, rng.uniform(100, 380)) * chance(0.5, n))
    a = U(0, 6.2832, n, 1, 1, 1)
    e = a.cos() * (xx / SIDE - 0.5) + a.sin() * (yy / SIDE - 0.5) - U(-0.4, 0.4, n, 1, 1, 1)
    lin = lin * (1 - chance(0.2, n) * U(0.2, 0.7, n, 1, 1, 1) * torch.sigmoid(-e / U(0.005, 0.1, n, 1, 1, 1)))
    lin = lin * U(0.5, 1.7, n, 1, 1, 1) * U(0.87, 1.15, n, 3, 1, 1)
    x = lin.clamp(1e-5, 1) ** (1 / 2.2)
    x = x ** U(0.8, 1.25, n, 1, 1, 1)
    g = torch.rand(n, device=DEV) < 0.04
    x = torch.where(g[:, None, None, None], x.mean(1, keepdim=True), x)
    metal = torch.where(g & (metal != NONE), -1, metal)
    k = torch.randperm(n, device=DEV)[: n // 4]
    x = x.index_copy(0, k, blur(x[k], rng.uniform(0.3, 1.4)))
    x = x + torch.randn_like(x) * U(0, 0.04, n, 1, 1, 1) * chance(0.5, n)
    return x.clamp(0, 1), label, metal


def blocks(x):
    return F.pixel_unshuffle((x - 0.45) / 0.25, 2)


def main():
    lv = Levels()
    while lv.look() < 0 or len(lv.a.meta) < int(os.environ.get("LEAST", "40")):
        time.sleep(2)

    def table():
        often = [m.get("times", 1.6 if m["view"] == 3 else 1.0) for m in lv.a.meta]
        return np.cumsum([0.0 if kept_back(m["name"]) else o for m, o in zip(lv.a.meta, often, strict=True)])

    weights = table()
    print(len(lv.a.meta), "pictures to begin with", flush=True)
    net = Net()
    net.start_from(start)
    net = net.to(DEV, memory_format=torch.channels_last).eval()
    net = (
        with_norms(net, [blocks(batch(lv, weights)[0]) for _ in range(4)], lambda n, b: n(b))
        .to(memory_format=torch.channels_last)
        .train()
    )
    mean = Mean(net)
    cw = torch.tensor(S.CLASS_WEIGHTS, device=DEV)
    opt = torch.optim.AdamW(net.parameters(), RATE, weight_decay=1e-3)
    torch.backends.cudnn.benchmark = True
    t0 = last = look = time.time()
    step, run = 0, []
    while (el := time.time() - t0) < seconds:
        for g in opt.param_groups:
            g["lr"] = RATE * min(1, (step + 1) / 100) * (0.5 * (1 + np.cos(np.pi * el / seconds)) + 0.004)
        with torch.no_grad():
            x, y, view, metal, framing, inside = batch(lv, weights)
        with torch.autocast(DEV.type, torch.bfloat16):
            b, v, mt, fr = net(blocks(x).contiguous(memory_format=torch.channels_last))
        logits = F.pixel_shuffle(b.float(), 2)
        loss = F.cross_entropy(logits, y, weight=cw)
        p = logits.softmax(1)[:, 1]
        t = (y == 1).float()
        loss = loss + 0.3 * (1 - (2 * (p * t).sum() + 1) / (p.sum() + t.sum() + 1))
        for o, l, k in ((v, view, 0.1), (mt, metal, 0.1), (fr, framing, 0.07)):
            loss = loss + k * F.cross_entropy(o.float(), l, ignore_index=-1) if (l >= 0).any() else loss
        opt.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        opt.step()
        step += 1
        if step % 2 == 0:
            mean.step(net)
        if step % 20 == 0:
            acc = [float((o.argmax(1) == l)[l >= 0].float().mean()) for o, l in ((v, view), (mt, metal), (fr, framing))]
            run.append((loss.item(), *acc))
        if time.time() - look > 15:
            if lv.look(60):
                weights = table()
            look = time.time()
        if time.time() - last > 60:
            print(
                f"{step} {el:.0f}s loss, view, metal, framing {np.nanmean(run, 0).round(4)} pictures {len(lv.a.meta)} Mpx {lv.a.used / 1e6:.0f}",
                flush=True,
            )
            run = []
            last = time.time()
            if el > 0.25 * seconds:
                save(net, mean)
    save(net, mean)
    print("done", step, len(lv.a.meta), "pictures", flush=True)
    os._exit(0)


def save(net, mean):
    m = copy.deepcopy(net)
    m.load_state_dict(mean.state)
    f = folded(m)
    torch.save(f.state_dict(), str(out) + ".pt")
    with torch.no_grad():
        f.head.bias -= torch.log(torch.tensor(S.CLASS_WEIGHTS)).repeat_interleave(4)
    torch.onnx.export(
        f,
        (torch.zeros(1, 12, SIDE // 2, SIDE // 2),),
        str(out) + ".part.onnx",
        input_names=["blocks"],
        output_names=["classes", "view", "metal", "framing"],
        opset_version=17,
        dynamo=False,
    )
    os.replace(str(out) + ".part.onnx", str(out) + ".onnx")


if __name__ == "__main__":
    main()
