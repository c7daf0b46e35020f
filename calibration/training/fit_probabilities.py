#!/usr/bin/env python3
"""Fits the numbers of model.json on what `cargo run --release --example shaft_candidates` wrote for photos that neither net was
fitted on: `fit_probabilities.py CANDIDATES.jsonl... [--check OTHER.jsonl...] [--out model.json]`. Needs NumPy.

Logistic regressions (Newton's method, weak ridge) for "is the entry of a shaft" and "is fletched"; standard deviations of the
entry two thirds of the way from the robust scale of the errors to the one that holds 95 % of them, as their tails are heavier
than a normal's. Figures are printed by ten-fold cross-validation over photos, and for --check with the final fit.
"""

import argparse
import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

MATCH_MM = 10.0
MARKED_SHARE = 0.025  # of the face's diameter: how near an entry has to be to a place that a person marked by eye
MIN_VISIBLE = 0.15  # share of a shaft; less need not be found
NEARNESS_MM = 6.0  # of a likelier candidate, as in the program
MIN_SCORE = -1.0  # scores below say no more than this (log loss 0.169 -> 0.165, cross-validated)
MIN_TAIL = 0.6  # share of the tail in the picture below which the kind isn't asked for
SHAFT, KIND = ('score', 'agreement', 'mask', 'shaft', 'likelier_neighbour'), ('fletched', 'tag')
# probability by the fit from which the program counts a shaft: hidden ones, which need not be found, are most of the shafts among
# candidates of middling probability (cross-validated, of 1178 shafts 51 are missed or false from 0.5 on, 40 from 0.6 on)
COUNTED_FROM = 0.6
FOLDS = 10
NONE, SHAFT_FOUND, EXCUSED = 0, 1, 2  # labels of candidates
BY_EYE = ('real', 'own')  # makers of truth that a person marked in the picture


@dataclass
class Photo:
    """Candidates of one photo with its truth."""

    truth: dict
    line: dict
    features: dict[str, np.ndarray]
    label: np.ndarray  # per candidate
    which: np.ndarray  # number of its shaft, or -1

    def rows(self, names: tuple[str, ...]) -> np.ndarray:
        return np.column_stack([self.features[n] for n in names]) if len(self.label) else np.zeros((0, len(names)))


def needn_t_be_found(shaft: dict) -> bool:
    return shaft['entry_hidden'] or shaft['visible_fraction'] < MIN_VISIBLE or not shaft['in_picture']


