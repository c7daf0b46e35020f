#!/usr/bin/env python3
"""Fits the probabilities of the shaft search on ends that a person confirmed:
`fit_own_ends.py FOLDER... --work DIR [--write NETS]`. Needs NumPy and the program's Rust tools.

FOLDER holds photos with confirmed records beside them (`bossmark confirm`, `bossmark day`). Each photo is searched afresh, with
nothing known but the face; the two logistic regressions of model.json (is it a shaft, is it fletched) are fitted with a ridge
about the numbers of NETS, so that few ends change little. Printed are figures before and, cross-validated over evenings or
photos, after. --write puts the numbers into NETS/model.json (and NETS/real/model.json): build the program again to use them.
"""

import argparse
import json
import subprocess
import sys
from pathlib import Path

import numpy as np

import confirmed
from fit_probabilities import (
    FOLDS,
    KIND,
    MIN_TAIL,
    NONE,
    SHAFT,
    SHAFT_FOUND,
    Photo,
    columns,
    fit,
    labels,
    needed,
    odds,
    read,
    set_nearness,
    sigmoid,
    tags,
    write,
)

ROOT = Path(__file__).resolve().parent.parent.parent
SHIPPED = ROOT / 'calibration' / 'shaft-net'
RIDGE = 3.0  # about the numbers there are: as much as some ten doubtful shafts say
SURE, MIN_PHOTOS = 0.9, 5
Weights = tuple[np.ndarray, np.ndarray]  # of being a shaft, of being fletched


def weights_of(model: dict) -> Weights:
    shaft = [model['shaft'][n] for n in ('constant', *SHAFT)]
    return np.array(shaft), np.array([model['kind'][n] for n in ('constant', 'strip', 'map')])


def write_truths(folders: list[Path], work: Path) -> list[Path]:
    """Truth files in `work`, with links to the photos."""
    work.mkdir(parents=True, exist_ok=True)
    files = []
    for number, folder in enumerate(folders):
        for photo, truth in confirmed.truths(folder):
            stem = work / f'{number}-{photo.stem}'
            link = stem.with_suffix('.jpg')
            link.unlink(missing_ok=True)
            link.symlink_to(photo.resolve())
            file = work / f'{stem.name}.truth.json'
            file.write_text(json.dumps(truth))
            files.append(file)
    return files


def search(files: list[Path], work: Path, tool: Path | None) -> list[Photo]:
    """What the program finds in each photo."""
    command = [str(tool.resolve())] if tool else ['cargo', 'run', '--release', '--quiet', '--example', 'shaft_candidates', '--']
    command += [str(f.resolve()) for f in files]
    out = work / 'candidates.jsonl'
    with out.open('w') as file:
        subprocess.run(command, cwd=ROOT, stdout=file, check=True)
    return read([out])


def fold_of(photo: Photo, number: int) -> str:
    """Ends of one evening are alike: they stay together."""
    return str(photo.truth.get('evening') or f'photo {number}')


def folds(photos: list[Photo]) -> list[int]:
    """A fold for each photo: evenings where there are three or more, else photos."""
    names = [fold_of(p, k) for k, p in enumerate(photos)]
    if len(set(names)) < 3:
        names = [str(k) for k in range(len(photos))]
    order = {name: k % FOLDS for k, name in enumerate(dict.fromkeys(names))}
    return [order[name] for name in names]


def fit_weights(photos: list[Photo], prior: Weights) -> Weights:
    x, y = tags(photos)
    shaft = fit(columns(photos, SHAFT), (labels(photos) != NONE).astype(float), RIDGE, prior[0])
    return shaft, fit(x, y, RIDGE, prior[1]) if len(y) else prior[1]


def log_loss(p: np.ndarray, y: np.ndarray) -> float:
    p = np.clip(p, 1e-6, 1 - 1e-6)
    return float(-(y * np.log(p) + (1 - y) * np.log(1 - p)).sum())


