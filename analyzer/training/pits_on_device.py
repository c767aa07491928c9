"""Go on training the pit network on a GPU, on packs (``analyzer.training.packs``) that may still be growing in number.

    python -m analyzer.training.pits_on_device PACKS[,PACKS] SECONDS OUT START.onnx

Writes OUT.pt and OUT.onnx. All pictures lie in the GPU's memory and all crops are made there, so that the processor is free to render.
Layers and loss are those of ``analyzer.training.pit_likelihood``. What ``packs.kept_back`` names, or a pack calls ``judged``, is not learned from and tells while
training goes on how the running mean does. From MISTAKES of the time on, a tenth of the crops lies where the
running mean took something else for a pit.
"""

import copy
import os
import sys
import time
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F

from analyzer.training import pit_likelihood as P
from analyzer.training.arena import Arena, cubic, grid
from analyzer.training.norms import Mean, folded, with_norms
from analyzer.training.packs import kept_back

folders, seconds, out, start = sys.argv[1].split(","), float(sys.argv[2]), Path(sys.argv[3]), Path(sys.argv[4])
DEV = torch.device("cuda" if torch.cuda.is_available() else "cpu")
BATCH = int(os.environ.get("BATCH", "64"))
SIDE = P.CROP
RATE = float(os.environ.get("RATE", "1e-3"))
GREY = float(os.environ.get("GREY", "0.08"))  # share of the crops without colour
PIXELS = int(float(os.environ.get("PIXELS", "2.2e9")))
MISTAKES = (0.5,)
rng = np.random.default_rng(int(os.environ.get("SEED", "7")))
torch.manual_seed(7)


def batch(arena, shares):
    which = np.searchsorted(shares, rng.random(BATCH) * shares[-1])
    m = np.zeros((BATCH, 2, 3))
    for i, k in enumerate(which):
        meta = arena.meta[k]
        u = rng.random()
        if len(meta["pits"]) and u < 0.5:
            c = meta["pits"][rng.integers(len(meta["pits"]))]
        elif len(meta["traps"]) and u < 0.62:
            c = meta["traps"][rng.integers(len(meta["traps"]))]
        elif len(meta.get("mistakes", ())) and u > 0.9:
            c = meta["mistakes"][rng.integers(len(meta["mistakes"]))]
        else:
            c = meta["points"][rng.integers(len(meta["points"]))]
        c = np.array(c, float) + rng.uniform(-90, 90, 2)
        flip = np.diag([1.0, rng.choice([-1.0, 1.0])])
        if rng.random() < 0.5:
            a = rng.integers(4) * np.pi / 2
            s = np.eye(2)
            c = np.round(c) + 0.5
        else:
            a = rng.uniform(-np.pi, np.pi)
            z, st = np.exp(rng.uniform(*meta.get("zoom", (-0.25, 0.22)))), np.exp(rng.uniform(-0.12, 0.12))
            s = np.diag([z * st, z / st])
        t = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) @ s @ flip
        m[i, :, :2] = t
        m[i, :, 2] = c - t @ np.full(2, (SIDE - 1) / 2)
    x, y = grid(m, SIDE, DEV)
    x, y = (
        torch.where((x - x.round()).abs() < 1e-3, x.round(), x),
        torch.where((y - y.round()).abs() < 1e-3, y.round(), y),
    )
    fx, fy = x.floor(), y.floor()
    wx, wy = cubic(x - fx), cubic(y - fy)
    ax, ay = (x - fx)[..., None], (y - fy)[..., None]
    image, target = 0, 0
    for j in range(4):
        for i in range(4):
            v, inside = arena.read(which, fx + (i - 1), fy + (j - 1))
            image = image + v[..., :3].float() * (wx[i] * wy[j])[..., None]
            if i in (1, 2) and j in (1, 2):
                w = (ax if i == 2 else 1 - ax) * (ay if j == 2 else 1 - ay)
                target = target + v[..., 3:7].float() * (w * inside[..., None])
    image = (image / 255).clamp(0, 1).permute(0, 3, 1, 2)
    target = target.permute(0, 3, 1, 2) / torch.tensor([255, 255, 255, 100.0], device=DEV)[:, None, None]
    return augment(image), target


