// The marks on the photo: choosing, moving and placing them by finger, mouse and keys.

import * as camera from "./camera.js";
import { badge, byId, make } from "./dom.js";
import { namePlaces } from "./badges.js";
import { Placing } from "./placing.js";
import { KIND, certainty, markName, name, place } from "./words.js";

/** @typedef {import("./core.js").Entry} Entry */
/** @typedef {import("./end.js").OpenEnd} OpenEnd */
/** @typedef {import("./photo.js").PhotoView} PhotoView */

/** Half of what a finger hits, screen pixels. */
const REACH = 22;
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
    this.placing = new Placing(photo);
    /** @type {Map<number, HTMLButtonElement>} */
    this.buttons = new Map();
    /** Where a mark is shown that is being moved: photo place. @type {Map<number, {x: number, y: number}>} */
    this.moving = new Map();
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
    end.addEventListener("opened", () => {
      this.moving.clear();
      this.stop();
    });
    let chosen = end.selected;
    end.addEventListener("selected", () => {
      // what was armed belonged to the shaft chosen before
      if (end.selected !== chosen) this.stop();
      chosen = end.selected;
    });
    end.addEventListener("changed", () => this.update());
    end.addEventListener("selected", () => this.update());
    photo.element.addEventListener("keydown", (event) => this.key(event));
  }

  /** What is being placed. */
  get aim() {
    return this.placing.aim;
  }

  get cross() {
    return this.placing.cross;
  }

  get loupe() {
    return this.placing.loupe;
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
    const label = `${name(entry)}, ${KIND[entry.kind]}, ${place(entry.x_mm, entry.y_mm)}, ${certainty(entry, look)}`;
    button.setAttribute("aria-label", label);
    button.setAttribute("aria-pressed", String(chosen));
    button.title = label;
    const state = `${entry.kind} ${look} ${chosen} ${entry.segment_px} ${entry.state}`;
    if (button.dataset.state === state) return;
    button.dataset.state = state;
    const drawing = badge(entry.kind, markName(entry));
    const parts = [make("span", { class: "leader" }), make("span", { class: "dot" }), drawing];
    if (look || chosen) parts.unshift(make("span", { class: "ring" }));
    button.replaceChildren(...parts);
  }

  /** Lays the marks over the photo as it is now. */
  lay() {
    /** @type {(import("./badges.js").Mark & {button: HTMLButtonElement})[]} */
    const all = [];
    const { frame } = this.photo;
    for (const entry of this.end.entries) {
      const button = this.buttons.get(entry.id);
      const at = button && this.at(entry);
      if (!button || !at) continue;
      const line = entry.segment_px;
      const shaft = line ? /** @type {[any, any]} */ (line.map(([px, py]) => frame.toScreen(px, py))) : null;
      all.push({ entry, button, shaft, ...frame.toScreen(at.x, at.y) });
    }
    this.badges = namePlaces(all);
    for (const { entry, button, x, y } of all) {
      button.style.transform = `translate(${x.toFixed(2)}px, ${y.toFixed(2)}px)`;
      button.style.zIndex = this.end.selected === entry.id ? "2" : "1";
      const beside = this.badges.get(entry.id);
      const drawing = button.querySelector("svg");
      const leader = button.querySelector(".leader");
      if (!beside || !drawing || !(leader instanceof HTMLElement)) continue;
      drawing.style.transform = `translate(${beside.x.toFixed(1)}px, ${beside.y.toFixed(1)}px)`;
      leader.style.width = `${Math.max(Math.hypot(beside.x, beside.y) - 12, 0).toFixed(1)}px`;
      leader.style.transform = `rotate(${Math.atan2(beside.y, beside.x).toFixed(4)}rad)`;
    }
    this.placing.lay();
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
    if (this.aim) return this.placing.hold(x, y);
    const entry = this.hit(x, y);
    if (!entry || entry.id !== this.end.selected) return null;
    const from = this.at(entry);
    if (!from) return null;
    return this.holdMark(entry, from, x, y, kind);
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

  /** The next tap, or the next Enter, sets a place. @param {import("./placing.js").Aim} aim */
  start(aim) {
    this.stop();
    this.placing.start(aim);
  }

  /** The same by keys: a cross that the arrows move. */
  startByKeys() {
    this.placing.startByKeys(this.end.entry && this.at(this.end.entry));
  }

  stop() {
    this.placing.stop();
  }

  /** Keys on the frame and its marks. @param {KeyboardEvent} event */
  key(event) {
    const target = event.target instanceof Element ? event.target : null;
    if (target?.closest("#zoom, #placing, #instead, #stop-measuring")) return;
    const arrows = /** @type {{[key: string]: [number, number]}} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] });
    const way = arrows[event.key];
    const done = () => {
      event.preventDefault();
      event.stopPropagation();
    };
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (this.placing.key(event, way)) return done();
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
    // the mark that has the focus, whichever is chosen
    const focused = Number(target?.closest(".mark")?.getAttribute("data-id"));
    const entry = this.end.entries.find((e) => e.id === focused);
    if (entry) {
      if (way) {
        this.nudge(entry.id, way[0], way[1], event.shiftKey ? NUDGE_FAR : NUDGE);
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