def counts(photos: list[Photo], weights: Weights, least: float) -> dict[str, float]:
    """Sums that figures are made from; those of folds add up."""
    p, label = sigmoid(odds(weights[0], columns(photos, SHAFT))), labels(photos)
    x, y = tags(photos)
    q = sigmoid(odds(weights[1], x))
    said, right = np.maximum(q, 1 - q) >= least, (q > 0.5) == (y > 0.5)
    sure, sure_right = 0, 0
    for photo in photos:
        own = sigmoid(odds(weights[0], photo.rows(SHAFT)))
        fletched = sigmoid(odds(weights[1], photo.rows(KIND)))
        for k in np.flatnonzero(photo.features['tail_seen'] >= MIN_TAIL):
            if own[k] * max(fletched[k], 1 - fletched[k]) >= SURE:
                sure += 1
                kind = photo.truth['shafts'][photo.which[k]]['kind'] if photo.label[k] != NONE else None
                sure_right += kind == ('fletched' if fletched[k] > 0.5 else 'bare')
    return {
        'shafts': needed(photos),
        'found': ((p > 0.5) & (label == SHAFT_FOUND)).sum(),
        'said': (p > 0.5).sum(),
        'true': ((p > 0.5) & (label != NONE)).sum(),
        'candidates': len(p),
        'shaft loss': log_loss(p, (label != NONE).astype(float)),
        'tails': len(y),
        'tags right': (said & right).sum(),
        'tags wrong': (said & ~right).sum(),
        'tag loss': log_loss(q, y),
        'sure': sure,
        'sure right': sure_right,
    }


def cross_validated(photos: list[Photo], prior: Weights, least: float) -> dict[str, float]:
    of, total = folds(photos), None
    for fold in sorted(set(of)):
        rest = [p for p, f in zip(photos, of, strict=True) if f != fold]
        own = counts([p for p, f in zip(photos, of, strict=True) if f == fold], fit_weights(rest, prior), least)
        total = own if total is None else {key: total[key] + own[key] for key in own}
    return total


def show(before: dict[str, float], after: dict[str, float]) -> None:
    figures = {
        'recall': ('found', 'shafts'),
        'precision': ('true', 'said'),
        'tags right': ('tags right', 'tails'),
        'tags wrong': ('tags wrong', 'tails'),
        'sure ones right': ('sure right', 'sure'),
        'log loss, shaft or none': ('shaft loss', 'candidates'),
        'log loss, fletched or bare': ('tag loss', 'tails'),
    }
    print(f'{"":28}{"before":>12}{"after":>12}')
    for name, (part, whole) in figures.items():
        values = [f'{c[part] / c[whole]:.3f}' if c[whole] else '-' for c in (before, after)]
        print(f'{name:28}{values[0]:>12}{values[1]:>12}')


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split('\n')[0])
    parser.add_argument('folders', type=Path, nargs='+')
    parser.add_argument('--work', type=Path, required=True, help='folder for what lies between')
    parser.add_argument('--tool', type=Path, help='shaft_candidates as built; otherwise cargo builds it')
    parser.add_argument('--nets', type=Path, default=SHIPPED, help='whose model.json the fit starts from')
    parser.add_argument('--write', type=Path, help='folder of nets whose model.json gets the numbers')
    a = parser.parse_args()
    files = write_truths(a.folders, a.work)
    if not files:
        print('no confirmed records with a photo and a known face here: `bossmark confirm FOLDER` makes them', file=sys.stderr)
        return 1
    photos = search(files, a.work, a.tool)
    print(f'{len(files)} confirmed ends, {len(photos)} with a face found')
    for part, second in (('', False), ('real/', True)):
        own = [p for p in photos if p.line['second_set'] == second]
        model = json.loads((a.nets / f'{part}model.json').read_text())
        prior, least = weights_of(model), model['kind']['least']
        if len(own) < MIN_PHOTOS:
            print(f'{part}model.json: {len(own)} ends are too few to fit on; it stays')
            continue
        set_nearness(own, prior[0])
        print(f'\n{part}model.json: {len(own)} ends, {needed(own)} shafts; "after" is cross-validated')
        show(counts(own, prior, least), cross_validated(own, prior, least))
        if a.write:
            shaft, kind = fit_weights(own, prior)
            write(a.write / f'{part}model.json', shaft, kind, np.zeros((0, 4)))
    return 0


if __name__ == '__main__':
    sys.exit(main())
