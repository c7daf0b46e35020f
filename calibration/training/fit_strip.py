"""Fits the strip nets on prepared photos; peaks of the map net that are no shafts serve as examples of such."""

import torch
import torch.nn.functional as F

import fitting
import map_figures
import maps
import strips
import weights
from cutting import PLACE_MM
from fit_map import binary
from net import Strip
from photos import ENTRY, PhotoSet
from strips import MAX_SLOPE

LOSSES = ('nock', 'tag', 'tag at nock', 'shaft')
WIDTHS, KERNEL, PLANES = (16, 24, 40, 56), 9, 6
SLOPE_STEP, SLOPE_SD = 0.01, 0.026  # of the sideways slopes tried, and their scatter, as in the program
MIN_LENGTH_MM = 350.0  # of shaft that is taken for granted when its direction is looked for
SAMPLES = 64  # along it
MIN_PEAK = 0.03
MAX_PEAKS = 40
MATCH_MM = 10.0


def slopes_on_map(out: torch.Tensor, place, eye: torch.Tensor, entry: torch.Tensor) -> torch.Tensor:
    """The sideways slopes at which the mask is strongest along the projected axes, as the program reads them. entry: face points
    [n, 2]; place: face points to map pixels."""
    device, distance = out.device, eye[2]
    d = entry - eye[:2]
    r = d.norm(dim=1, keepdim=True)
    away = d / r.clamp(min=1e-6)
    slopes = torch.arange(-MAX_SLOPE, MAX_SLOPE + 1e-6, SLOPE_STEP, device=device)
    reach = MIN_LENGTH_MM * distance / (distance - MIN_LENGTH_MM).clamp(min=1.0)
    sideways = torch.stack([-away[:, 1], away[:, 0]], 1)[:, None] * slopes[None, :, None]
    axis = (away[:, None] * (r / distance)[:, None] + sideways) * reach
    t = (torch.arange(SAMPLES, device=device) + 0.5) / SAMPLES
    points = entry[:, None, None] + axis[:, :, None] * t[None, None, :, None]
    cells = (place(points.reshape(-1, 2)).reshape(len(entry), len(slopes) * SAMPLES, 2) - 0.5) / 2
    height, width = out.shape[-2:]
    grid = torch.stack([(2 * cells[..., 0] + 1) / width - 1, (2 * cells[..., 1] + 1) / height - 1], -1)
    mask = F.grid_sample(out[:1, 6:7].float().clamp(-4, 4) + 4, grid[None], align_corners=False)
    mean = mask[0, 0].reshape(len(entry), len(slopes), SAMPLES).mean(2) - 4
    weight = torch.softmax(8 * mean - 0.5 * (slopes / SLOPE_SD) ** 2, 1)
    return (weight * slopes).sum(1)


@torch.no_grad()
def candidates(net, photos: PhotoSet, least: float, errors: torch.Generator | None = None) -> torch.Tensor:
    """[n, 6]: photo, x, y (face mm), slope, number of the shaft within 10 mm or -1 (none) or -2 (too near to one), score."""
    found, device = [], photos.device
    steps = torch.tensor([[100.0, 0.0], [0.0, 100.0]], device=device)
    for i in range(len(photos)):
        x, place = maps.whole_map(photos, i, errors)
        y = net(x).float()
        peaks = map_figures.peaks(y, least)
        peaks = peaks[peaks[:, 0].argsort(descending=True)][:MAX_PEAKS]
        if not len(peaks):
            continue
        origin = place(torch.zeros(1, 2, device=device))[0]
        jacobian = torch.stack([place(s[None])[0] - origin for s in steps], 1) / 100
        entry = (peaks[:, 1:3] - origin) @ torch.linalg.inv(jacobian).T
        distance, k = (photos.shafts[i, None, :, ENTRY] - entry[:, None]).norm(dim=-1).min(1)
        # of several peaks at one shaft the best one is meant
        earlier = torch.tril(torch.ones(len(k), len(k), device=device), -1)
        again = (earlier * ((k[:, None] == k[None]) & (distance[None] <= MATCH_MM))).sum(1) > 0
        k = torch.where(distance > strips.NO_SHAFT_MM, -1, torch.where((distance <= MATCH_MM) & ~again, k, -2))
        slope = slopes_on_map(y, place, photos.eye[i], entry)
        number = torch.full_like(distance, i)
        found.append(torch.stack([number, entry[:, 0], entry[:, 1], slope, k.float(), peaks[:, 0]], 1))
    return torch.cat(found) if found else torch.zeros(0, 6, device=device)


def loss(y: torch.Tensor, t: dict[str, torch.Tensor]) -> tuple[torch.Tensor, torch.Tensor]:
    """Of outputs y [B, 3, places] against the targets of strips.cuts."""
    nock, tag, shaft = strips.outputs(y)
    distance = torch.arange(y.shape[2], device=y.device).float()[None] - t['nock'][:, None]
    at_nock = torch.softmax(-distance * distance, 1)
    at_vanes = torch.softmax(-((distance + 3) ** 2) / 18, 1)

    def mean(v, weight):
        return (v * weight).sum() / weight.sum().clamp(min=1)

    fletched = t['fletched'] * 0.98 + 0.01
    parts = [
        mean(-(at_nock * torch.log_softmax(nock, 1)).sum(1), t['nock_weight']),
        mean(binary(tag, fletched), t['fletched_weight']),
        mean(binary((at_vanes * y[:, 1]).sum(1), fletched), t['nock_weight']),
        mean(binary(shaft, t['shaft']), t['shaft_weight']),
    ]
    return 0.5 * parts[0] + parts[1] + 0.5 * parts[2] + parts[3], torch.stack(parts).detach()


