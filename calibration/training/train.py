#!/usr/bin/env python3
"""Fits the shaft nets again: `train.py recipe.toml --data DATA --out OUT [--start NETS] [--steps N] [--batch N]`.

Prepares the photos of DATA, fits the map net and the strip nets, averages their weights, writes the program's files into OUT, and
reports figures on the check photos before and after (OUT/report.json, OUT/report.md).
"""

import argparse
import json
import shutil
import tomllib
from pathlib import Path

import torch

import fit_map
import fit_strip
import fitting
import map_figures
import weights
from photos import PhotoSet
from prepare import prepare

SHIPPED = Path(__file__).parent.parent / 'shaft-net'
ERROR_SEED = 11  # of the errors of a fitted camera in the figures


def share_of(entry: str) -> tuple[str, str]:
    """NAME or NAME=SHARE -> the name, and what follows it."""
    name, sign, share = entry.partition('=')
    return name, sign + share


def prepared_folders(recipe: dict, data: Path, out: Path, jobs: int) -> dict[str, list[str]]:
    """Role -> folders of prepared photos, with their shares."""
    roles = {}
    for role, entries in recipe['data'].items():
        roles[role] = []
        for entry in entries:
            name, share = share_of(entry)
            folder = data / name
            if role != 'arrows':
                folder = out / 'prepared' / name
                print(f'{prepare(data / name, folder, jobs)} photos more prepared of {name}', flush=True)
            roles[role].append(f'{folder}{share}')
    return roles


def photo_set(folders: list[str]) -> PhotoSet:
    photos = PhotoSet(fitting.device())
    photos.add(*folders)
    return photos


def schedule(section: dict, seed: int) -> fitting.Schedule:
    return fitting.Schedule(section['steps'], section['batch'], section['rate'], section['weight_decay'], seed)


def start_of(folder: Path, name: str) -> Path | None:
    return folder / name if name else None


def fit_maps(section: dict, start: Path | None, photos: PhotoSet, taught: list[str]) -> torch.nn.Module:
    """The average of the fits of all seeds."""
    nets = [weights.load(start, 'map')] if start and section['with_start'] else []
    teacher = weights.load(start, 'map') if start and taught else None
    for seed in section['seeds']:
        print(f'map net, seed {seed}', flush=True)
        plan = schedule(section, seed)
        nets.append(fit_map.fit(photos, plan, section['crop_px'], start, teacher, taught).cpu())
    return weights.average(nets)


def fit_strips(section, starts, photos: PhotoSet, found, taught: list[str]) -> list[torch.nn.Module]:
    """For each of the strip nets the average of the fits of its seeds."""
    averages = []
    teachers = [weights.load(s, 'strip').to(photos.device) for s in starts if s] if taught else []
    for start, seeds in zip(starts, section['seeds'], strict=True):
        nets = [weights.load(start, 'strip')] if start and section['with_start'] else []
        for seed in seeds:
            print(f'strip net {len(averages) + 1}, seed {seed}', flush=True)
            plan, share = schedule(section, seed), section['without_shaft']
            nets.append(fit_strip.fit(photos, plan, found, share, start, teachers, taught).cpu())
        averages.append(weights.average(nets))
    return averages


def figures(folder: Path, check: PhotoSet) -> dict:
    """Figures of the nets in a folder, as rounded there, on photos with the errors of fitted cameras."""
    net = weights.load(folder / 'map.bin', 'map').to(check.device)
    nets = [weights.load(folder / f'strip-{k}.bin', 'strip').to(check.device) for k in (1, 2)]
    found = fit_strip.candidates(net, check, map_figures.MIN_SCORE, torch.Generator().manual_seed(ERROR_SEED))
    return {
        'map': map_figures.evaluate(net, check, errors=True),
        'strips': fit_strip.evaluate(nets, check, found, ERROR_SEED),
    }


def table(before: dict | None, after: dict) -> str:
    """Both in Markdown."""
    lines = ['| net | photos | figure | before | after |', '| --- | --- | --- | --- | --- |']
    for net, groups in after.items():
        for group, values in groups.items():
            for name, value in values.items():
                old = before[net].get(group, {}).get(name) if before else None
                shown = '' if old is None else f'{old:.3f}'.removesuffix('.000')
                lines.append(f'| {net} | {group} | {name} | {shown} | {f"{value:.3f}".removesuffix(".000")} |')
    return '\n'.join(lines) + '\n'


def train(recipe: dict, data: Path, out: Path, start: Path, jobs: int) -> None:
    out.mkdir(parents=True, exist_ok=True)
    roles = prepared_folders(recipe, data, out, jobs)
    check = photo_set(roles['check'])
    before = figures(start, check) if (start / 'map.bin').exists() else None
    photos = photo_set(roles['fit'] + roles['confirmed'] + roles['arrows'])
    print(f'{len(photos)} photos, {int(photos.count.sum())} shafts; {len(check)} photos to check on', flush=True)
    taught = [str(out / 'prepared' / share_of(name)[0]) for name in recipe['data']['taught']]
    net = fit_maps(recipe['map'], start_of(start, recipe['map']['start']), photos, taught)
    weights.write(net, out / 'map.bin')
    found = fit_strip.candidates(net.to(photos.device), photos, fit_strip.MIN_PEAK)
    starts = [start_of(start, name) for name in recipe['strip']['starts']]
    for k, strip in enumerate(fit_strips(recipe['strip'], starts, photos, found, taught), 1):
        weights.write(strip, out / f'strip-{k}.bin')
    if (start / 'model.json').exists():
        shutil.copyfile(start / 'model.json', out / 'model.json')
    after = figures(out, check)
    (out / 'report.json').write_text(json.dumps({'recipe': recipe, 'before': before, 'after': after}, indent=2))
    (out / 'report.md').write_text(table(before, after))
    print(table(before, after))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split('\n')[0])
    parser.add_argument('recipe', type=Path)
    parser.add_argument('--data', type=Path, required=True, help='folder with the folders that the recipe names')
    parser.add_argument('--out', type=Path, required=True)
    parser.add_argument('--start', type=Path, default=SHIPPED, help='folder of nets to go on from')
    parser.add_argument('--steps', type=int, help='instead of those of the recipe, to try the command')
    parser.add_argument('--batch', type=int, help='likewise')
    parser.add_argument('--jobs', type=int, default=2, help='processes that prepare photos')
    a = parser.parse_args()
    recipe = tomllib.loads(a.recipe.read_text())
    for section in ('map', 'strip'):
        recipe[section].update({k: v for k, v in (('steps', a.steps), ('batch', a.batch)) if v})
    train(recipe, a.data, a.out, a.start, a.jobs)


if __name__ == '__main__':
    main()
