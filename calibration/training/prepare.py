#!/usr/bin/env python3
"""prepare.py SRC OUT [--jobs N] [--watch]: photos with truth (photo-truth/1) -> what the fits read. What is in OUT already stays;
with --watch it goes on for as long as new photos come.

For every NAME.truth.json + NAME.jpg of SRC: OUT/NAME.jpg, the photo upright and area-averaged to at most 1.25 px per mm of the
face (the resolution that the program works at), and OUT/NAME.json: camera in pixels of that picture, face, shafts.
Photos without a face are left out."""

import argparse
import glob
import json
import os
import shutil
import time
from concurrent.futures import ProcessPoolExecutor

import cv2
import numpy as np

PX_PER_MM = 1.25
TURN = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}


def project(cam, p):
    """face points (mm) -> pixels; cam: rotation (3 x 3), translation, f (2), c (2), k (2)"""
    q = np.asarray(p, float) @ np.array(cam['rotation']).T + np.array(cam['translation'])
    u = q[..., :2] / q[..., 2:]
    r2 = (u**2).sum(-1, keepdims=True)
    return u * (1 + cam['k'][0] * r2 + cam['k'][1] * r2 * r2) * np.array(cam['f']) + np.array(cam['c'])


def one(job):
    source, out = job
    t = json.load(open(source))
    if not t['face']:
        return 0
    photo, name, c = source.replace('.truth.json', '.jpg'), t['photo'][:-4], t['camera']
    cam = {
        'rotation': c['rotation'],
        'translation': c['translation_mm'],
        'f': [c['fx_px'], c['fy_px']],
        'c': [c['cx_px'], c['cy_px']],
        'k': [c['k1'], c['k2']],
    }
    w, h = t['image']['width_px'], t['image']['height_px']
    middle = np.mean(t['face']['centres_mm'], 0)
    scale = (
        np.linalg.norm(
            np.diff(project(cam, [[middle[0] - 5, middle[1], 0], [middle[0] + 5, middle[1], 0]]), axis=0)
        )
        / 10
    )
    turn, k = t['image']['stored_orientation'], max(1.0, scale / PX_PER_MM)
    target = os.path.join(out, name + '.jpg')
    if k <= 1.05 and turn == 1:
        shutil.copyfile(photo, target)
    else:
        im = cv2.imread(photo, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
        im = cv2.rotate(im, TURN[turn]) if turn != 1 else im
        if k > 1.05:
            im = cv2.resize(im, (round(w / k), round(h / k)), interpolation=cv2.INTER_AREA)
        cv2.imwrite(target, im, [cv2.IMWRITE_JPEG_QUALITY, 95])
        kx, ky = im.shape[1] / w, im.shape[0] / h
        cam.update(
            f=[cam['f'][0] * kx, cam['f'][1] * ky],
            c=[(cam['c'][0] + 0.5) * kx - 0.5, (cam['c'][1] + 0.5) * ky - 0.5],
        )
        w, h = im.shape[1], im.shape[0]
    eye = -np.array(cam['rotation']).T @ np.array(cam['translation'])
    shafts = []
    for s in t['shafts']:
        e, a, n = np.array([*s['entry_mm'], 0.0]), np.array(s['axis']), s['protruding_mm']
        end = e + a * n
        tail = eye[:2] + (end[:2] - eye[:2]) * eye[2] / (eye[2] - end[2])
        uv = project(cam, e + a * np.linspace(n - 110, n, 23)[:, None])
        inside = (uv > 0).all(1) & (uv[:, 0] < w - 1) & (uv[:, 1] < h - 1)
        shafts.append(
            {
                'entry': e[:2].tolist(),
                'tail': tail.tolist(),
                'axis': a.tolist(),
                'length': n,
                'diameter': s['diameter_mm'],
                'fletched': s['kind'] == 'fletched',
                'seen': s['visible_fraction'],
                'tail_seen': float(inside.mean()),
                'counts': bool(s['in_picture'] and not s['entry_hidden'] and s['visible_fraction'] >= 0.15),
            }
        )
    target = os.path.join(out, name + '.json')
    with open(target + '.tmp', 'w') as file:
        json.dump(
            {
                'name': name,
                'width': w,
                'height': h,
                'camera': cam,
                'centres': t['face']['centres_mm'],
                'radius': t['face']['outer_radius_mm'],
                'face': t['face']['name'],
                'difficulty': t['difficulty'],
                'negative': t['negative'],
                'maker': t['maker'],
                'shafts': shafts,
            },
            file,
        )
    os.replace(target + '.tmp', target)  # last: a photo with this file is complete
    return 1


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument('src')
    ap.add_argument('out')
    ap.add_argument('--jobs', type=int, default=2)
    ap.add_argument('--watch', action='store_true')
    o = ap.parse_args()
    os.makedirs(o.out, exist_ok=True)
    cv2.setNumThreads(1)
    seen = {os.path.basename(f)[:-5] for f in glob.glob(o.out + '/*.json')}
    with ProcessPoolExecutor(o.jobs) as ex:
        while True:
            new = [
                f for f in sorted(glob.glob(o.src + '/*.truth.json')) if os.path.basename(f)[:-11] not in seen
            ]
            seen.update(os.path.basename(f)[:-11] for f in new)
            print(sum(ex.map(one, [(f, o.out) for f in new])), 'photos more in', o.out, flush=True)
            if not o.watch:
                break
            time.sleep(5)


if __name__ == '__main__':
    main()
