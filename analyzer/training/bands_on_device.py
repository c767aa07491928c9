"""Train the bands' network on a GPU on pieces that ``analyzer.training.bands_laid_out`` laid out; samples are painted by processes.

    python -m analyzer.training.bands_on_device CELLS SECONDS OUT [START.onnx]

With START it goes on from those weights, batch norms put back in by what 20 batches measure.
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
start = Path(sys.argv[4]) if len(sys.argv) > 4 else None
RATE = float(os.environ.get("RATE", "2e-3"))


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


@torch.no_grad()
def begun_from(path: Path, batches: list[torch.Tensor]) -> B.BandNet:
    """A network that answers as ``path`` does on ``batches`` (n, 11, rows, columns), with its batch norms in place."""
    import onnx
    from onnx import numpy_helper

    model = onnx.load(str(path))
    stored = {i.name: torch.from_numpy(numpy_helper.to_array(i).copy()) for i in model.graph.initializer}
    asked = [node.input for node in model.graph.node if node.op_type == "Conv"]
    net = B.BandNet()
    own = [m for m in net.modules() if isinstance(m, torch.nn.Conv2d)]
    shift, seen, hooks = {}, {}, []
    for layer, (_, weight, bias) in zip(own, asked, strict=True):
        layer.weight.copy_(stored[weight])
        if layer.bias is not None:
            layer.bias.copy_(stored[bias])
        else:
            shift[layer] = stored[bias].to(DEV)
    net = net.to(DEV).eval()
    after = {}
    for module in net.modules():  # each norm stands right behind its convolution
        if isinstance(module, torch.nn.Sequential):
            for first, second in zip(module, list(module)[1:], strict=False):
                if isinstance(second, torch.nn.BatchNorm2d):
                    after[second] = first
    for norm, conv in after.items():  # while measuring, a norm adds what was folded and nothing else
        norm.running_mean.zero_()
        norm.running_var.fill_(1 - norm.eps)
        norm.weight.fill_(1)
        norm.bias.copy_(shift[conv])

        def hook(module, _, answer, conv=conv):
            out = answer.float()
            total = seen.setdefault(conv, [0.0, 0.0, 0])
            total[0], total[1], total[2] = (
                total[0] + out.sum((0, 2, 3)),
                total[1] + (out**2).sum((0, 2, 3)),
                total[2] + out.numel() / out.shape[1],
            )

        hooks.append(conv.register_forward_hook(hook))
    for batch in batches:
        net(batch.to(DEV))
    for hook in hooks:
        hook.remove()
    for norm, conv in after.items():
        total, square, n = seen[conv]
        mean = total / n
        variance = (square / n - mean**2).clamp(min=0)
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(variance)
        norm.weight.copy_((variance + norm.eps).sqrt())
        norm.bias.copy_(shift[conv] + mean)
    return net


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
    net = begun_from(start, [next(it)[0] for _ in range(20)]).train() if start else B.BandNet().to(DEV)
    mean = {k: v.clone() for k, v in net.state_dict().items()}
    opt = torch.optim.AdamW(net.parameters(), RATE, weight_decay=1e-3)
    t0 = last = time.time()
    step = 0
    run = []
    while (el := time.time() - t0) < seconds:
        for g in opt.param_groups:
            g["lr"] = RATE * min(1, (step + 1) / 100) * (0.5 * (1 + np.cos(np.pi * el / seconds)) + 0.004)
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
