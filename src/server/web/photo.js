// The photo in its frame: drawing it, and where it lies.
//
// The canvas is larger than the frame: a pan shifts what is there already, together with what is laid over it, and draws only
// what comes in beyond. Once the photo rests, all of it is drawn in its exact place.

import { Frame } from "./frame.js";
import { followPointers } from "./gestures.js";

/** @typedef {import("./core.js").Core} Core */
/** @typedef {import("./core.js").PhotoShape} PhotoShape */
/** @typedef {import("./core.js").Ring} Ring */
/** A rectangle of the canvas, device pixels. @typedef {{x0: number, y0: number, x1: number, y1: number}} Box */
/** What is held; `end` may say false: it was a tap, for whoever follows taps.
 * @typedef {{move: (x: number, y: number) => void, end: (x: number, y: number, moved: boolean) => boolean | void, cancel: () => void}} Hold
 */

/** Parts kept in memory. */
const PARTS = 24;
/** Parts are fetched where the reduced picture would be enlarged by more than this. */
const SHARP = 1.1;
/** Share of the frame that is drawn beyond each of its edges. */
const BEYOND = 0.2;
/** A photo that was left alone for this long rests, ms. */
const REST = 140;
/** The group is shown with this much room around it, times its size, and with at least this part of the face. */
const ROOM = 1.7;
const GROUP = 0.42;
/** Width of the buttons over the photo, screen pixels. */
const BUTTONS = 56;
/** One step of + and −. */
const STEP = 1.5;

export class PhotoView extends EventTarget {
  /** @param {Core} core @param {HTMLElement} element @param {HTMLCanvasElement} canvas */
  constructor(core, element, canvas) {
    super();
    this.core = core;
    this.element = element;
    this.canvas = canvas;
    this.frame = new Frame();
    /** @type {number | null} */
    this.id = null;
    /** @type {PhotoShape | null} */
    this.shape = null;
    /** @type {Ring[]} */
    this.ringsNow = [];
    /** @type {[number, number][][]} */
    this.linesNow = [];
    /** What lies over the photo and moves with it. @type {HTMLElement[]} */
    this.over = [];
    /** @type {ImageBitmap | null} */
    this.whole = null;
    /** @type {Map<string, ImageBitmap | null>} */
    this.parts = new Map();
    /** Whether the photo has been seen at rest: before that nothing is fetched that only makes it sharper. */
    this.rested = false;
    this.ratio = 1;
    /** What is to be done with the next frame. */
    this.due = { paint: false, lay: false };
    this.waiting = false;
    /** How far the canvas reaches beyond the frame, device pixels. */
    this.beyond = { x: 0, y: 0 };
    /** The corner of the photo on the canvas as it is drawn, and as it was when all over it was laid, screen pixels. */
    this.drawn = { x: 0, y: 0 };
    this.laid = { x: 0, y: 0 };
    /** What of the canvas is drawn. @type {Box} */
    this.done = { x0: 0, y0: 0, x1: 0, y1: 0 };
    /** @type {number | undefined} */
    this.resting = undefined;
    /** How the photo lay when the face was shown: one that still lies so shows it in a frame of another size too.
     * @type {{x: number, y: number, scale: number, show: () => void} | null} */
    this.home = null;
    /** Where the shafts enter, photo places. @type {[number, number][]} */
    this.group = [];
    /** How much of the frame's lower edge something else covers, screen pixels. */
    this.covered = () => 0;
    /** What a finger or the mouse takes hold of, before it pans. @type {(x: number, y: number, kind: string) => Hold | null} */
    this.grab = () => null;
    followPointers(this);
    new ResizeObserver(() => this.resize()).observe(element);
  }

  get rings() {
    return this.ringsNow;
  }

  set rings(rings) {
    if (JSON.stringify(rings) === JSON.stringify(this.ringsNow)) return;
    this.ringsNow = rings;
    this.redraw();
  }

  get lines() {
    return this.linesNow;
  }

  set lines(lines) {
    if (JSON.stringify(lines) === JSON.stringify(this.linesNow)) return;
    this.linesNow = lines;
    this.redraw();
  }

