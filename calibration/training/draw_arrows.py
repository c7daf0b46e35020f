#!/usr/bin/env python3
"""Photos with arrows of every look drawn into them, ready for the fits (as prepare.py writes them):
`draw_arrows.py OUT FIRST LAST PROCESSES [--on PREPARED...] [--textures DIR] [--share P] [--bare P]`, seeds FIRST to LAST.

Each is either a face painted onto a picture of anything (--textures) under a random camera, or, with chance P, one of the prepared
photos (--on) whose camera is known: its own arrows stay and count. Drawn are shafts of 4 to 11 mm, tapered or not, shiny, with
rings and prints; vanes and feathers of every shape, size, number, colour and twist; wraps; nocks, some of them glowing; common and
own leans; shadows as dark as shafts; old holes; tape and pins; focus on the face or on the nocks; blur by motion; web copies,
sharpening, tone curves.
"""

import argparse
import glob
import json
import math
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np

from arrow_shapes import Style, blurred_by_depth, draw_arrow
from scene import FACES, Camera, painted_face, plane_blobs, quad, random_camera

SHARES_OF_FACES = [0.22, 0.2, 0.08, 0.1, 0.07, 0.07, 0.05, 0.06, 0.05, 0.05, 0.05]
MAX_OWN = 22  # arrows of a photo that others are drawn into
SMALLEST = 420  # px along the longer side of a reduced photo
JPEG_QUALITY = 93


@dataclass
class Scene:
    """A picture (0 to 1, red first) with its camera, before arrows are drawn."""

    image: np.ndarray
    camera: Camera
    radius: float
    face: str
    centres: list
    own: list  # shafts that are there already
    arrows: int  # to draw

    @property
    def size(self) -> tuple[int, int]:
        return self.image.shape[1], self.image.shape[0]


@dataclass
class Arrow:
    """An arrow to draw."""

    entry: np.ndarray
    axis: np.ndarray
    length: float
    style: Style
    fletched: bool

    def at(self, z):
        return np.array([*self.entry, 0.0]) + self.axis * np.asarray(z)[..., None]


def prepared_scene(r, stem: str) -> Scene | None:
    """A prepared photo."""
    with open(stem + '.json') as file:
        t = json.load(file)
    image = cv2.imread(stem + '.jpg')[..., ::-1].astype(np.float32) / 255
    c, own = t['camera'], [dict(s) for s in t['shafts']]
    camera = Camera(c['rotation'], c['translation'], c['f'], c['c'], c['k'])
    if len(own) >= MAX_OWN:
        return None
    return Scene(image, camera, t['radius'], t['face'], t['centres'], own, int(r.integers(1, 7)))


def painted_scene(r, textures: list[str]) -> Scene | None:
    """A face painted onto a picture of anything."""
    cm, radius, kind = FACES[r.choice(len(FACES), p=SHARES_OF_FACES)]
    camera, w, h = random_camera(r, radius)
    picture = cv2.imread(textures[r.integers(len(textures))])
    if picture is None:
        return None
    image = painted_face(r, picture[..., ::-1], camera, w, h, radius, kind)
    arrows = r.choice([0, r.integers(1, 4), r.integers(3, 13), r.integers(10, 21)], p=[0.03, 0.2, 0.62, 0.15])
    return Scene(image, camera, radius, f'{kind}-{cm}', [[0.0, 0.0]], [], int(arrows))


