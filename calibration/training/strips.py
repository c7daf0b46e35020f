"""Strips of prepared photos along candidates, as the program cuts them (`cutting.py`): 192 px of 4 mm along the shaft from 32 mm
before the entry, 32 px of 1.5 mm across, seen square to the view. The strip's axis stands perpendicular to the face but for a
sideways slope, which the program reads off the map; whatever the shaft leans in the plane of view only changes where the nock
lies along the strip.

Two more planes show the neighbours: where the projected axes of the photo's other candidates run through the strip, so that
what belongs to a neighbour, its vanes above all, can be separated from what belongs to the candidate.
"""

import torch

import augmentation
import cutting
from cutting import (
    ACROSS,
    ALONG,
    FIRST_MM,
    NEIGHBOUR_SCORE,
    NEIGHBOURS,
    PIXELS_PER_PLACE,
    PLACE_MM,
    away_from,
)
from maps import eye_with_error
from photos import DIAMETER, ENTRY, FAR_MM, FLETCHED, LENGTH, SEEN, TAIL, TAIL_SEEN, PhotoSet
from strip_augmentation import cover_tails, paint_shafts

MAX_SLOPE = 0.12  # the program tries no steeper ones
NO_SHAFT_MM = 12.0  # from every entry: no shaft
SIZE_SD = 0.15  # of the size that a shaft seems to have, natural logarithm: other faces than the one named
USUAL_STRETCH = 0.2  # natural logarithm: where the face is named rightly shafts look no larger or smaller
PAINTED = 0.35  # share of shafts that get a painted wrap, tape or rings
CROWDED = 3.0  # shafts whose nock is beside another's are drawn up to so many times as often more
EDGES_SEEN = 0.87  # share of shafts whose axis is read off their edges (practice photos)
FIRST_STAGE = 0.2  # share of strips cut along the map's axes, as in the first stage of the program
MAP_PEAKS = 0.4  # share of strips that start where the map net found a shaft
FALSE_PEAKS = 0.5  # share of the strips without a shaft that start at a false peak of the map net


def true_slope(eye, shafts):
    """Sideways slope of shafts [..., 13] as the map shows it, for a camera at eye."""
    away = away_from(eye, shafts[..., ENTRY])
    d = shafts[..., TAIL] - shafts[..., ENTRY]  # on the map: (away obliquity + sideways slope) D z / (D - z)
    across = d[..., 1] * away[..., 0] - d[..., 0] * away[..., 1]
    z = torch.minimum(shafts[..., LENGTH] * shafts[..., 6], 0.9 * eye[..., 2])
    return across * (eye[..., 2] - z) / (eye[..., 2] * z)


def by_edges(eye, shafts, entry):
    """Entry and sideways slope of shafts [..., 13] as the program has them once it has read their edges: across and slope far
    better than the map, along as in the map's entry [..., 2]. The errors are those on practice photos."""
    away = away_from(eye, shafts[..., ENTRY])
    sideways = torch.stack([-away[..., 1], away[..., 0]], -1)
    far = torch.rand(shafts.shape[:-1], device=shafts.device) < 0.15

    def error(near, off):
        return torch.randn(shafts.shape[:-1], device=shafts.device) * torch.where(far, off, near)

    along = ((entry - shafts[..., ENTRY]) * away).sum(-1, keepdim=True)
    exact = shafts[..., ENTRY] + away * along + sideways * error(0.25, 0.8)[..., None]
    return exact, true_slope(eye, shafts) + error(0.0012, 0.005)


def cut(photos: PhotoSet, i, eye, entry, slope, stretch=None, flip=None):
    """Colours [B, 3, ACROSS, ALONG], reach [B, 1, ...], and the places [B, ACROSS * ALONG / 4, 2] where the middles of every four
    pixels along are seen on the face plane. stretch: factors along and across [B, 2]; flip: -1 for a mirror image [B]."""
    along, across = (torch.from_numpy(v).to(photos.device)[None].expand(len(i), -1) for v in cutting.regular_strip())
    if stretch is not None:
        along, across = along * stretch[:, :1], across * stretch[:, 1:] * flip[:, None]
    grid = cutting.strip_grid(eye, entry, slope, along, across)
    rgb, inside = cutting.strip_colours(photos.pixels, photos.of(i), eye, grid)
    return rgb.permute(0, 3, 1, 2), inside[:, None], cutting.strip_places(eye, grid)


