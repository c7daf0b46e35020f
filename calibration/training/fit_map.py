#!/usr/bin/env python3
"""fit_map.py --photos DIR… --out NET.pt --seconds S [--check DIR] [--start NET.pt|NET.bin]: fits the map net on prepared photos (prepare.py),
from nothing or on from an earlier fit. --teacher NET --taught DIR…: on photos of these folders it shall also say what an earlier net says there."""

import argparse
import copy
import math
import os
import time

import torch
import torch.nn.functional as F

import maps
import measure
import stored
from net import Map
from store import Store


def loss(o, T):
    hot, ok, pos = T[:, 0], T[:, 1], T[:, 2]
    # focal loss on Gaussian peaks (Law, Deng 2018, CornerNet)
    logp, logq = F.logsigmoid(o[:, 0]), F.logsigmoid(-o[:, 0])
    p = torch.sigmoid(o[:, 0])
    one = (hot > 0.8).float()
    heat = -(
        (one * (1 - p) ** 2 * logp + (1 - one) * (1 - hot) ** 4 * p**2 * logq) * ok
    ).sum() / one.sum().clamp(min=1)
    pos = pos * ok
    n = pos.sum().clamp(min=1)
    offset = ((o[:, 1:3] - T[:, 3:5]).abs().sum(1) * pos).sum() / n
    tag = (F.binary_cross_entropy_with_logits(o[:, 3], T[:, 5], reduction='none') * pos).sum() / n
    course = ((o[:, 4:6] - T[:, 6:8]).abs().sum(1) * pos).sum() / n
    mask = (
        F.binary_cross_entropy_with_logits(o[:, 6], T[:, 8], reduction='none') * ok
    ).sum() / ok.sum().clamp(min=1)
    return heat + 0.5 * offset + 0.3 * tag + 0.2 * course + 0.5 * mask, torch.stack(
        [heat, offset, tag, course, mask]
    ).detach()


def distillation(o, t, ok, pos, which):
    """How far outputs o are from those of a teacher t [B, 7, n, n] on the crops `which` [B] (Hinton, Vinyals, Dean 2015)"""
    w = which[:, None, None].float()
    ok, pos = ok * w, pos * ok * w
    n = pos.sum().clamp(min=1)

    def bce(c):
        return F.binary_cross_entropy_with_logits(
            o[:, c], torch.sigmoid(t[:, c]), reduction='none'
        ) - F.binary_cross_entropy_with_logits(t[:, c], torch.sigmoid(t[:, c]), reduction='none')

    offset, course = [((o[:, c] - t[:, c]).abs().sum(1) * pos).sum() / n for c in (slice(1, 3), slice(4, 6))]
    return (
        0.5 * (bce(0) * ok).sum() / n
        + 0.5 * offset
        + 0.3 * (bce(3) * pos).sum() / n
        + 0.2 * course
        + 0.5 * (bce(6) * ok).sum() / ok.sum().clamp(min=1)
    )


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument('--photos', required=True, nargs='+')
    ap.add_argument('--check')
    ap.add_argument('--out', required=True)
    ap.add_argument('--start')
    ap.add_argument('--seconds', type=float, default=600)
    ap.add_argument('--widths', default='16,24,40,72,104')
    ap.add_argument('--batch', type=int, default=40)
    ap.add_argument('--size', type=int, default=384)
    ap.add_argument('--rate', type=float, default=3e-3)
    ap.add_argument('--seed', type=int, default=1)
    ap.add_argument('--measure-every', type=float, default=200)
    ap.add_argument('--teacher')
    ap.add_argument('--taught', nargs='*', default=[])
    o = ap.parse_args()
    torch.manual_seed(o.seed)
    dev = torch.device('cuda' if torch.cuda.is_available() else 'cpu')
    gpu = dev.type == 'cuda'
    torch.backends.cudnn.benchmark = True
    store, t0 = Store(dev), time.time()
    while store.add(*o.photos) == 0:
        time.sleep(1)
    check = Store(dev, 1 << 24)
    net = Map(tuple(map(int, o.widths.split(',')))).to(dev)
    if o.start:
        net.load_state_dict(stored.to_fit_on(o.start, maps.batch(store, 16, o.size)[0], 'map'))
    teacher = stored.load(o.teacher, 'map').to(dev) if o.teacher else None
    if gpu:
        net = net.to(memory_format=torch.channels_last)
    mean = copy.deepcopy(net)
    print(
        '%d photos, %d shafts, %.2f M weights'
        % (len(store), int(store.shafts[..., 10].sum()), sum(p.numel() for p in net.parameters()) / 1e6),
        flush=True,
    )
    opt = torch.optim.AdamW(net.parameters(), o.rate, weight_decay=1e-3)
    step, run, last, at, next_measure, seen = (
        0,
        torch.zeros(5, device=dev),
        0,
        time.time(),
        o.measure_every,
        time.time(),
    )

    def save():
        torch.save({k: v.float().cpu().contiguous() for k, v in mean.state_dict().items()}, o.out + '.tmp')
        os.replace(o.out + '.tmp', o.out)

    while (now := time.time() - t0) < o.seconds:
        done = now / o.seconds
        for g in opt.param_groups:
            g['lr'] = o.rate * min(1, (step + 1) / 300) * (0.5 * (1 + math.cos(math.pi * done)) + 0.002)
        x, T, i, usual = maps.batch(store, o.batch, o.size)
        if gpu:
            x = x.contiguous(memory_format=torch.channels_last)
        with torch.autocast(dev.type, dtype=torch.bfloat16, enabled=gpu):
            y = net(x)
            if teacher:
                with torch.no_grad():
                    t = teacher(x).float()
        L, parts = loss(y.float(), T)
        if teacher:
            L = L + distillation(y.float(), t, T[:, 1], T[:, 2], usual & store.among(o.taught)[i])
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
        if step % 50 == 0 and time.time() - at > 20:
            r = (run / (step - last)).tolist()
            print(
                '%5.0f s step %d  %.1f steps/s  %d photos  heat %.3f offset %.3f tag %.3f course %.3f mask %.4f'
                % (now, step, (step - last) / (time.time() - at), len(store), *r),
                flush=True,
            )
            run.zero_()
            last, at = step, time.time()
            save()
        if time.time() - seen > 20:
            store.add(*o.photos)
            seen = time.time()
        if now > next_measure and o.check and os.path.isdir(o.check):
            check.add(o.check)
            print('step', step, flush=True)
            measure.evaluate(mean, check, thresholds=(0.5,))
            mean.train()
            next_measure = now + o.measure_every
    print('%d steps, %d photos, %d shafts' % (step, len(store), int(store.shafts[..., 10].sum())), flush=True)
    save()
    if o.check and os.path.isdir(o.check):
        check.add(o.check)
        for errors in (False, True):
            print('camera with errors' if errors else 'true camera')
            measure.evaluate(mean, check, errors)


if __name__ == '__main__':
    main()
