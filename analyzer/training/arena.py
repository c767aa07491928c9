"""All packs in the device's memory as one long array of pixels, and crops of any placing read from it at once."""

import glob
import json
import os

import numpy as np
import torch


class Arena:
    """``suffix`` .pit.npy or .spec.npy; grows as packs appear in ``folders``. Pixels are rows of ``self.data``."""

    def __init__(self, folders, suffix, channels, pixels, device):
        self.folders, self.suffix, self.device = folders, suffix, device
        self.data = torch.zeros((pixels, channels), dtype=torch.uint8, device=device)
        self.used, self.meta, self.known = 0, [], set()
        self.offset, self.shape = [], []

    def look(self, most=10**9):
        """Take in what is new; returns how many pictures."""
        new = 0
        for folder in self.folders:
            for path in sorted(glob.glob(f"{folder}/*.json")):
                if path in self.known or new >= most:
                    continue
                self.known.add(path)
                file = path[:-5] + self.suffix
                if not os.path.exists(file):
                    continue
                with open(path, encoding="utf-8") as file_of_meta:
                    meta = json.load(file_of_meta)
                a = np.load(file)
                n = a.shape[0] * a.shape[1]
                if self.used + n > len(self.data):
                    print("arena full", flush=True)
                    return new
                self.data[self.used : self.used + n].copy_(torch.from_numpy(a.reshape(n, -1)))
                self.offset.append(self.used)
                self.shape.append(a.shape[:2])
                self.used += n
                for key in ("pits", "traps", "points", "empty", "on_metal"):
                    if meta.get(key) is not None:
                        meta[key] = np.array(meta[key], np.float32).reshape(-1, 3 if key == "empty" else 2)
                self.meta.append(meta)
                new += 1
        return new

    def read(self, which, x, y):
        """Pixels at whole x, y (B, H, W) of pictures ``which`` (B,): uint8 (B, H, W, channels), the border repeated, and bool inside."""
        off = torch.tensor([self.offset[k] for k in which], device=self.device)[:, None, None]
        h = torch.tensor([self.shape[k][0] for k in which], device=self.device)[:, None, None]
        w = torch.tensor([self.shape[k][1] for k in which], device=self.device)[:, None, None]
        inside = (x >= 0) & (y >= 0) & (x < w) & (y < h)
        x, y = torch.minimum(x.clamp(min=0), w - 1), torch.minimum(y.clamp(min=0), h - 1)
        return self.data[off + y.long() * w + x.long()], inside


def grid(matrices, side, device):
    """Positions (B, side, side) x and y of the pixels of crops: ``matrices`` (B, 2, 3) from crop to picture."""
    m = torch.as_tensor(matrices, dtype=torch.float32, device=device)
    u = torch.arange(side, device=device, dtype=torch.float32)
    x = m[:, 0, 0, None, None] * u[None, None] + m[:, 0, 1, None, None] * u[None, :, None] + m[:, 0, 2, None, None]
    y = m[:, 1, 0, None, None] * u[None, None] + m[:, 1, 1, None, None] * u[None, :, None] + m[:, 1, 2, None, None]
    return x, y


def cubic(t):
    """Weights of the four neighbours (Keys 1981, a = -0.5; Catmull and Rom's)."""
    t2, t3 = t * t, t * t * t
    return (-0.5 * t + t2 - 0.5 * t3, 1 - 2.5 * t2 + 1.5 * t3, 0.5 * t + 2 * t2 - 1.5 * t3, -0.5 * t2 + 0.5 * t3)