def neighbour_planes(eye, places, others):
    """[B, 2, ACROSS, ALONG] of others [B, NEIGHBOURS, 5]: entry, slope, score (0: none), number of the shaft."""
    others = others[:, (others[..., 3] > 0).any(0)]
    if not others.shape[1]:
        return torch.zeros(len(places), 2, ACROSS, ALONG, device=places.device)
    return cutting.neighbour_planes(eye, places, others).repeat_interleave(PIXELS_PER_PLACE, 3)


def neighbours_of(table, i, own, reach):
    """Neighbours in photos i [B] without the nearest to `own` [B, 2] within `reach` [B] mm. table [photos, NEIGHBOURS, 5]."""
    rows = table[i].clone()
    distance, k = (rows[..., :2] - own[:, None]).norm(dim=-1).min(1)
    batch = torch.arange(len(i), device=rows.device)
    rows[batch, k, 3] = torch.where(distance <= reach, torch.zeros_like(distance), rows[batch, k, 3])
    return rows


def neighbours_by_edges(photos: PhotoSet, i, eye, others, edges_read):
    """Neighbours as they are once the edges of the shafts among them are read, where edges_read [B]."""
    k = others[..., 4].long()
    read = (k >= 0) & edges_read[:, None] & (torch.rand(k.shape, device=k.device) < EDGES_SEEN)
    entry, slope = by_edges(eye[:, None], photos.shafts[i[:, None], k.clamp(min=0)], others[..., :2])
    exact = torch.cat([entry, slope[..., None]], -1)
    return torch.cat([torch.where(read[..., None], exact, others[..., :3]), others[..., 3:]], -1)


def neighbour_table(candidates, count: int, device: torch.device):
    """Candidates (fit_strip.candidates: photo, x, y, slope, shaft, score) -> [count, NEIGHBOURS, 5], best first."""
    table = torch.zeros(count, NEIGHBOURS, 5, device=device)
    table[..., 4], table[..., 0] = -1, FAR_MM
    for i in range(count):
        own = candidates[(candidates[:, 0] == i) & (candidates[:, 5] >= NEIGHBOUR_SCORE)]
        own = own[own[:, 5].argsort(descending=True)][:NEIGHBOURS]
        table[i, : len(own)] = own[:, [1, 2, 3, 5, 4]]
    return table


def place_in_strip(eye, entry, slope, seen):
    """Where face-plane points `seen` [B, 2] (images of something on a shaft) lie in the strip: mm along and across, [B] each."""
    axis = cutting.axes(away_from(eye, entry), slope)
    start = torch.cat([entry, torch.zeros_like(entry[:, :1])], 1)
    ray = torch.cat([seen, torch.zeros_like(seen[:, :1])], 1) - eye
    ray = ray / ray.norm(dim=1, keepdim=True)
    r, cos = eye - start, (axis * ray).sum(1)
    along = ((axis * r).sum(1) - cos * (ray * r).sum(1)) / (1 - cos * cos).clamp(min=1e-6)
    point = start + axis * along[:, None]
    across = cutting.cross(axis, eye - point)
    across = across / across.norm(dim=-1, keepdim=True).clamp(min=1e-9)
    nearest_on_ray = eye + ray * ((point - eye) * ray).sum(1, keepdim=True)
    return along, ((nearest_on_ray - point) * across).sum(1)


def net_input(rgb, inside, near):
    return torch.cat([torch.where(inside, rgb - 0.5, torch.zeros_like(rgb)), inside.float(), near], 1)


