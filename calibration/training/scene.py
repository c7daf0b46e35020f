"""Scenes that arrows are drawn into: a camera, a face painted onto any picture, what lies on its paper."""

import math

import cv2
import numpy as np

LARGEST = 1500  # px along the longer side
FACES = [
    (122, 610, 'ten'),
    (80, 400, 'ten'),
    (60, 300, 'ten'),
    (40, 200, 'ten'),
    (80, 240, 'six'),
    (80, 200, 'five'),
    (40, 100, 'five'),
    (60, 300, 'field'),
    (40, 200, 'field'),
    (65, 325, 'field'),
    (40, 200, 'blue'),
]


class Camera:
    def __init__(self, R, t, f, c, k):
        self.R, self.t, self.f, self.c, self.k = (
            np.array(R, float),
            np.array(t, float),
            np.array(f, float),
            np.array(c, float),
            np.array(k, float),
        )
        self.eye = -self.R.T @ self.t

    def project(self, X):
        q = np.asarray(X, float) @ self.R.T + self.t
        u = q[..., :2] / np.maximum(q[..., 2:], 1.0)
        r2 = (u**2).sum(-1, keepdims=True)
        return u * (1 + self.k[0] * r2 + self.k[1] * r2 * r2) * self.f + self.c

    def depth(self, X):
        return (np.asarray(X, float) @ self.R.T + self.t)[..., 2]

    def plane(self, w, h, step=1):
        """face-plane points of all pixels (radial terms undone)"""
        x, y = np.meshgrid(np.arange(0, w, step, dtype=np.float32), np.arange(0, h, step, dtype=np.float32))
        d = np.stack([(x - self.c[0]) / self.f[0], (y - self.c[1]) / self.f[1]], -1)
        u = d.copy()
        for _ in range(6 if self.k.any() else 0):
            r2 = (u**2).sum(-1, keepdims=True)
            u = d / (1 + self.k[0] * r2 + self.k[1] * r2 * r2)
        ray = np.concatenate([u, np.ones_like(u[..., :1])], -1)
        s = (self.R[:, 2] @ self.t) / np.minimum(ray @ self.R[:, 2], -1e-3)
        return (ray * s[..., None] - self.t) @ self.R[:, :2]


def random_camera(r, radius):
    """a camera that has the face in the picture, or most of it"""
    w, h = [(4, 3), (3, 4), (16, 9), (3, 2), (9, 16), (1, 1)][r.choice(6, p=[0.35, 0.3, 0.1, 0.1, 0.1, 0.05])]
    size = float(np.exp(r.uniform(math.log(420), math.log(LARGEST))))
    w, h = int(w / max(w, h) * size), int(h / max(w, h) * size)
    f = math.hypot(w, h) * float(np.exp(r.normal(math.log(0.62), 0.22))) * (2.5 if r.random() < 0.06 else 1)
    tilt = abs(r.normal(0, 11)) if r.random() < 0.4 else r.uniform(5, 66)
    az = r.choice([0, math.pi]) + r.normal(0, 0.5) if r.random() < 0.75 else r.uniform(0, 2 * math.pi)  # mostly from the side
    v = np.array(
        [
            math.sin(math.radians(tilt)) * math.cos(az),
            math.sin(math.radians(tilt)) * math.sin(az),
            math.cos(math.radians(tilt)),
        ]
    )
    fill = float(np.exp(r.uniform(math.log(0.35), math.log(1.7))))  # of the shorter side, by the diameter
    eye = v * max(f * 2 * radius / (fill * min(w, h)), 450 + radius * 0.3)
    aim = np.array([*r.normal(0, 0.35 * radius, 2), 0.0])
    z = aim - eye
    z /= np.linalg.norm(z)
    x = np.cross(z, [0, 1.0, 0])
    x /= np.linalg.norm(x)
    R = np.array([x, np.cross(z, x), z])
    a = math.radians(r.normal(0, 4)) + (r.choice([-1, 1, 2]) * math.pi / 2 if r.random() < 0.05 else 0)
    R = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]]) @ R
    k = [r.normal(0, 0.03), 0.0] if r.random() < 0.7 else [0.0, 0.0]
    return Camera(R, -R @ eye, [f, f], [(w - 1) / 2, (h - 1) / 2], k), w, h


def colour(r, vivid=0.6):
    if r.random() < vivid:
        c = (
            cv2.cvtColor(np.uint8([[[r.integers(180), r.integers(130, 256), r.integers(90, 256)]]]), cv2.COLOR_HSV2RGB)[0, 0]
            / 255.0
        )
    else:
        c = np.ones(3) * r.choice([r.uniform(0.02, 0.2), r.uniform(0.75, 1), r.uniform(0.2, 0.8)]) + r.normal(0, 0.02, 3)
    return np.clip(c, 0, 1)


def hsv(r, h, s, v):
    return cv2.cvtColor(np.float32([[[r.uniform(*h) % 360, r.uniform(*s), r.uniform(*v)]]]), cv2.COLOR_HSV2RGB)[0, 0]


def noise(r, h, w, cell):
    n = r.normal(0, 1, (int(h / cell) + 3, int(w / cell) + 3)).astype(np.float32)
    return cv2.resize(n, (w, h), interpolation=cv2.INTER_CUBIC)


