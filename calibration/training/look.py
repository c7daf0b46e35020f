#!/usr/bin/env python3
"""look.py --map MAP.pt|MAP.bin --photos DIR… [--seconds S] [--part K N]: writes down what the map net finds in prepared photos (NAME.peaks.npy beside them),
so that fits side by side needn't look for themselves (fit_strip.py --looked). Photos that come later are looked through as well; of N processes each takes its part."""

import argparse
import glob
import os
import time
import zlib

import numpy as np
import torch

import fit_strip
import stored
from store import Store


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument('--map', required=True)
    ap.add_argument('--photos', required=True, nargs='+')
    ap.add_argument('--seconds', type=float, default=0)
    ap.add_argument('--part', type=int, nargs=2, default=[0, 1])
    o = ap.parse_args()
    dev = torch.device('cuda' if torch.cuda.is_available() else 'cpu')
    net, t0, done = stored.load(o.map, 'map').to(dev), time.time(), set()
    while True:
        files = [
            f
            for d in o.photos
            for f in sorted(glob.glob(d + '/*.json'))
            if f not in done and zlib.crc32(f.encode()) % o.part[1] == o.part[0]
        ]
        for f in files[:32]:
            done.add(f)
            if os.path.exists(f[:-5] + '.peaks.npy'):
                continue
            store = Store(dev, 1 << 23)
            store.add_all([f[:-5]])
            c = fit_strip.candidates(net, store, fit_strip.LEAST_PEAK)
            np.save(f[:-5] + '.part.npy', c.cpu().numpy())
            os.replace(f[:-5] + '.part.npy', f[:-5] + '.peaks.npy')
        if not files:
            if time.time() - t0 > o.seconds:
                break
            time.sleep(1)
        if o.seconds and time.time() - t0 > o.seconds:
            break
    print('%d photos looked through in %.0f s' % (len(done), time.time() - t0), flush=True)


if __name__ == '__main__':
    main()