def nearest_shaft(photos: PhotoSet, i, entry):
    """Distance to the nearest shaft of photos i, mm, and its number."""
    return (photos.shafts[i, :, ENTRY] - entry[:, None]).norm(dim=-1).min(1)


class Draw:
    """Random numbers for a batch."""

    def __init__(self, count: int, device: torch.device):
        self.count, self.device = count, device

    def uniform(self, *more: int) -> torch.Tensor:
        return torch.rand(self.count, *more, device=self.device)

    def normal(self, *more: int) -> torch.Tensor:
        return torch.randn(self.count, *more, device=self.device)


def pick_shafts(photos: PhotoSet, draw: Draw, table, found):
    """Numbers of photos and shafts [B], and where and how the map net shows them (entry, slope), with the errors of a fitted
    camera at `eye`."""
    most = photos.shafts.shape[1]
    count = photos.count[: len(table), None]
    there = torch.arange(most, device=photos.device) < count
    often = photos.weight[: len(table), None] * there / count.clamp(min=1)
    often = often * (1 + CROWDED * photos.crowding[: len(table)])
    pick = torch.multinomial(often.flatten(), draw.count, replacement=True)
    i, k = pick // most, pick % most
    at_peak, peak = torch.zeros(draw.count, dtype=torch.bool, device=photos.device), None
    if found is not None and len(found):
        peak = found[torch.multinomial(photos.weight[found[:, 0].long()], draw.count, replacement=True)]
        at_peak = draw.uniform() < MAP_PEAKS
        i, k = torch.where(at_peak, peak[:, 0].long(), i), torch.where(at_peak, peak[:, 4].long(), k)
    shafts = photos.shafts[i, k]
    eye = eye_with_error(photos, i)
    away = away_from(eye, shafts[:, ENTRY])
    sideways = torch.stack([-away[:, 1], away[:, 0]], 1)
    far = (draw.uniform(1) < 0.06).float()
    entry = shafts[:, ENTRY] + away * draw.normal(1) * (1.2 + 3 * far) + sideways * draw.normal(1) * (0.6 + 1.5 * far)
    slope = true_slope(eye, shafts) + draw.normal() * torch.where(draw.uniform() < 0.15, 0.025, 0.009)
    if peak is not None:
        entry = torch.where(at_peak[:, None], peak[:, 1:3] + draw.normal(2) * 0.5, entry)
        slope = torch.where(at_peak, peak[:, 3] + draw.normal() * 0.004, slope)
    return i, shafts, eye, entry, slope


def places_without_shaft(photos: PhotoSet, draw: Draw, i, shafts, entry, slope):
    """Entries and slopes of candidates that are no shafts: further up a shaft, beside one, anywhere."""
    which = draw.uniform()
    up = entry + (shafts[:, TAIL] - shafts[:, ENTRY]) * (0.05 + 1.05 * draw.uniform(1)) + draw.normal(2) * 3
    ring = torch.nn.functional.normalize(draw.normal(2), dim=1) * (13 + 35 * draw.uniform(1) ** 1.5)
    box = photos.box[i]
    anywhere = box[:, :2] - 60 + draw.uniform(2) * (box[:, 2:] - box[:, :2] + 120)
    beside = torch.where((which < 0.8)[:, None], shafts[:, ENTRY] + ring, anywhere)
    place = torch.where((which < 0.35)[:, None], up, beside)
    return place, torch.where(draw.uniform() < 0.5, slope, draw.normal() * 0.026)


