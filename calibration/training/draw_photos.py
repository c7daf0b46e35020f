#!/usr/bin/env python3
"""draw.py BOSSMARK OUT FIRST LAST PROCESSES [tight]: has the program draw practice photos (`bossmark rehearse`) with seeds FIRST to LAST, of all faces,
sizes, lights, wear; tight: groups in which shafts stand close. What is there already stays."""

import os
import random
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor

exe, out, a, b, procs, tight = sys.argv[1], sys.argv[2], *map(int, sys.argv[3:6]), 'tight' in sys.argv[6:]
FACES = [
    'wa-122',
    'wa-122',
    'wa-80',
    'wa-80',
    'wa-60',
    'wa-40',
    'wa-80-6zone',
    'wa-40-3spot',
    'wa-60-3spot-triangle',
    'field-80',
    'field-60',
    'field-40',
]


def one(s):
    if os.path.exists('%s/practice-%04d.jpg' % (out, s)):
        return
    r = random.Random(s)
    size = r.choice(['2048x1536', '1600x1200', '1536x2048', '1200x1600', '2560x1920'])
    n = r.choice([3, 4, 5, 6, 6, 7, 8, 9, 10, 12, 14])
    f = max(1, min(n - 1, round(n * r.uniform(0.25, 0.75))))
    c = [
        exe,
        'rehearse',
        '--seed',
        str(s),
        '--face',
        r.choice(FACES),
        '--size',
        size,
        '--fletched',
        str(f),
        '--bare',
        str(n - f),
        '--wear',
        '%.2f' % (r.random() ** 1.5),
    ]
    if tight or r.random() < 0.4:
        c += ['--scatter', f'{r.uniform(8, 30 if tight else 60):.0f}']
    if r.random() < 0.3:
        c += ['--light', r.choice(['sun', 'low-sun', 'overcast', 'hall', 'person'])]
    if r.random() < 0.3:
        c += ['--tilt', f'{r.uniform(3, 40):.1f}']
    if r.random() < 0.25:
        c += ['--noise', f'{r.uniform(0, 4):.1f}']
    t = tempfile.mkdtemp(dir=out, prefix='.')
    p = subprocess.run(
        [*c, '--out', t], capture_output=True, text=True, env={**os.environ, 'RAYON_NUM_THREADS': '1'}
    )
    if p.returncode:
        print(s, p.stderr[-300:], flush=True)
    else:
        for e in ('.jpg', '.truth.json'):
            os.rename('%s/practice-%04d%s' % (t, s, e), '%s/practice-%04d%s' % (out, s, e))
    shutil.rmtree(t)


os.makedirs(out, exist_ok=True)
with ThreadPoolExecutor(procs) as ex:
    list(ex.map(one, range(a, b + 1)))
