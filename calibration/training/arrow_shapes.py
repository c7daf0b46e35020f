"""Shape and look of arrows, drawn as polygons."""

import itertools
import math

import cv2
import numpy as np

from scene import colour


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
        s.vl = r.uniform(65, 145) if feather else float(np.exp(r.uniform(math.log(32), math.log(95))))
        s.vh = r.uniform(10, 24) if feather else r.uniform(5.5, 15)
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
            [(r.uniform(0.05, 0.95), r.uniform(3, 90), colour(r)) for _ in range(r.integers(0, 4))] if r.random() < 0.5 else []
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
                                np.clip(c * light_gain * (1 if int(i * s.vl / 14 / s.bars) % 2 else 0.55), 0, 1.1),
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
