#!/usr/bin/env python3
"""arrows.py OUT FIRST LAST PROCESSES [--on PREPARED…] [--textures DIR] [--seconds S] [--share P]: photos with arrows of every look drawn into them, ready for the fits (as
prepare.py writes them). Each is either a face painted onto a picture of anything (--textures) under a random camera, or, with chance P, one of the prepared
photos (--on) whose camera is known: its own arrows stay and count.

Drawn are shafts of 4 to 11 mm, tapered or not, shiny, with rings and prints; vanes and feathers of every shape, size, number, colour and twist; wraps; nocks, some of
them glowing; common and own leans; shadows as dark as shafts; old holes; tape and pins; focus on the face or on the nocks; blur by motion; web copies, sharpening, tone curves."""

import argparse
import glob
import itertools
import json
import math
import os
import time
from concurrent.futures import ProcessPoolExecutor

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
    az = (
        r.choice([0, math.pi]) + r.normal(0, 0.5) if r.random() < 0.75 else r.uniform(0, 2 * math.pi)
    )  # mostly from the side
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
            cv2.cvtColor(
                np.uint8([[[r.integers(180), r.integers(130, 256), r.integers(90, 256)]]]), cv2.COLOR_HSV2RGB
            )[0, 0]
            / 255.0
        )
    else:
        c = np.ones(3) * r.choice([r.uniform(0.02, 0.2), r.uniform(0.75, 1), r.uniform(0.2, 0.8)]) + r.normal(
            0, 0.02, 3
        )
    return np.clip(c, 0, 1)


