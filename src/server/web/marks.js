// The marks on the photo: choosing, moving and placing them by finger, mouse and keys.

import * as camera from "./camera.js";
import { badge, byId, make } from "./dom.js";
import { Loupe } from "./loupe.js";
import { KIND, certainty, name, place } from "./words.js";

/** @typedef {import("./core.js").Entry} Entry */
/** @typedef {import("./core.js").Kind} Kind */
/** @typedef {import("./end.js").OpenEnd} OpenEnd */
/** @typedef {import("./photo.js").PhotoView} PhotoView */
/** @typedef {{words: string, then: (px: number, py: number) => void, step: number}} Aim */

/** Half of what a finger hits, screen pixels. */
const REACH = 22;
/** How far a badge stands from its entry, screen pixels: near, or further out where it is crowded. */
const BESIDE = [20, 34, 50];
/** Directions tried for a badge. */
const WAYS = 16;
/** Badges closer than this cover each other, screen pixels. */
const BADGE = 25;
/** One nudge, mm. */
export const NUDGE = 0.5;
/** A nudge with Shift. */
export const NUDGE_FAR = 10 * NUDGE;

export class Marks {
  /** @param {OpenEnd} end @param {PhotoView} photo */
  constructor(end, photo) {
    this.end = end;
    this.photo = photo;
    this.holder = byId("marks", HTMLDivElement);
    this.loupe = new Loupe(byId("loupe", HTMLCanvasElement), photo);
    /** @type {Map<number, HTMLButtonElement>} */
    this.buttons = new Map();
    /** Where a mark is shown that is being moved: photo place. @type {Map<number, {x: number, y: number}>} */
    this.moving = new Map();
    /** @type {Aim | null} */
    this.aim = null;
    /** The cross of an aim by keys, photo place. @type {{x: number, y: number} | null} */
    this.cross = null;
    /** Where each badge stands, from its entry, screen pixels. @type {Map<number, {x: number, y: number}>} */
    this.badges = new Map();
    /** The photo is used for something else. */
    this.away = false;
    /** Nudges on their way, mm. @type {Map<number, {x: number, y: number, sending: boolean}>} */
    this.nudges = new Map();
    photo.over.push(this.holder);
    photo.grab = (x, y, kind) => this.grab(x, y, kind);
    photo.addEventListener("moved", () => this.lay());
    photo.addEventListener("tapped", (event) => this.tapped(/** @type {CustomEvent} */ (event).detail));
    end.addEventListener("opened", () => this.stop());
    end.addEventListener("changed", () => this.update());
    end.addEventListener("selected", () => this.update());
    photo.element.addEventListener("keydown", (event) => this.key(event));
    byId("placing-cancel", HTMLButtonElement).addEventListener("click", () => {
      this.stop();
      photo.element.focus();
    });
    byId("placing-set", HTMLButtonElement).addEventListener("click", () => this.set());
  }

  /** Where an entry is in the photo. @param {Entry} entry */
  at(entry) {
    const moving = this.moving.get(entry.id);
    if (moving) return moving;
    if (entry.px) return { x: entry.px[0], y: entry.px[1] };
    const of = this.end.view?.record.camera;
    return of ? camera.toPhoto(of, entry.x_mm, entry.y_mm) : null;
  }

  /** Makes the marks what the record says. */
  update() {
    const { end } = this;
    const shown = end.view?.photo ? end.entries : [];
    const ids = new Set(shown.map((e) => e.id));
    for (const [id, button] of this.buttons) {
      if (ids.has(id)) continue;
      button.remove();
      this.buttons.delete(id);
    }
    for (const entry of shown) {
      let button = this.buttons.get(entry.id);
      if (!button) {
        button = make("button", { class: "mark", type: "button", "data-id": entry.id });
        const { id } = entry;
        button.addEventListener("click", (event) => {
          // by keys or an aid; fingers and mouse go through the frame
          if (event.detail === 0) end.select(id);
        });
        button.addEventListener("focus", () => {
          end.select(id);
          const e = end.entries.find((x) => x.id === id);
          const at = e && this.at(e);
          if (at) this.photo.bring(at.x, at.y);
        });
        this.buttons.set(entry.id, button);
        this.holder.append(button);
      }
      this.dress(button, entry);
    }
    const { entry } = end;
    this.photo.lines = entry?.segment_px ? [entry.segment_px] : [];
    this.photo.relay();
  }

