"""Confirmed records beside photos (NAME.end.json, `bossmark/end/1`) as truth.

A record counts when a person confirmed every entry. Entry and kind are then truth; camera, lean and nock are the program's own
findings, and where it saw no nock the tail counts as unseen.
"""

import json
import math
from pathlib import Path

USUAL_LENGTH_MM = 570.0  # what a shaft stands out by where no nock was seen (../shaft-net/model.json)
USUAL_DIAMETER_MM = 5.5
MIN_LENGTH_MM, MAX_LENGTH_MM = 150.0, 900.0


def is_confirmed(record: dict) -> bool:
    entries = record.get('entries') or []
    every = all(e.get('state') == 'confirmed' for e in entries)
    return every and (bool(entries) or record.get('revision', 0) > 0)


def face_of(name: str) -> dict | None:
    """Centres and radius of a face that the program knows."""
    file = Path(__file__).parent.parent / 'faces' / f'{name}.json'
    if not file.is_file():
        return None
    face = json.loads(file.read_text())
    radius = max(zone['diameter_mm'] for zone in face['zones']) / 2
    return {
        'name': name,
        'centres_mm': face['spots_mm'],
        'outer_radius_mm': radius,
        'diameter_mm': face['diameter_mm'],
    }


def on_face(camera: dict, px: list[float]) -> tuple[float, float]:
    """A pixel -> the face plane, mm."""
    ux, uy = (px[0] - camera['cx_px']) / camera['fx_px'], (px[1] - camera['cy_px']) / camera['fy_px']
    x, y = ux, uy
    for _ in range(20):  # radial terms undone
        r2 = x * x + y * y
        factor = 1 + camera['k1'] * r2 + camera['k2'] * r2 * r2
        x, y = ux / factor, uy / factor
    x, y = x * camera['fx_px'] + camera['cx_px'], y * camera['fy_px'] + camera['cy_px']
    a, b, c = (row[0] * x + row[1] * y + row[2] for row in camera['image_to_face'])
    return a / c, b / c


def evening_of(record: dict) -> str | None:
    """The day on which an end was shot, as written."""
    photo = record.get('photo') or {}
    date = (record.get('session') or {}).get('date') or photo.get('taken') or photo.get('taken_local')
    return date[:10] if date else None


def shaft_of(entry: dict, camera: dict, distance_mm: float, foot: tuple[float, float]) -> dict:
    lean = entry.get('lean') or {}
    axis = [math.tan(math.radians(lean.get(key) or 0.0)) for key in ('right_deg', 'up_deg')]
    norm = math.hypot(*axis, 1.0)
    axis = [axis[0] / norm, axis[1] / norm, 1 / norm]
    x, y = entry['x_mm'], entry['y_mm']
    length, segment = None, entry.get('segment_px')
    if segment and segment[1]:
        tail = on_face(camera, segment[1])
        seen = math.dist(tail, (x, y))
        # the foot point from which the shaft would seem to stand upright
        own_foot = [foot[k] - axis[k] / axis[2] * distance_mm for k in range(2)]
        slant = math.dist((x, y), own_foot)
        height = distance_mm * seen / (slant + seen) if slant + seen > 1 else 0.0
        length = height / axis[2] if MIN_LENGTH_MM <= height <= MAX_LENGTH_MM else None
    return {
        'kind': entry['kind'],
        'entry_mm': [x, y],
        'axis': axis,
        'protruding_mm': length or USUAL_LENGTH_MM,
        'nock_seen': length is not None,
        'diameter_mm': entry.get('thickness_mm') or USUAL_DIAMETER_MM,
        'visible_fraction': 1.0,
        'entry_hidden': False,
        'in_picture': True,
        'entry_px': entry['px'],
        'nock_px': segment[1] if segment else entry['px'],
    }


def truth_of(record: dict) -> dict | None:
    """What `photo-truth/1` says of a photo; None where the record has no camera or not every entry is confirmed."""
    camera, face = record.get('camera'), record.get('face')
    spec = face_of(face['name']) if face else None
    if not (is_confirmed(record) and camera and spec and all(e.get('px') for e in record['entries'])):
        return None
    pose = camera['face_to_camera']
    rotation, translation = pose['rotation'], pose['translation_mm']
    eye = [-sum(rotation[k][i] * translation[k] for k in range(3)) for i in range(3)]
    lens = {key: camera[key] for key in ('fx_px', 'fy_px', 'cx_px', 'cy_px', 'k1', 'k2')}
    return {
        'schema': 'photo-truth/1',
        'photo': record['photo']['file'],
        'maker': 'own',
        'difficulty': 'own',
        'evening': evening_of(record),
        'negative': None if record['entries'] else 'no arrows',
        'face': spec,
        'image': {'stored_orientation': None},  # pixels of a record are those of the upright photo
        'camera': {**lens, 'rotation': rotation, 'translation_mm': translation},
        'shafts': [shaft_of(e, camera, eye[2], (eye[0], eye[1])) for e in record['entries']],
    }


def truths(folder: Path) -> list[tuple[Path, dict]]:
    """Photos of a folder with a confirmed record beside them, by name."""
    found = []
    for file in sorted(folder.glob('*.end.json')):
        record = json.loads(file.read_text())
        truth = truth_of(record)
        photo = folder / Path(truth['photo']).name if truth else None
        if photo and photo.is_file():
            found.append((photo, truth))
    return found