def hsv(r, h, s, v):
    return cv2.cvtColor(
        np.float32([[[r.uniform(*h) % 360, r.uniform(*s), r.uniform(*v)]]]), cv2.COLOR_HSV2RGB
    )[0, 0]


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
            (shape < out)
            & (
                np.einsum('...i,i', np.concatenate([X, np.ones_like(X[..., :1]) * 0], -1) - cam.eye, cam.R[2])
                > 1
            )
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
    _h, _w = im.shape[:2]
    spread = radius * r.uniform(0.2, 0.6)
    for _ in range(n):
        c = r.normal(0, spread, 2)
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
        l, b = r.uniform(15, 160), r.uniform(2, 25)
        u = np.array([math.cos(a), math.sin(a)])
        v = np.array([-u[1], u[0]])
        P = np.array(
            [[*(c + s * l / 2 * u + q * b / 2 * v), 0] for s, q in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        )
        cv2.fillPoly(im, [quad(cam, P)], colour(r, 0.4).tolist(), cv2.LINE_AA, 4)
    return im


class Style:
    """what one archer's arrows look like"""

    def __init__(s, r):
        s.d = r.choice([r.uniform(4, 6), r.uniform(5.2, 7.5), r.uniform(7, 11)], p=[0.35, 0.45, 0.2])
        s.shaft = [
            np.ones(3) * r.uniform(0.03, 0.18),
            np.ones(3) * r.uniform(0.3, 0.75),
            np.array([0.72, 0.55, 0.35]) * r.uniform(0.6, 1.2),
            colour(r),
        ][r.choice(4, p=[0.58, 0.17, 0.12, 0.13])]
        s.gloss, s.taper = r.choice([0, r.uniform(0.1, 0.8)]), r.choice([0, r.uniform(0, 0.25)], p=[0.7, 0.3])
        s.length = float(np.clip(r.normal(585, 90), 330, 780))
        s.nock, s.nock_d, s.nock_l = colour(r, 0.8), r.uniform(0.95, 1.45), r.uniform(9, 20)
        s.glow = r.random() < 0.08
        s.wrap = r.choice([0, r.uniform(60, 240)], p=[0.62, 0.38])
        s.wrap_c = [colour(r, 0.75), colour(r, 0.6)]
        s.wrap_p = r.choice([0, r.uniform(6, 50)], p=[0.6, 0.4])
        s.n = int(r.choice([3, 4, 2, 6], p=[0.82, 0.12, 0.03, 0.03]))
        s.shape = r.choice(5, p=[0.3, 0.2, 0.15, 0.15, 0.2])
        feather = s.shape == 4
        s.vl = r.uniform(65, 130) if feather else float(np.exp(r.uniform(math.log(32), math.log(95))))
        s.vh = r.uniform(10, 20) if feather else r.uniform(5.5, 13)
        s.gap = r.uniform(14, 42)
        s.phi = r.uniform(0, 2 * math.pi)
        s.twist = r.normal(0, 0.003) if r.random() < 0.6 else 0
        s.vc, s.cock = colour(r, 0.8), colour(r, 0.8)
        if r.random() < 0.3:
            s.cock = s.vc
        s.alpha, s.bars = (
            r.choice([1, r.uniform(0.6, 1)], p=[0.7, 0.3]),
            r.choice([0, r.uniform(8, 25)], p=[0.8, 0.2]),
        )
        s.prints = (
            [(r.uniform(0.05, 0.95), r.uniform(3, 90), colour(r)) for _ in range(r.integers(0, 4))]
            if r.random() < 0.5
            else []
        )


def profile(shape, u, r):
    """height of a vane at u (0: front, 1: rear), 0 to 1"""
    return [
        np.sin(math.pi * np.clip(u, 0, 1) ** 1.6) ** 0.8,
        np.clip(u * 1.25, 0, 1) * (u < 0.985),
        np.clip(u * 4, 0, 1) * np.clip((1 - u) * 6, 0, 1),
        np.clip(u * 2, 0, 1) * (1 - 0.55 * u),
        np.clip(u * 3.2, 0, 1) ** 0.7 * np.clip((1.02 - u) * 9, 0, 1),
    ][shape]


def draw_arrow(r, cam, size, e, axis, L, s, fletched, sun, light_gain, missing):
    """one arrow -> patch place, colour, alpha, height over the entry (0-1) by pixel; shadow polygons"""
    w, h = size
    e1 = np.cross(axis, cam.eye - (np.array([*e, 0.0]) + axis * L / 2))
    e1 /= np.linalg.norm(e1)
    e2 = np.cross(axis, e1)  # e2 away from or towards the camera

    def at(z):
        return np.array([*e, 0.0]) + axis * np.asarray(z)[..., None]

    S = 2
    toward = np.sign((cam.eye - at(L / 2)) @ e2)

    def rad(z):
        return s.d / 2 * (1 - s.taper * z / L)

    def lit(nrm):
        return 0.45 + 0.75 * max(0.0, float(nrm @ sun))

    vane = []
    if fletched:
        rear = L - s.gap
        front = rear - s.vl
        for k in range(s.n):
            if missing and r.random() < 0.3:
                continue
            phi = s.phi + r.normal(0, 0.08) + 2 * math.pi * k / s.n
            u = np.linspace(0, 1, 15)
            z = front + s.vl * u
            a = phi + s.twist * (z - front)
            hgt = s.vh * profile(s.shape, u, r) * (1 + r.normal(0, 0.05))
            if s.shape == 4:
                hgt = hgt * (1 + r.normal(0, 0.06, 15)).clip(0.6, 1.2)
            dirs = np.cos(a)[:, None] * e1 + np.sin(a)[:, None] * e2 * toward
            base, top = (
                at(z) + dirs * (rad(rear) * 0.9),
                at(z - 0.35 * s.vh * (s.shape == 4)) + dirs * (rad(rear) + hgt)[:, None],
            )
            c = s.cock if k == 0 else s.vc
            nrm = np.cross(axis, dirs[7])
            g = lit(nrm if nrm @ (cam.eye - at(L)) > 0 else -nrm) * r.uniform(0.75, 1.15)
            vane.append((np.sin(a[7]), base, top, c * g))
    shapes = []
    # shaft in stripes across: dark edges, highlight
    zs = np.array([-2.0, L * 0.25, L * 0.5, L * 0.75, L - s.nock_l])
    hl = r.uniform(-0.5, 0.5)

    def tube(z0, z1, r0, r1, c, n=5):
        for j in range(n):
            q0, q1 = -1 + 2 * j / n, -1 + 2 * (j + 1) / n
            m = (q0 + q1) / 2
            g = 0.5 + 0.6 * max(0.0, 1 - (m - hl) ** 2)
            hi = s.gloss * math.exp(-(((m - hl) / 0.25) ** 2))
            P = np.array(
                [
                    at(np.array(z0)) + e1 * q0 * r0,
                    at(np.array(z0)) + e1 * q1 * r0,
                    at(np.array(z1)) + e1 * q1 * r1,
                    at(np.array(z1)) + e1 * q0 * r1,
                ]
            )
            shapes.append((P, np.clip(np.asarray(c) * g * light_gain + hi * light_gain * 0.8, 0, 1.1)))

    def shaft():
        for a, b in itertools.pairwise(zs):
            tube(a, b, rad(a), rad(b), s.shaft)
        for where, ln, c in s.prints:
            tube(where * (L - ln), where * (L - ln) + ln, rad(where * L) * 1.01, rad(where * L) * 1.01, c)
        if s.wrap:
            z = L - s.nock_l - s.wrap
            k = 0
            while z < L - s.nock_l:
                z1 = min(L - s.nock_l, z + (s.wrap_p or s.wrap))
                tube(z, z1, rad(z) * 1.05, rad(z1) * 1.05, s.wrap_c[k % 2])
                z, k = z1, k + 1
        gn = 2.2 if s.glow else 1
        for _P, c in [(shapes.__len__(), None)]:
            pass
        tube(L - s.nock_l, L, rad(L) * s.nock_d, rad(L) * s.nock_d * 0.8, np.clip(s.nock * gn, 0, 1.1))
        # the end of the nock, a disc, where it is seen
        t = np.linspace(0, 2 * math.pi, 11)[:-1]
        shapes.append(
            (
                at(np.array(L)) + rad(L) * s.nock_d * (np.cos(t)[:, None] * e1 + np.sin(t)[:, None] * e2),
                np.clip(s.nock * gn * light_gain * r.uniform(0.6, 1.1), 0, 1.1),
            )
        )

    def vanes(which):
        for q, base, top, c in vane:
            if (q > 0) == which:
                if s.bars:
                    for i in range(14):
                        shapes.append(
                            (
                                np.array([base[i], base[i + 1], top[i + 1], top[i]]),
                                np.clip(
                                    c * light_gain * (1 if int(i * s.vl / 14 / s.bars) % 2 else 0.55), 0, 1.1
                                ),
                            )
                        )
                else:
                    shapes.append((np.concatenate([base, top[::-1]]), np.clip(c * light_gain, 0, 1.1)))

    vanes(False)
    first_shaft = len(shapes)
    shaft()
    last_shaft = len(shapes)
    vanes(True)
    px = cam.project(np.concatenate([p for p, _ in shapes]))
    if not np.isfinite(px).all() or (cam.depth(at(np.array([0, L]))) < 120).any():
        return None
    m = 10
    x0, y0 = np.floor(px.min(0)).astype(int) - m
    x1, y1 = np.ceil(px.max(0)).astype(int) + m
    x0, y0, x1, y1 = max(x0, -60), max(y0, -60), min(x1, w + 60), min(y1, h + 60)
    if x1 - x0 < 3 or y1 - y0 < 3:
        return None
    W, H = (x1 - x0) * S, (y1 - y0) * S
    rgb, al = np.zeros((H, W, 3), np.float32), np.zeros((H, W), np.float32)

    def place(P):
        return np.round(((cam.project(P) - [x0, y0] + 0.5) * S - 0.5) * 16).astype(np.int32)

    for k, (P, c) in enumerate(shapes):
        a = s.alpha if not first_shaft <= k < last_shaft else 1.0
        if a < 1:
            mk = np.zeros((H, W), np.float32)
            cv2.fillPoly(mk, [place(P)], 1.0, cv2.LINE_8, 4)
            rgb += (np.asarray(c, np.float32) - rgb) * (mk * a)[..., None]
            al = np.maximum(al, al + (1 - al) * mk * a)
        else:
            cv2.fillPoly(rgb, [place(P)], [float(v) for v in c], cv2.LINE_8, 4)
            cv2.fillPoly(al, [place(P)], 1.0, cv2.LINE_8, 4)
    rgb, al = (
        cv2.resize(rgb * np.ceil(al)[..., None], (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA),
        cv2.resize(al, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA),
    )
    a, b = cam.project(at(np.array(0.0))), cam.project(at(np.array(L)))
    d = b - a
    yy, xx = np.mgrid[y0:y1, x0:x1]
    z = (
        np.clip(((xx - a[0]) * d[0] + (yy - a[1]) * d[1]) / max(d @ d, 1.0), 0, 1).astype(np.float32)
        if d @ d > 9
        else np.ones_like(al) * 0.8
    )
    solid = [
        np.array(
            [
                at(np.array(-2.0)) - e1 * rad(0),
                at(np.array(-2.0)) + e1 * rad(0),
                at(np.array(L)) + e1 * rad(L),
                at(np.array(L)) - e1 * rad(L),
            ]
        )
    ] + [np.concatenate([b_, t_[::-1]]) for _, b_, t_, _ in vane]
    return (x0, y0), rgb, al, z, solid


def blurred_by_depth(rgb, al, z, near, far):
    """premultiplied colours and alpha, blurred by a sigma that runs from near (entry) to far (nock)"""
    lv = [0, 1.0, 2.0, 4.0, 8.0]
    lv = [v for v in lv if v <= max(near, far) * 2 + 0.01] or [0]
    P = np.dstack([rgb, al])
    sig = near + (far - near) * z
    stack = [P if v == 0 else cv2.GaussianBlur(P, (0, 0), v) for v in lv]
    if len(lv) == 1:
        return P
    pos = np.interp(cv2.GaussianBlur(sig, (0, 0), 3) if max(near, far) > 1 else sig, lv, range(len(lv)))
    i = np.clip(pos.astype(int), 0, len(lv) - 2)
    f = (pos - i)[..., None]
    A = np.choose(i[..., None], stack[:-1]) if len(stack) > 2 else stack[0]
    B = np.choose(i[..., None], stack[1:]) if len(stack) > 2 else stack[1]
    return A * (1 - f) + B * f


def make(job):
    seed, out, on, textures, share = job
    r = np.random.default_rng(seed)
    name = 'a%06d' % seed
    own = []
    if on and r.random() < share:
        stem = on[r.integers(len(on))]
        t = json.load(open(stem + '.json'))
        im = cv2.imread(stem + '.jpg')[..., ::-1].astype(np.float32) / 255
        c = t['camera']
        cam = Camera(c['rotation'], c['translation'], c['f'], c['c'], c['k'])
        h, w = im.shape[:2]
        radius, own, face, centres = t['radius'], [dict(s) for s in t['shafts']], t['face'], t['centres']
        if max(len(own), 1) >= 22:
            return 0
        many = r.integers(1, 7)
    else:
        cm, radius, kind = FACES[
            r.choice(len(FACES), p=[0.22, 0.2, 0.08, 0.1, 0.07, 0.07, 0.05, 0.06, 0.05, 0.05, 0.05])
        ]
        cam, w, h = random_camera(r, radius)
        face, centres = kind + '-%d' % cm, [[0.0, 0.0]]
        pic = cv2.imread(textures[r.integers(len(textures))])
        if pic is None:
            return 0
        im = painted_face(r, pic[..., ::-1], cam, w, h, radius, kind)
        many = r.choice(
            [0, r.integers(1, 4), r.integers(3, 13), r.integers(10, 21)], p=[0.03, 0.2, 0.62, 0.15]
        )
    im = np.ascontiguousarray(im, np.float32)
    middle = np.mean(centres, 0)
    if not own or r.random() < 0.4:
        im = plane_blobs(r, im, cam, radius)
    # light
    az, el = r.uniform(0, 2 * math.pi), r.uniform(0.15, 1.3)
    sun = np.array([math.cos(el) * math.cos(az), math.cos(el) * math.sin(az), math.sin(el)])
    dark, soft = (
        (r.uniform(0.35, 0.92), r.uniform(0.3, 2.0))
        if r.random() < 0.5
        else (r.uniform(0.05, 0.4), r.uniform(2, 7))
    )
    gain = float(np.clip(im.mean() * 2, 0.35, 1.15))
    styles = [Style(r) for _ in range(1 if r.random() < 0.55 else r.integers(2, 4))]
    lean = r.normal(0, math.radians(r.choice([2, 5])), 2)
    common = r.normal(0, 0.15)
    cluster = r.normal(0, radius * 0.4, (3, 2)) + middle
    spread = radius * float(np.exp(r.uniform(math.log(0.05), math.log(0.7))))
    # focus: on the face, between, or on the nocks
    px_mm = (
        np.linalg.norm(
            cam.project([middle[0] + 5, middle[1], 0]) - cam.project([middle[0] - 5, middle[1], 0])
        )
        / 10
    )
    aperture = r.choice([0, r.uniform(0, 3), r.uniform(2, 7)], p=[0.45, 0.4, 0.15]) * min(px_mm, 1.2)
    focus = r.choice([0.0, r.uniform(0, 1), 1.0], p=[0.7, 0.15, 0.15])
    made, shafts, bare = [], [], r.choice([0, 0.5, 1.0], p=[0.35, 0.55, 0.1])
    taken = [s['entry'] for s in own]
    for _ in range(int(many)):
        s = styles[r.integers(len(styles))]
        for _try in range(20):
            e = (
                (middle + r.normal(0, radius * 0.55, 2))
                if r.random() < 0.35
                else cluster[r.integers(3)] + r.normal(0, spread, 2)
            )
            p = cam.project([*e, 0.0])
            if (
                4 < p[0] < w - 5
                and 4 < p[1] < h - 5
                and np.linalg.norm(e - middle) < radius + 180
                and all(math.dist(e, q) > s.d * 1.1 for q in taken)
            ):
                break
        else:
            continue
        a = np.array(
            [
                *(
                    lean
                    + r.normal(0, math.radians(1.6), 2)
                    + (r.normal(0, math.radians(6), 2) if r.random() < 0.08 else 0)
                ),
                1.0,
            ]
        )
        a /= np.linalg.norm(a)
        L = float(np.clip(s.length * (1 + common) + r.normal(0, r.choice([8, 35])), 200, 800))
        fl = r.random() >= bare
        made.append((cam.depth(np.array([*e, 0.0]) + a * L), e, a, L, s, fl))
        taken.append(e)
    made.sort(key=lambda m: -m[0])
    draw = [
        (m, draw_arrow(r, cam, (w, h), m[1], m[2], m[3], m[4], m[5], sun, gain, r.random() < 0.1))
        for m in made
    ]
    draw = [(m, d) for m, d in draw if d is not None]
    # shadows on the plane
    if dark > 0.04 and draw:
        sh = np.zeros((h, w), np.float32)
        for m, d in draw:
            for P in d[4]:
                Q = P - sun[None] * (P[:, 2:] / sun[2])
                Q[:, 2] = 0
                if (cam.depth(Q) > 50).all():
                    cv2.fillPoly(sh, [quad(cam, Q).clip(-200000, 200000)], 1.0, cv2.LINE_AA, 4)
        sh = cv2.GaussianBlur(sh, (0, 0), max(0.4, soft * px_mm))
        im = im * (1 - dark * sh)[..., None]
    base_blur = aperture * focus
    if base_blur > 0.6:
        im = cv2.GaussianBlur(im, (0, 0), base_blur)
    for m, d in draw:
        (x0, y0), rgb, al, z, _ = d
        P = (
            blurred_by_depth(rgb, al, z, base_blur, aperture * (1 - focus) + 0.01)
            if aperture
            else np.dstack([rgb, al])
        )
        X0, Y0, X1, Y1 = max(x0, 0), max(y0, 0), min(x0 + al.shape[1], w), min(y0 + al.shape[0], h)
        if X1 <= X0 or Y1 <= Y0:
            continue
        P = P[Y0 - y0 : Y1 - y0, X0 - x0 : X1 - x0]
        im[Y0:Y1, X0:X1] = im[Y0:Y1, X0:X1] * (1 - P[..., 3:]) + P[..., :3]
        if m[4].glow:
            n = cam.project(np.array([*m[1], 0.0]) + m[2] * (m[3] - 5)).astype(int)
            if 0 <= n[0] < w and 0 <= n[1] < h:
                g = np.zeros((h // 4 + 1, w // 4 + 1), np.float32)
                cv2.circle(g, tuple((n // 4).tolist()), 1, 1.0, -1)
                g = cv2.resize(cv2.GaussianBlur(g, (0, 0), 3), (w, h))
                im = im + (g / max(g.max(), 1e-6))[..., None] * m[4].nock * 0.5
        # company hides: earlier arrows under this one
    eye = cam.eye
    for m, d in draw:
        _, e, a, L, s, fl = m
        end = np.array([*e, 0.0]) + a * L
        tail = eye[:2] + (end[:2] - eye[:2]) * eye[2] / max(eye[2] - end[2], 30.0)
        uv = cam.project(np.array([*e, 0.0]) + a * np.linspace(L - 110, L, 23)[:, None])
        inside = (uv > 0).all(1) & (uv[:, 0] < w - 1) & (uv[:, 1] < h - 1)
        shafts.append(
            {
                'entry': [float(v) for v in e],
                'tail': [float(v) for v in tail],
                'axis': a.tolist(),
                'length': L,
                'diameter': s.d,
                'fletched': bool(fl),
                'seen': 1.0,
                'tail_seen': float(inside.mean()),
                'counts': True,
            }
        )
    # the camera's doing
    k = 1.0
    if r.random() < 0.12:
        n = int(r.integers(3, 9))
        K = np.zeros((n, n), np.float32)
        a = r.uniform(0, math.pi)
        cv2.line(
            K,
            (
                *tuple(round((n - 1) / 2 + q * (n - 1) / 2 * math.cos(a)) for q in (-1,)),
                round((n - 1) / 2 - (n - 1) / 2 * math.sin(a)),
            ),
            (
                round((n - 1) / 2 + (n - 1) / 2 * math.cos(a)),
                round((n - 1) / 2 + (n - 1) / 2 * math.sin(a)),
            ),
            1,
            1,
            cv2.LINE_AA,
        )
        im = cv2.filter2D(im, -1, K / max(K.sum(), 1e-3))
    if r.random() < 0.3:
        im = cv2.GaussianBlur(im, (0, 0), r.uniform(0.4, 1.3))
    if r.random() < 0.3:
        k = r.uniform(0.45, 0.95)
    if own and max(w, h) * k < 420:
        k = 1.0
    im = np.clip(im, 0, 1.2)
    if r.random() < 0.4:
        im = im.clip(1e-3) ** float(np.exp(r.normal(0, 0.3)))
        q = np.clip(im, 0, 1)
        q = q * q * (3 - 2 * q)
        im = im + r.uniform(0, 0.6) * (q - im)
    im = im * np.exp(r.normal(0, 0.06, 3)) + r.choice([0, r.uniform(0, 0.15)], p=[0.8, 0.2])
    if k < 1:
        im = cv2.resize(im.astype(np.float32), (int(w * k), int(h * k)), interpolation=cv2.INTER_AREA)
    if r.random() < 0.35:
        im = im + r.uniform(0.3, 1.5) * (im - cv2.GaussianBlur(im, (0, 0), r.uniform(0.7, 1.6)))
    im = im + r.normal(0, r.choice([0.004, 0.02], p=[0.8, 0.2]), im.shape)
    H, W = im.shape[:2]
    kx, ky = W / w, H / h
    im8 = (np.clip(im, 0, 1) * 255).astype(np.uint8)
    if r.random() < 0.35:
        im8 = cv2.imdecode(
            cv2.imencode(
                '.jpg',
                np.ascontiguousarray(im8[..., ::-1]),
                [cv2.IMWRITE_JPEG_QUALITY, int(r.integers(25, 75))],
            )[1],
            1,
        )[..., ::-1]
    cv2.imwrite(
        os.path.join(out, name + '.jpg'), np.ascontiguousarray(im8[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, 93]
    )
    c = {
        'rotation': cam.R.tolist(),
        'translation': cam.t.tolist(),
        'f': [cam.f[0] * kx, cam.f[1] * ky],
        'c': [(cam.c[0] + 0.5) * kx - 0.5, (cam.c[1] + 0.5) * ky - 0.5],
        'k': cam.k.tolist(),
    }
    target = os.path.join(out, name + '.json')
    json.dump(
        {
            'name': name,
            'width': W,
            'height': H,
            'camera': c,
            'centres': centres,
            'radius': radius,
            'face': face,
            'difficulty': 'plain',
            'negative': None,
            'maker': 'drawn over',
            'shafts': own + shafts,
        },
        open(target + '.tmp', 'w'),
    )
    os.replace(target + '.tmp', target)
    return 1


def safe(job):
    try:
        return make(job)
    except Exception as e:
        print(job[0], repr(e)[:200], flush=True)
        return 0


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument('out')
    ap.add_argument('first', type=int)
    ap.add_argument('last', type=int)
    ap.add_argument('processes', type=int)
    ap.add_argument('--on', nargs='*', default=[])
    ap.add_argument('--textures')
    ap.add_argument('--seconds', type=float, default=1e9)
    ap.add_argument('--share', type=float, default=0.5)
    o = ap.parse_args()
    os.makedirs(o.out, exist_ok=True)
    cv2.setNumThreads(1)
    on = [j[:-5] for d in o.on for j in sorted(glob.glob(d + '/*.json'))]
    tex = sorted(glob.glob(o.textures + '/*.jpg')) if o.textures else []
    share = o.share if tex else 1.0
    t0 = time.time()
    n = 0
    with ProcessPoolExecutor(o.processes) as ex:
        for at in range(o.first, o.last + 1, 4 * o.processes):
            if time.time() - t0 > o.seconds:
                break
            n += sum(
                ex.map(
                    safe,
                    [(s, o.out, on, tex, share) for s in range(at, min(at + 4 * o.processes, o.last + 1))],
                )
            )
    print(n, 'photos drawn over in', o.out, '%.0f s' % (time.time() - t0), flush=True)


if __name__ == '__main__':
    main()
