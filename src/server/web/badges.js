// Where the names of the marks stand on the photo: clear of each other, of the entries and of the shafts.

/** @typedef {import("./core.js").Entry} Entry */
/** @typedef {{x: number, y: number}} Point */
/** @typedef {{entry: Entry, x: number, y: number, shaft: [Point, Point] | null}} Mark an entry on the screen, with its shaft */

/** How far a name stands from its entry, screen pixels: near, or further out where it is crowded. */
const BESIDE = [24, 38, 54, 72];
/** Directions tried. */
const WAYS = 24;
/** Names closer than this cover each other, screen pixels. */
const NAME = 31;
/** A name closer than this to a shaft covers it, or to another entry, screen pixels. */
const OFF_SHAFT = 19;
const OFF_ENTRY = 21;

/** Where each name stands, from its entry. @param {Mark[]} all @returns {Map<number, Point>} */
export function namePlaces(all) {
  /** @type {Point[]} */
  const placed = [];
  const found = new Map();
  for (const mark of all) {
    const at = bestPlace(mark, all, placed);
    placed.push({ x: mark.x + at.x, y: mark.y + at.y });
    found.set(mark.entry.id, at);
  }
  return found;
}

/** @param {Mark} mark @param {Mark[]} all @param {Point[]} placed */
function bestPlace(mark, all, placed) {
  const [ax, ay] = aside(mark);
  let best = Infinity;
  let at = { x: ax * BESIDE[0], y: ay * BESIDE[0] };
  for (const far of BESIDE) {
    for (let i = 0; i < WAYS; i += 1) {
      const turn = (2 * Math.PI * i) / WAYS;
      const [dx, dy] = [ax * Math.cos(turn) - ay * Math.sin(turn), ax * Math.sin(turn) + ay * Math.cos(turn)];
      const p = { x: mark.x + dx * far, y: mark.y + dy * far };
      const cost = 0.3 * (1 - Math.cos(turn)) + 0.02 * (far - BESIDE[0]) + covered(p, mark, all, placed);
      if (cost < best) {
        best = cost;
        at = { x: dx * far, y: dy * far };
      }
    }
  }
  return at;
}

/** How much a name at this place would cover. @param {Point} p @param {Mark} mark @param {Mark[]} all @param {Point[]} placed */
function covered(p, mark, all, placed) {
  const near = (/** @type {number} */ distance, /** @type {number} */ clear) => Math.max(0, 1 - distance / clear);
  let cost = 0;
  for (const q of placed) cost += 4 * near(Math.hypot(p.x - q.x, p.y - q.y), NAME);
  for (const other of all) {
    if (other !== mark) cost += 3 * near(Math.hypot(p.x - other.x, p.y - other.y), OFF_ENTRY);
    if (other.shaft) cost += 3 * near(fromSegment(p, other.shaft), OFF_SHAFT);
  }
  return cost;
}

/** Distance of a point from a segment. @param {Point} p @param {[Point, Point]} segment */
export function fromSegment(p, [a, b]) {
  const [dx, dy] = [b.x - a.x, b.y - a.y];
  const square = dx * dx + dy * dy;
  const t = square > 0 ? Math.min(1, Math.max(0, ((p.x - a.x) * dx + (p.y - a.y) * dy) / square)) : 0;
  return Math.hypot(p.x - a.x - t * dx, p.y - a.y - t * dy);
}

/** Which way the name of a mark stands off: away from its shaft. @param {Mark} mark @returns {[number, number]} */
function aside({ shaft }) {
  if (!shaft) return [0.7, -0.7];
  const [dx, dy] = [shaft[0].x - shaft[1].x, shaft[0].y - shaft[1].y];
  const length = Math.hypot(dx, dy);
  return length < 1 ? [0.7, -0.7] : [dx / length, dy / length];
}