  /** @param {HTMLButtonElement} button @param {Entry} entry */
  dress(button, entry) {
    const look = this.end.view?.look.includes(entry.id) ?? false;
    const chosen = this.end.selected === entry.id;
    const sign = { fletched: "F", bare: "B", unknown: "?" }[entry.kind] + (look && entry.kind !== "unknown" ? "?" : "");
    const label = `${name(entry)}, ${KIND[entry.kind]}, ${place(entry.x_mm, entry.y_mm)}, ${certainty(entry, look)}`;
    // what is to be seen on it belongs to its name: people say it to be understood
    button.setAttribute("aria-label", `${label}, mark ${sign}`);
    button.setAttribute("aria-pressed", String(chosen));
    button.title = label;
    const state = `${entry.kind} ${look} ${chosen} ${entry.segment_px} ${entry.state}`;
    if (button.dataset.state === state) return;
    button.dataset.state = state;
    const drawing = badge(entry.kind);
    const letter = drawing.querySelector("text");
    if (letter) letter.textContent = sign;
    letter?.classList.toggle("small", sign.length > 1);
    const parts = [make("span", { class: "leader" }), make("span", { class: "dot" }), drawing];
    if (look || chosen) parts.unshift(make("span", { class: "ring" }));
    button.replaceChildren(...parts);
  }

  /** Lays the marks over the photo as it is now. */
  lay() {
    /** @type {{entry: Entry, button: HTMLButtonElement, x: number, y: number}[]} */
    const all = [];
    for (const entry of this.end.entries) {
      const button = this.buttons.get(entry.id);
      const at = button && this.at(entry);
      if (button && at) all.push({ entry, button, ...this.photo.frame.toScreen(at.x, at.y) });
    }
    this.badges = spread(all);
    for (const { entry, button, x, y } of all) {
      button.style.transform = `translate(${x.toFixed(2)}px, ${y.toFixed(2)}px)`;
      button.style.zIndex = this.end.selected === entry.id ? "2" : "1";
      const beside = this.badges.get(entry.id);
      const drawing = button.querySelector("svg");
      const leader = button.querySelector(".leader");
      if (!beside || !drawing || !(leader instanceof HTMLElement)) continue;
      drawing.style.transform = `translate(${beside.x.toFixed(1)}px, ${beside.y.toFixed(1)}px)`;
      leader.style.width = `${Math.max(Math.hypot(beside.x, beside.y) - 10, 0).toFixed(1)}px`;
      leader.style.transform = `rotate(${Math.atan2(beside.y, beside.x).toFixed(4)}rad)`;
    }
    if (this.cross) {
      this.loupe.show(this.cross.x, this.cross.y, this.photo.frame.toScreen(this.cross.x, this.cross.y));
    }
  }

  /** The mark within a finger's reach, the nearest one. @param {number} x @param {number} y */
  hit(x, y) {
    let best = REACH;
    let found = null;
    for (const entry of this.end.entries) {
      const at = this.at(entry);
      if (!at || !this.buttons.has(entry.id)) continue;
      const s = this.photo.frame.toScreen(at.x, at.y);
      const beside = this.badges.get(entry.id) ?? { x: 0, y: 0 };
      const distance = Math.min(
        Math.hypot(s.x - x, s.y - y),
        // the badge belongs to the mark; right on it, it counts as much as the entry
        Math.hypot(s.x + beside.x - x, s.y + beside.y - y),
      );
      if (distance < best) {
        best = distance;
        found = entry;
      }
    }
    return found;
  }

  /** What a finger takes hold of: the place to be set, or the chosen mark.
   * @param {number} x @param {number} y @param {string} kind @returns {import("./photo.js").Hold | null} */
  grab(x, y, kind) {
    if (this.aim) return this.holdAim(x, y);
    const entry = this.hit(x, y);
    if (!entry || entry.id !== this.end.selected) return null;
    const from = this.at(entry);
    if (!from) return null;
    return this.holdMark(entry, from, x, y, kind);
  }

  /** @param {number} x @param {number} y @returns {import("./photo.js").Hold} */
  holdAim(x, y) {
    const show = (/** @type {number} */ sx, /** @type {number} */ sy) => {
      const p = this.photo.frame.toPhoto(sx, sy);
      this.loupe.show(p.x, p.y, { x: sx, y: sy });
    };
    this.cross = null;
    show(x, y);
    return {
      move: show,
      end: (sx, sy) => {
        const p = this.photo.frame.toPhoto(sx, sy);
        this.set(p);
      },
      cancel: () => this.loupe.hide(),
    };
  }

