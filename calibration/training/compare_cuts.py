#!/usr/bin/env python3
"""Compares the cuts of the training programs with the program's: `compare_cuts.py CUTS [--write VECTOR]`, where
`cargo run --release --example shaft_cuts -- NAME.truth.json CUTS` wrote CUTS. Needs NumPy and OpenCV, no PyTorch.

Exit status 1 when they differ by more than decoders of JPEG do. --write keeps this program's values at some places, for the test
of `src/shaft/net_inputs.rs`.
"""

import argparse
import json
import sys
from pathlib import Path

import numpy as np

import cutting
from cutting import Views
from prepare import reduced, upright

CELL_PX = 2
MEAN_ERROR, ERROR_999 = 0.003, 0.03  # of colours (0 to 1): on average, and at 999 of 1000 places
GEOMETRY_ERROR = 1e-3  # of directions, obliquity and neighbours
REACH_SHARE = 1e-3  # of places where one finds the picture to end and the other doesn't
PLACES = 600  # kept for the program's test


def camera_of(truth: dict) -> dict:
    c = truth['camera']
    pose = {'rotation': c['rotation'], 'translation': c['translation_mm']}
    return {**pose, 'f': [c['fx_px'], c['fy_px']], 'c': [c['cx_px'], c['cy_px']], 'k': [c['k1'], c['k2']]}


def views_of(camera: dict, image: np.ndarray) -> Views:
    values = [np.array(camera[key], float)[None] for key in ('rotation', 'translation', 'f', 'c', 'k')]
    return Views(*values, np.array([0]), np.array([[image.shape[1], image.shape[0]]]))


def eye_of(camera: dict) -> np.ndarray:
    return -np.array(camera['rotation']).T @ np.array(camera['translation'])


