"""Strips of prepared photos along candidates, as the program cuts them: 192 px of 4 mm along the shaft from 32 mm before the entry,
32 px of 1.5 mm across, seen square to the view. The strip's axis stands perpendicular to the face but for a sideways slope, which
the program reads off the map; whatever the shaft leans in the plane of view only changes where the nock lies along the strip.

Two more planes show the company: where the courses of the photo's other candidates run through the strip, so that what belongs to a
neighbour, its vanes above all, can be told from what belongs to the shaft looked at."""

import torch

import light
from maps import eye_with_error

ALONG, ACROSS, ALONG_MM, ACROSS_MM, FIRST_MM = 192, 32, 4.0, 1.5, -32.0
PLACE_MM = 16.0
SLOPE = 0.12  # the program tries no steeper ones
APART = 12.0  # mm from any entry: no shaft
COMPANY = 24  # most other candidates, best first
COMPANY_SCORE = 0.2  # least map score of these
COMPANY_MM = 5.0  # about half the span of a vane and its shaft
LEAST_COURSE = 0.02  # slope of a course against the view below which its direction isn't known
TALLEST_MM = 900.0
USUAL_STRETCH = (
    0.2  # natural logarithm: shafts in photos whose face is named rightly look no larger or smaller
)
SIZES = 0.15  # scatter of the size that a shaft seems to have, as faces of other sizes than named come in steps of a half
STAMPED = (
    0.15  # share of shafts whose tail is covered with a piece of the shaft further down, or that with another
)
PAINTED = 0.35  # share of shafts that get a painted wrap, tape or rings
CROWDED = 3.0  # shafts whose nock is beside another's are drawn up to so many times as often more
EDGED = 0.87  # share of shafts whose course is read off their edges (practice photos)
GLANCES = 0.2  # share of strips cut along the map's courses, as at the program's first glance


def axes(away, slope):
    a = torch.stack([-away[..., 1] * slope, away[..., 0] * slope, torch.ones_like(slope)], -1)
    return a / a.norm(dim=-1, keepdim=True)


def away_from(eye, e):
    d = e - eye[..., :2]
    return d / d.norm(dim=-1, keepdim=True).clamp(min=1e-3)


def to_plane(eye, X):
    """where a point is seen on the face plane"""
    return eye[..., :2] + (X[..., :2] - eye[..., :2]) * (
        eye[..., 2:] / (eye[..., 2:] - X[..., 2:]).clamp(min=1.0)
    )


def true_slope(eye, E):
    """sideways slope of the shafts E [..., 13] as the map shows it, for a camera at eye"""
    u = away_from(eye, E[..., :2])
    d = E[..., 2:4] - E[..., :2]  # on the map: (u obliquity + w slope) D z / (D - z)
    across = d[..., 1] * u[..., 0] - d[..., 0] * u[..., 1]
    z = torch.minimum(E[..., 7] * E[..., 6], 0.9 * eye[..., 2])
    return across * (eye[..., 2] - z) / (eye[..., 2] * z)


def by_edges(eye, E, e):
    """entry and sideways slope of the shafts E [..., 13] as the program has them once it has read their edges: across and slope far better
    than the map, along as in the map's entry e [..., 2]. The errors are those on practice photos"""
    u = away_from(eye, E[..., :2])
    w = torch.stack([-u[..., 1], u[..., 0]], -1)
    far = torch.rand(E.shape[:-1], device=E.device) < 0.15

    def error(near, off):
        return torch.randn(E.shape[:-1], device=E.device) * torch.where(far, off, near)

    along = ((e - E[..., :2]) * u).sum(-1, keepdim=True)
    return E[..., :2] + u * along + w * error(0.25, 0.8)[..., None], true_slope(eye, E) + error(0.0012, 0.005)