  /** @param {Entry} entry @param {{x: number, y: number}} from @param {number} x0 @param {number} y0 @param {string} kind
   * @returns {import("./photo.js").Hold} */
  holdMark(entry, from, x0, y0, kind) {
    const slack = kind === "mouse" ? 3 : 9;
    let dragging = false;
    const to = (/** @type {number} */ x, /** @type {number} */ y) => ({
      x: from.x + (x - x0) / this.photo.frame.scale,
      y: from.y + (y - y0) / this.photo.frame.scale,
    });
    return {
      move: (x, y) => {
        dragging ||= Math.hypot(x - x0, y - y0) > slack;
        if (!dragging) return;
        const p = to(x, y);
        this.moving.set(entry.id, p);
        this.loupe.show(p.x, p.y, { x, y });
        this.photo.relay();
      },
      end: (x, y) => {
        this.loupe.hide();
        if (!dragging) {
          this.buttons.get(entry.id)?.focus({ preventScroll: true });
          return;
        }
        this.move(entry.id, to(x, y));
      },
      cancel: () => {
        this.loupe.hide();
        this.moving.delete(entry.id);
        this.photo.relay();
      },
    };
  }

  /** Moves an entry to a photo place; it is shown there while that is on its way. @param {number} id
   * @param {{x: number, y: number}} p */
  async move(id, p) {
    this.moving.set(id, p);
    this.photo.relay();
    await this.end.edit([{ do: "move", id, px: [p.x, p.y] }]);
    this.moving.delete(id);
    this.photo.relay();
  }

  /** A tap that took hold of nothing. @param {{x: number, y: number, twice: boolean}} tap */
  tapped({ x, y, twice }) {
    if (twice || this.away) return;
    const entry = this.hit(x, y);
    this.end.select(entry?.id ?? null);
    if (entry) this.buttons.get(entry.id)?.focus({ preventScroll: true });
  }

  /** The next tap, or the next Enter, sets a place. @param {Aim} aim */
  start(aim) {
    this.aim = aim;
    this.photo.element.classList.add("aiming");
    byId("placing-words", HTMLParagraphElement).textContent = aim.words;
    byId("placing", HTMLDivElement).hidden = false;
    byId("placing-set", HTMLButtonElement).hidden = true;
  }

  /** Aims by keys: a cross that the arrows move, in the middle of the photo as it is seen, or at a place. */
  startByKeys() {
    if (!this.aim) return;
    const { frame } = this.photo;
    const chosen = this.end.entry && this.at(this.end.entry);
    this.cross = chosen ?? frame.toPhoto(frame.width / 2, frame.height / 2);
    byId("placing-words", HTMLParagraphElement).textContent = `${this.aim.words} By keys: arrows move the cross, Enter sets it.`;
    byId("placing-set", HTMLButtonElement).hidden = false;
    this.photo.element.focus({ preventScroll: true });
    this.lay();
  }

  stop() {
    this.aim = null;
    this.cross = null;
    this.moving.clear();
    this.loupe.hide();
    this.photo.element.classList.remove("aiming");
    byId("placing", HTMLDivElement).hidden = true;
  }

  /** Sets the place that is aimed at. @param {{x: number, y: number}} [p] */
  set(p) {
    const at = p ?? this.cross;
    const { aim } = this;
    if (!aim || !at) return;
    this.stop();
    aim.then(at.x, at.y);
  }

