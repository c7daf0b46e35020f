// Setting a place on the photo: the next tap, or a cross that the arrow keys move. One place is set at a time; arming another
// one, or giving up, disarms the one before.

import { byId } from "./dom.js";
import { Loupe } from "./loupe.js";

/** @typedef {import("./photo.js").PhotoView} PhotoView */
/** @typedef {{x: number, y: number}} Point */
/** What a place is wanted for; `near`: likely places, to the nearest of which a short tap is helped.
 * @typedef {{words: string, then: (px: number, py: number, helped: boolean) => void, step: number, near?: () => Point[]}} Aim */

/** A tap is helped to a likely place this close, screen pixels. */
const HELPED = 26;
/** A finger held longer than this, ms, or moved further, px, means the place itself. */
const HELD = { time: 350, distance: 8 };

export class Placing {
  /** @param {PhotoView} photo */
  constructor(photo) {
    this.photo = photo;
    this.loupe = new Loupe(byId("loupe", HTMLCanvasElement), photo);
    /** @type {Aim | null} */
    this.aim = null;
    /** The cross of an aim by keys, photo place. @type {Point | null} */
    this.cross = null;
    byId("placing-cancel", HTMLButtonElement).addEventListener("click", () => {
      this.stop();
      photo.element.focus();
    });
    byId("placing-set", HTMLButtonElement).addEventListener("click", () => this.set());
  }

  /** The next tap, or the next Enter, sets a place. @param {Aim} aim */
  start(aim) {
    this.stop();
    this.aim = aim;
    this.photo.element.classList.add("aiming");
    byId("placing-words", HTMLParagraphElement).textContent = aim.words;
    byId("placing", HTMLDivElement).hidden = false;
    byId("placing-set", HTMLButtonElement).hidden = true;
  }

  /** Aims by keys: a cross that the arrows move, from this place on. @param {Point | null} from */
  startByKeys(from) {
    if (!this.aim) return;
    const { frame } = this.photo;
    this.cross = from ?? frame.toPhoto(frame.width / 2, frame.height / 2);
    byId("placing-words", HTMLParagraphElement).textContent = `${this.aim.words} By keys: arrows move the cross, Enter sets it.`;
    byId("placing-set", HTMLButtonElement).hidden = false;
    this.photo.element.focus({ preventScroll: true });
    this.photo.relay();
  }

  /** Nothing is to be placed any more. */
  stop() {
    this.aim = null;
    this.cross = null;
    this.loupe.hide();
    this.photo.element.classList.remove("aiming");
    byId("placing", HTMLDivElement).hidden = true;
  }

  /** Sets the place that is aimed at. @param {Point} [p] @param {boolean} [helped] */
  set(p, helped = false) {
    const at = p ?? this.cross;
    const { aim } = this;
    if (!aim || !at) return;
    this.stop();
    aim.then(at.x, at.y, helped);
  }

  /** What a finger does that sets a place. @param {number} x @param {number} y @returns {import("./photo.js").Hold} */
  hold(x, y) {
    const began = performance.now();
    const { aim } = this;
    const show = (/** @type {number} */ sx, /** @type {number} */ sy) => {
      const p = this.photo.frame.toPhoto(sx, sy);
      this.loupe.show(p.x, p.y, { x: sx, y: sy });
    };
    this.cross = null;
    show(x, y);
    return {
      move: show,
      end: (sx, sy) => {
        // given up, or another one armed, while the finger was down
        if (!aim || this.aim !== aim) return;
        const short = performance.now() - began < HELD.time && Math.hypot(sx - x, sy - y) < HELD.distance;
        const likely = short ? this.likely(sx, sy) : null;
        this.set(likely ?? this.photo.frame.toPhoto(sx, sy), likely !== null);
      },
      cancel: () => this.loupe.hide(),
    };
  }

  /** The likely place nearest to a screen place, within reach. @param {number} x @param {number} y */
  likely(x, y) {
    let best = HELPED;
    let found = null;
    for (const p of this.aim?.near?.() ?? []) {
      const s = this.photo.frame.toScreen(p.x, p.y);
      const distance = Math.hypot(s.x - x, s.y - y);
      if (distance < best) {
        best = distance;
        found = p;
      }
    }
    return found;
  }

  /** Keys while a place is set; true where one was taken. @param {KeyboardEvent} event @param {[number, number] | undefined} way */
  key(event, way) {
    if (!this.cross || !this.aim) return false;
    if (event.key === "Enter") {
      this.set();
      return true;
    }
    if (!way) return false;
    const far = (event.shiftKey ? 10 : 1) * this.aim.step;
    this.cross = { x: this.cross.x + way[0] * far, y: this.cross.y - way[1] * far };
    this.photo.bring(this.cross.x, this.cross.y);
    this.lay();
    return true;
  }

  /** Shows the cross in the loupe. */
  lay() {
    if (this.cross) this.loupe.show(this.cross.x, this.cross.y, this.photo.frame.toScreen(this.cross.x, this.cross.y));
  }
}