def held(meta) -> bool:
    """Nothing learns from this picture; it tells how the running mean does."""
    return meta.get("judged", False) or kept_back(meta["name"])


def U(lo, hi, *shape):
    return torch.rand(shape, device=DEV) * (hi - lo) + lo


def augment(x):
    n = len(x)
    for _part in range(2):  # as from farther away
        k = torch.randperm(n, device=DEV)[: n // 7]
        side = int(SIDE * rng.uniform(0.45, 0.95))
        s = F.interpolate(x[k], (side, side), mode="bilinear", antialias=True)
        s = s + torch.randn_like(s) * U(0, 0.035, len(k), 1, 1, 1) * (torch.rand(len(k), 1, 1, 1, device=DEV) < 0.5)
        if rng.random() < 0.5:
            s = jpeg(s, rng.uniform(0.3, 2.2))
        x = x.index_copy(0, k, F.interpolate(s.clamp(0, 1), (SIDE, SIDE), mode="bicubic").clamp(0, 1))
    x = x * U(0.6, 1.45, n, 1, 1, 1) * U(0.82, 1.2, n, 3, 1, 1)
    x = x.clamp(1e-4, 1) ** U(0.75, 1.35, n, 1, 1, 1)
    r = torch.linspace(-1, 1, SIDE, device=DEV)
    light = U(-0.35, 0.35, n, 1, 1, 1) * r[None, None, None] + U(-0.35, 0.35, n, 1, 1, 1) * r[None, None, :, None]
    x = x * (1 + light * (torch.rand(n, 1, 1, 1, device=DEV) < 0.2))
    x = x + torch.randn_like(x) * U(0, 0.05, n, 1, 1, 1) * (torch.rand(n, 1, 1, 1, device=DEV) < 0.3)
    k = torch.randperm(n, device=DEV)[: n // 5]
    s = rng.uniform(0.4, 1.3)
    g = torch.exp(-0.5 * (torch.arange(-4, 5, device=DEV) / s) ** 2)
    g = g / g.sum()
    b = x[k].reshape(-1, 1, SIDE, SIDE)
    b = F.conv2d(F.pad(b, (4, 4, 4, 4), mode="reflect"), g[None, None, None])
    b = F.conv2d(b, g[None, None, :, None])
    x = x.index_copy(0, k, b.reshape(-1, 3, SIDE, SIDE))
    grey = torch.rand(n, 1, 1, 1, device=DEV) < GREY
    return torch.where(grey, x.mean(1, keepdim=True), x).clamp(0, 1)


QUANT = torch.tensor(
    [
        [16, 11, 10, 16, 24, 40, 51, 61],
        [12, 12, 14, 19, 26, 58, 60, 55],
        [14, 13, 16, 24, 40, 57, 69, 56],
        [14, 17, 22, 29, 51, 87, 80, 62],
        [18, 22, 37, 56, 68, 109, 103, 77],
        [24, 35, 55, 64, 81, 104, 113, 92],
        [49, 64, 78, 87, 103, 121, 120, 101],
        [72, 92, 95, 98, 112, 100, 103, 99],
    ],
    dtype=torch.float32,
    device=DEV,
)  # ITU-T T.81 annex K
_i = torch.arange(8, dtype=torch.float32, device=DEV)
DCT = torch.cos((2 * _i[None] + 1) * _i[:, None] * torch.pi / 16) * torch.where(_i == 0, 8**-0.5, 0.5)[:, None]


def jpeg(x, strength):
    """What rounding in blocks of 8 x 8 does to a picture (all planes by the table for lightness)."""
    n, c, h, w = x.shape
    H, W = h // 8 * 8, w // 8 * 8
    b = (x[..., :H, :W] * 255 - 128).reshape(n, c, H // 8, 8, W // 8, 8).permute(0, 1, 2, 4, 3, 5)
    q = (QUANT * 0.35 * strength).clamp(min=1)
    b = DCT.T @ ((DCT @ b @ DCT.T / q).round() * q) @ DCT
    y = x.clone()
    y[..., :H, :W] = (b.permute(0, 1, 2, 4, 3, 5).reshape(n, c, H, W) + 128) / 255
    return y


def laid_whole(arena, k):
    """Picture ``k`` as the network reads it, its sides made to divide by 16, and its planes (h, w, 8) as they are kept."""
    h, w = arena.shape[k]
    own = arena.data[arena.offset[k] : arena.offset[k] + h * w].reshape(h, w, -1)
    x = own[..., :3].permute(2, 0, 1)[None].float() / 255
    return F.pad(x, (0, -w % 16, 0, -h % 16), mode="replicate"), own


@torch.no_grad()
def answers(net, arena, k):
    """(mouth, core) likelihoods (h, w) and the kept planes of picture ``k``."""
    x, own = laid_whole(arena, k)
    h, w = own.shape[:2]
    with torch.autocast(DEV.type, torch.bfloat16):
        o = net(x.contiguous(memory_format=torch.channels_last))
    o = o.float().sigmoid()[0, :, :h, :w]
    return o[0], o[2], own


def summits(p, least, reach=4):
    """(n, 2) rows and columns of the places above ``least`` that nothing within ``reach`` pixels exceeds."""
    top = F.max_pool2d(p[None, None], 2 * reach + 1, 1, reach)[0, 0]
    return torch.nonzero((p >= top) & (p > least))


def find_mistakes(net, arena):
    """Where ``net`` sees a pit that is none: ``mistakes`` of every picture that is learned from."""
    began = time.time()
    for k in rng.permutation(len(arena.meta)):
        meta = arena.meta[k]
        if held(meta) or arena.shape[k][0] * arena.shape[k][1] > 4e6:
            continue
        if time.time() - began > 10:
            break
        mouth, _, own = answers(net, arena, k)
        near = F.max_pool2d(own[..., 3].float()[None, None], 15, 1, 7)[0, 0]
        at = summits(mouth, 0.35)
        at = at[(near[at[:, 0], at[:, 1]] < 60) & (own[at[:, 0], at[:, 1], 6] > 30)]
        meta["mistakes"] = at[torch.randperm(len(at), device=DEV)[:60]].flip(1).float().cpu().numpy()


def judge(net, arena) -> str:
    """Best F1 over thresholds of the core's summits on the pictures kept back: a summit within 0.7 mm of a pit's centre, one to one."""
    levels = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
    count = np.zeros((len(levels), 3))
    for k, meta in enumerate(arena.meta):
        if not held(meta) or arena.shape[k][0] * arena.shape[k][1] > 6e6:
            continue
        mouth, core, own = answers(net, arena, k)
        both = (mouth * core).sqrt()
        at = summits(both, levels[0])
        value = both[at[:, 0], at[:, 1]].cpu().numpy()
        plain = (own[at[:, 0], at[:, 1], 6] > 10).cpu().numpy()
        at = at.flip(1).cpu().numpy().astype(np.float32)
        true = np.asarray(meta["pits"], np.float32).reshape(-1, 2)
        for i, level in enumerate(levels):
            own_at, own_plain, v = at[value > level], plain[value > level], value[value > level]
            free = np.ones(len(true), bool)
            right = wrong = 0
            for j in np.argsort(-v):
                far = np.hypot(*(true - own_at[j]).T) + 1e3 * ~free if len(true) else np.array([9e9])
                if far.min() < 14:
                    free[far.argmin()] = False
                    right += 1
                else:
                    wrong += own_plain[j]
            count[i] += right, wrong, len(true)
    f1 = 2 * count[:, 0] / np.maximum(count[:, 0] + count[:, 1] + count[:, 2], 1)
    i = int(f1.argmax())
    right, wrong, true = count[i]
    return f"kept back: F1 {f1[i]:.4f} from {levels[i]} (P {right / max(right + wrong, 1):.3f} R {right / max(true, 1):.3f}, {true:.0f} pits)"


def compiled(net, example):
    """``net`` compiled where the device can; as it is where not."""
    if not os.environ.get("COMPILE"):
        return net
    try:
        quick = torch.compile(net)
        with torch.autocast(DEV.type, torch.bfloat16):
            quick(example).float().mean().backward()
        net.zero_grad(set_to_none=True)
        return quick
    except Exception as error:  # a device without a compiler trains all the same
        print("not compiled:", repr(error)[:300], flush=True)
        return net


def main():
    arena = Arena(folders, ".pit.npy", 8, PIXELS, DEV)
    while arena.look() < 0 or len(arena.meta) < int(os.environ.get("LEAST", "40")):
        time.sleep(2)

    def table():
        return np.cumsum([0.0 if held(m) else m["share"] * m.get("times", 1.0) for m in arena.meta])

    shares = table()
    print(len(arena.meta), "pictures to begin with", arena.used / 1e6, "Mpx", flush=True)
    net = P.Net()
    net.start_from(start)
    net = net.to(DEV, memory_format=torch.channels_last).eval()
    net = (
        with_norms(net, [batch(arena, shares)[0] for _ in range(8)], lambda n, b: n(b))
        .to(memory_format=torch.channels_last)
        .train()
    )
    mean = Mean(net)
    calm = copy.deepcopy(net).eval()

    def at_rest(work):
        """``work`` with the running mean; the device's best way is not sought anew for every picture's shape."""
        torch.backends.cudnn.benchmark = False
        calm.load_state_dict(mean.state)
        told = work(calm.eval(), arena)
        torch.backends.cudnn.benchmark = True
        return told

    t0 = last = look = time.time()
    quick = compiled(net, batch(arena, shares)[0].contiguous(memory_format=torch.channels_last))
    print(f"ready after {time.time() - t0:.0f}s", at_rest(judge), flush=True)
    opt = torch.optim.AdamW(net.parameters(), RATE, weight_decay=1e-3)
    torch.backends.cudnn.benchmark = True
    step, run, sought = 0, [], 0
    while (el := time.time() - t0) < seconds:
        for g in opt.param_groups:
            g["lr"] = RATE * min(1, (step + 1) / 200) * (0.5 * (1 + np.cos(np.pi * el / seconds)) + 0.004)
        with torch.no_grad():
            x, t = batch(arena, shares)
        with torch.autocast(DEV.type, torch.bfloat16):
            o = quick(x.contiguous(memory_format=torch.channels_last))
        loss = P.loss_of(o.float(), t)
        opt.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        opt.step()
        step += 1
        if step % 2 == 0:
            mean.step(net)
        if step % 20 == 0:
            run.append(loss.item())
        if time.time() - look > 10:
            if arena.look(150):
                shares = table()
            look = time.time()
        if sought < len(MISTAKES) and el > MISTAKES[sought] * seconds:
            at_rest(find_mistakes)
            sought += 1
            print("mistakes", sum(len(m.get("mistakes", ())) for m in arena.meta), f"{time.time() - t0 - el:.0f}s")
        if time.time() - last > 90:
            print(
                f"{step} {el:.0f}s loss {np.mean(run):.4f} pictures {len(arena.meta)} Mpx {arena.used / 1e6:.0f}",
                at_rest(judge),
                flush=True,
            )
            run = []
            last = time.time()
            if el > 0.3 * seconds:
                save(net, mean)
    save(net, mean)
    learned = [m for m in arena.meta if not held(m)]
    print(
        at_rest(judge), "done", step, len(learned), "pictures", sum(len(m["pits"]) for m in learned), "pits", flush=True
    )
    os._exit(0)


def save(net, mean):
    whole = copy.deepcopy(net)
    whole.load_state_dict(mean.state)
    part = out.with_name(out.name + "_part")
    folded(whole).write(part)
    for ending in (".pt", ".onnx"):
        os.replace(str(part) + ending, str(out) + ending)


if __name__ == "__main__":
    main()