def distillation(y: torch.Tensor, teacher: torch.Tensor, which: torch.Tensor) -> torch.Tensor:
    """How far outputs y are from a teacher's on the strips `which` [B] (Hinton, Vinyals, Dean 2015)."""
    (nock, tag, shaft), (nock_t, tag_t, shaft_t) = strips.outputs(y), strips.outputs(teacher)
    weight = which.float()
    log_t = torch.log_softmax(nock_t, 1)
    places = (log_t.exp() * (log_t - torch.log_softmax(nock, 1))).sum(1)
    each = 0.5 * places + binary(tag, torch.sigmoid(tag_t)) + binary(shaft, torch.sigmoid(shaft_t))
    return (each * weight).sum() / weight.sum().clamp(min=1)


def fit(photos, schedule: fitting.Schedule, found, none_share: float, start=None, teachers=(), taught=()) -> Strip:
    """The running mean of the weights. found: candidates of the map net in these photos; none_share: share of strips without a
    shaft; start: net or the program's file to go on from; teachers: nets whose mean is kept on photos of folders `taught`."""
    torch.manual_seed(schedule.seed)
    gpu = photos.device.type == 'cuda'
    table = strips.neighbour_table(found, len(photos), photos.device)
    wrong, right = found[found[:, 4] == -1], found[found[:, 4] >= 0]
    net = Strip(PLANES, 3, WIDTHS, KERNEL).to(photos.device)
    if start:
        first = strips.augmented(strips.cuts(photos, schedule.batch, table))
        net.load_state_dict(weights.to_fit_on(start, first, 'strip'))

    def batch_loss(net, count):
        cut = strips.cuts(photos, count, table, wrong, right, none_share)
        x = strips.augmented(cut)
        with torch.autocast(photos.device.type, dtype=torch.bfloat16, enabled=gpu):
            y = net(x)
        total, parts = loss(y.float(), cut)
        if teachers:
            with torch.no_grad():
                of_teachers = sum(t(x).float() for t in teachers) / len(teachers)
            kept = cut['usual'] & photos.among(taught)[cut['photo']]
            total = total + 0.5 * distillation(y.float(), of_teachers, kept)
        return total, parts

    return fitting.fit(net, schedule, batch_loss, LOSSES)


@torch.no_grad()
def evaluate(nets, photos: PhotoSet, found: torch.Tensor, seed: int | None = None) -> dict[str, dict[str, float]]:
    """Figures of the mean of nets and of mirror images on candidates, by group of photos. seed: of the errors of a fitted camera;
    None: true camera."""
    rows, device = [], photos.device
    table = strips.neighbour_table(found, len(photos), device)
    torch.manual_seed(seed or 0)
    for batch in found.split(256):
        i, entry, slope, k = batch[:, 0].long(), batch[:, 1:3], batch[:, 3], batch[:, 4].long()
        eye = photos.eye[i]
        if seed is not None:
            foot = eye[:, :2] + eye[:, 2:] * torch.randn(len(batch), 2, device=device) * 0.015
            eye = torch.cat([foot, eye[:, 2:] * torch.exp(torch.randn(len(batch), 1, device=device) * 0.02)], 1)
        others = strips.neighbours_of(table, i, entry, torch.full_like(slope, 0.01))
        # along the axes that edges show, as in the program's second stage
        shafts = photos.shafts[i, k.clamp(min=0)]
        read = (k >= 0) & (torch.rand(len(k), device=device) < strips.EDGES_SEEN)
        exact, straight = strips.by_edges(eye, shafts, entry)
        entry, slope = torch.where(read[:, None], exact, entry), torch.where(read, straight, slope)
        rgb, inside, places = strips.cut(photos, i, eye, entry, slope)
        others = strips.neighbours_by_edges(photos, i, eye, others, torch.ones_like(read))
        x = strips.net_input(rgb, inside, strips.neighbour_planes(eye, places, others))
        y = sum(net(v).float() for net in nets for v in (x, x.flip(2))) / (2 * len(nets))
        nock, tag, shaft = strips.outputs(y)
        true_nock = strips.place_in_strip(eye, entry, slope, shafts[:, 2:4])[0]
        place = (true_nock - strips.FIRST_MM) / PLACE_MM
        columns = [i.float(), k.float(), tag, shaft, (nock.argmax(1) - place) * PLACE_MM]
        rows.append(torch.stack([*columns, shafts[:, 9], shafts[:, 11], shafts[:, 10]], 1))
    return figures(photos, torch.cat(rows).cpu()) if rows else {}


def figures(photos: PhotoSet, rows: torch.Tensor) -> dict[str, dict[str, float]]:
    """Of rows of photo, shaft, log-odds of fletched and of a shaft, error of the nock (mm), fletched, tail seen, counts."""
    out = {}
    for name, member in map_figures.GROUPS:
        own = rows[torch.tensor([bool(member(photos.meta[int(i)])) for i in rows[:, 0]], dtype=torch.bool)]
        true, none = own[(own[:, 1] >= 0) & (own[:, 7] > 0)], own[own[:, 1] == -1]
        tails = true[true[:, 6] > 0.6]
        if not len(tails):
            continue
        right = ((tails[:, 2] > 0) == (tails[:, 5] > 0.5)).float()
        out[name] = {
            'tails': len(tails),
            'tags right': right.mean().item(),
            'tag log loss': binary(tails[:, 2], tails[:, 5]).mean().item(),
            'nocks within 16 mm': (tails[:, 4].abs() <= PLACE_MM).float().mean().item(),
            'shafts kept': (true[:, 3] > 0).float().mean().item(),
            'false peaks rejected': (none[:, 3] < 0).float().mean().item() if len(none) else 1.0,
        }
    return out