def cut_map(buffer: np.ndarray, views: Views, eye: np.ndarray, cuts: dict) -> np.ndarray:
    """Input of the map net [rows, columns, 15], as `net.Map` makes it from 6 planes: colours of 4 pixels, mean of the others."""
    height, width = (CELL_PX * n for n in cuts['map'][:2])
    grid = cutting.pixel_grid(height, width).astype(float)
    matrix = np.array([[[1.0, 0.0], [0.0, -1.0]]])
    centre = np.array([[cuts['left_mm'] + (width - 1) / 2, cuts['top_mm'] - (height - 1) / 2]])
    points = centre[:, None] + grid @ matrix.swapaxes(1, 2)
    colour, inside = cutting.colours(buffer, views, cutting.project(views, points))
    colour = np.where(inside[..., None], colour - 0.5, 0.0).reshape(height // 2, 2, width // 2, 2, 3)
    colour = colour.transpose(0, 2, 4, 1, 3).reshape(height // 2, width // 2, 12)
    direction = cutting.direction_planes(grid, matrix, matrix, centre, eye[None])
    return np.concatenate([colour, direction.reshape(height // 2, 2, width // 2, 2, 3).mean((1, 3))], -1)


def cut_strips(buffer: np.ndarray, views: Views, eye: np.ndarray, candidates: np.ndarray) -> np.ndarray:
    """Input of the strip nets [candidates, rows, columns, 6]."""
    out = []
    along, across = (v.astype(float)[None] for v in cutting.regular_strip())
    likely = [k for k, c in enumerate(candidates) if c[3] >= cutting.NEIGHBOUR_SCORE][: cutting.NEIGHBOURS]
    for k, (x, y, slope, _) in enumerate(candidates):
        grid = cutting.strip_grid(eye[None], np.array([[x, y]]), np.array([slope]), along, across)
        colour, inside = cutting.strip_colours(buffer, views, eye[None], grid)
        others = candidates[[j for j in likely if j != k]][None]
        near = np.zeros((1, 2, cutting.ACROSS, cutting.ALONG))
        if others.shape[1]:
            places = cutting.strip_places(eye[None], grid)
            near = cutting.neighbour_planes(eye[None], places, others).repeat(cutting.PIXELS_PER_PLACE, 3)
        colour = np.where(inside[..., None], colour - 0.5, 0.0)
        out.append(np.concatenate([colour, inside[..., None], near.transpose(0, 2, 3, 1)], -1)[0])
    return np.array(out)


def differences(name: str, ours: np.ndarray, theirs: np.ndarray, planes: dict[str, slice]) -> list[str]:
    """Sentences about planes that differ too much; prints all figures."""
    wrong = []
    for plane, channels in planes.items():
        error = np.abs(ours[..., channels] - theirs[..., channels])
        mean, high = error.mean(), np.quantile(error, 0.999)
        print(f'{name}, {plane}: {mean:.5f} on average, {high:.5f} at 999 of 1000 places, {error.max():.5f} at most')
        if plane == 'reach':
            bad = (error > 0.5).mean() > REACH_SHARE
        elif plane == 'colours':
            bad = mean > MEAN_ERROR or high > ERROR_999
        else:
            bad = high > GEOMETRY_ERROR
        if bad:
            wrong.append(f'{name}: {plane} differ')
    return wrong


def vector(truth: dict, cuts: dict, face_map: np.ndarray, strips: np.ndarray) -> dict:
    """This program's values at some places."""
    draw, c = np.random.default_rng(1), truth['camera']
    map_places = np.stack([draw.integers(n, size=PLACES) for n in (face_map.shape[1], face_map.shape[0], 15)], 1)
    sizes = (len(strips), cutting.ALONG, cutting.ACROSS, 6)
    strip_places = np.stack([draw.integers(n, size=PLACES) for n in sizes], 1)
    return {
        'photo': truth['photo'],
        'face': truth['face']['name'],
        'lens': [c[key] for key in ('fx_px', 'fy_px', 'cx_px', 'cy_px', 'k1', 'k2')],
        'rotation': c['rotation'],
        'translation_mm': c['translation_mm'],
        'candidates': cuts['candidates'],
        'map_corner_mm': [cuts['left_mm'], cuts['top_mm']],
        'map_places': map_places.tolist(),
        'map_values': [round(float(face_map[y, x, k]), 5) for x, y, k in map_places],
        'strip_places': strip_places.tolist(),
        'strip_values': [round(float(strips[n, y, x, k]), 5) for n, x, y, k in strip_places],
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split('\n')[0])
    parser.add_argument('cuts', type=Path)
    parser.add_argument('--write', type=Path)
    a = parser.parse_args()
    cuts = json.loads((a.cuts / 'cuts.json').read_text())
    truth = json.loads(Path(cuts['truth']).read_text())
    photo = upright(Path(cuts['truth']).parent / truth['photo'], truth['image']['stored_orientation'])
    image, camera = reduced(photo, camera_of(truth), truth['face']['centres_mm'])
    buffer, views = np.ascontiguousarray(image[..., ::-1]).reshape(-1, 3), views_of(camera, image)
    eye, candidates = eye_of(camera), np.array(cuts['candidates'])
    face_map, strips = cut_map(buffer, views, eye, cuts), cut_strips(buffer, views, eye, candidates)
    theirs = np.fromfile(a.cuts / 'map.f32', '<f4').reshape(cuts['map'])
    wrong = differences('map', face_map, theirs, {'colours': slice(0, 12), 'direction and obliquity': slice(12, 15)})
    theirs = np.fromfile(a.cuts / 'strips.f32', '<f4').reshape(strips.shape)
    planes = {'colours': slice(0, 3), 'reach': slice(3, 4), 'neighbours': slice(4, 6)}
    wrong += differences('strips', strips, theirs, planes)
    if a.write:
        a.write.write_text(json.dumps(vector(truth, cuts, face_map, strips)))
    print('\n'.join(wrong) or 'the cuts agree')
    return 1 if wrong else 0


if __name__ == '__main__':
    sys.exit(main())
