// All ends: what still needs a person, and new photos.

import { byId, fill, make } from "./dom.js";

/** @typedef {import("./core.js").Line} Line */
/** @typedef {import("./core.js").Queue} QueueState */
/** @typedef {import("./core.js").Core} Core */

/** Time between looks while something is measured, and otherwise, ms. */
const SOON = 600;
const LATER = 5000;

export class Queue extends EventTarget {
  /** @param {Core} core */
  constructor(core) {
    super();
    this.core = core;
    /** @type {QueueState | null} */
    this.state = null;
    /** @type {number | null} */
    this.shown = null;
    this.list = byId("ends", HTMLOListElement);
    /** @type {Map<number, HTMLButtonElement>} */
    this.buttons = new Map();
    this.face = make("select", { id: "new-face", change: () => this.remember() });
    this.said = make("p", { role: "status", class: "soft" });
    this.bar = make("progress", { hidden: true, "aria-label": "Photos sent" });
    /** @type {number | undefined} */
    this.timer = undefined;
    this.drawUploads();
  }

  get ends() {
    return this.state?.ends ?? [];
  }

  async refresh() {
    clearTimeout(this.timer);
    try {
      this.state = await this.core.queue();
      this.draw();
      this.dispatchEvent(new CustomEvent("refreshed"));
    } finally {
      const busy = this.ends.some(unmeasured);
      this.timer = window.setTimeout(() => this.refresh().catch(() => {}), busy ? SOON : LATER);
    }
  }

  /** @param {number} id */
  show(id) {
    this.shown = id;
    this.draw();
  }

  draw() {
    const ids = new Set(this.ends.map((e) => e.id));
    for (const [id, button] of this.buttons) {
      if (ids.has(id)) continue;
      button.parentElement?.remove();
      this.buttons.delete(id);
    }
    for (const end of this.ends) {
      let button = this.buttons.get(end.id);
      if (!button) {
        button = make("button", { type: "button", click: () => this.dispatchEvent(new CustomEvent("wanted", { detail: end.id })) });
        this.buttons.set(end.id, button);
        this.list.append(make("li", {}, button));
      }
      const { words, kind } = standing(end);
      const text = `${title(end)}|${end.name}|${words}|${kind}`;
      if (button.dataset.text !== text) {
        button.dataset.text = text;
        fill(button, make("span", { class: "end-name" }, make("b", {}, title(end)), ...(end.end === null ? [] : [` ${end.name}`])),
          make("span", { class: `state ${kind}` }, words));
      }
      if (end.id === this.shown) button.setAttribute("aria-current", "true");
      else button.removeAttribute("aria-current");
    }
    this.drawFaces();
  }

  drawFaces() {
    const faces = this.state?.faces ?? [];
    const next = this.state?.next.face ?? "";
    if (this.face.options.length !== faces.length + 1) {
      fill(this.face, make("option", { value: "" }, "ask each time"), ...faces.map((f) => make("option", { value: f.name }, f.name)));
    }
    if (document.activeElement !== this.face) this.face.value = next;
  }

  drawUploads() {
    const take = make("input", { type: "file", id: "take", accept: "image/*", capture: "environment", change: () => this.send(take) });
    const choose = make("input", { type: "file", id: "choose", accept: "image/jpeg,image/png", multiple: true, change: () => this.send(choose) });
    fill(byId("new-photos", HTMLDivElement),
      make("div", { class: "uploads" },
        make("span", {}, take, make("label", { class: "button strong", for: "take" }, "Take photo")),
        make("span", {}, choose, make("label", { class: "button", for: "choose" }, "Choose photos")),
        make("span", { class: "new-face" }, make("label", { for: "new-face" }, "Face"), this.face)),
      this.bar, this.said);
  }

  async remember() {
    try {
      await this.core.remember(this.face.value || null, {});
      this.said.textContent = "";
    } catch (error) {
      this.said.textContent = error instanceof Error ? error.message : String(error);
    }
    this.refresh().catch(() => {});
  }

  /** Sends the chosen photos, one after the other. @param {HTMLInputElement} input */
  async send(input) {
    const files = [...(input.files ?? [])];
    input.value = "";
    if (files.length === 0) return;
    const failed = [];
    let first = null;
    this.bar.hidden = false;
    this.bar.max = files.length;
    for (const [i, file] of files.entries()) {
      this.bar.value = i;
      this.said.textContent = `Sending photo ${i + 1} of ${files.length} …`;
      try {
        const { id } = await this.core.add(file);
        first ??= id;
      } catch (error) {
        failed.push(`${file.name}: ${error instanceof Error ? error.message : error}`);
      }
      await this.refresh().catch(() => {});
    }
    this.bar.hidden = true;
    const done = files.length - failed.length;
    this.said.textContent = [done > 0 ? `${done} ${done === 1 ? "photo" : "photos"} taken over.` : "", ...failed].join(" ");
    if (first !== null) this.dispatchEvent(new CustomEvent("wanted", { detail: first }));
  }
}

/** @param {Line} end */
export function title(end) {
  return end.end === null ? end.name : `End ${end.end}`;
}

/** What an end needs, in words. @param {Line} end */
export function standing(end) {
  switch (end.state) {
    case "waiting": return { words: "waits", kind: "" };
    case "measuring": return { words: `${end.text} …`, kind: "" };
    case "which-face": return { words: "which face?", kind: "due" };
    case "trouble": return { words: "can’t be used", kind: "due" };
    case "no-face": return { words: "no face found", kind: "due" };
    case "confirmed": return { words: end.standing, kind: "done" };
    default: return { words: end.standing, kind: "due" };
  }
}

/** Whether an end still needs a person. @param {Line} end */
export const needs = (end) => standing(end).kind === "due";

/** Whether it is not measured yet. @param {Line} end */
export const unmeasured = (end) => end.state === "waiting" || end.state === "measuring";
