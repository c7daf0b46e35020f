#!/usr/bin/env python3
"""fit_strip.py --photos DIR… --map MAP.pt|MAP.bin --out NET.pt --seconds S [--check DIR] [--start NET.pt|NET.bin]: fits the strip net on
prepared photos, from nothing or on from an earlier fit; peaks of the map net that are no shafts serve as examples of such. --looked: only photos whose peaks look.py has
written down. --teacher NET… --taught DIR…: on photos of these folders it shall also say what the mean of earlier nets says there."""

import argparse
import copy
import math
import os
import time

import numpy as np
import torch
import torch.nn.functional as F

import maps
import measure
import stored
import strips
from net import Strip
from store import Store

SLOPE, SLOPE_SD = 0.12, 0.026  # largest, and scatter, as in the program
LEAST_PEAK = 0.03
AT_ONCE = 150  # photos looked through between two steps


def slopes_of(out, place, eye, p):
    """The sideways slopes at which the mask is strongest along the shafts' courses, as the program reads them. p: face points [n, 2]"""
    dev, D = out.device, eye[2]
    d = p - eye[:2]
    r = d.norm(dim=1, keepdim=True)
    u = d / r.clamp(min=1e-6)
    s = torch.arange(-SLOPE, SLOPE + 1e-6, 0.01, device=dev)
    end = 350.0 * D / (D - 350.0).clamp(min=1.0)
    v = (
        u[:, None] * (r / D)[:, None] + torch.stack([-u[:, 1], u[:, 0]], 1)[:, None] * s[None, :, None]
    ) * end
    t = (torch.arange(64, device=dev) + 0.5) / 64
    X = p[:, None, None] + v[:, :, None] * t[None, None, :, None]
    c = (place(X.reshape(-1, 2)).reshape(len(p), len(s) * 64, 2) - 0.5) / 2
    h, w = out.shape[-2:]
    g = torch.stack([(2 * c[..., 0] + 1) / w - 1, (2 * c[..., 1] + 1) / h - 1], -1)
    m = (
        F.grid_sample(out[:1, 6:7].float().clamp(-4, 4) + 4, g[None], align_corners=False)[0, 0]
        .reshape(len(p), len(s), 64)
        .mean(2)
        - 4
    )
    q = torch.softmax(8 * m - 0.5 * (s / SLOPE_SD) ** 2, 1)
    return (q * s).sum(1)


@torch.no_grad()
def candidates(net, store, least, errors=None, photos=None):
    """[n, 6]: photo, x, y (face mm), slope, index of the shaft within 10 mm or -1 (none) or -2 (too near to one), score"""
    out, dev = [], store.device
    for i in range(len(store)) if photos is None else photos:
        x, place = maps.whole(store, i, errors)
        y = net(x).float()
        P = measure.peaks(y, least)
        P = P[P[:, 0].argsort(descending=True)][:40]
        o = place(torch.zeros(1, 2, device=dev))[0]
        J = (
            torch.stack(
                [
                    place(torch.tensor([[100.0, 0.0]], device=dev))[0] - o,
                    place(torch.tensor([[0.0, 100.0]], device=dev))[0] - o,
                ],
                1,
            )
            / 100
        )
        face = (P[:, 1:3] - o) @ torch.linalg.inv(J).T
        if not len(P):
            continue
        d, k = (store.shafts[i, None, :, :2] - face[:, None]).norm(dim=-1).min(1)
        # of several peaks at one shaft the best one is meant
        again = (
            torch.tril(torch.ones(len(k), len(k), device=dev), -1)
            * ((k[:, None] == k[None]) & (d[None] <= 10))
        ).sum(1) > 0
        k = torch.where(d > strips.APART, -1, torch.where((d <= 10) & ~again, k, -2))
        out.append(
            torch.stack(
                [
                    torch.full_like(d, i),
                    face[:, 0],
                    face[:, 1],
                    slopes_of(y, place, store.eye[i], face),
                    k.float(),
                    P[:, 0],
                ],
                1,
            )
        )
    return torch.cat(out) if out else torch.zeros(0, 6, device=dev)