def random_arrows(r, scene: Scene, bare: float | None) -> list[Arrow]:
    """Arrows of one to three archers, farthest nock first; `bare`: share of bare shafts, else random."""
    (w, h), radius, camera = scene.size, scene.radius, scene.camera
    middle = np.mean(scene.centres, 0)
    styles = [Style(r) for _ in range(1 if r.random() < 0.55 else r.integers(2, 4))]
    lean = r.normal(0, math.radians(r.choice([2, 5, 11], p=[0.4, 0.35, 0.25])), 2)
    common = r.normal(0, 0.15)
    clusters = r.normal(0, radius * 0.4, (3, 2)) + middle
    scatter = radius * float(np.exp(r.uniform(math.log(0.05), math.log(0.7))))
    if bare is None:
        bare = r.choice([0, 0.5, 1.0], p=[0.35, 0.55, 0.1])
    arrows, taken = [], [s['entry'] for s in scene.own]
    for _ in range(scene.arrows):
        style = styles[r.integers(len(styles))]
        for _try in range(20):
            anywhere = r.random() < 0.35
            entry = middle + r.normal(0, radius * 0.55, 2) if anywhere else clusters[r.integers(3)] + r.normal(0, scatter, 2)
            x, y = camera.project([*entry, 0.0])
            inside = 4 < x < w - 5 and 4 < y < h - 5 and np.linalg.norm(entry - middle) < radius + 180
            if inside and all(math.dist(entry, q) > style.d * 1.1 for q in taken):
                break
        else:
            continue
        slope = lean + r.normal(0, math.radians(1.6), 2) + (r.normal(0, math.radians(6), 2) if r.random() < 0.08 else 0)
        axis = np.array([*slope, 1.0])
        axis /= np.linalg.norm(axis)
        length = float(np.clip(style.length * (1 + common) + r.normal(0, r.choice([8, 35])), 200, 800))
        arrows.append(Arrow(entry, axis, length, style, bool(r.random() >= bare)))
        taken.append(entry)
    return sorted(arrows, key=lambda a: -camera.depth(a.at(a.length)))


def with_shadows(image, camera, outlines, sun, dark: float, blur_px: float):
    """The shadows of polygons [n, 3] on the face plane."""
    h, w = image.shape[:2]
    shadow = np.zeros((h, w), np.float32)
    for outline in outlines:
        on_plane = outline - sun[None] * (outline[:, 2:] / sun[2])
        on_plane[:, 2] = 0
        if (camera.depth(on_plane) > 50).all():
            cv2.fillPoly(shadow, [quad(camera, on_plane).clip(-200000, 200000)], 1.0, cv2.LINE_AA, 4)
    return image * (1 - dark * cv2.GaussianBlur(shadow, (0, 0), max(0.4, blur_px)))[..., None]