  /** Keys on the frame and its marks. @param {KeyboardEvent} event */
  key(event) {
    const target = event.target instanceof Element ? event.target : null;
    if (target?.closest("#zoom, #placing, #instead")) return;
    const arrows = /** @type {{[key: string]: [number, number]}} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] });
    const way = arrows[event.key];
    const done = () => {
      event.preventDefault();
      event.stopPropagation();
    };
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (this.aim && event.key === "Escape") {
      this.stop();
      return done();
    }
    if (this.cross && this.aim) {
      if (event.key === "Enter") {
        this.set();
        return done();
      }
      if (way) {
        const far = (event.shiftKey ? 10 : 1) * this.aim.step;
        this.cross = { x: this.cross.x + way[0] * far, y: this.cross.y - way[1] * far };
        this.photo.bring(this.cross.x, this.cross.y);
        this.lay();
        return done();
      }
    }
    if (event.key === "+" || event.key === "=") {
      this.photo.larger();
      return done();
    }
    if (event.key === "-") {
      this.photo.smaller();
      return done();
    }
    if (event.key === "0") {
      this.photo.showFace();
      return done();
    }
    const { entry } = this.end;
    if (target?.classList.contains("mark") && entry) {
      if (way) {
        this.nudge(entry.id, way[0], way[1], event.shiftKey ? NUDGE_FAR : NUDGE);
        return done();
      }
      const kinds = /** @type {{[key: string]: Kind}} */ ({ f: "fletched", b: "bare", u: "unknown" });
      const kind = kinds[event.key.toLowerCase()];
      if (kind) {
        this.end.edit([{ do: "tag", id: entry.id, kind }]);
        return done();
      }
      if (event.key === "Delete" || event.key === "Backspace") {
        this.end.tell("remove", entry.id);
        return done();
      }
      if (event.key === "Enter" || event.key === " ") {
        this.end.edit([{ do: "confirm", id: entry.id }]);
        return done();
      }
      return;
    }
    if (way) {
      const far = event.shiftKey ? 200 : 50;
      this.photo.pan(-way[0] * far, way[1] * far);
      done();
    }
  }

  /** Nudges an entry, in mm to the right and up. Nudges that come while one is on its way go together. @param {number} id
   * @param {number} right @param {number} up @param {number} by */
  async nudge(id, right, up, by) {
    const waiting = this.nudges.get(id) ?? { x: 0, y: 0, sending: false };
    waiting.x += right * by;
    waiting.y += up * by;
    this.nudges.set(id, waiting);
    if (waiting.sending) return;
    waiting.sending = true;
    while (waiting.x !== 0 || waiting.y !== 0) {
      const entry = this.end.entries.find((e) => e.id === id);
      if (!entry) break;
      const x_mm = entry.x_mm + waiting.x;
      const y_mm = entry.y_mm + waiting.y;
      waiting.x = 0;
      waiting.y = 0;
      if (!(await this.end.edit([{ do: "move", id, x_mm, y_mm }]))) break;
    }
    this.nudges.delete(id);
  }
}

/** Where the badges stand so that they cover neither each other nor an entry, as far as that goes; away from the shafts first.
 * @param {{entry: Entry, x: number, y: number}[]} all @returns {Map<number, {x: number, y: number}>} from each entry */
function spread(all) {
  /** @type {{x: number, y: number}[]} */
  const placed = [];
  const found = new Map();
  for (const { entry, x, y } of all) {
    const [ax, ay] = aside(entry);
    let best = Infinity;
    let at = { x: ax * BESIDE[0], y: ay * BESIDE[0] };
    for (const far of BESIDE) {
      for (let i = 0; i < WAYS; i += 1) {
        const turn = (2 * Math.PI * i) / WAYS;
        const [dx, dy] = [ax * Math.cos(turn) - ay * Math.sin(turn), ax * Math.sin(turn) + ay * Math.cos(turn)];
        const p = { x: x + dx * far, y: y + dy * far };
        let cost = 0.3 * (1 - Math.cos(turn)) + 0.02 * (far - BESIDE[0]);
        for (const q of placed) cost += 3 * Math.max(0, 1 - Math.hypot(p.x - q.x, p.y - q.y) / BADGE);
        for (const e of all) if (e.entry !== entry) cost += 2 * Math.max(0, 1 - Math.hypot(p.x - e.x, p.y - e.y) / 18);
        if (cost < best) {
          best = cost;
          at = { x: dx * far, y: dy * far };
        }
      }
    }
    placed.push({ x: x + at.x, y: y + at.y });
    found.set(entry.id, at);
  }
  return found;
}

/** Which way the badge of an entry stands off: away from its shaft. @param {Entry} entry @returns {[number, number]} */
function aside(entry) {
  const line = entry.segment_px;
  if (!line) return [0.7, -0.7];
  const dx = line[0][0] - line[1][0];
  const dy = line[0][1] - line[1][1];
  const length = Math.hypot(dx, dy);
  return length < 1 ? [0.7, -0.7] : [dx / length, dy / length];
}
