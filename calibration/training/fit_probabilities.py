#!/usr/bin/env python3
"""fit_model.py CANDIDATES.jsonl [--check OTHER.jsonl] [--out model.json]: fits the numbers of model.json on what
`cargo run --release --example shaft_candidates` wrote for photos that neither net was fitted on. Needs numpy.

Logistic regressions (Newton's method, weak ridge) for "is the entry of a shaft" and "is fletched"; standard deviations of the entry two thirds of the way from the robust scale of the errors
to the one that holds 95 % of them, as their tails are heavier than a normal's. Figures are printed by ten-fold cross-validation over photos, and for OTHER with the final fit."""

import argparse
import json
import math

import numpy as np

GATE_MM, VISIBLE = 10.0, 0.15
CROWD_MM = 6.0  # as in the program
LEAST_SCORE = -1.0  # scores below say no more than this (log loss 0.169 -> 0.165, cross-validated)
SHAFT, KIND = ('score', 'agreement', 'mask', 'shaft', 'crowd'), ('fletched', 'tag')
MARKED = 0.025  # of the face's diameter: how near to a place that a person marked by eye an entry has to be


def read(file):
    lines = [json.loads(l) for f in file.split(',') for l in open(f)]
    names, out = lines[0]['features'], []
    for j in lines[1:]:
        if 'truth' not in j:
            continue
        t = json.load(open(j['truth']))
        d = {n: np.array([r[k] for r in j['rows']]) for k, n in enumerate(names)}
        n = len(j['rows'])
        E = np.array([e or [1e9, 1e9] for e in j['entries']]).reshape(-1, 2)
        label, which, used = np.zeros(n, int), -np.ones(n, int), set()
        for k in np.argsort(-d['probability']):
            near = sorted(
                (math.hypot(d['x'][k] - E[i][0], d['y'][k] - E[i][1]), i)
                for i in range(len(E))
                if i not in used
            )
            if near and near[0][0] <= (
                2 * MARKED * t['face']['outer_radius_mm'] if t['maker'] == 'real' else GATE_MM
            ):
                i = near[0][1]
                s = t['shafts'][i]
                used.add(i)
                which[k] = i
                label[k] = (
                    2 if s['entry_hidden'] or s['visible_fraction'] < VISIBLE or not s['in_picture'] else 1
                )
        d['score'] = np.maximum(d['score'], LEAST_SCORE)
        out.append((t, j, d, label, which))
    return out


def fit(X, y, ridge=1e-2):
    X = np.column_stack([np.ones(len(X)), X])
    w = np.zeros(X.shape[1])
    for _ in range(50):
        p = 1 / (1 + np.exp(-X @ w))
        g = X.T @ (p - y) + ridge * w
        w -= np.linalg.solve((X * (p * (1 - p))[:, None]).T @ X + ridge * np.eye(len(w)), g)
    return w


def odds(w, X):
    return w[0] + X @ w[1:]


def columns(R, names):
    return np.concatenate(
        [np.column_stack([r[2][n] for n in names]) if len(r[3]) else np.zeros((0, len(names))) for r in R]
    )


def crowd(R, w):
    """How near a likelier candidate is; likelier by the fit w without this number (None: by the entry score)."""
    for r in R:
        d, n = r[2], len(r[3])
        if not n:
            d['crowd'] = np.zeros(0)
            continue
        if w is None:
            o = d['score']
        else:
            d['crowd'] = np.zeros(n)
            o = odds(w, np.column_stack([d[m] for m in SHAFT]))
        D = np.hypot(d['x_before'][:, None] - d['x_before'], d['y_before'][:, None] - d['y_before'])
        d['crowd'] = np.where(o[None] > o[:, None], np.exp(-D / CROWD_MM), 0.0).max(1)


