#!/usr/bin/env python3
"""Photographs that a person annotated (`real-truth/1`) as a data set: `annotated.py BOSSMARK PHOTOS TRUTH OUT [--sources FILE]`.

A photograph shows neither the camera nor millimetres, so the program's own camera serves, and the nocks that a person marked say
how the shafts stand: OUT/NAME.truth.json (`photo-truth/1`) beside a link to the photo, for `prepare.py`. Photographs whose face
the program doesn't find are left out. --sources: a table (file, repository); what comes from one repository gets one `group`,
for cross-validation.
"""

import argparse
import csv
import json
import subprocess
from pathlib import Path

import numpy as np

from confirmed import MAX_LENGTH_MM, MIN_LENGTH_MM, USUAL_DIAMETER_MM, USUAL_LENGTH_MM, face_of, on_face

PATTERNS = {
    'ten-zone': 'wa-122',
    'six-zone': 'wa-80-6zone',
    'five-zone': 'wa-80-5zone',
    'three-spot': 'wa-40-3spot',
    'field': 'field-60',
}
FOOT_SD = 0.08  # of the foot point that the nocks show beside the camera's own, share of its distance: lean and errors of the pose
ACROSS_SD_MM = 8.0  # of a marked nock beside the line from the foot point, on the face plane
MIN_TAIL_MM = 15.0  # shorter than this on the face plane a shaft has no direction
SCALES = (0.66, 1.0, 1.5, 2.0, 3.0)  # the face's millimetres in true ones that are tried: a photograph doesn't show the size


def measured(bossmark: str, photo: Path, marks: dict) -> dict | None:
    """The program's record; None without a face."""
    command = [bossmark, 'measure', str(photo), '--face', PATTERNS[marks['face']], '--json']
    if marks.get('at'):
        command += ['--at', '{},{}'.format(*map(int, marks['at']))]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    record = json.loads(run.stdout) if run.returncode in (0, 1) and run.stdout else {}
    return record if record.get('camera') else None


def seen_foot(own: np.ndarray, distance: float, entries: np.ndarray, tails: np.ndarray) -> np.ndarray:
    """The point of the face plane that the shafts [n, 2] point away from, from the camera's own foot point: each nock lies on the
    line from the foot through its entry (least squares, one linearisation at a time)."""
    foot = own.copy()
    for _ in range(10):
        normal, right = np.eye(2) / (FOOT_SD * distance) ** 2, (own - foot) / (FOOT_SD * distance) ** 2
        for entry, tail in zip(entries, tails, strict=True):
            along, seen = entry - foot, tail - entry
            if np.linalg.norm(seen) < MIN_TAIL_MM or np.linalg.norm(along) < 1:
                continue
            unit = seen / np.linalg.norm(seen)
            across = np.array([-unit[1], unit[0]])
            # a nock read wrongly by so much turns its line at the foot by the lever's length
            sd = ACROSS_SD_MM * max(1.0, np.linalg.norm(along) / np.linalg.norm(seen))
            normal += np.outer(across, across) / sd**2
            right += across * (across @ along) / sd**2
        foot = foot + np.linalg.solve(normal, right)
    return foot


def height_of(mark: dict, camera: dict, foot: np.ndarray, distance: float) -> float | None:
    """How far the nock stands off the face plane, in the face's millimetres."""
    if not mark.get('nock_px'):
        return None
    entry, tail = (np.array(on_face(camera, mark[key])) for key in ('px', 'nock_px'))
    seen, slant = np.linalg.norm(tail - entry), np.linalg.norm(entry - foot)
    return distance * seen / (slant + seen) if seen > MIN_TAIL_MM else None


def scale_of(heights: list[float | None]) -> float:
    """The face's millimetres in true ones: such that shafts stand out as far as is usual."""
    known = [h for h in heights if h is not None]
    if not known:
        return 1.0
    return min(SCALES, key=lambda scale: abs(np.log(np.median(known) / scale / USUAL_LENGTH_MM)))


