// The rings set by hand: known places of the face are dragged or tapped onto their printed lines, and the rings follow.

import * as camera from "./camera.js";
import { byId, fill, make } from "./dom.js";

/** @typedef {import("./core.js").EndView} EndView */
/** @typedef {import("./core.js").KnownPlace} KnownPlace */
/** @typedef {import("./core.js").MarkedPoint} MarkedPoint */
/** @typedef {import("./photo.js").PhotoView} PhotoView */

/** Half of what a finger hits, screen pixels. */
const REACH = 22;
/** A tap this near to a dot that has been set is meant for it, screen pixels. */
const ON = 10;
/** Fewest points of which rings can be made. */
const LEAST = 4;
/** One step by the arrow keys, photo pixels; with Shift ten times that. */
const STEP = 1;
/** How well a place is set, screen pixels: a point set on a reduced photo is less sure by so much. */
const SURE = 2;
/** The program takes a point to be no surer than that, photo pixels. */
const USUAL = 3;
/** A dot this near to the frame's edge is out of view, screen pixels. */
const EDGE = 12;
/** Share of the photo's shorter side that the face fills where nobody knows better. */
const GUESS = 0.7;

export class RingsByHand {
  /** @param {import("./end.js").OpenEnd} end @param {import("./marks.js").Marks} marks @param {PhotoView} photo
   * @param {{use: (id: number, points: MarkedPoint[]) => void, cancelled: (view: EndView) => void}} then */
  constructor(end, marks, photo, then) {
    this.end = end;
    this.marks = marks;
    this.photo = photo;
    this.then = then;
    this.holder = byId("handles", HTMLDivElement);
    this.panel = byId("rings", HTMLDivElement);
    /** @type {EndView | null} */
    this.view = null;
    /** @type {KnownPlace[]} */
    this.places = [];
    this.reach = 1;
    /** @type {HTMLButtonElement[]} */
    this.handles = [];
    /** Where each place was set and how surely, photo pixels. @type {Map<number, {x: number, y: number, sd: number}>} */
    this.set = new Map();
    this.current = 0;
    /** The rings through the points. @type {import("./core.js").HandRings | null} */
    this.found = null;
    this.trouble = "";
    /** What the last tap changed: the other half of a double tap takes it back.
     * @type {{current: number, was: {x: number, y: number, sd: number} | undefined} | null} */
    this.tap = null;
    this.asked = 0;
    this.busy = false;
    this.grabBefore = photo.grab;
    this.which = make("b", { id: "rings-which" });
    this.state = make("p", { id: "rings-state", role: "status", class: "soft" });
    this.here = make("button", { type: "button", id: "rings-here", click: () => this.put(this.current, this.at(this.current)) }, "It is here");
    this.away = make("button", { type: "button", id: "rings-away", click: () => this.take(this.current) }, "Take back");
    this.use = make("button", { type: "button", id: "rings-use", class: "main-action", click: () => this.accept() }, "Use these rings");
    this.draw();
    photo.over.push(this.holder);
    photo.addEventListener("moved", () => this.lay());
    photo.addEventListener("tapped", (event) => this.tapped(/** @type {CustomEvent} */ (event).detail));
    end.addEventListener("opened", () => this.stop());
  }

  get active() {
    return this.view !== null;
  }

  draw() {
    const turn = (/** @type {number} */ by) => () => this.choose((this.current + by + this.places.length) % this.places.length, true);
    fill(this.panel,
      make("h3", {}, "Set the rings by hand"),
      make("p", { class: "soft" }, "Drag a dot onto the printed line it names, or tap the place. Four or more, far apart; filled dots count."),
      make("div", { class: "which" },
        make("button", { type: "button", class: "icon-button", title: "Previous point", click: turn(-1) }, make("span", { "aria-hidden": "true" }, "‹"), make("span", { class: "hidden" }, "Previous point")),
        make("p", { "aria-live": "polite" }, this.which),
        make("button", { type: "button", class: "icon-button", title: "Next point", click: turn(1) }, make("span", { "aria-hidden": "true" }, "›"), make("span", { class: "hidden" }, "Next point"))),
      this.state,
      make("div", { class: "row" }, this.here, this.away,
        make("button", { type: "button", id: "rings-cancel", click: () => this.cancel() }, "Cancel"), this.use));
  }

