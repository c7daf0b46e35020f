"""Figures of a map net on whole maps: recall, precision, tags, entry error."""

import numpy as np
import torch
import torch.nn.functional as F

import maps
from photos import PhotoSet

MATCH_MM = 10.0  # as the scoring of photos has it
THRESHOLD = 0.4  # of the score, for the figures
MIN_SCORE = 0.25
RADIUS = 2  # cells within which a peak is the largest score

GROUPS = [
    ('plain', lambda t: t['difficulty'] == 'plain' and not t['negative']),
    ('unkind', lambda t: t['difficulty'] not in ('plain', 'own') and not t['negative']),
    ('confirmed', lambda t: t['difficulty'] == 'own'),
]


def peaks(out: torch.Tensor, least: float = MIN_SCORE) -> torch.Tensor:
    """Net output [1, 7, h, w] -> rows of score, x, y (map px), log-odds of fletched."""
    heat = torch.sigmoid(out[0, 0])
    largest = F.max_pool2d(heat[None, None], 2 * RADIUS + 1, 1, RADIUS)[0, 0]
    y, x = ((heat == largest) & (heat > least)).nonzero(as_tuple=True)
    o = out[0, :, y, x]
    return torch.stack([heat[y, x], 2 * (x + o[1]) + 0.5, 2 * (y + o[2]) + 0.5, o[3]], 1)


def match(meta: dict, found: torch.Tensor, entries: np.ndarray) -> tuple[np.ndarray, int]:
    """Peaks of one photo with its shafts, best first: rows of score, 1 (a shaft), 0 (none) or -1 (a shaft that needn't be
    found), tag right, error in mm; and the number of shafts that count."""
    rows, used = [], set()
    order = found[:, 0].argsort(descending=True)
    for score, x, y, fletched in found[order].cpu().numpy():
        distances = [(np.hypot(x - e[0], y - e[1]), k) for k, e in enumerate(entries) if k not in used]
        distance, k = min(distances, default=(np.inf, -1))
        if distance > MATCH_MM:
            rows.append((score, 0, 0, 0.0))
            continue
        used.add(k)
        shaft = meta['shafts'][k]
        rows.append((score, 1 if shaft['counts'] else -1, (fletched > 0) == shaft['fletched'], distance))
    return np.array(rows, float).reshape(-1, 4), sum(s['counts'] for s in meta['shafts'])


@torch.no_grad()
def evaluate(net, photos: PhotoSet, errors: bool) -> dict[str, dict[str, float]]:
    """Figures by group of photos. errors: with those of a fitted camera, else true cameras."""
    net.eval()
    generator = torch.Generator().manual_seed(7) if errors else None
    matched = []
    for i, meta in enumerate(photos.meta):
        x, place = maps.whole_map(photos, i, generator)
        found = peaks(net(x).float())
        entries = place(photos.shafts[i, : len(meta['shafts']), :2]).cpu().numpy()
        matched.append(match(meta, found, entries))
    out = {}
    for name, member in GROUPS:
        own = [m for m, meta in zip(matched, photos.meta, strict=True) if member(meta)]
        if not own:
            continue
        rows = np.concatenate([r[r[:, 0] >= THRESHOLD] for r, _ in own])
        needed, right = sum(n for _, n in own), rows[rows[:, 1] == 1]
        false = (rows[:, 1] == 0).sum()
        median, p95 = np.percentile(right[:, 3], [50, 95]) if len(right) else (0.0, 0.0)
        out[name] = {
            'photos': len(own),
            'shafts': int(needed),
            'recall': len(right) / max(needed, 1),
            'precision': len(right) / max(len(right) + false, 1),
            'tags right': float(right[:, 2].mean()) if len(right) else 0.0,
            'entry error, mm': float(median),
            'entry error 95 %, mm': float(p95),
        }
    return out