def candidates_of(net, store, photos, looked):
    """the same of photos that are new; those of photos already looked through are read"""
    if not looked:
        return candidates(net, store, LEAST_PEAK, photos=photos)

    def read(i):
        return np.load(os.path.join(store.meta[i]['folder'], store.meta[i]['name'] + '.peaks.npy'))

    rows = [
        np.column_stack([np.full(len(c), i, np.float32), c[:, 1:]]) for i, c in ((i, read(i)) for i in photos)
    ]
    return (
        torch.from_numpy(np.concatenate(rows).astype(np.float32)).to(store.device)
        if rows
        else torch.zeros(0, 6, device=store.device)
    )


@torch.no_grad()
def evaluate(net, store, cand, seed=None, say=print):
    """figures on candidates: tag, nock, shaft or none"""
    net.eval()
    dev = store.device
    table = strips.company_table(cand, len(store), dev)
    R = []
    for at in range(0, len(cand), 256):
        c = cand[at : at + 256]
        i, e, s, k = c[:, 0].long(), c[:, 1:3], c[:, 3], c[:, 4].long()
        eye = store.eye[i]
        if seed is not None:
            g = torch.Generator().manual_seed(seed + at)

            def r(*n):
                return torch.randn(*n, generator=g).to(dev)

            eye = torch.cat(
                [eye[:, :2] + eye[:, 2:] * r(len(c), 2) * 0.015, eye[:, 2:] * torch.exp(r(len(c), 1) * 0.02)],
                1,
            )
        others = strips.company_of(table, i, e, torch.full_like(s, 0.01))
        # along the courses that edges show, as the program looks
        E = store.shafts[i, k.clamp(min=0)]
        read = (k >= 0) & (torch.rand(len(k), device=dev) < strips.EDGED)
        exact, straight = strips.by_edges(eye, E, e)
        e, s = torch.where(read[:, None], exact, e), torch.where(read, straight, s)
        rgb, ok, X = strips.cut(store, i, eye, e, s)
        x = strips.finish(
            rgb,
            ok,
            strips.company(eye, X, strips.company_by_edges(store, i, eye, others, torch.ones_like(read))),
        )
        y = 0.5 * (net(x) + net(x.flip(2))).float()  # and the mirror image, as the program looks
        nock, tag, shaft = strips.read(y)
        n = (strips.nock_place(eye, e, s, E[:, 2:4]) - strips.FIRST_MM) / strips.PLACE_MM
        R.append(
            torch.stack(
                [
                    i.float(),
                    k.float(),
                    tag,
                    shaft,
                    (nock.argmax(1) - n) * 16,
                    E[:, 9],
                    E[:, 11],
                    E[:, 10],
                    c[:, 5],
                ],
                1,
            )
        )
    if not R:
        return None
    R = torch.cat(R).cpu().numpy()
    for name, member in measure.GROUPS:
        m = np.array([bool(member(store.meta[int(i)])) for i in R[:, 0]])
        true = m & (R[:, 1] >= 0) & (R[:, 7] > 0)
        r = R[true & (R[:, 6] > 0.6)]
        none = R[m & (R[:, 1] == -1)]
        if not len(R[m]):
            continue
        sure = np.abs(r[:, 2]) > math.log(9)
        right = (r[:, 2] > 0) == (r[:, 5] > 0.5)
        say(
            '  %-13s tails seen %3d  tags %.3f  sure %.2f of them right %.3f  nock within 16 mm %.3f 32 mm %.3f  kept as shaft %.3f  of none thrown out %.3f (%d)'
            % (
                name,
                len(r),
                right.mean() if len(r) else 0,
                sure.mean() if len(r) else 0,
                right[sure].mean() if sure.any() else 0,
                (np.abs(r[:, 4]) <= 16).mean() if len(r) else 0,
                (np.abs(r[:, 4]) <= 32).mean() if len(r) else 0,
                (R[true][:, 3] > 0).mean() if true.any() else 0,
                (none[:, 3] < 0).mean() if len(none) else 0,
                len(none),
            ),
            flush=True,
        )
    return R