def with_glow(image, camera, arrow: Arrow):
    """A nock that shines."""
    h, w = image.shape[:2]
    x, y = camera.project(arrow.at(arrow.length - 5)).astype(int)
    if not (0 <= x < w and 0 <= y < h):
        return image
    glow = np.zeros((h // 4 + 1, w // 4 + 1), np.float32)
    cv2.circle(glow, (int(x) // 4, int(y) // 4), 1, 1.0, -1)
    glow = cv2.resize(cv2.GaussianBlur(glow, (0, 0), 3), (w, h))
    return image + (glow / max(glow.max(), 1e-6))[..., None] * arrow.style.nock * 0.5


def draw_all(r, scene: Scene, bare: float | None) -> list[Arrow]:
    """Draws arrows with shadows into the scene; returns those drawn."""
    camera, middle = scene.camera, np.mean(scene.centres, 0)
    if not scene.own or r.random() < 0.4:
        scene.image = plane_blobs(r, scene.image, camera, scene.radius)
    az, el = r.uniform(0, 2 * math.pi), r.uniform(0.15, 1.3)
    sun = np.array([math.cos(el) * math.cos(az), math.cos(el) * math.sin(az), math.sin(el)])
    strong = r.random() < 0.5
    dark, soft_mm = (r.uniform(0.35, 0.92), r.uniform(0.3, 2.0)) if strong else (r.uniform(0.05, 0.4), r.uniform(2, 7))
    gain = float(np.clip(scene.image.mean() * 2, 0.35, 1.15))
    arrows = random_arrows(r, scene, bare)
    # focus: on the face, between, or on the nocks
    ends = camera.project([middle[0] + 5, middle[1], 0]), camera.project([middle[0] - 5, middle[1], 0])
    px_mm = np.linalg.norm(ends[0] - ends[1]) / 10
    aperture = r.choice([0, r.uniform(0, 3), r.uniform(2, 7)], p=[0.4, 0.38, 0.22]) * min(px_mm, 1.2)
    focus = r.choice([0.0, r.uniform(0, 1), 1.0], p=[0.7, 0.15, 0.15])
    drawn = []
    for a in arrows:
        missing = r.random() < 0.1
        patch = draw_arrow(r, camera, scene.size, a.entry, a.axis, a.length, a.style, a.fletched, sun, gain, missing)
        if patch is not None:
            drawn.append((a, patch))
    if dark > 0.04 and drawn:
        outlines = [outline for _, patch in drawn for outline in patch[4]]
        scene.image = with_shadows(scene.image, camera, outlines, sun, dark, soft_mm * px_mm)
    face_blur = aperture * focus
    if face_blur > 0.6:
        scene.image = cv2.GaussianBlur(scene.image, (0, 0), face_blur)
    for arrow, ((x, y), rgb, alpha, z, _) in drawn:
        nock_blur = aperture * (1 - focus) + 0.01
        patch = blurred_by_depth(rgb, alpha, z, face_blur, nock_blur) if aperture else np.dstack([rgb, alpha])
        paste(scene.image, patch, x, y)
        if arrow.style.glow:
            scene.image = with_glow(scene.image, camera, arrow)
    return [arrow for arrow, _ in drawn]


def paste(image, patch, x: int, y: int) -> None:
    """Lays a patch of premultiplied colours and alpha over the image, its corner at x, y."""
    h, w = image.shape[:2]
    left, top, right, bottom = max(x, 0), max(y, 0), min(x + patch.shape[1], w), min(y + patch.shape[0], h)
    if right <= left or bottom <= top:
        return
    patch = patch[top - y : bottom - y, left - x : right - x]
    image[top:bottom, left:right] = image[top:bottom, left:right] * (1 - patch[..., 3:]) + patch[..., :3]


def row_of(arrow: Arrow, scene: Scene) -> dict:
    """What the fits read of an arrow."""
    (w, h), eye, end = scene.size, scene.camera.eye, arrow.at(arrow.length)
    tail = eye[:2] + (end[:2] - eye[:2]) * eye[2] / max(eye[2] - end[2], 30.0)
    uv = scene.camera.project(arrow.at(np.linspace(arrow.length - 110, arrow.length, 23)))
    inside = (uv > 0).all(1) & (uv[:, 0] < w - 1) & (uv[:, 1] < h - 1)
    row = {'entry': [float(v) for v in arrow.entry], 'tail': [float(v) for v in tail], 'axis': arrow.axis.tolist()}
    row |= {'length': arrow.length, 'diameter': arrow.style.d, 'fletched': arrow.fletched}
    return {**row, 'seen': 1.0, 'tail_seen': float(inside.mean()), 'counts': True}


def motion_blurred(r, image):
    n, a = int(r.integers(3, 9)), r.uniform(0, math.pi)
    kernel, half = np.zeros((n, n), np.float32), (n - 1) / 2
    ends = [(round(half + q * half * math.cos(a)), round(half + q * half * math.sin(a))) for q in (-1, 1)]
    cv2.line(kernel, *ends, 1, 1, cv2.LINE_AA)
    return cv2.filter2D(image, -1, kernel / max(kernel.sum(), 1e-3))


def as_photographed(r, image, may_shrink: bool):
    """Blur, tone curve, colour cast, reduction, sharpening, noise, a copy of low quality: 8 bits."""
    if r.random() < 0.12:
        image = motion_blurred(r, image)
    if r.random() < 0.3:
        image = cv2.GaussianBlur(image, (0, 0), r.uniform(0.4, 1.3))
    scale = r.uniform(0.45, 0.95) if r.random() < 0.3 else 1.0
    h, w = image.shape[:2]
    if not may_shrink and max(w, h) * scale < SMALLEST:
        scale = 1.0
    image = np.clip(image, 0, 1.2)
    if r.random() < 0.4:
        image = image.clip(1e-3) ** float(np.exp(r.normal(0, 0.3)))
        q = np.clip(image, 0, 1)
        image = image + r.uniform(0, 0.6) * (q * q * (3 - 2 * q) - image)
    image = image * np.exp(r.normal(0, 0.06, 3)) + r.choice([0, r.uniform(0, 0.15)], p=[0.8, 0.2])
    if scale < 1:
        image = cv2.resize(image.astype(np.float32), (int(w * scale), int(h * scale)), interpolation=cv2.INTER_AREA)
    if r.random() < 0.35:
        image = image + r.uniform(0.3, 1.5) * (image - cv2.GaussianBlur(image, (0, 0), r.uniform(0.7, 1.6)))
    image = image + r.normal(0, r.choice([0.004, 0.02], p=[0.8, 0.2]), image.shape)
    image = np.ascontiguousarray((np.clip(image, 0, 1) * 255).astype(np.uint8)[..., ::-1])
    if r.random() < 0.35:
        copy = cv2.imencode('.jpg', image, [cv2.IMWRITE_JPEG_QUALITY, int(r.integers(25, 75))])[1]
        image = cv2.imdecode(copy, cv2.IMREAD_COLOR)
    return image


def make(job: tuple) -> int:
    """One photo by its seed; returns how many were written."""
    seed, out, on, textures, share, bare = job
    r = np.random.default_rng(seed)
    scene = prepared_scene(r, on[r.integers(len(on))]) if on and r.random() < share else painted_scene(r, textures)
    if scene is None:
        return 0
    scene.image = np.ascontiguousarray(scene.image, np.float32)
    w, h = scene.size
    rows = scene.own + [row_of(a, scene) for a in draw_all(r, scene, bare)]
    image = as_photographed(r, scene.image, may_shrink=not scene.own)
    kx, ky = image.shape[1] / w, image.shape[0] / h
    name, c = f'a{seed:06d}', scene.camera
    cv2.imwrite(os.path.join(out, name + '.jpg'), image, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    camera = {'rotation': c.R.tolist(), 'translation': c.t.tolist(), 'f': [c.f[0] * kx, c.f[1] * ky], 'k': c.k.tolist()}
    camera['c'] = [(c.c[0] + 0.5) * kx - 0.5, (c.c[1] + 0.5) * ky - 0.5]
    photo = {'name': name, 'width': image.shape[1], 'height': image.shape[0], 'camera': camera, 'centres': scene.centres}
    photo |= {'radius': scene.radius, 'face': scene.face, 'difficulty': 'plain', 'negative': None, 'maker': 'drawn over'}
    target = os.path.join(out, name + '.json')
    with open(target + '.tmp', 'w') as file:
        json.dump({**photo, 'shafts': rows}, file)
    os.replace(target + '.tmp', target)
    return 1


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split('\n')[0])
    parser.add_argument('out')
    parser.add_argument('first', type=int)
    parser.add_argument('last', type=int)
    parser.add_argument('processes', type=int)
    parser.add_argument('--on', nargs='*', default=[])
    parser.add_argument('--textures')
    parser.add_argument('--share', type=float, default=0.5)
    parser.add_argument('--bare', type=float, help='share of bare shafts among those drawn')
    a = parser.parse_args()
    os.makedirs(a.out, exist_ok=True)
    cv2.setNumThreads(1)
    on = [file[:-5] for folder in a.on for file in sorted(glob.glob(folder + '/*.json'))]
    textures = sorted(glob.glob(a.textures + '/*.jpg')) if a.textures else []
    jobs = [(seed, a.out, on, textures, a.share if textures else 1.0, a.bare) for seed in range(a.first, a.last + 1)]
    with ProcessPoolExecutor(a.processes) as pool:
        print(sum(pool.map(make, jobs)), 'photos drawn over in', a.out)


if __name__ == '__main__':
    main()
