"""Figures of a map net on whole maps: recall, precision, tags, entry error."""

import numpy as np
import torch
import torch.nn.functional as F

import maps

NEAR = 10.0  # mm, as the scoring of photos has it
GROUPS = [
    ('plain', lambda t: t['difficulty'] == 'plain' and not t['negative']),
    ('unkind', lambda t: t['difficulty'] != 'plain' and not t['negative']),
    ('maker C', lambda t: t['maker'] == 'C' and not t['negative']),
    ('maker C plain', lambda t: t['maker'] == 'C' and t['difficulty'] == 'plain' and not t['negative']),
    ('no arrows', lambda t: t['negative'] == 'no arrows'),
]


def peaks(out, least=0.25, radius=2):
    """net output [1, 7, h, w] -> rows of score, x, y (map px), log-odds of fletched"""
    heat = torch.sigmoid(out[0, 0])
    top = F.max_pool2d(heat[None, None], 2 * radius + 1, 1, radius)[0, 0]
    y, x = ((heat == top) & (heat > least)).nonzero(as_tuple=True)
    o = out[0, :, y, x]
    return torch.stack([heat[y, x], 2 * (x + o[1]) + 0.5, 2 * (y + o[2]) + 0.5, o[3]], 1)


def judge(store, found, where):
    """per photo: rows of score, hit (1 shaft, 0 none, -1 optional shaft), tag right, error mm; number of shafts that count"""
    out = []
    for i, (P, place) in enumerate(zip(found, where, strict=False)):
        t = store.meta[i]
        E = place(store.shafts[i, : len(t['shafts']), :2]).cpu().numpy() if t['shafts'] else np.zeros((0, 2))
        rows, used = [], set()
        for s, x, y, f in P[P[:, 0].argsort(descending=True)].cpu().numpy() if len(P) else []:
            d = [(np.hypot(x - e[0], y - e[1]), k) for k, e in enumerate(E) if k not in used]
            d, k = min(d, default=(99.0, -1))
            if d <= NEAR:
                used.add(k)
                a = t['shafts'][k]
                rows.append((s, 1 if a['counts'] else -1, (f > 0) == a['fletched'], d))
            else:
                rows.append((s, 0, 0, 0.0))
        out.append((np.array(rows).reshape(-1, 4), sum(a['counts'] for a in t['shafts'])))
    return out


def figures(store, judged, thresholds=(0.3, 0.5, 0.7), groups=GROUPS, say=print):
    for name, member in groups:
        J = [j for j, t in zip(judged, store.meta, strict=False) if member(t)]
        if not J:
            continue
        for q in thresholds:
            R, need = np.concatenate([r[r[:, 0] >= q] for r, _ in J]), sum(n for _, n in J)
            hit, wrong = (R[:, 1] == 1).sum(), (R[:, 1] == 0).sum()
            good = R[R[:, 1] == 1]
            right = np.mean(
                [
                    (r[r[:, 0] >= q][:, 1] == 1).sum() == n and not (r[r[:, 0] >= q][:, 1] == 0).any()
                    for r, n in J
                ]
            )
            say(
                '  %-13s %2d photos  thr %.1f  recall %.3f  precision %.3f  tags %.3f  error %.2f p95 %.2f mm  photos all found %.2f'
                % (
                    name,
                    len(J),
                    q,
                    hit / max(need, 1),
                    hit / max(hit + wrong, 1),
                    good[:, 2].mean() if len(good) else 0,
                    *(np.percentile(good[:, 3], [50, 95]) if len(good) else (0, 0)),
                    right,
                ),
                flush=True,
            )


@torch.no_grad()
def evaluate(net, store, errors=False, least=0.25, **how):
    net.eval()
    g = torch.Generator().manual_seed(7) if errors else None
    found, where = [], []
    for i in range(len(store)):
        x, place = maps.whole(store, i, g)
        found.append(peaks(net(x).float(), least))
        where.append(place)
    judged = judge(store, found, where)
    figures(store, judged, **how)
    return judged