def loss(y, T):
    nock, tag, shaft = strips.read(y)
    places = torch.arange(y.shape[2], device=y.device).float()[None]
    d = places - T['nock'][:, None]
    want = torch.softmax(-d * d, 1)
    near = torch.softmax(-((d + 3) ** 2) / 18, 1)  # where the vanes are

    def mean(v, w):
        return (v * w).sum() / w.sum().clamp(min=1)

    def bce(v, t):
        return F.binary_cross_entropy_with_logits(v, t, reduction='none')

    soft = T['fletched'] * 0.98 + 0.01
    a = mean(-(want * torch.log_softmax(nock, 1)).sum(1), T['nock_w'])
    b = mean(bce(tag, soft), T['fletched_w'])
    c = mean(bce((near * y[:, 1]).sum(1), soft), T['nock_w'])
    s = mean(bce(shaft, T['shaft']), T['shaft_w'])
    return 0.5 * a + b + 0.5 * c + s, torch.stack([a, b, c, s]).detach()


def distillation(y, z, which):
    """how far outputs y are from those of a teacher z on the strips `which` [B] (Hinton, Vinyals, Dean 2015)"""
    (nock, tag, shaft), (nock_z, tag_z, shaft_z) = strips.read(y), strips.read(z)
    w = which.float()

    def bce(v, t):
        return F.binary_cross_entropy_with_logits(v, torch.sigmoid(t), reduction='none')

    places = (torch.softmax(nock_z, 1) * (torch.log_softmax(nock_z, 1) - torch.log_softmax(nock, 1))).sum(1)
    return ((0.5 * places + bce(tag, tag_z) + bce(shaft, shaft_z)) * w).sum() / w.sum().clamp(min=1)


