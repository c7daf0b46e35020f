#!/usr/bin/env python3
"""Photos with truth -> what the fits read: `prepare.py SOURCE OUT [--jobs N]`. What is in OUT already stays.

SOURCE holds NAME.jpg with NAME.truth.json (`photo-truth/1`: camera, face, entry, axis, length, kind of every shaft), or with a
confirmed record NAME.end.json (`confirmed.py`). For each: OUT/NAME.jpg, the photo upright and area-averaged to at most 1.25 px
per mm of the face (the resolution at which the program works), and OUT/NAME.json: camera in pixels of that picture, face, shafts.
Photos without a face are left out.
"""

import argparse
import json
import os
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

import confirmed

PX_PER_MM = 1.25
MIN_REDUCTION = 1.05
JPEG_QUALITY = 95
TAIL_MM, TAIL_SAMPLES = 110, 23  # how much of a shaft's end must be in the picture for its tail to be seen
MIN_VISIBLE = 0.15  # share of a shaft
TURN = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}


def project(camera: dict, points) -> np.ndarray:
    """Points (mm) -> pixels. camera: rotation (3 x 3), translation, f (2), c (2), k (2)."""
    q = np.asarray(points, float) @ np.array(camera['rotation']).T + np.array(camera['translation'])
    u = q[..., :2] / q[..., 2:]
    r2 = (u**2).sum(-1, keepdims=True)
    k1, k2 = camera['k']
    return u * (1 + k1 * r2 + k2 * r2 * r2) * np.array(camera['f']) + np.array(camera['c'])


def pixels_per_mm(camera: dict, centres) -> float:
    """At the face's middle."""
    x, y = np.mean(centres, 0)
    ends = project(camera, [[x - 5, y, 0], [x + 5, y, 0]])
    return float(np.linalg.norm(ends[1] - ends[0])) / 10


def reduced(image: np.ndarray, camera: dict, centres) -> tuple[np.ndarray, dict]:
    """An upright photo, area-averaged to the resolution of the nets, and the camera in its pixels."""
    factor = max(1.0, pixels_per_mm(camera, centres) / PX_PER_MM)
    if factor <= MIN_REDUCTION:
        return image, camera
    height, width = image.shape[:2]
    size = round(width / factor), round(height / factor)
    kx, ky = size[0] / width, size[1] / height
    (fx, fy), (cx, cy) = camera['f'], camera['c']
    moved = {'f': [fx * kx, fy * ky], 'c': [(cx + 0.5) * kx - 0.5, (cy + 0.5) * ky - 0.5]}
    return cv2.resize(image, size, interpolation=cv2.INTER_AREA), {**camera, **moved}


def upright(path: str | Path, orientation: int | None) -> np.ndarray:
    """A photo turned as it is shown, by the orientation given or else by its own; blue comes first, as OpenCV has it."""
    if orientation is None:
        return cv2.imread(str(path), cv2.IMREAD_COLOR)
    image = cv2.imread(str(path), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    return cv2.rotate(image, TURN[orientation]) if orientation in TURN else image


def shaft_of(shaft: dict, camera: dict, size: tuple[int, int]) -> dict:
    """A row for the fits: where the nock is seen on the face plane, and how much of the tail is in the picture."""
    eye = -np.array(camera['rotation']).T @ np.array(camera['translation'])
    entry, axis, length = np.array([*shaft['entry_mm'], 0.0]), np.array(shaft['axis']), shaft['protruding_mm']
    end = entry + axis * length
    tail = eye[:2] + (end[:2] - eye[:2]) * eye[2] / (eye[2] - end[2])
    uv = project(camera, entry + axis * np.linspace(length - TAIL_MM, length, TAIL_SAMPLES)[:, None])
    inside = ((uv > 0) & (uv < np.array(size) - 1)).all(1)
    visible = shaft['in_picture'] and not shaft['entry_hidden'] and shaft['visible_fraction'] >= MIN_VISIBLE
    known = shaft['kind'] != 'unknown' and shaft.get('nock_seen', True)
    return {
        'entry': entry[:2].tolist(),
        'tail': tail.tolist(),
        'axis': axis.tolist(),
        'length': length,
        'diameter': shaft['diameter_mm'],
        'fletched': shaft['kind'] == 'fletched',
        'seen': shaft['visible_fraction'],
        'tail_seen': float(inside.mean()) if known else 0.0,
        'counts': bool(visible),
    }


def prepare_photo(job: tuple[Path, dict, Path]) -> int:
    photo, truth, out = job
    if not truth['face']:
        return 0
    c, face = truth['camera'], truth['face']
    camera = {'rotation': c['rotation'], 'translation': c['translation_mm'], 'f': [c['fx_px'], c['fy_px']]}
    camera |= {'c': [c['cx_px'], c['cy_px']], 'k': [c['k1'], c['k2']]}
    image, camera = reduced(upright(photo, truth['image']['stored_orientation']), camera, face['centres_mm'])
    height, width = image.shape[:2]
    cv2.imwrite(str(out / (photo.stem + '.jpg')), image, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    prepared = {'name': photo.stem, 'width': width, 'height': height, 'camera': camera}
    prepared |= {'centres': face['centres_mm'], 'radius': face['outer_radius_mm'], 'face': face['name']}
    prepared |= {key: truth[key] for key in ('difficulty', 'negative', 'maker')}
    if 'eye_mm' in truth:  # where the camera seems to stand if the shafts stand upright (`photos.py`)
        prepared['eye'] = truth['eye_mm']
    prepared['shafts'] = [shaft_of(s, camera, (width, height)) for s in truth['shafts']]
    temporary = out / (photo.stem + '.json.tmp')
    temporary.write_text(json.dumps(prepared))
    os.replace(temporary, out / (photo.stem + '.json'))  # last: a photo with this file is complete
    return 1


def truths(source: Path) -> list[tuple[Path, dict]]:
    """Photos of a folder and what is known of them, by name."""
    found = []
    for file in sorted(source.glob('*.truth.json')):
        truth = json.loads(file.read_text())
        found.append((source / truth['photo'], truth))
    known = {photo for photo, _ in found}
    return found + [(photo, truth) for photo, truth in confirmed.truths(source) if photo not in known]


def prepare(source: Path, out: Path, jobs: int = 2) -> int:
    """Returns how many photos are new in `out`."""
    out.mkdir(parents=True, exist_ok=True)
    cv2.setNumThreads(1)
    new = [(photo, truth, out) for photo, truth in truths(source) if not (out / (photo.stem + '.json')).exists()]
    with ProcessPoolExecutor(jobs) as pool:
        return sum(pool.map(prepare_photo, new))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split('\n')[0])
    parser.add_argument('source', type=Path)
    parser.add_argument('out', type=Path)
    parser.add_argument('--jobs', type=int, default=2)
    a = parser.parse_args()
    print(prepare(a.source, a.out, a.jobs), 'photos more in', a.out)


if __name__ == '__main__':
    main()