def cuts(photos: PhotoSet, count: int, table, wrong=None, found=None, share: float = 0.45) -> dict[str, torch.Tensor]:
    """Strips [B, ...]: colours, reach, neighbours; and targets: is a shaft, its weight, fletched, weight, nock place, weight.

    table: neighbours by photo, of the photos to draw from; wrong: peaks of the map net that are no shafts, found: its peaks at
    shafts [n, 5]: photo, x, y, slope, number of the shaft; share: of strips without a shaft.
    """
    device, draw = photos.device, Draw(count, photos.device)
    i, shafts, eye, entry, slope = pick_shafts(photos, draw, table, found)
    # which axes are known by then: in the first stage none
    edges_read = draw.uniform() >= FIRST_STAGE
    read = edges_read & (draw.uniform() < EDGES_SEEN)
    exact, straight = by_edges(eye, shafts, entry)
    entry, slope = torch.where(read[:, None], exact, entry), torch.where(read, straight, slope)
    no = draw.uniform() < share
    place, other_slope = places_without_shaft(photos, draw, i, shafts, entry, slope)
    # which of the photo's candidates this is: the shaft's own, or where there is no shaft one right here
    own, reach = torch.where(no[:, None], place, shafts[:, ENTRY]), torch.where(no, 1.5, 10.0)
    if wrong is not None and len(wrong):
        peak = wrong[torch.multinomial(photos.weight[wrong[:, 0].long()], count, replacement=True)]
        take = no & (draw.uniform() < FALSE_PEAKS)
        i = torch.where(take, peak[:, 0].long(), i)
        place = torch.where(take[:, None], peak[:, 1:3] + draw.normal(2), place)
        other_slope = torch.where(take, peak[:, 3] + draw.normal() * 0.006, other_slope)
        eye = torch.where(take[:, None], eye_with_error(photos, i), eye)
        own = torch.where(take[:, None], peak[:, 1:3], own)
    entry = torch.where(no[:, None], place, entry)
    slope = torch.where(no, other_slope, slope).clamp(-MAX_SLOPE, MAX_SLOPE)
    both = torch.tensor([0.03, 0.07], device=device)
    stretch = torch.exp(draw.normal(2) * both + draw.normal(1) * SIZE_SD)
    flip = torch.where(draw.uniform() < 0.5, 1.0, -1.0)
    rgb, inside, places = cut(photos, i, eye, entry, slope, stretch, flip)

    def in_strip(seen):
        along, across = place_in_strip(eye, entry, slope, seen)
        return along / stretch[:, 0], across / stretch[:, 1] * flip

    ends = in_strip(shafts[:, ENTRY]), in_strip(shafts[:, TAIL])
    rgb = paint_shafts(rgb, ends, shafts[:, DIAMETER], stretch, torch.where(no, 0.0, PAINTED))
    others = neighbours_by_edges(photos, i, eye, neighbours_of(table, i, own, reach), edges_read)
    nock = (ends[1][0] - FIRST_MM) / PLACE_MM
    tail = (shafts[:, TAIL_SEEN] > 0.6).float() * (~no).float()
    rgb, fletched, covered = cover_tails(rgb, nock, shafts[:, FLETCHED], (tail > 0) & read)
    apart = nearest_shaft(photos, i, entry)[0] > NO_SHAFT_MM
    return {
        'photo': i,
        'usual': ~covered & (stretch.log().abs() < USUAL_STRETCH).all(1),
        'rgb': rgb,
        'inside': inside,
        'near': neighbour_planes(eye, places, others),
        'shaft': (~no).float(),
        'shaft_weight': torch.where(no, apart.float(), (shafts[:, SEEN] > 0.1).float()),
        'fletched': fletched,
        'fletched_weight': tail,
        'nock': nock,
        'nock_weight': tail * ((nock > 1) & (nock < ALONG / PIXELS_PER_PLACE - 1)).float(),
    }


def augmented(strips: dict[str, torch.Tensor]) -> torch.Tensor:
    """Net inputs [B, 6, ACROSS, ALONG] of cut strips, each under another light."""
    return net_input(augmentation.change(strips['rgb'], 0.5), strips['inside'], strips['near'])


def outputs(y: torch.Tensor):
    """Net output [B, 3, places] -> log-odds of nock by place, of fletched, of being a shaft."""
    return y[:, 0], (torch.softmax(y[:, 0], 1) * y[:, 1]).sum(1), y[:, 2].mean(1)
