"""Train the bands' network on a GPU on pieces that ``analyzer.training.bands_laid_out`` laid out; samples are painted by processes.

python -m analyzer.training.bands_on_device CELLS SECONDS OUT
"""

import os
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F

from analyzer.training import bands as B

cells, seconds, out = Path(sys.argv[1]), float(sys.argv[2]), Path(sys.argv[3])
DEV = torch.device("cuda" if torch.cuda.is_available() else "cpu")
WORKERS = int(os.environ.get("WORKERS", "24"))
BATCH = 16


def loss_of(answer, target):
    seen, true = target[:, 3:], target[:, :3]
    entropy = F.binary_cross_entropy_with_logits(answer, true, reduction="none") * seen
    entropy = entropy.mean((0, 2, 3)) @ torch.tensor([1.0, 4.0, 0.5], device=answer.device)
    chance, true = torch.sigmoid(answer) * seen, true * seen
    both, either = (chance * true).sum((2, 3)), (chance + true).sum((2, 3))
    there = (true.sum((2, 3)) > 10).float()
    return entropy + 0.6 * ((1 - (2 * both + 5) / (either + 5)) * (0.3 + 0.7 * there)).mean()


class Samples(torch.utils.data.IterableDataset):
    def __init__(self, pieces):
        self.pieces = pieces

    def __iter__(self):
        i = torch.utils.data.get_worker_info()
        cv2.setNumThreads(1)
        torch.set_num_threads(1)
        painter = B.Painter(self.pieces, 100 + (i.id if i else 0))
        while True:
            yield painter.sample()


def main():
    pieces: list[B.Piece] = []
    for f in sorted(cells.glob("*.npz")):
        h = np.load(f)
        pieces.append(B.Piece(name=f.stem, **{k: h[k] for k in ("linear", "spread", "share", "seen")}))
    print(
        len(pieces),
        "pieces",
        sum(p.has_mark for p in pieces),
        "marks",
        sum(p.has_line for p in pieces),
        "lines",
        flush=True,
    )
    it = iter(
        torch.utils.data.DataLoader(
            Samples(pieces), batch_size=BATCH, num_workers=WORKERS, prefetch_factor=3 if WORKERS else None
        )
    )
    torch.manual_seed(1)
    net = B.BandNet().to(DEV)
    mean = {k: v.clone() for k, v in net.state_dict().items()}
    opt = torch.optim.AdamW(net.parameters(), 2e-3, weight_decay=1e-3)
    t0 = last = time.time()
    step = 0
    run = []
    while (el := time.time() - t0) < seconds:
        for g in opt.param_groups:
            g["lr"] = 2e-3 * min(1, (step + 1) / 100) * (0.5 * (1 + np.cos(np.pi * el / seconds)) + 0.004)
        x, t = (v.to(DEV) for v in next(it))
        with torch.autocast(DEV.type, torch.bfloat16):
            o = net(x)
        loss = loss_of(o.float(), t)
        opt.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        opt.step()
        step += 1
        with torch.no_grad():
            keep = min(0.995, (1 + step) / (10 + step))
            for k, v in net.state_dict().items():
                mean[k].lerp_(v, 1 - keep) if v.dtype.is_floating_point else mean[k].copy_(v)
        if step % 10 == 0:
            run.append(loss.item())
        if time.time() - last > 30:
            print(f"{step} {el:.0f}s {np.mean(run):.4f}", flush=True)
            run = []
            last = time.time()
    final = B.BandNet()
    final.load_state_dict({k: v.cpu() for k, v in mean.items()})
    final.eval()
    torch.save(final.state_dict(), str(out) + ".pt")
    B.export(final, Path(str(out) + ".onnx"))
    print("done", step, flush=True)
    os._exit(0)


if __name__ == "__main__":
    main()