def tags(R):
    X, y = [], []
    for t, _j, d, label, which in R:
        for k in np.flatnonzero(label == 1):
            if d['tail_seen'][k] >= 0.6 and t['shafts'][which[k]]['kind'] != 'unknown':
                X.append([d[n][k] for n in KIND])
                y.append(t['shafts'][which[k]]['kind'] == 'fletched')
    return np.array(X), np.array(y, float)


def figures(name, R, ws, wk):
    need = sum(
        not (s['entry_hidden'] or s['visible_fraction'] < VISIBLE or not s['in_picture'])
        for r in R
        for s in r[0]['shafts']
    )
    p = 1 / (1 + np.exp(-odds(ws, columns(R, SHAFT))))
    l = np.concatenate([r[3] for r in R])
    X, y = tags(R)
    q = 1 / (1 + np.exp(-odds(wk, X)))
    sure = np.maximum(q, 1 - q) > 0.9
    print(
        name,
        len(R),
        'photos,',
        need,
        'shafts:',
        ' '.join(
            f'p>{h:.1f} recall {((p > h) & (l == 1)).sum() / need:.3f} precision {(l[p > h] > 0).mean():.3f};'
            for h in (0.3, 0.4, 0.5, 0.6, 0.7)
        ),
        f'tags {((q > 0.5) == (y > 0.5)).mean():.3f}, sure {sure.mean():.2f} of them right {((q > 0.5) == (y > 0.5))[sure].mean():.3f}',
    )
    print(
        '   calibration:',
        ' '.join(
            '%.1f-%.1f: %.2f (%d)'
            % (a, a + 0.1, (l[(p >= a) & (p < a + 0.1)] > 0).mean(), ((p >= a) & (p < a + 0.1)).sum())
            for a in np.arange(0, 1, 0.1)
            if ((p >= a) & (p < a + 0.1)).any()
        ),
    )


def robust(x):
    return 1.4826 * np.median(np.abs(x))


def errors(R, ws):
    A = []
    for t, j, d, label, which in R:
        if not len(label) or t['maker'] == 'real':
            continue  # places marked by eye say nothing of millimetres
        p = 1 / (1 + np.exp(-odds(ws, np.column_stack([d[n] for n in SHAFT]))))
        C = np.array(j['camera_mm'])
        for k in np.flatnonzero((label == 1) & (p > 0.3)):
            s = t['shafts'][which[k]]
            e = np.array(j['entries'][which[k]])
            n = np.array(j['nocks'][which[k]])
            u = e - C[:2]
            rho = np.linalg.norm(u)
            u /= rho
            w = np.array([-u[1], u[0]])
            v = n - e
            L = C[2] * (v @ u) / (rho + v @ u)
            slope = (v @ w) * (C[2] - L) / (C[2] * L)
            q = np.array([d['x'][k], d['y'][k]]) - e
            b = np.array([d['x_before'][k], d['y_before'][k]]) - e
            A.append(
                [
                    q @ u,
                    q @ w,
                    b @ w,
                    d['slope'][k] - slope,
                    d['strength'][k],
                    1 - p[k],
                    d['width'][k] - s['diameter_mm'],
                    d['length'][k] - L,
                    rho / C[2],
                ]
            )
    return np.array(A)


