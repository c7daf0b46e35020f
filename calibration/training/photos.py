"""Prepared photos (`prepare.py`) on the device, and reading colours from many of them at once."""

import glob
import json
import os
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import torch

import cutting
from cutting import Views

MAX_SHAFTS = 28  # per photo
FAR_MM = 1e5  # where the table's empty rows lie
GPU_PIXELS = int(os.environ.get('GPU_PIXELS', '5600000000'))  # some 2000 photos; growing takes three times the room
CPU_PIXELS = 1 << 24
TOUCHING_MM = 25.0  # nocks so far apart have vanes that touch

# columns of the table of shafts
ENTRY, TAIL, AXIS = slice(0, 2), slice(2, 4), slice(4, 7)  # tail: where the nock is seen on the face plane
LENGTH, DIAMETER, FLETCHED, COUNTS, TAIL_SEEN, SEEN, COLUMNS = 7, 8, 9, 10, 11, 12, 13


def read(stem: str) -> tuple[dict, np.ndarray]:
    """What is known of a prepared photo, and its pixels, red first."""
    with open(stem + '.json') as file:
        return json.load(file), cv2.imread(stem + '.jpg')[..., ::-1]


class PhotoSet:
    """All pixels in one flat buffer; per photo its place there, camera, face and shafts."""

    def __init__(self, device: torch.device, room: int | None = None):
        self.device = device
        room = room or (GPU_PIXELS if device.type == 'cuda' else CPU_PIXELS)
        # four bytes per pixel: gathering whole words is faster
        self.pixels = torch.zeros(room, 4, dtype=torch.uint8, device=device)
        self.used = 0
        self.names: set[str] = set()
        self.meta: list[dict] = []
        self.shares: dict[str, float] = {}
        self.member: torch.Tensor | None = None

    def add(self, *folders: str, ready: str = '.json') -> int:
        """Reads what is new in folders; returns how many photos that was.

        FOLDER=SHARE: that share of what is drawn comes from there, however many photos it holds (1 where none is given).
        ready: ending of the file that must be there.
        """
        pairs = [(f.split('=')[0].rstrip('/'), float(f.split('=')[1]) if '=' in f else 1.0) for f in folders]
        self.shares.update(pairs)
        files = [f for folder, _ in pairs for f in sorted(glob.glob(folder + '/*.json')) if f not in self.names]
        stems = [f[:-5] for f in files if os.path.exists(f[:-5] + ready)]
        self.names.update(stem + '.json' for stem in stems)
        return self.add_all(stems)

    def add_all(self, stems: list[str]) -> int:
        """Reads photos by their names without ending; returns how many."""
        with ThreadPoolExecutor(8) as pool:
            for stem, (meta, image) in zip(stems, pool.map(read, stems), strict=True):
                n = image.shape[0] * image.shape[1]
                while self.used + n > len(self.pixels):
                    self.pixels = torch.cat([self.pixels, torch.zeros_like(self.pixels)])
                flat = torch.from_numpy(np.ascontiguousarray(image.reshape(-1, 3)))
                self.pixels[self.used : self.used + n, :3] = flat.to(self.device)
                meta.update(at=self.used, width=image.shape[1], height=image.shape[0], folder=os.path.dirname(stem))
                self.used += n
                self.meta.append(meta)
        if stems:
            self.make_tables()
        return len(stems)

    def numbers(self, values: object) -> torch.Tensor:
        return torch.tensor(np.array(values, np.float32), device=self.device)

    def make_tables(self) -> None:
        """One row per photo of everything but pixels."""
        metas, self.member = self.meta, None
        cameras = [m['camera'] for m in metas]
        self.views = Views(
            *(self.numbers([c[name] for c in cameras]) for name in ('rotation', 'translation', 'f', 'c', 'k')),
            torch.tensor([m['at'] for m in metas], device=self.device),
            torch.tensor([[m['width'], m['height']] for m in metas], device=self.device),
        )
        eye = -(self.views.rotation.transpose(1, 2) @ self.views.translation[..., None])[..., 0]
        # where the shafts' common lean is known: the foot point as if they stood upright
        for k, m in enumerate(metas):
            if 'eye' in m:
                eye[k] = self.numbers(m['eye'])
        self.eye = eye
        folders = [m['folder'] for m in metas]
        self.weight = self.numbers([self.shares.get(f, 1.0) / folders.count(f) for f in folders])
        centres, radii = [np.array(m['centres']) for m in metas], [m['radius'] for m in metas]
        # of the print: left, bottom, right, top
        self.box = self.numbers([[*(c.min(0) - r), *(c.max(0) + r)] for c, r in zip(centres, radii, strict=True)])
        self.make_shaft_table()

    def make_shaft_table(self) -> None:
        table = np.zeros((len(self.meta), MAX_SHAFTS, COLUMNS), np.float32)
        table[..., :4], table[..., 6], table[..., LENGTH], table[..., DIAMETER] = FAR_MM, 1, 500, 5
        for i, m in enumerate(self.meta):
            for j, s in enumerate(m['shafts'][:MAX_SHAFTS]):
                numbers = [s[k] for k in ('length', 'diameter', 'fletched', 'counts', 'tail_seen', 'seen')]
                table[i, j] = [*s['entry'], *s['tail'], *s['axis'], *numbers]
        self.shafts = torch.from_numpy(table).to(self.device)
        self.count = torch.tensor([len(m['shafts'][:MAX_SHAFTS]) for m in self.meta], device=self.device)
        # how near each shaft's nock is to another's: 1 at the same place, 0 far away
        tails = self.shafts[..., TAIL]
        apart = torch.cdist(tails, tails) + FAR_MM * torch.eye(MAX_SHAFTS, device=self.device)
        near = torch.exp(-apart.amin(2) / TOUCHING_MM)
        self.crowding = torch.where(tails[..., 0] < FAR_MM, near, torch.zeros_like(near))

    def among(self, folders: list[str]) -> torch.Tensor:
        """Whether each photo is in one of the folders [photos]; always the same folders of a set."""
        if self.member is None:
            names = {f.rstrip('/') for f in folders}
            self.member = torch.tensor([m['folder'] in names for m in self.meta], device=self.device)
        return self.member

    def pick(self, n: int) -> torch.Tensor:
        """Numbers of n photos, by the shares of their folders."""
        return torch.multinomial(self.weight, n, replacement=True)

    def __len__(self) -> int:
        return len(self.meta)

    def of(self, i: torch.Tensor) -> Views:
        """Views of photos i [B]."""
        return Views(*(table[i] for table in self.views))

    def colours_at(self, i: torch.Tensor, points: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """Colours at points of the face plane [B, n, 2] of photos i, and whether the photo reaches there."""
        views = self.of(i)
        return cutting.colours(self.pixels, views, cutting.project(views, points))