  /** Shows a photo, opened on its group of shafts. @param {number} id @param {PhotoShape} shape @param {Ring[]} rings
   * @param {[number, number][]} [group] where the shafts enter, photo places */
  async show(id, shape, rings, group = []) {
    this.rings = rings;
    if (this.id === id && this.shape?.width === shape.width && this.whole) {
      this.redraw();
      return;
    }
    this.id = id;
    this.shape = shape;
    this.forget();
    this.home = null;
    this.frame.photo = { width: shape.width, height: shape.height };
    this.group = group;
    this.resize();
    this.showGroup();
    let image;
    try {
      image = await picture(this.core.whole(id));
    } catch {
      if (this.id === id) this.dispatchEvent(new CustomEvent("failed"));
      return;
    }
    if (this.id !== id) {
      image.close();
      return;
    }
    this.whole = image;
    this.redraw();
    this.dispatchEvent(new CustomEvent("shown"));
  }

  clear() {
    this.id = null;
    this.shape = null;
    this.ringsNow = [];
    this.linesNow = [];
    this.forget();
    this.redraw();
  }

  /** Lets go of the pixels. */
  forget() {
    this.whole?.close();
    this.whole = null;
    for (const part of this.parts.values()) part?.close();
    this.parts.clear();
    this.rested = false;
  }

  resize() {
    const { clientWidth: w, clientHeight: h } = this.element;
    const { frame } = this;
    if (w === 0 || h === 0) return;
    const middle = frame.toPhoto(frame.width / 2, frame.height / 2);
    const { home } = this;
    const atHome = home !== null && home.x === frame.x && home.y === frame.y && home.scale === frame.scale;
    const whole = frame.width <= 1 || Math.abs(frame.scale - frame.fitting) < 1e-9;
    frame.width = w;
    frame.height = h;
    this.ratio = Math.min(window.devicePixelRatio || 1, 3);
    const { canvas, ratio } = this;
    this.beyond = { x: Math.round(BEYOND * w * ratio), y: Math.round(BEYOND * h * ratio) };
    canvas.width = Math.round(w * ratio) + 2 * this.beyond.x;
    canvas.height = Math.round(h * ratio) + 2 * this.beyond.y;
    canvas.style.width = `${canvas.width / ratio}px`;
    canvas.style.height = `${canvas.height / ratio}px`;
    canvas.style.left = `${-this.beyond.x / ratio}px`;
    canvas.style.top = `${-this.beyond.y / ratio}px`;
    if (atHome) {
      home.show();
      return;
    }
    if (whole) frame.fit();
    else frame.centre(middle.x, middle.y);
    this.redraw();
  }

  /** All of the photo. */
  showWhole() {
    this.frame.fit();
    this.settle(() => this.showWhole());
  }

  /** The face, as large as it goes; all of the photo where no face is known. */
  showFace() {
    const points = this.rings.flatMap((r) => r.px);
    if (points.length === 0) {
      this.frame.fit();
    } else {
      const { x0, x1, y0, y1 } = /** @type {Box} */ (box(points));
      const room = 0.06 * Math.max(x1 - x0, y1 - y0);
      this.frame.show(x0 - room, y0 - room, x1 + room, y1 + room);
    }
    this.settle(() => this.showFace());
  }

  /** The group of shafts, enlarged; the face where there is none. */
  showGroup() {
    const face = box(this.rings.flatMap((r) => r.px));
    const group = box(this.group);
    if (!face || !group) {
      this.showFace();
      return;
    }
    // never closer than a part of the face: where the group lies must be seen
    const least = GROUP * Math.max(face.x1 - face.x0, face.y1 - face.y0);
    const across = Math.max(least, ROOM * (group.x1 - group.x0));
    const up = Math.max(least, ROOM * (group.y1 - group.y0));
    const [x, y] = [(group.x0 + group.x1) / 2, (group.y0 + group.y1) / 2];
    this.frame.show(x - across / 2, y - up / 2, x + across / 2, y + up / 2);
    // the buttons at the right edge cover no mark
    this.frame.pan(-BUTTONS / 2, 0);
    this.settle(() => this.showGroup());
  }