def main():
    global SHAFT
    ap = argparse.ArgumentParser()
    ap.add_argument('file')
    ap.add_argument('--check')
    ap.add_argument('--out')
    ap.add_argument(
        '--no-shaft',
        action='store_true',
        help="leave out the strip net's third number (where it is not fitted)",
    )
    o = ap.parse_args()
    if o.no_shaft:
        SHAFT = ('score', 'agreement', 'mask', 'crowd')
    R = read(o.file)
    for again in range(4):
        crowd(
            R,
            None
            if again == 0
            else fit(columns(R, SHAFT), (np.concatenate([r[3] for r in R]) > 0).astype(float)),
        )
    ws = fit(columns(R, SHAFT), (np.concatenate([r[3] for r in R]) > 0).astype(float))
    wk = fit(*tags(R))
    folds = [[], []]
    for f in range(10):
        of = [r[0].get('group', k) % 10 for k, r in enumerate(R)]
        T, V = (
            [r for r, g in zip(R, of, strict=False) if g != f],
            [r for r, g in zip(R, of, strict=False) if g == f],
        )
        if not V:
            continue
        a, b = fit(columns(T, SHAFT), (np.concatenate([r[3] for r in T]) > 0).astype(float)), fit(*tags(T))
        need = sum(
            not (s['entry_hidden'] or s['visible_fraction'] < VISIBLE or not s['in_picture'])
            for r in V
            for s in r[0]['shafts']
        )
        l = np.concatenate([r[3] for r in V])
        p = odds(a, columns(V, SHAFT)) > 0
        X, y = tags(V)
        folds[0].append([need, (p & (l == 1)).sum(), p.sum(), (p & (l > 0)).sum()])
        folds[1].append([len(y), ((odds(b, X) > 0) == (y > 0.5)).sum()])
    a, b = np.sum(folds[0], 0), np.sum(folds[1], 0)
    print(f'cross-validated: recall {a[1] / a[0]:.3f} precision {a[3] / a[2]:.3f} tags {b[1] / b[0]:.3f}')
    figures('fitted on', R, ws, wk)
    A = errors(R, ws)
    plain = A[:, 4] > 0
    sure = A[:, 5] < 0.3

    def sd(x):
        return (robust(x) + 2 * np.percentile(np.abs(x), 95) / 1.96) / 3

    print(
        'along %.2f across %.2f before edges %.2f; with edges (%d of %d) %.2f, without %.2f; slope deg %.2f with edges, %.2f without; width bias %.2f, length %.1f'
        % (
            robust(A[:, 0]),
            robust(A[:, 1]),
            robust(A[:, 2]),
            plain.sum(),
            len(A),
            robust(A[plain, 1]),
            robust(A[~plain, 1]),
            math.degrees(robust(A[plain, 3])),
            math.degrees(robust(A[~plain, 3])),
            np.median(A[:, 6]),
            robust(A[:, 7]),
        )
    )
    for a, b in ((0, 0.05), (0.05, 0.2), (0.2, 0.7)):
        m = (A[:, 5] >= a) & (A[:, 5] < b)
        if m.sum() > 5:
            print(
                '   1 - p %.2f to %.2f: %d, along %.2f across %.2f; p95 %.2f %.2f'
                % (
                    a,
                    b,
                    m.sum(),
                    robust(A[m, 0]),
                    robust(A[m, 1]),
                    *np.percentile(np.abs(A[m, :2]), 95, axis=0),
                )
            )
    if o.check:
        Q = read(o.check)
        crowd(Q, ws)
        for n, f in (
            ('plain', lambda t: t['difficulty'] == 'plain' and not t['negative']),
            ('maker C', lambda t: t['maker'] == 'C' and not t['negative']),
            ('unkind', lambda t: t['difficulty'] != 'plain'),
        ):
            figures(n, [r for r in Q if f(r[0])], ws, wk)
    if o.out:
        m = json.load(open(o.out))

        def r(v):
            return round(float(v), 4)

        m['shaft'] = {
            'least_score': LEAST_SCORE,
            **dict(zip(('constant', *SHAFT), map(r, ws), strict=False)),
            **({'shaft': 0.0} if o.no_shaft else {}),
        }
        m['kind'] = dict(zip(('constant', 'strip', 'map'), map(r, wk), strict=False))
        m['entry_sd_mm'].update(
            along=r(sd(A[sure, 0])),
            across=r(sd(A[sure & ~plain, 1])),
            across_by_edges=r(sd(A[sure & plain, 1])),
        )
        json.dump(m, open(o.out, 'w'), indent=2)
        print(open(o.out).read())


if __name__ == '__main__':
    main()
