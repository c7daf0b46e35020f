"""Prepared photos (prepare.py) on the device, and reading colours from many of them at once."""

import glob
import json
import os
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import torch

MOST = 28  # shafts per photo
FAR = 1e5  # where the table's empty places lie, mm
ROOM = int(
    os.environ.get('ROOM', 5_600_000_000)
)  # px on a GPU: some 2000 photos; to grow takes three times the room for a moment
BESIDE = 25.0  # nocks so far apart have vanes that touch, mm


def read(stem):
    return json.load(open(stem + '.json')), cv2.imread(stem + '.jpg')[..., ::-1]


class Store:
    """All pixels in one flat buffer; per photo: place in it, camera, face, shafts."""

    def __init__(self, device, room=None):
        self.device = device
        room = room or (ROOM if device.type == 'cuda' else 1 << 24)
        self.pixels, self.used = torch.zeros(room, 4, dtype=torch.uint8, device=device), 0
        self.names, self.meta, self.shares, self.member = set(), [], {}, None

    def add(self, *folders, most=None, ready='.json'):
        """Reads what is new in folders; returns how many photos that was. FOLDER=SHARE: that share of what is drawn comes from there, however
        many photos it holds (1 where none is given). ready: ending of the file that must be there."""
        self.shares.update(
            (f.split('=')[0].rstrip('/'), float(f.split('=')[1])) if '=' in f else (f.rstrip('/'), 1.0)
            for f in folders
        )
        folders = [f.split('=')[0].rstrip('/') for f in folders]
        stems = [
            s
            for s in (
                j[:-5] for f in folders for j in sorted(glob.glob(f + '/*.json')) if j not in self.names
            )
            if os.path.exists(s + ready)
        ][:most]
        self.names.update(s + '.json' for s in stems)
        return self.add_all(stems)

    def add_all(self, stems):
        """Reads photos by their names without ending; returns how many."""
        with ThreadPoolExecutor(8) as ex:
            for stem, (t, im) in zip(stems, ex.map(read, stems), strict=False):
                n = im.shape[0] * im.shape[1]
                while self.used + n > len(self.pixels):
                    self.pixels = torch.cat([self.pixels, torch.zeros_like(self.pixels)])
                self.pixels[self.used : self.used + n, :3] = torch.from_numpy(
                    np.ascontiguousarray(im.reshape(-1, 3))
                ).to(self.device)
                t['at'], t['width'], t['height'], t['folder'] = self.used, im.shape[1], im.shape[0], None
                self.used += n
                t['folder'] = os.path.dirname(stem)
                self.meta.append(t)
        if stems:
            self.tables()
        return len(stems)

    def tables(self):
        M, dev = self.meta, self.device
        self.member = None

        def f(v):
            return torch.tensor(np.array(v, np.float32), device=dev)

        cam = [m['camera'] for m in M]
        self.at = torch.tensor([m['at'] for m in M], device=dev)
        self.size = torch.tensor([[m['width'], m['height']] for m in M], device=dev)
        self.R, self.t = f([c['rotation'] for c in cam]), f([c['translation'] for c in cam])
        self.f, self.c, self.k = f([c['f'] for c in cam]), f([c['c'] for c in cam]), f([c['k'] for c in cam])
        self.eye = -(self.R.transpose(1, 2) @ self.t[..., None])[..., 0]
        for k, m in enumerate(M):  # where the shafts' common lean is known: the foot as if they stood upright
            if 'eye' in m:
                self.eye[k] = f(m['eye'])
        in_folder = {d: sum(m['folder'] == d for m in M) for d in {m['folder'] for m in M}}
        self.weight = f([self.shares.get(m['folder'], 1.0) / in_folder[m['folder']] for m in M])
        cs, ro = [np.array(m['centres']) for m in M], [m['radius'] for m in M]
        self.box = f(
            [[*(c.min(0) - r), *(c.max(0) + r)] for c, r in zip(cs, ro, strict=False)]
        )  # of the print
        # shafts: 0-1 entry, 2-3 its nock seen on the face plane, 4-6 axis, 7 length, 8 diameter, 9 fletched, 10 counts, 11 tail seen, 12 seen
        S = np.zeros((len(M), MOST, 13), np.float32)
        S[..., :4] = FAR
        S[..., 6] = 1
        S[..., 7] = 500
        S[..., 8] = 5
        for i, m in enumerate(M):
            for j, s in enumerate(m['shafts'][:MOST]):
                S[i, j] = [
                    *s['entry'],
                    *s['tail'],
                    *s['axis'],
                    s['length'],
                    s['diameter'],
                    s['fletched'],
                    s['counts'],
                    s['tail_seen'],
                    s['seen'],
                ]
        self.shafts = torch.from_numpy(S).to(dev)
        self.count = torch.tensor([len(m['shafts'][:MOST]) for m in M], device=dev)
        # how much a shaft's nock is beside those of others: 1 at the same place, 0 far away
        T = self.shafts[..., 2:4]
        apart = torch.cdist(T, T) + FAR * torch.eye(MOST, device=dev)
        self.beside = torch.where(
            T[..., 0] < FAR, torch.exp(-apart.amin(2) / BESIDE), torch.zeros_like(T[..., 0])
        )

    def among(self, folders):
        """whether each photo is in one of the folders [photos]; always the same folders of a store"""
        if self.member is None:
            folders = {f.rstrip('/') for f in folders}
            self.member = torch.tensor([m['folder'] in folders for m in self.meta], device=self.device)
        return self.member

    def pick(self, n, among=None):
        """numbers of n photos, by the shares of their folders"""
        return torch.multinomial(self.weight[:among], n, replacement=True)

    def __len__(self):
        return len(self.meta)

    def project(self, i, X):
        """photo numbers [B], points of the face plane [B, n, 2] -> pixels [B, n, 2], NaN where the lens model ends"""
        q = X @ self.R[i][:, :, :2].transpose(1, 2) + self.t[i][:, None]
        z = q[..., 2:]
        u = q[..., :2] / z.clamp(min=1.0)
        r2 = (u * u).sum(-1, keepdim=True)
        k1, k2 = self.k[i][:, None, :1], self.k[i][:, None, 1:]
        p = u * (1 + k1 * r2 + k2 * r2 * r2) * self.f[i][:, None] + self.c[i][:, None]
        return torch.where(
            (z > 1.0) & (1 + 3 * k1 * r2 + 5 * k2 * r2 * r2 > 0.05), p, torch.full_like(p, float('nan'))
        )

    def colour(self, i, p):
        """pixels [B, n, 2] -> colours 0-1 [B, n, 3], and whether the picture reaches there [B, n]"""
        size = self.size[i][:, None]
        last = (size - 1).float()
        ok = ((p >= 0) & (p < last)).all(-1)
        p = torch.where(ok[..., None], p, torch.zeros_like(p))
        j = p.floor()
        a = p - j
        j = j.long()
        w = size[..., 0]
        base = self.at[i][:, None] + j[..., 1] * w + j[..., 0]

        def read(n):
            return self.pixels[n][..., :3].float()

        ax, ay = a[..., :1], a[..., 1:]
        top = torch.lerp(read(base), read(base + 1), ax)
        low = torch.lerp(read(base + w), read(base + w + 1), ax)
        return torch.lerp(top, low, ay) / 255, ok