  /** The photo lies as it was asked to; in a frame of another size it is asked again. @param {() => void} show */
  settle(show) {
    const { x, y, scale } = this.frame;
    this.home = { x, y, scale, show };
    this.redraw();
  }

  /** Brings a place into view, at least at this scale. @param {number} px @param {number} py @param {number} [scale] */
  bring(px, py, scale = 0) {
    const { frame } = this;
    const at = frame.toScreen(px, py);
    const margin = 60;
    const covered = this.covered();
    const inside = at.x > margin && at.y > margin && at.x < frame.width - margin && at.y < frame.height - covered - margin;
    if (inside && frame.scale >= scale) return;
    frame.scale = Math.max(frame.scale, scale);
    frame.centre(px, py);
    frame.pan(0, -covered / 2);
    this.redraw();
  }

  /** @param {number} factor */
  zoom(factor) {
    this.frame.zoom(factor, this.frame.width / 2, this.frame.height / 2);
    this.redraw();
  }

  larger() {
    this.zoom(STEP);
  }

  smaller() {
    this.zoom(1 / STEP);
  }

  /** Moves the photo in its frame. @param {number} dx @param {number} dy screen pixels */
  pan(dx, dy) {
    this.frame.pan(dx, dy);
    this.next();
  }

  /** Draws the photo with the next frame, and lays anew what lies over it. */
  redraw() {
    this.due.paint = true;
    this.next();
  }

  /** Lays anew what lies over the photo. */
  relay() {
    this.due.lay = true;
    this.next();
  }