def cut(store, i, eye, e, slope, shift=None, stretch=None, flip=None):
    """[B, 3, ACROSS, ALONG] colours, [B, 1, ...] reach, [B, ACROSS * ALONG / 4, 2] where the middles of every four pixels along show on the
    face plane. shift: mm along and across; stretch: factors along and across"""
    B, dev = len(i), store.device
    a = axes(away_from(eye, e), slope)
    z = FIRST_MM + ALONG_MM * torch.arange(ALONG, device=dev).float()[None].expand(B, -1)
    q = ACROSS_MM * (torch.arange(ACROSS, device=dev).float() - (ACROSS - 1) / 2)[None].expand(B, -1)
    if stretch is not None:
        z, q = z * stretch[:, :1] + shift[:, :1], q * stretch[:, 1:] * flip[:, None] + shift[:, 1:]
    P = torch.cat([e, torch.zeros(B, 1, device=dev)], 1)[:, None] + a[:, None] * z[..., None]
    w = torch.cross(a[:, None].expand_as(P), eye[:, None] - P, dim=-1)
    w = w / w.norm(dim=-1, keepdim=True).clamp(min=1e-9)
    rgb, ok = 0, True
    for da, dq in ((-0.25, -0.25), (-0.25, 0.25), (0.25, -0.25), (0.25, 0.25)):
        G = (
            P[:, None]
            + a[:, None, None] * (ALONG_MM * da)
            + w[:, None] * (q[..., None, None] + ACROSS_MM * dq)
        )
        X = to_plane(eye[:, None, None], G).reshape(B, -1, 2)
        c, o = store.colour(i, store.project(i, X))
        rgb, ok = rgb + c / 4, ok & o & (G[..., 2] < eye[:, None, None, 2] - 1).reshape(B, -1)

    def four(v):
        return v.reshape(B, ALONG // 4, 4, -1).mean(2)

    X = to_plane(eye[:, None, None], four(P)[:, None] + four(w)[:, None] * q[..., None, None])
    return (
        rgb.reshape(B, ACROSS, ALONG, 3).permute(0, 3, 1, 2),
        ok.reshape(B, 1, ACROSS, ALONG),
        X.reshape(B, -1, 2),
    )


def company(eye, X, others):
    """[B, 2, ACROSS, ALONG]: nearness to the course of another candidate times its score, and that times the course's height (in 600 mm).
    others [B, COMPANY, 5]: entry, slope, score (0: none), number of the shaft"""
    others = others[:, (others[..., 3] > 0).any(0)]
    if not others.shape[1]:
        return torch.zeros(len(X), 2, ACROSS, ALONG, device=X.device)
    D = eye[:, None, 2]
    v = others[..., :2] - eye[:, None, :2]
    r = v.norm(dim=-1).clamp(min=1e-3)
    u = v / r[..., None]
    c = u * (r / D)[..., None] + torch.stack([-u[..., 1], u[..., 0]], -1) * others[..., 2:3]
    n = c.norm(dim=-1).clamp(min=LEAST_COURSE)
    c = c / n[..., None]
    d = X[:, None] - others[:, :, None, :2]  # [B, COMPANY, n, 2]
    m = (d * c[:, :, None]).sum(-1)
    across = d[..., 0] * c[:, :, None, 1] - d[..., 1] * c[:, :, None, 0]
    Dn = (D * n)[..., None]
    z = (D[..., None] * m / (Dn + m.clamp(min=0.0))).clamp(
        max=TALLEST_MM
    )  # height at which the course shows there
    near = (
        others[..., 3:4]
        * torch.exp(-0.5 * (across * (1 - z.clamp(min=0.0) / D[..., None]) / COMPANY_MM) ** 2)
        * (m > -COMPANY_MM)
    )
    a, k = near.max(1)
    z = z.gather(1, k[:, None])[:, 0].clamp(min=0.0) / 600
    return torch.stack([a, a * z], 1).reshape(len(X), 2, ACROSS, ALONG // 4).repeat_interleave(4, 3)


def company_of(table, i, own, reach):
    """others of photos i [B] without the nearest to `own` [B, 2] within `reach` [B] mm. table [photos, COMPANY, 5]"""
    T = table[i].clone()
    d, k = (T[..., :2] - own[:, None]).norm(dim=-1).min(1)
    rows = torch.arange(len(i), device=T.device)
    T[rows, k, 3] = torch.where(d <= reach, torch.zeros_like(d), T[rows, k, 3])
    return T


def company_by_edges(store, i, eye, others, edged):
    """others as they are once the edges of the shafts among them are read, where edged [B]"""
    k = others[..., 4].long()
    read = (k >= 0) & edged[:, None] & (torch.rand(k.shape, device=k.device) < EDGED)
    E = store.shafts[i[:, None], k.clamp(min=0)]
    e, s = by_edges(eye[:, None], E, others[..., :2])
    return torch.cat(
        [torch.where(read[..., None], torch.cat([e, s[..., None]], -1), others[..., :3]), others[..., 3:]], -1
    )


def company_table(cand, photos, device):
    """candidates (fit_strip.candidates: photo, x, y, slope, shaft, score) -> [photos, COMPANY, 5], best first"""
    T = torch.zeros(photos, COMPANY, 5, device=device)
    T[..., 4] = -1
    T[..., 0] = 1e5
    for i in range(photos):
        c = cand[(cand[:, 0] == i) & (cand[:, 5] >= COMPANY_SCORE)]
        c = c[c[:, 5].argsort(descending=True)][:COMPANY]
        T[i, : len(c)] = c[:, [1, 2, 3, 5, 4]]
    return T


def nock_place(eye, e, slope, tail):
    """height along the strip's axis nearest to the ray on which the nock is seen (tail: its image on the face plane), mm"""
    return course(eye, e, slope, tail)[0]


def course(eye, e, slope, X):
    """where face-plane points X [B, 2] (images of something on a shaft) lie in the strip: mm along and across, [B] each"""
    a = axes(away_from(eye, e), slope)
    o = torch.cat([e, torch.zeros_like(e[:, :1])], 1)
    m = torch.cat([X, torch.zeros_like(X[:, :1])], 1) - eye
    m = m / m.norm(dim=1, keepdim=True)
    r, am = eye - o, (a * m).sum(1)
    z = ((a * r).sum(1) - am * (m * r).sum(1)) / (1 - am * am).clamp(min=1e-6)
    P = o + a * z[:, None]
    w = torch.cross(a, eye - P, dim=-1)
    w = w / w.norm(dim=-1, keepdim=True).clamp(min=1e-9)
    near = eye + m * ((P - eye) * m).sum(1, keepdim=True)  # of the ray, nearest to P
    return z, ((near - P) * w).sum(1)


def paint(x, places, diameter, along, share):
    """wraps, tape and rings of any colours painted over the shafts of strips x [B, 3, ACROSS, ALONG]: what is coloured over a shaft's
    own width is no vane. places: z and q of entry and nock in the strip's pixels of `along` = (mm along, mm across) per pixel"""
    B, dev = len(x), x.device

    def rand(*n):
        return torch.rand(*n, device=dev)

    (ze, qe), (zn, qn) = places
    z = (FIRST_MM + ALONG_MM * torch.arange(ALONG, device=dev).float())[None, None]  # [1, 1, ALONG]
    q = (ACROSS_MM * (torch.arange(ACROSS, device=dev).float() - (ACROSS - 1) / 2))[None, :, None]

    def col(v):
        return v[:, None, None]

    axis = col(qe) + (col(qn) - col(qe)) * (z - col(ze)) / col((zn - ze).clamp(min=40.0))
    half = col(diameter / 2 / along[:, 1] * (1 + 0.15 * rand(B)))
    v = (q - axis) / half  # -1 to 1 over the shaft
    inside = torch.sigmoid((1 - v.abs()) * half / 0.45)
    # from behind the nock a wrap's length down, or tape anywhere
    where = rand(B)
    rear = torch.where(where < 0.7, zn - 8 - 16 * rand(B), ze + (zn - ze) * (0.25 + 0.7 * rand(B)))
    length = torch.where(where < 0.7, 50 + 150 * rand(B), 8 + 40 * rand(B))
    band = torch.sigmoid((col(rear) - z) / 1.5) * torch.sigmoid((z - col(rear - length)) / 1.5)
    # one colour, rings, spiral or blocks of two or three colours
    period, turn = (
        col(10 + 70 * rand(B) ** 1.5),
        col(torch.where(rand(B) < 0.4, torch.randn(B, device=dev) * 1.2, torch.zeros(B, device=dev))),
    )
    blocks = col((rand(B) < 0.2).float()) * (v > 0).float()
    k = (z / period + turn * v + blocks * 0.5 + col(rand(B))).remainder(1.0)
    k = torch.where(col(rand(B)) < 0.25, torch.zeros_like(k), k)
    share2, share3 = (
        col(0.2 + 0.5 * rand(B)),
        col(torch.where(rand(B) < 0.5, torch.ones(B, device=dev), 0.7 + 0.3 * rand(B))),
    )
    C = rand(B, 3, 3)
    grey = C.mean(2, keepdim=True)
    C = (grey + (C - grey) * (1.8 * rand(B, 3, 1))).clamp(0.02, 1.0)  # from grey to vivid

    def pick(n):
        return C[:, n][:, :, None, None]

    colour = torch.where((k < share2)[:, None], pick(0), torch.where((k < share3)[:, None], pick(1), pick(2)))
    # lit from one side, as bright as the picture is
    light = x.mean((1, 2, 3)) / 0.45
    shade = (0.35 + 0.65 * (1 - (v - col(torch.randn(B, device=dev) * 0.5)) ** 2 / 3).clamp(0, 1)) * col(
        light.clamp(0.4, 1.5)
    )
    m = inside * band * col((rand(B) < share).float() * (0.75 + 0.25 * rand(B)))
    return x * (1 - m[:, None]) + (colour * shade[:, None]).clamp(0, 1.1) * m[:, None]


def stamp(x, nock, fletched, may):
    """Covers the tails of some shafts of strips x with a piece of the same strip from nearer the entry, so that a bare shaft is left with the picture's
    own look; as often another stretch is covered likewise, so that the seams say nothing. nock: its place (PLACE_MM)"""
    B, dev = len(x), x.device

    def rand(*n):
        return torch.rand(*n, device=dev)

    at = nock * (PLACE_MM / ALONG_MM)  # pixels along
    length, tail = 30 + 16 * rand(B), rand(B) < 0.5
    end = torch.where(tail, at - 3.5 - 2 * rand(B), at - 48 - 20 * rand(B))
    shift = length + 2 + 12 * rand(B)
    may = may & (rand(B) < 2 * STAMPED) & (end - length - shift > 12)
    z = torch.arange(ALONG, device=dev).float()[None]
    m = (
        torch.sigmoid((end[:, None] - z) / 0.6)
        * torch.sigmoid((z - end[:, None] + length[:, None]) / 2.5)
        * may[:, None].float()
    )
    source = (z - shift[:, None]).round().long().clamp(0, ALONG - 1)[:, None, None].expand_as(x)
    x = x + (x.gather(3, source) - x) * m[:, None, None]
    return x, torch.where(may & tail, torch.zeros_like(fletched), fletched), may


def finish(rgb, ok, near):
    return torch.cat([torch.where(ok, rgb - 0.5, torch.zeros_like(rgb)), ok.float(), near], 1)


def nearest(store, i, e):
    return (store.shafts[i, :, :2] - e[:, None]).norm(dim=-1).min(1)


def cuts(store, B, table, wrong=None, found=None, share=0.45):
    """strips [B, …]: colours, reach, company; and targets: is a shaft, weight of that, fletched, weight, nock place, weight.
    table: company by photo, of the photos to draw from; wrong: peaks of the map net that are none, found: its peaks at shafts [n, 5]:
    photo, x, y, slope, number of the shaft"""
    dev = store.device
    rand, randn = lambda *n: torch.rand(*n, device=dev), lambda *n: torch.randn(*n, device=dev)
    there = torch.arange(store.shafts.shape[1], device=dev) < store.count[: len(table), None]
    often = (
        store.weight[: len(table), None]
        * there
        / store.count[: len(table), None].clamp(min=1)
        * (1 + CROWDED * store.beside[: len(table)])
    )
    pick = torch.multinomial(often.flatten(), B, replacement=True)
    i, k = pick // store.shafts.shape[1], pick % store.shafts.shape[1]
    seen = torch.zeros(B, dtype=torch.bool, device=dev)
    if found is not None and len(found):
        f = found[torch.multinomial(store.weight[found[:, 0].long()], B, replacement=True)]
        seen = rand(B) < 0.4
        i, k = torch.where(seen, f[:, 0].long(), i), torch.where(seen, f[:, 4].long(), k)
    E = store.shafts[i, k]
    eye = eye_with_error(store, i)
    u = away_from(eye, E[:, :2])
    w = torch.stack([-u[:, 1], u[:, 0]], 1)
    # where the map net would put the entry, and which slope the mask would show
    far = (rand(B, 1) < 0.06).float()
    e = E[:, :2] + u * randn(B, 1) * (1.2 + 3 * far) + w * randn(B, 1) * (0.6 + 1.5 * far)
    slope = true_slope(eye, E) + randn(B) * torch.where(rand(B) < 0.15, 0.025, 0.009)
    if seen.any():
        e, slope = (
            torch.where(seen[:, None], f[:, 1:3] + randn(B, 2) * 0.5, e),
            torch.where(seen, f[:, 3] + randn(B) * 0.004, slope),
        )
    # which courses are known by then: at a glance none
    edged = rand(B) >= GLANCES
    read = edged & (rand(B) < EDGED)
    exact, straight = by_edges(eye, E, e)
    e, slope = torch.where(read[:, None], exact, e), torch.where(read, straight, slope)
    # candidates that are none
    no = rand(B) < share
    which = rand(B)
    other = e + (E[:, 2:4] - E[:, :2]) * (0.05 + 1.05 * rand(B, 1)) + randn(B, 2) * 3  # further up a shaft
    ring = torch.nn.functional.normalize(randn(B, 2), dim=1) * (13 + 35 * rand(B, 1) ** 1.5)  # beside one
    box = store.box[i]
    any_ = box[:, :2] - 60 + rand(B, 2) * (box[:, 2:] - box[:, :2] + 120)
    p = torch.where(
        (which < 0.35)[:, None], other, torch.where((which < 0.8)[:, None], E[:, :2] + ring, any_)
    )
    s = torch.where(rand(B) < 0.5, slope, randn(B) * 0.026)
    # which of the photo's candidates is the one looked at: the shaft's own, or where there is none one right here
    own, reach = torch.where(no[:, None], p, E[:, :2]), torch.where(no, 1.5, 10.0)
    if wrong is not None and len(wrong):
        f = wrong[torch.multinomial(store.weight[wrong[:, 0].long()], B, replacement=True)]
        take = no & (rand(B) < 0.5)
        i, p, s = (
            torch.where(take, f[:, 0].long(), i),
            torch.where(take[:, None], f[:, 1:3] + randn(B, 2), p),
            torch.where(take, f[:, 3] + randn(B) * 0.006, s),
        )
        eye = torch.where(take[:, None], eye_with_error(store, i), eye)
        own = torch.where(take[:, None], f[:, 1:3], own)
    e, slope = torch.where(no[:, None], p, e), torch.where(no, s, slope).clamp(-SLOPE, SLOPE)
    shift, stretch = (
        torch.zeros(B, 2, device=dev),
        torch.exp(randn(B, 2) * torch.tensor([0.03, 0.07], device=dev) + randn(B, 1) * SIZES),
    )
    flip = torch.where(rand(B) < 0.5, 1.0, -1.0)
    rgb, ok, X = cut(store, i, eye, e, slope, shift, stretch, flip)

    def inside(P):
        return [v / stretch[:, n] * (flip if n else 1.0) for n, v in enumerate(course(eye, e, slope, P))]

    rgb = paint(rgb, (inside(E[:, :2]), inside(E[:, 2:4])), E[:, 8], stretch, torch.where(no, 0.0, PAINTED))
    others = company_by_edges(store, i, eye, company_of(table, i, own, reach), edged)
    near = company(eye, X, others)
    n = (nock_place(eye, e, slope, E[:, 2:4]) / stretch[:, 0] - FIRST_MM) / PLACE_MM
    tail = (E[:, 11] > 0.6).float() * (~no).float()
    rgb, fletched, stamped = stamp(rgb, n, E[:, 9], (tail > 0) & read)
    usual = ~stamped & (stretch.log().abs() < USUAL_STRETCH).all(1)
    apart = nearest(store, i, e)[0] > APART
    shaft_weight = torch.where(no, apart.float(), (E[:, 12] > 0.1).float())
    return {
        'photo': i,
        'usual': usual,
        'rgb': rgb,
        'ok': ok,
        'near': near,
        'shaft': (~no).float(),
        'shaft_w': shaft_weight,
        'fletched': fletched,
        'fletched_w': tail,
        'nock': n,
        'nock_w': tail * ((n > 1) & (n < ALONG / 4 - 1)).float(),
    }


def lit(strips):
    """inputs [B, 6, ACROSS, ALONG] of cut strips, each under another light"""
    return finish(light.change(strips['rgb'], 0.5), strips['ok'], strips['near'])


def read(y):
    """net output [B, 3, places] -> log-odds of nock by place, of fletched, of being a shaft"""
    return y[:, 0], (torch.softmax(y[:, 0], 1) * y[:, 1]).sum(1), y[:, 2].mean(1)