class Kept:
    """Cut strips that are drawn several times, each time under another light: cutting takes as long as a step of the fit."""

    def __init__(self, room, times):
        self.room, self.times, self.strips = room, times, {}

    def draw(self, n, cut):
        if self.times <= 1:
            return cut(n)
        have = len(self.strips['rgb']) if self.strips else 0
        new = cut(max(1, round(n / self.times)) if have >= self.room else n)
        if have < self.room:
            self.strips = {k: torch.cat([self.strips[k], v]) if have else v for k, v in new.items()}
        else:
            at = torch.randperm(have, device=new['rgb'].device)[: len(new['rgb'])]
            for k, v in new.items():
                self.strips[k][at] = v
        at = torch.randint(len(self.strips['rgb']), (n,), device=new['rgb'].device)
        return {k: v[at] for k, v in self.strips.items()}


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument('--photos', required=True, nargs='+')
    ap.add_argument('--check')
    ap.add_argument('--out', required=True)
    ap.add_argument('--map', required=True)
    ap.add_argument('--start')
    ap.add_argument('--seconds', type=float, default=600)
    ap.add_argument('--batch', type=int, default=192)
    ap.add_argument('--rate', type=float, default=2e-3)
    ap.add_argument('--seed', type=int, default=1)
    ap.add_argument('--widths', default='16,24,40,56')
    ap.add_argument('--kernel', type=int, default=9)
    ap.add_argument('--measure-every', type=float, default=150)
    ap.add_argument('--refresh', type=float, default=40)
    ap.add_argument('--times', type=float, default=1, help='how often each cut strip is drawn')
    ap.add_argument('--kept', type=int, default=4096, help='how many are kept for that')
    ap.add_argument('--none', type=float, default=0.45, help='share of strips that are no shafts')
    ap.add_argument('--looked', action='store_true')
    ap.add_argument('--teacher', nargs='*', default=[])
    ap.add_argument('--taught', nargs='*', default=[])
    o = ap.parse_args()
    torch.manual_seed(o.seed)
    dev = torch.device('cuda' if torch.cuda.is_available() else 'cpu')
    gpu = dev.type == 'cuda'
    torch.backends.cudnn.benchmark = gpu
    t0 = time.time()
    store, check = Store(dev), Store(dev, 1 << 24)
    ready = '.peaks.npy' if o.looked else '.json'
    while store.add(*o.photos, ready=ready) == 0:
        time.sleep(1)
    net = Strip(6, 3, tuple(map(int, o.widths.split(','))), o.kernel).to(dev)
    if o.start:
        none = strips.company_table(torch.zeros(0, 6, device=dev), len(store), dev)
        net.load_state_dict(stored.to_fit_on(o.start, strips.lit(strips.cuts(store, o.batch, none)), 'strip'))
    mean = copy.deepcopy(net)
    teachers = [stored.load(f, 'strip').to(dev) for f in o.teacher]
    finder = stored.load(o.map, 'map').to(dev)
    print(
        '%d photos, %d shafts, %.3f M weights'
        % (len(store), int(store.count.sum()), sum(p.numel() for p in net.parameters()) / 1e6),
        flush=True,
    )
    opt = torch.optim.AdamW(net.parameters(), o.rate, weight_decay=5e-3)
    kept = Kept(o.kept, o.times)
    step, run, last, at, next_measure, next_look, seen, wrong, found, table = (
        0,
        torch.zeros(4, device=dev),
        0,
        time.time(),
        o.measure_every,
        0.0,
        0,
        None,
        None,
        None,
    )

    def save():
        torch.save({k: v.float().cpu().contiguous() for k, v in mean.state_dict().items()}, o.out + '.tmp')
        os.replace(o.out + '.tmp', o.out)

    def measured():
        check.add(o.check)
        for errors in (False, True):
            print('  camera with errors' if errors else '  true camera', flush=True)
            evaluate(
                mean,
                check,
                candidates(finder, check, 0.04, torch.Generator().manual_seed(7) if errors else None),
                11 if errors else None,
            )
        mean.train()

    while (now := time.time() - t0) < o.seconds:
        if now >= next_look:  # what the map net finds in the photos that are new
            store.add(*o.photos, ready=ready)
            last_one = len(store) if o.looked else min(len(store), seen + AT_ONCE)
            c = candidates_of(finder, store, range(seen, last_one), o.looked)

            def keep(old, new):
                return new if old is None else torch.cat([old, new])

            wrong, found = keep(wrong, c[c[:, 4] == -1]), keep(found, c[c[:, 4] >= 0])
            c[:, 0] -= seen
            table, seen = keep(table, strips.company_table(c, last_one - seen, dev)), last_one
            next_look = time.time() - t0 + (o.refresh if seen == len(store) else 5)
            print(
                '%5.0f s  %d of %d photos looked through: %d peaks at shafts, %d elsewhere'
                % (now, seen, len(store), len(found), len(wrong)),
                flush=True,
            )
        for g in opt.param_groups:
            g['lr'] = (
                o.rate * min(1, (step + 1) / 300) * (0.5 * (1 + math.cos(math.pi * now / o.seconds)) + 0.002)
            )
        T = kept.draw(o.batch, lambda n: strips.cuts(store, n, table, wrong, found, o.none))
        x = strips.lit(T)
        with torch.autocast(dev.type, dtype=torch.bfloat16, enabled=gpu):
            y = net(x)
            with torch.no_grad():
                z = sum(t(x).float() for t in teachers) / max(len(teachers), 1)
        L, parts = loss(y.float(), T)
        if teachers:
            L = L + 0.5 * distillation(y.float(), z, T['usual'] & store.among(o.taught)[T['photo']])
        opt.zero_grad(set_to_none=True)
        L.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        opt.step()
        step += 1
        run += parts
        with torch.no_grad():
            k = min(0.9995, 1 - 1 / (1 + step / 10))
            torch._foreach_mul_(list(mean.parameters()), k)
            torch._foreach_add_(list(mean.parameters()), list(net.parameters()), alpha=1 - k)
            for a, b in zip(mean.buffers(), net.buffers(), strict=False):
                a.copy_(b) if not a.is_floating_point() else a.lerp_(b, 1 - k)
        if step % 20 == 0 and time.time() - at > 20:
            r = (run / (step - last)).tolist()
            print(
                '%5.0f s step %d  %.1f steps/s  nock %.3f tag %.3f by nock %.3f shaft %.3f'
                % (now, step, (step - last) / (time.time() - at), *r),
                flush=True,
            )
            run.zero_()
            last, at = step, time.time()
            save()
        if now > next_measure and o.check:
            print('step', step, flush=True)
            measured()
            next_measure = time.time() - t0 + o.measure_every
    print('%d steps, %d photos, %d shafts' % (step, len(store), int(store.count.sum())), flush=True)
    save()
    if o.check:
        measured()


if __name__ == '__main__':
    main()