def match(truth: dict, features: dict[str, np.ndarray], entries: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Labels of candidates and their shafts: the likeliest first, one to one."""
    radius = MATCH_MM
    if truth['maker'] in BY_EYE:
        radius = max(MATCH_MM, 2 * MARKED_SHARE * truth['face']['outer_radius_mm'])
    n, free = len(features['x']), set(range(len(entries)))
    label, which = np.zeros(n, int), -np.ones(n, int)
    for k in np.argsort(-features['probability']):
        distances = [(math.hypot(features['x'][k] - entries[i][0], features['y'][k] - entries[i][1]), i) for i in sorted(free)]
        distance, i = min(distances, default=(math.inf, -1))
        if distance <= radius:
            free.remove(i)
            which[k] = i
            label[k] = EXCUSED if needn_t_be_found(truth['shafts'][i]) else SHAFT_FOUND
    return label, which


def read(files: list[Path]) -> list[Photo]:
    """The photos of files that `shaft_candidates` wrote."""
    photos = []
    for file in files:
        first, *lines = [json.loads(line) for line in file.read_text().splitlines()]
        for line in lines:
            truth = json.loads(Path(line['truth']).read_text())
            rows = np.array(line['rows'], float).reshape(-1, len(first['features']))
            features = dict(zip(first['features'], rows.T, strict=True))
            entries = np.array([e or [1e9, 1e9] for e in line['entries']]).reshape(-1, 2)
            label, which = match(truth, features, entries)
            features['score'] = np.maximum(features['score'], MIN_SCORE)
            photos.append(Photo(truth, line, features, label, which))
    return photos


def sigmoid(x: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-np.clip(x, -500, 500)))


def fit(x: np.ndarray, y: np.ndarray, ridge: float = 1e-2, prior: np.ndarray | None = None) -> np.ndarray:
    """Weights of a logistic regression, the constant first; a ridge of `ridge` about `prior` (0 by default)."""
    x = np.column_stack([np.ones(len(x)), x])
    prior = np.zeros(x.shape[1]) if prior is None else prior
    w = prior.copy()
    for _ in range(50):
        p = sigmoid(x @ w)
        gradient = x.T @ (p - y) + ridge * (w - prior)
        w = w - np.linalg.solve((x * (p * (1 - p))[:, None]).T @ x + ridge * np.eye(len(w)), gradient)
    return w


def odds(w: np.ndarray, x: np.ndarray) -> np.ndarray:
    return w[0] + x @ w[1:]


def columns(photos: list[Photo], names: tuple[str, ...]) -> np.ndarray:
    return np.concatenate([p.rows(names) for p in photos] or [np.zeros((0, len(names)))])


def labels(photos: list[Photo]) -> np.ndarray:
    return np.concatenate([p.label for p in photos] or [np.zeros(0, int)])


def set_nearness(photos: list[Photo], w: np.ndarray | None) -> None:
    """`likelier_neighbour` of each candidate: how near a likelier one is, by the fit w without this number (None: by the score)."""
    for photo in photos:
        f = photo.features
        f['likelier_neighbour'] = np.zeros(len(photo.label))
        if not len(photo.label):
            continue
        own = f['score'] if w is None else odds(w, photo.rows(SHAFT))
        distance = np.hypot(f['x_before'][:, None] - f['x_before'], f['y_before'][:, None] - f['y_before'])
        f['likelier_neighbour'] = np.where(own[None] > own[:, None], np.exp(-distance / NEARNESS_MM), 0.0).max(1)


def tags(photos: list[Photo]) -> tuple[np.ndarray, np.ndarray]:
    """Features of the kind, and whether fletched, of shafts that were found and whose kind is known."""
    x, y = [], []
    for photo in photos:
        for k in np.flatnonzero(photo.label == SHAFT_FOUND):
            kind = photo.truth['shafts'][photo.which[k]]['kind']
            if photo.features['tail_seen'][k] >= MIN_TAIL and kind != 'unknown':
                x.append([photo.features[n][k] for n in KIND])
                y.append(kind == 'fletched')
    return np.array(x, float).reshape(-1, len(KIND)), np.array(y, float)


def needed(photos: list[Photo]) -> int:
    return sum(not needn_t_be_found(s) for p in photos for s in p.truth['shafts'])


def fit_shaft(photos: list[Photo]) -> np.ndarray:
    return fit(columns(photos, SHAFT), (labels(photos) != NONE).astype(float))


def fit_both(photos: list[Photo]) -> tuple[np.ndarray, np.ndarray]:
    return fit_shaft(photos), fit(*tags(photos))


def print_figures(name: str, photos: list[Photo], shaft: np.ndarray, kind: np.ndarray) -> None:
    p, label, need = sigmoid(odds(shaft, columns(photos, SHAFT))), labels(photos), needed(photos)
    x, y = tags(photos)
    q = sigmoid(odds(kind, x))
    sure, right = np.maximum(q, 1 - q) > 0.9, (q > 0.5) == (y > 0.5)
    print(f'{name}: {len(photos)} photos, {need} shafts')
    for bar in (0.3, 0.4, 0.5, 0.6, 0.7):
        recall, precision = ((p > bar) & (label == SHAFT_FOUND)).sum() / max(need, 1), (label[p > bar] != NONE).mean()
        print(f'   above {bar}: recall {recall:.3f}, precision {precision:.3f}')
    print(f'   tags {right.mean():.3f}, sure {sure.mean():.2f}, of them right {right[sure].mean():.3f}')
    for low in np.arange(0, 1, 0.1):
        own = (p >= low) & (p < low + 0.1)
        if own.any():
            print(f'   probability {low:.1f} to {low + 0.1:.1f}: {(label[own] != NONE).mean():.2f} of {own.sum()} are shafts')


def cross_validate(photos: list[Photo]) -> None:
    """Prints recall, precision and tags of ten folds over photos (over groups where the truth names them)."""
    of = [p.truth.get('group', k) % FOLDS for k, p in enumerate(photos)]
    counts = np.zeros(6)
    for fold in range(FOLDS):
        rest = [p for p, f in zip(photos, of, strict=True) if f != fold]
        own = [p for p, f in zip(photos, of, strict=True) if f == fold]
        if not own:
            continue
        shaft, kind = fit_both(rest)
        label, likely = labels(own), odds(shaft, columns(own, SHAFT)) > 0
        x, y = tags(own)
        found = [(likely & (label == SHAFT_FOUND)).sum(), likely.sum(), (likely & (label != NONE)).sum()]
        counts += [needed(own), *found, len(y), ((odds(kind, x) > 0) == (y > 0.5)).sum()]
    need, hits, said, true, tails, right = counts
    print(f'cross-validated: recall {hits / need:.3f}, precision {true / said:.3f}, tags {right / tails:.3f}')


def robust_sd(x: np.ndarray) -> float:
    return 1.4826 * float(np.median(np.abs(x)))


def heavy_sd(x: np.ndarray) -> float:
    """Two thirds of the way from the robust scale to the one that holds 95 %."""
    return (robust_sd(x) + 2 * np.percentile(np.abs(x), 95) / 1.96) / 3


def entry_errors(photos: list[Photo], shaft: np.ndarray) -> np.ndarray:
    """Per shaft found: error along and across its axis, strength of its edges, probability that it is none."""
    rows = []
    for photo in photos:
        if not len(photo.label) or photo.truth['maker'] in BY_EYE:
            continue  # places marked by eye say nothing of millimetres
        p, foot = sigmoid(odds(shaft, photo.rows(SHAFT))), np.array(photo.line['camera_mm'])[:2]
        f = photo.features
        for k in np.flatnonzero((photo.label == SHAFT_FOUND) & (p > 0.3)):
            entry = np.array(photo.line['entries'][photo.which[k]])
            along = (entry - foot) / np.linalg.norm(entry - foot)
            error = np.array([f['x'][k], f['y'][k]]) - entry
            rows.append([error @ along, error @ np.array([-along[1], along[0]]), f['strength'][k], 1 - p[k]])
    return np.array(rows).reshape(-1, 4)


def fit_all(photos: list[Photo]) -> tuple[np.ndarray, np.ndarray]:
    """Both regressions; which candidate is the likelier of two neighbours depends on the fit, so that it is repeated."""
    shaft = None
    for _ in range(5):
        set_nearness(photos, shaft)
        shaft = fit_shaft(photos)
    return shaft, fit(*tags(photos))


def write(file: Path, shaft: np.ndarray, kind: np.ndarray, errors: np.ndarray) -> None:
    """Puts the numbers into a model.json that is there already; with no `errors` those of the entry stay."""
    model = json.loads(file.read_text())
    names = ('constant', *SHAFT)
    model['shaft'] = {'least_score': MIN_SCORE, **{n: round(float(v), 4) for n, v in zip(names, shaft, strict=True)}}
    model['kind'].update({n: round(float(v), 4) for n, v in zip(('constant', 'strip', 'map'), kind, strict=True)})
    if len(errors):
        edges, sure = errors[:, 2] > 0, errors[:, 3] < 0.3
        sds = {'along': errors[sure, 0], 'across': errors[sure & ~edges, 1], 'across_by_edges': errors[sure & edges, 1]}
        model['entry_sd_mm'].update({n: round(heavy_sd(e), 4) for n, e in sds.items() if len(e)})
    file.write_text(json.dumps(model, indent=2) + '\n')


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split('\n')[0])
    parser.add_argument('candidates', type=Path, nargs='+')
    parser.add_argument('--check', type=Path, nargs='+', default=[])
    parser.add_argument('--out', type=Path, help='a model.json to put the numbers into')
    a = parser.parse_args()
    photos = read(a.candidates)
    shaft, kind = fit_all(photos)
    cross_validate(photos)
    print_figures('fitted on', photos, shaft, kind)
    errors = entry_errors(photos, shaft)
    for low, high in ((0, 0.05), (0.05, 0.2), (0.2, 0.7)):
        own = errors[(errors[:, 3] >= low) & (errors[:, 3] < high)]
        if len(own) > 5:
            print(
                f'   1 - p {low} to {high}: {len(own)}, along {robust_sd(own[:, 0]):.2f} mm, across {robust_sd(own[:, 1]):.2f} mm'
            )
    if a.check:
        others = read(a.check)
        set_nearness(others, shaft)
        for name, plain in (('plain', True), ('unkind', False)):
            own = [p for p in others if (p.truth['difficulty'] == 'plain') == plain]
            if own:
                print_figures(name, own, shaft, kind)
    if a.out:
        lower = np.eye(len(shaft))[0] * math.log(COUNTED_FROM / (1 - COUNTED_FROM))
        write(a.out, shaft - lower, kind, errors)
        print(a.out.read_text())


if __name__ == '__main__':
    main()
