// Fingers, mouse and wheel on the photo: panning, zooming, taps, and what is held.

/** @typedef {import("./photo.js").Hold} Hold */

/** A finger that moved less than this, in screen pixels, has tapped. */
const STILL = 7;
/** Two taps within this time, ms, and distance, px, are one double tap. */
const DOUBLE = { time: 320, distance: 34 };

/** Follows pointers on the photo's frame. @param {import("./photo.js").PhotoView} view */
export function followPointers(view) {
  const { element } = view;
  /** @type {Map<number, {x: number, y: number, x0: number, y0: number}>} */
  const down = new Map();
  /** @type {Hold | null} */
  let hold = null;
  let moved = false;
  let many = false;
  let tapped = { time: -1e9, x: 0, y: 0 };
  const foreign = (/** @type {Event} */ e) => e.target instanceof Element && e.target.closest("#zoom, #placing, #instead, #stop-measuring") !== null;

  element.addEventListener("pointerdown", (event) => {
    if (foreign(event) || (event.pointerType === "mouse" && event.button !== 0) || !view.shape) return;
    const p = view.at(event);
    element.setPointerCapture(event.pointerId);
    down.set(event.pointerId, { ...p, x0: p.x, y0: p.y });
    if (down.size === 1) {
      moved = false;
      many = false;
      hold = view.grab(p.x, p.y, event.pointerType);
      if (!hold) element.classList.add("panning");
    } else {
      many = true;
      hold?.cancel();
      hold = null;
    }
  });
  element.addEventListener("pointermove", (event) => {
    const last = down.get(event.pointerId);
    if (!last) return;
    const p = view.at(event);
    if (Math.hypot(p.x - last.x0, p.y - last.y0) > STILL) moved = true;
    if (down.size === 2) {
      const [other] = [...down.entries()].filter(([id]) => id !== event.pointerId).map(([, q]) => q);
      const before = Math.hypot(last.x - other.x, last.y - other.y);
      const now = Math.hypot(p.x - other.x, p.y - other.y);
      view.frame.pan((p.x - last.x) / 2, (p.y - last.y) / 2);
      if (before > 1) view.frame.zoom(now / before, (p.x + other.x) / 2, (p.y + other.y) / 2);
      view.redraw();
    } else if (hold) {
      hold.move(p.x, p.y);
    } else if (moved) {
      view.pan(p.x - last.x, p.y - last.y);
    }
    last.x = p.x;
    last.y = p.y;
  });
  const up = (/** @type {PointerEvent} */ event) => {
    const last = down.get(event.pointerId);
    if (!last) return;
    down.delete(event.pointerId);
    if (down.size > 0) return;
    element.classList.remove("panning");
    const held = hold;
    hold = null;
    if (event.type === "pointercancel") {
      held?.cancel();
      return;
    }
    if (held && held.end(last.x, last.y, moved) !== false) {
      tapped.time = -1e9;
      return;
    }
    if (moved || many) return;
    const twice = event.timeStamp - tapped.time < DOUBLE.time && Math.hypot(last.x - tapped.x, last.y - tapped.y) < DOUBLE.distance;
    tapped = { time: twice ? -1e9 : event.timeStamp, x: last.x, y: last.y };
    if (twice) {
      const near = view.frame.scale > 0.9 * Math.max(1, 4 * view.frame.fitting);
      if (near) view.showFace();
      else view.frame.zoom(2.5, last.x, last.y);
      view.redraw();
    }
    view.dispatchEvent(new CustomEvent("tapped", { detail: { x: last.x, y: last.y, twice } }));
  };
  element.addEventListener("pointerup", up);
  element.addEventListener("pointercancel", up);
  element.addEventListener("wheel", (event) => {
    if (!view.shape || foreign(event)) return;
    event.preventDefault();
    const p = view.at(event);
    const step = event.deltaMode === 1 ? 20 * event.deltaY : event.deltaY;
    view.frame.zoom(Math.exp(-Math.max(-240, Math.min(240, step)) / 400), p.x, p.y);
    view.redraw();
  }, { passive: false });
}