  /** Begins. @param {EndView} view @param {boolean} keys whether it was asked for by keys */
  async start(view, keys) {
    if (!view.photo || this.active) return;
    const { places, reach_mm } = await this.end.core.places(view.id);
    if (this.end.view?.id !== view.id || places.length === 0) return;
    this.end.select(null);
    this.marks.stop();
    this.marks.away = true;
    this.view = view;
    this.places = places;
    this.reach = reach_mm;
    this.set.clear();
    this.found = null;
    this.trouble = "";
    this.grabBefore = this.photo.grab;
    this.photo.grab = (x, y, kind) => this.grab(x, y, kind);
    document.body.classList.add("ringing");
    this.panel.hidden = false;
    this.handles = places.map((place, i) => {
      const handle = make("button", { class: "handle", type: "button" }, make("span", { class: "dot" }));
      handle.addEventListener("focus", () => this.choose(i, true));
      handle.addEventListener("keydown", (event) => this.key(event, i));
      handle.addEventListener("click", () => this.choose(i, false));
      handle.title = words(place.at);
      return handle;
    });
    fill(this.holder, ...this.handles);
    this.photo.showFace();
    this.choose(0, false);
    if (keys) this.handles[0].focus({ preventScroll: true });
    byId("stage", HTMLElement).scrollIntoView({ block: "nearest" });
  }

  /** Ends, and leaves everything as it is. */
  stop() {
    if (!this.view) return;
    this.view = null;
    this.asked += 1;
    this.marks.away = false;
    this.marks.loupe.hide();
    this.photo.grab = this.grabBefore;
    document.body.classList.remove("ringing");
    this.panel.hidden = true;
    this.handles = [];
    fill(this.holder);
  }

  cancel() {
    const { view } = this;
    this.stop();
    if (view) this.then.cancelled(view);
  }

  accept() {
    const { view, found } = this;
    if (!view || !found) return;
    const points = this.points();
    this.stop();
    this.then.use(view.id, points);
  }

  /** @returns {MarkedPoint[]} */
  points() {
    return [...this.set].map(([i, p]) => ({ at: this.places[i].at, px: [p.x, p.y], ...(p.sd > USUAL ? { sd_px: p.sd } : {}) }));
  }

  /** Where a place is shown in the photo. @param {number} i @returns {{x: number, y: number}} */
  at(i) {
    const set = this.set.get(i);
    if (set) return set;
    const [x, y] = this.places[i].mm;
    const of = this.found?.camera ?? this.view?.record.camera;
    if (of) return camera.toPhoto(of, x, y);
    const { width, height } = this.photo.frame.photo;
    const by = (GUESS * Math.min(width, height)) / (2 * this.reach);
    return { x: width / 2 + by * x, y: height / 2 - by * y };
  }

  /** @param {number} i @param {boolean} bring */
  choose(i, bring) {
    this.current = i;
    if (bring) this.bring(i);
    this.dress();
  }

  /** Brings a dot into view that is out of it; others stay where they are, under a finger too. @param {number} i */
  bring(i) {
    const at = this.at(i);
    const { x, y } = this.photo.frame.toScreen(at.x, at.y);
    const { width, height } = this.photo.frame;
    if (x < EDGE || y < EDGE || x > width - EDGE || y > height - EDGE) this.photo.bring(at.x, at.y);
  }

  /** Sets a place. @param {number} i @param {{x: number, y: number, sd?: number}} p */
  put(i, p) {
    const { photo: { width, height }, scale } = this.photo.frame;
    this.set.set(i, { x: Math.min(Math.max(p.x, 0), width - 1), y: Math.min(Math.max(p.y, 0), height - 1), sd: p.sd ?? SURE / scale });
    this.fit();
  }

  /** Takes a place back. @param {number} i */
  take(i) {
    this.set.delete(i);
    this.fit();
  }

  /** The next place that has not been set. */
  next() {
    const { places, current } = this;
    for (let by = 1; by < places.length; by += 1) {
      const i = (current + by) % places.length;
      if (!this.set.has(i)) return i;
    }
    return current;
  }

  /** Asks for the rings through the points. */
  async fit() {
    const { view } = this;
    if (!view) return;
    this.asked += 1;
    const own = this.asked;
    this.trouble = "";
    if (this.set.size < LEAST) {
      this.found = null;
      this.busy = false;
      this.dress();
      return;
    }
    this.busy = true;
    this.dress();
    /** @type {import("./core.js").HandRings | null} */
    let found = null;
    try {
      found = await this.end.core.rings(view.id, this.points());
    } catch (error) {
      if (own === this.asked) this.trouble = error instanceof Error ? error.message : String(error);
    }
    if (own !== this.asked) return;
    this.busy = false;
    this.found = found;
    this.dress();
  }

  /** Makes dots, words and rings what they are now. */
  dress() {
    if (!this.view) return;
    this.photo.rings = this.found?.rings ?? this.view.rings;
    for (const [i, handle] of this.handles.entries()) {
      const set = this.set.has(i);
      const label = `${words(this.places[i].at)}, ${set ? "set" : "not set"}`;
      handle.setAttribute("aria-label", label);
      handle.classList.toggle("set", set);
      handle.setAttribute("aria-pressed", String(i === this.current));
    }
    const set = this.set.has(this.current);
    this.which.textContent = `${this.current + 1} of ${this.places.length}: ${words(this.places[this.current].at)}${set ? " ✓" : ""}`;
    this.here.hidden = set;
    this.away.hidden = !set;
    this.use.disabled = !this.found || this.busy;
    this.state.textContent = this.said();
    this.state.classList.toggle("error", this.trouble !== "" || Boolean(this.found?.notes.some((n) => n.code === "points-misfit")));
    this.photo.relay();
  }