  next() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      const { due } = this;
      this.due = { paint: false, lay: false };
      this.draw(due.paint);
      if (due.paint || due.lay) this.lay();
      clearTimeout(this.resting);
      this.resting = window.setTimeout(() => this.rest(), REST);
    });
  }

  /** @param {boolean} all whether what is drawn already is no longer right */
  draw(all) {
    if (!this.shape) {
      this.wipe(this.bounds);
      return;
    }
    this.fetchParts();
    if (all) this.paintSeen();
    else this.shift();
  }

  /** Draws what is seen, in its exact place. */
  paintSeen() {
    this.drawn = { x: this.frame.x, y: this.frame.y };
    this.done = this.seen(0, 0);
    this.paintBoxes(this.done);
    this.place(0, 0);
  }

  /** Shifts what is drawn to where it is now, by whole device pixels, and draws what is missing. */
  shift() {
    const { canvas, done, ratio } = this;
    const dx = Math.round((this.frame.x - this.drawn.x) * ratio);
    const dy = Math.round((this.frame.y - this.drawn.y) * ratio);
    const seen = this.seen(dx, dy);
    if (seen.x0 >= done.x0 && seen.y0 >= done.y0 && seen.x1 <= done.x1 && seen.y1 <= done.y1) {
      this.place(dx, dy);
      return;
    }
    const context = canvas.getContext("2d");
    if (!context) return;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.globalCompositeOperation = "copy";
    context.drawImage(canvas, dx, dy);
    context.globalCompositeOperation = "source-over";
    this.drawn = { x: this.drawn.x + dx / ratio, y: this.drawn.y + dy / ratio };
    const { x0, y0, x1, y1 } = this.bounds;
    this.done = {
      x0: clamp(done.x0 + dx, x0, x1), y0: clamp(done.y0 + dy, y0, y1),
      x1: clamp(done.x1 + dx, x0, x1), y1: clamp(done.y1 + dy, y0, y1),
    };
    this.complete();
    this.place(0, 0);
  }

  /** Draws what of the canvas isn't drawn yet. */
  complete() {
    const { bounds, done } = this;
    this.paintBoxes({ ...bounds, y1: done.y0 }, { ...bounds, y0: done.y1 },
      { x0: bounds.x0, x1: done.x0, y0: done.y0, y1: done.y1 }, { x0: done.x1, x1: bounds.x1, y0: done.y0, y1: done.y1 });
    this.done = bounds;
  }

  /** Nothing has moved for a while: everything in its exact place, and what lies beyond the edges ready for the next pan. */
  rest() {
    if (!this.shape || this.waiting) return;
    const { x, y } = this.frame;
    if (x !== this.drawn.x || y !== this.drawn.y) {
      this.paintSeen();
      this.lay();
    }
    this.complete();
    if (this.whole && !this.rested) {
      this.rested = true;
      this.fetchParts();
    }
  }

  /** All of the canvas. @returns {Box} */
  get bounds() {
    return { x0: 0, y0: 0, x1: this.canvas.width, y1: this.canvas.height };
  }

  /** What of the canvas is seen once it is shifted by so many device pixels. @param {number} dx @param {number} dy @returns {Box} */
  seen(dx, dy) {
    const { canvas, beyond } = this;
    return { x0: beyond.x - dx, y0: beyond.y - dy, x1: canvas.width - beyond.x - dx, y1: canvas.height - beyond.y - dy };
  }

  /** Shifts the canvas, and all over the photo with it. @param {number} dx @param {number} dy device pixels */
  place(dx, dy) {
    const { drawn, laid, ratio } = this;
    const at = (/** @type {number} */ x, /** @type {number} */ y) => (x === 0 && y === 0 ? "" : `translate(${x}px, ${y}px)`);
    this.canvas.style.transform = at(dx / ratio, dy / ratio);
    const over = at(drawn.x - laid.x + dx / ratio, drawn.y - laid.y + dy / ratio);
    for (const element of this.over) element.style.transform = over;
  }

  /** Lets all that lies over the photo lie where the photo is now. */
  lay() {
    this.laid = { x: this.frame.x, y: this.frame.y };
    for (const element of this.over) element.style.transform = "";
    this.dispatchEvent(new CustomEvent("moved"));
  }

  /** @param {Box} box */
  wipe({ x0, y0, x1, y1 }) {
    const context = this.canvas.getContext("2d");
    context?.setTransform(1, 0, 0, 1, 0, 0);
    context?.clearRect(x0, y0, x1 - x0, y1 - y0);
  }

  /** Draws these rectangles of the canvas. @param {...Box} boxes */
  paintBoxes(...boxes) {
    const context = this.canvas.getContext("2d");
    const real = boxes.filter((b) => b.x1 > b.x0 && b.y1 > b.y0);
    if (!context || real.length === 0) return;
    context.save();
    context.beginPath();
    for (const box of real) {
      this.wipe(box);
      context.rect(box.x0, box.y0, box.x1 - box.x0, box.y1 - box.y0);
    }
    context.clip();
    this.paint(context, { scale: this.frame.scale, ...this.drawn }, this.ratio, 1, this.beyond);
    context.restore();
  }

  /** A part at full resolution has come: draws it where it belongs. @param {number} c @param {number} r */
  paintPart(c, r) {
    const { shape, frame, drawn, ratio, beyond, done } = this;
    if (!shape || frame.scale * ratio <= this.sharpFrom()) return;
    const s = frame.scale * ratio;
    const x = drawn.x * ratio + beyond.x + c * shape.part * s;
    const y = drawn.y * ratio + beyond.y + r * shape.part * s;
    this.paintBoxes({
      x0: Math.max(Math.floor(x), done.x0), y0: Math.max(Math.floor(y), done.y0),
      x1: Math.min(Math.ceil(x + shape.part * s), done.x1), y1: Math.min(Math.ceil(y + shape.part * s), done.y1),
    });
  }

  /** Draws photo and rings. @param {CanvasRenderingContext2D} context @param {{x: number, y: number, scale: number}} frame
   * @param {number} ratio @param {number} strength of the rings @param {{x: number, y: number}} [beyond] device pixels */
  paint(context, frame, ratio, strength, beyond = { x: 0, y: 0 }) {
    const { shape } = this;
    if (!shape) return;
    const s = frame.scale * ratio;
    context.setTransform(s, 0, 0, s, frame.x * ratio + beyond.x, frame.y * ratio + beyond.y);
    context.imageSmoothingEnabled = s < 4;
    if (this.whole) {
      // averages cost as much as drawing: only where pixels would be passed over
      context.imageSmoothingQuality = s * shape.width < this.whole.width / 2 ? "medium" : "low";
      context.drawImage(this.whole, 0, 0, shape.width, shape.height);
    }
    context.imageSmoothingQuality = s < 0.5 ? "medium" : "low";
    if (s > this.sharpFrom()) {
      for (const [key, image] of this.parts) {
        if (!image) continue;
        const [c, r] = key.split("-").map(Number);
        context.drawImage(image, c * shape.part, r * shape.part);
      }
    }
    // the one half pixel: ring places count from pixel centres
    context.translate(0.5, 0.5);
    for (const [width, colour] of [[2.6, `rgba(10,16,18,${0.45 * strength})`], [1.1, `rgba(120,255,214,${0.95 * strength})`]]) {
      context.strokeStyle = String(colour);
      context.lineWidth = (Number(width) * ratio) / s;
      for (const ring of this.rings) outline(context, ring.px, true);
      context.setLineDash([(6 * ratio) / s, (5 * ratio) / s]);
      for (const line of this.lines) outline(context, line, false);
      context.setLineDash([]);
    }
  }

  /** Device pixels per photo pixel from which the reduced picture is no longer sharp. */
  sharpFrom() {
    if (!this.shape) return Infinity;
    const longest = Math.max(this.shape.width, this.shape.height);
    return longest <= this.shape.reduced ? Infinity : (SHARP * this.shape.reduced) / longest;
  }

  fetchParts() {
    const { frame, shape, id } = this;
    if (!shape || id === null || !this.rested || frame.scale * this.ratio <= this.sharpFrom()) return;
    const from = frame.toPhoto(0, 0);
    const to = frame.toPhoto(frame.width, frame.height);
    const at = (/** @type {number} */ v, /** @type {number} */ most) => clamp(Math.floor(v / shape.part), 0, most);
    const columns = Math.ceil(shape.width / shape.part) - 1;
    const rows = Math.ceil(shape.height / shape.part) - 1;
    for (let r = at(from.y, rows); r <= at(to.y, rows); r += 1) {
      for (let c = at(from.x, columns); c <= at(to.x, columns); c += 1) this.fetchPart(id, c, r);
    }
  }

  /** @param {number} id @param {number} c @param {number} r */
  async fetchPart(id, c, r) {
    const key = `${c}-${r}`;
    if (this.parts.has(key)) return;
    this.parts.set(key, null);
    if (this.parts.size > PARTS) {
      const oldest = this.parts.keys().next().value;
      if (oldest !== undefined) {
        this.parts.get(oldest)?.close();
        this.parts.delete(oldest);
      }
    }
    let image;
    try {
      image = await picture(this.core.part(id, c, r));
    } catch {
      if (this.id === id) this.parts.delete(key);
      return;
    }
    if (this.id === id && this.parts.get(key) === null) {
      this.parts.set(key, image);
      this.paintPart(c, r);
    } else {
      image.close();
    }
  }

  /** Place in the frame of a pointer. @param {{clientX: number, clientY: number}} event */
  at(event) {
    const box = this.element.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  }
}

/** The rectangle around some places. @param {[number, number][]} points @returns {Box | null} */
function box(points) {
  if (points.length === 0) return null;
  const xs = points.map((p) => p[0]);
  const ys = points.map((p) => p[1]);
  return { x0: Math.min(...xs), x1: Math.max(...xs), y0: Math.min(...ys), y1: Math.max(...ys) };
}

/** A picture, decoded once and beside everything else. @param {import("./core.js").Address} address */
async function picture(address) {
  const answer = await fetch(await address);
  if (!answer.ok) throw new Error(String(answer.status));
  return createImageBitmap(await answer.blob());
}

/** @param {number} value @param {number} least @param {number} most */
function clamp(value, least, most) {
  return Math.min(Math.max(value, least), most);
}

/** @param {CanvasRenderingContext2D} context @param {[number, number][]} points @param {boolean} closed */
function outline(context, points, closed) {
  if (points.length < 2) return;
  context.beginPath();
  points.forEach(([x, y], i) => (i === 0 ? context.moveTo(x, y) : context.lineTo(x, y)));
  if (closed) context.closePath();
  context.stroke();
}