def shaft_of(mark: dict, camera: dict, scale: float, foot: np.ndarray, eye: np.ndarray) -> dict:
    """foot: where the shafts point away from; eye: the camera; both in the face's millimetres by its nominal size."""
    entry = np.array(on_face(camera, mark['px'])) / scale
    height = height_of(mark, camera, foot, eye[2])
    if height is not None:
        height = height / scale if MIN_LENGTH_MM <= height / scale <= MAX_LENGTH_MM else None
    axis = np.array([*((eye[:2] - foot) / eye[2]), 1.0])
    axis /= np.linalg.norm(axis)
    sure = mark.get('sure', True)
    return {
        'kind': mark['kind'],
        'entry_mm': entry.tolist(),
        'axis': axis.tolist(),
        'protruding_mm': (height or USUAL_LENGTH_MM) / axis[2],
        'nock_seen': height is not None,
        'diameter_mm': USUAL_DIAMETER_MM,
        'visible_fraction': 1.0 if sure else 0.0,
        'entry_hidden': not sure,
        'in_picture': True,
        'entry_px': mark['px'],
        'nock_px': mark.get('nock_px') or mark['px'],
    }


def truth_of(record: dict, marks: dict, group: int) -> dict:
    """What `photo-truth/1` says of a photo."""
    camera, pose = record['camera'], record['camera']['face_to_camera']
    rotation, translation = np.array(pose['rotation']), np.array(pose['translation_mm'])
    eye = -rotation.T @ translation
    nocks = [m for m in marks['entries'] if m.get('nock_px')]
    places = [np.array([on_face(camera, m[key]) for m in nocks]).reshape(-1, 2) for key in ('px', 'nock_px')]
    foot = seen_foot(eye[:2], eye[2], *places)
    scale = scale_of([height_of(m, camera, foot, eye[2]) for m in marks['entries']])
    face = face_of(PATTERNS[marks['face']])
    face |= {'centres_mm': (np.array(face['centres_mm']) / scale).tolist()}
    face |= {key: face[key] / scale for key in ('outer_radius_mm', 'diameter_mm')}
    lens = {key: camera[key] for key in ('fx_px', 'fy_px', 'cx_px', 'cy_px', 'k1', 'k2')}
    return {
        'schema': 'photo-truth/1',
        'photo': marks['photo'],
        'maker': 'real',
        'difficulty': marks['fit'],
        'group': group,
        'negative': None if marks['entries'] else 'no arrows',
        'face': face,
        'image': {'stored_orientation': None},
        'camera': {**lens, 'rotation': rotation.tolist(), 'translation_mm': (translation / scale).tolist()},
        'eye_mm': [*(foot / scale).tolist(), float(eye[2] / scale)],
        'shafts': [shaft_of(m, camera, scale, foot, eye) for m in marks['entries']],
    }


def groups(file: Path | None) -> dict[str, int]:
    """Photo -> number of its repository."""
    if file is None:
        return {}
    with file.open() as table:
        rows = [row for row in csv.reader(table, delimiter='\t') if row and row[0] != 'file']
    names = sorted({row[1] for row in rows})
    return {row[0]: names.index(row[1]) for row in rows}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split('\n')[0])
    parser.add_argument('bossmark')
    parser.add_argument('photos', type=Path)
    parser.add_argument('truth', type=Path)
    parser.add_argument('out', type=Path)
    parser.add_argument('--sources', type=Path)
    a = parser.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    group = groups(a.sources)
    for number, file in enumerate(sorted(a.truth.glob('*.json'))):
        marks = json.loads(file.read_text())
        photo = (a.photos / marks['photo']).resolve()
        if marks['face'] not in PATTERNS or not photo.is_file():
            continue
        record = measured(a.bossmark, photo, marks)
        if record is None:
            print(f'{photo.name}: no face')
            continue
        link = a.out / photo.name
        if not link.exists():
            link.symlink_to(photo)
        truth = truth_of(record, marks, group.get(photo.name, number))
        (a.out / f'{photo.stem}.truth.json').write_text(json.dumps(truth))
        nocks = sum(shaft['nock_seen'] for shaft in truth['shafts'])
        print(f'{photo.name}: {len(truth["shafts"])} shafts, {nocks} nocks')


if __name__ == '__main__':
    main()