  said() {
    const left = LEAST - this.set.size;
    if (this.trouble) return `${this.trouble}.`;
    if (left > 0) return left === LEAST ? "No point is set yet." : `${left} more ${left === 1 ? "point" : "points"}, and the rings follow.`;
    if (!this.found) return "Laying the rings …";
    const loud = this.found.notes.find((n) => n.code === "points-misfit");
    if (loud) return `${loud.text.charAt(0).toUpperCase()}${loud.text.slice(1)}.`;
    const remarks = this.found.notes.filter((n) => n.code === "points-left-out").map((n) => `${n.text}.`);
    return [`The rings go through ${this.set.size} points, ${this.found.camera.fit_rms_px.toFixed(1)} px off them on average.`, ...remarks, "Do they lie on the printed ones?"].join(" ");
  }

  /** Lays the dots over the photo as it is now. */
  lay() {
    for (const [i, handle] of this.handles.entries()) {
      const at = this.at(i);
      const { x, y } = this.photo.frame.toScreen(at.x, at.y);
      handle.style.transform = `translate(${x.toFixed(2)}px, ${y.toFixed(2)}px)`;
    }
  }

  /** The dot within reach; the chosen one before others. @param {number} x @param {number} y
   * @param {number} reach @param {Iterable<number>} among */
  hit(x, y, reach, among) {
    let best = reach;
    let found = null;
    for (const i of among) {
      const at = this.at(i);
      const s = this.photo.frame.toScreen(at.x, at.y);
      const distance = Math.hypot(s.x - x, s.y - y) - (i === this.current ? 6 : 0);
      if (distance < best) {
        best = distance;
        found = i;
      }
    }
    return found;
  }

  /** What a finger takes hold of: a dot. @param {number} x0 @param {number} y0 @param {string} kind
   * @returns {import("./photo.js").Hold | null} */
  grab(x0, y0, kind) {
    const i = this.hit(x0, y0, REACH, this.places.keys());
    if (i === null) return null;
    const slack = kind === "mouse" ? 2 : 6;
    const from = this.at(i);
    const was = this.set.get(i);
    let dragging = false;
    const to = (/** @type {number} */ x, /** @type {number} */ y) => ({
      x: from.x + (x - x0) / this.photo.frame.scale,
      y: from.y + (y - y0) / this.photo.frame.scale,
    });
    return {
      move: (x, y) => {
        if (!dragging) {
          dragging = Math.hypot(x - x0, y - y0) > slack;
          if (!dragging) return;
          this.choose(i, false);
        }
        const p = to(x, y);
        this.set.set(i, { ...p, sd: SURE / this.photo.frame.scale });
        this.marks.loupe.show(p.x, p.y, { x, y });
        this.photo.relay();
      },
      end: (x, y) => {
        this.marks.loupe.hide();
        if (!dragging) return false;
        this.put(i, to(x, y));
        this.handles[i]?.focus({ preventScroll: true });
        return true;
      },
      cancel: () => {
        this.marks.loupe.hide();
        if (was) this.set.set(i, was);
        else this.set.delete(i);
        this.photo.relay();
      },
    };
  }

  /** A tap sets the chosen dot there, or chooses another one that has been set. @param {{x: number, y: number, twice: boolean}} tap */
  tapped({ x, y, twice }) {
    if (!this.view) return;
    if (twice) {
      // a double tap enlarges: its first half was no point
      if (this.tap) {
        this.choose(this.tap.current, false);
        if (this.tap.was) this.put(this.tap.current, this.tap.was);
        else this.take(this.tap.current);
      }
      this.tap = null;
      return;
    }
    const { current } = this;
    const on = this.hit(x, y, ON, this.set.keys());
    if (on !== null && on !== current) {
      this.tap = null;
      this.choose(on, false);
      return;
    }
    this.tap = { current, was: this.set.get(current) };
    this.put(current, this.photo.frame.toPhoto(x, y));
    this.choose(this.next(), false);
  }

  /** Keys on a dot. @param {KeyboardEvent} event @param {number} i */
  key(event, i) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const arrows = /** @type {{[key: string]: [number, number]}} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] });
    const way = arrows[event.key];
    const by = event.shiftKey ? 10 * STEP : STEP;
    const at = this.at(i);
    if (way) this.put(i, { x: at.x + way[0] * by, y: at.y + way[1] * by });
    else if (event.key === "Enter" || event.key === " ") this.put(i, at);
    else if (event.key === "Delete" || event.key === "Backspace") this.take(i);
    else if (event.key === "Escape") this.cancel();
    else return;
    event.preventDefault();
    event.stopPropagation();
    if (this.view) this.bring(i);
  }
}

/** A place's name as people say it. @param {string} at */
function words(at) {
  return at.replace(/, up$/, ", top").replace(/, down$/, ", bottom");
}
