#!/usr/bin/env python3
"""Practice photos drawn by the program: `draw_photos.py BOSSMARK OUT FIRST LAST PROCESSES [--tight]`, seeds FIRST to LAST.

`bossmark rehearse` draws all faces, sizes, lights and states of wear; --tight: groups in which shafts stand close. What is there
already stays.
"""

import argparse
import os
import random
import shutil
import subprocess
import tempfile
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

FACES = ['wa-122'] * 2 + ['wa-80'] * 2 + ['wa-60', 'wa-40', 'wa-80-6zone', 'wa-40-3spot', 'wa-60-3spot-triangle']
FACES += ['field-80', 'field-60', 'field-40']
SIZES = ['2048x1536', '1600x1200', '1536x2048', '1200x1600', '2560x1920']
ARROWS = [3, 4, 5, 6, 6, 7, 8, 9, 10, 12, 14]
LIGHTS = ['sun', 'low-sun', 'overcast', 'hall', 'person']


def options(seed: int, tight: bool) -> list[str]:
    """What `bossmark rehearse` is asked for."""
    r = random.Random(seed)
    size, arrows = r.choice(SIZES), r.choice(ARROWS)
    fletched = max(1, min(arrows - 1, round(arrows * r.uniform(0.25, 0.75))))
    out = ['--seed', str(seed), '--face', r.choice(FACES), '--size', size, '--fletched', str(fletched)]
    out += ['--bare', str(arrows - fletched), '--wear', f'{r.random() ** 1.5:.2f}']
    if tight or r.random() < 0.4:
        out += ['--scatter', f'{r.uniform(8, 30 if tight else 60):.0f}']
    if r.random() < 0.3:
        out += ['--light', r.choice(LIGHTS)]
    if r.random() < 0.3:
        out += ['--tilt', f'{r.uniform(3, 40):.1f}']
    if r.random() < 0.25:
        out += ['--noise', f'{r.uniform(0, 4):.1f}']
    return out


def draw(program: str, out: Path, tight: bool, seed: int) -> None:
    names = [f'practice-{seed:04d}{ending}' for ending in ('.jpg', '.truth.json')]
    if (out / names[0]).exists():
        return
    work = Path(tempfile.mkdtemp(dir=out, prefix='.'))
    command = [program, 'rehearse', *options(seed, tight), '--out', str(work)]
    done = subprocess.run(command, capture_output=True, text=True, env={**os.environ, 'RAYON_NUM_THREADS': '1'})
    if done.returncode:
        print(seed, done.stderr[-300:], flush=True)
    else:
        for name in names:
            os.rename(work / name, out / name)
    shutil.rmtree(work)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split('\n')[0])
    parser.add_argument('program')
    parser.add_argument('out', type=Path)
    parser.add_argument('first', type=int)
    parser.add_argument('last', type=int)
    parser.add_argument('processes', type=int)
    parser.add_argument('--tight', action='store_true')
    a = parser.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    with ThreadPoolExecutor(a.processes) as pool:
        list(pool.map(partial(draw, a.program, a.out, a.tight), range(a.first, a.last + 1)))


if __name__ == '__main__':
    main()