def painted_face(r, picture, cam, w, h, radius, kind):
    """a face on a picture of anything: what the picture shows is taken for the boss; its light falls on the paper too"""
    im = picture.astype(np.float32) / 255
    im = cv2.resize(im, (w, h), interpolation=cv2.INTER_AREA)
    if r.random() < 0.5:
        im = im * r.uniform(0.4, 1.0) + r.uniform(0, 0.2)
    X = cam.plane(w, h)
    q = r.uniform(0, 2 * math.pi)
    bend = r.normal(0, 0.008) * radius
    rho = np.hypot(X[..., 0], X[..., 1])
    th = np.arctan2(X[..., 1], X[..., 0])
    rho = rho + bend * np.cos(2 * (th - q)) * (rho / radius) ** 2
    lum = cv2.GaussianBlur(im.mean(2), (0, 0), max(w, h) / 12)
    shade = (1 + r.uniform(0, 0.7) * (lum / max(lum.mean(), 0.05) - 1)) * (
        1 + 0.05 * noise(r, h, w, 60) + r.uniform(0, 0.03) * noise(r, h, w, 2.5)
    )
    gold, red, blue = (
        hsv(r, (38, 60), (0.5, 1), (0.7, 1)),
        hsv(r, (-20, 18), (0.6, 1), (0.5, 1)),
        hsv(r, (180, 235), (0.35, 1), (0.35, 0.95)),
    )
    black, white = (
        np.ones(3) * r.uniform(0.03, 0.25),
        np.clip(np.ones(3) * r.uniform(0.72, 1) + r.normal(0, 0.03, 3), 0, 1),
    )
    ten = [gold, gold, red, red, blue, blue, black, black, white, white]
    zones = {
        'ten': ten,
        'six': ten[:6],
        'five': ten[:5],
        'field': [gold, black, black, black, black],
        'blue': [white] + [hsv(r, (200, 250), (0.5, 1), (0.2, 0.6))] * 4,
    }[kind]
    if kind == 'ten' and r.random() < 0.15:
        zones = [black, black, black, white, white] if r.random() < 0.5 else zones
    n = len(zones)
    i = np.clip((rho / radius * n).astype(int), 0, n - 1)
    paper = np.array(zones, np.float32)[i]
    line = r.uniform(0, 4)
    f = rho / radius * n
    edge = np.abs(f - np.rint(f)) * radius / n
    dark = np.array([z.mean() for z in zones])[i] < 0.35
    if r.random() < 0.85:
        lines = np.clip(line / 2 - edge + 0.5, 0, 1) * (rho < radius + line)
        paper = paper * (1 - lines[..., None]) + np.where(dark, 0.9, 0.08)[..., None] * lines[..., None]
    out = r.uniform(1.0, 1.25) * radius
    shape = np.abs(X).max(-1) if r.random() < 0.6 else rho * r.uniform(1, 1.05)
    paper[rho > radius] = white * r.uniform(0.8, 1)
    paper = paper * shade[..., None].clip(0.2, 2)
    m = cv2.GaussianBlur(
        (
            (shape < out) & (np.einsum('...i,i', np.concatenate([X, np.ones_like(X[..., :1]) * 0], -1) - cam.eye, cam.R[2]) > 1)
        ).astype(np.float32),
        (0, 0),
        0.7,
    )[..., None]
    return np.clip(im * (1 - m) + paper * m, 0, 1.2)


def quad(cam, P):
    return np.round(cam.project(P) * 16).astype(np.int32)


def plane_blobs(r, im, cam, radius):
    """old holes, scraps of tape, pins, lines by pen"""
    n = int(r.choice([0, r.integers(0, 30), r.integers(30, 350)], p=[0.35, 0.4, 0.25]))
    scatter = radius * r.uniform(0.2, 0.6)
    for _ in range(n):
        c = r.normal(0, scatter, 2)
        a = np.linspace(0, 2 * math.pi, 9)[:-1]
        for size, col in (
            (r.uniform(3, 8), np.ones(3) * r.uniform(0.5, 0.95)),
            (r.uniform(1.8, 5), np.clip(np.array([0.25, 0.2, 0.14]) * r.uniform(0.2, 2.2), 0, 1)),
        ):
            if size > 4.5 and r.random() < 0.4:
                continue
            rad = size * np.exp(r.normal(0, 0.3, 8))
            P = np.column_stack([c[0] + rad * np.cos(a), c[1] + rad * np.sin(a), np.zeros(8)])
            cv2.fillPoly(im, [quad(cam, P)], col.tolist(), cv2.LINE_AA, 4)
    for _ in range(int(r.choice([0, 1, 5], p=[0.5, 0.3, 0.2]))):
        c, a = r.normal(0, radius * 0.7, 2), r.uniform(0, math.pi)
        size, width = r.uniform(15, 160), r.uniform(2, 25)
        u = np.array([math.cos(a), math.sin(a)])
        v = np.array([-u[1], u[0]])
        P = np.array([[*(c + s * size / 2 * u + q * width / 2 * v), 0] for s, q in ((-1, -1), (1, -1), (1, 1), (-1, 1))])
        cv2.fillPoly(im, [quad(cam, P)], colour(r, 0.4).tolist(), cv2.LINE_AA, 4)
    return im
