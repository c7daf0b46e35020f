// The actions, and what can be done with the chosen shaft.

import { badge, byId, fill, make } from "./dom.js";
import { NUDGE } from "./marks.js";
import { suggest } from "./table.js";
import { KIND, certainty, name, place } from "./words.js";

/** @typedef {import("./core.js").Entry} Entry */
/** @typedef {import("./core.js").Kind} Kind */
/** @typedef {import("./end.js").OpenEnd} OpenEnd */
/** @typedef {import("./marks.js").Marks} Marks */

/** @type {Kind[]} */
const KINDS = ["fletched", "bare", "unknown"];

/** Marks this far apart are told from each other at a glance, screen pixels. */
const CLEAR = 60;

export class Selection {
  /** @param {OpenEnd} end @param {Marks} marks @param {import("./photo.js").PhotoView} photo */
  constructor(end, marks, photo) {
    this.end = end;
    this.marks = marks;
    this.photo = photo;
    this.holder = byId("selection", HTMLDivElement);
    this.look = byId("look", HTMLButtonElement);
    this.accept = byId("accept", HTMLButtonElement);
    this.undo = byId("undo", HTMLButtonElement);
    this.redo = byId("redo", HTMLButtonElement);
    this.add = byId("add", HTMLButtonElement);
    /** @type {"" | "adding" | "removing"} */
    this.asking = "";
    this.drawn = "";
    this.look.addEventListener("click", () => this.nextUnsure());
    this.accept.addEventListener("click", () => end.edit([{ do: "accept" }]));
    this.undo.addEventListener("click", () => end.undo());
    this.redo.addEventListener("click", () => end.redo());
    this.add.addEventListener("click", () => {
      this.asking = this.asking === "adding" ? "" : "adding";
      this.draw();
      if (this.asking) this.holder.querySelector("button")?.focus();
    });
    end.addEventListener("opened", () => {
      this.asking = "";
      marks.stop();
      this.draw();
    });
    end.addEventListener("changed", () => this.draw());
    end.addEventListener("selected", () => {
      this.asking = "";
      this.draw();
    });
    end.addEventListener("remove", (event) => this.remove(/** @type {CustomEvent} */ (event).detail));
    document.addEventListener("keydown", (event) => {
      const typing = event.target instanceof HTMLInputElement && event.target.type !== "radio" && event.target.type !== "checkbox";
      if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z" || typing) return;
      event.preventDefault();
      if (event.shiftKey) end.redo();
      else end.undo();
    });
  }

  /** The next of those that want a look, after the chosen one. */
  nextUnsure() {
    const { end } = this;
    const look = end.view?.look ?? [];
    if (look.length === 0) return;
    const at = end.selected === null ? -1 : look.indexOf(end.selected);
    const next = look[(at + 1) % look.length];
    end.select(next);
    const entry = end.entry;
    const p = entry && this.marks.at(entry);
    if (entry && p) this.photo.bring(p.x, p.y, this.apart(entry, p));
    // on a phone the photo may have been scrolled away
    byId("stage", HTMLElement).scrollIntoView({ block: "nearest" });
  }

  /** The scale at which an entry stands clear of its neighbours. @param {Entry} entry @param {{x: number, y: number}} p */
  apart(entry, p) {
    let nearest = Infinity;
    for (const other of this.end.entries) {
      const q = other === entry ? null : this.marks.at(other);
      if (q) nearest = Math.min(nearest, Math.hypot(p.x - q.x, p.y - q.y));
    }
    const { fitting } = this.photo.frame;
    return Math.min(Math.max(CLEAR / nearest, 4 * fitting), 10 * fitting, 2);
  }

  /** Takes an entry out; the way back is one step. @param {number} id */
  async remove(id) {
    const ids = this.end.entries.map((e) => e.id);
    if (await this.end.edit([{ do: "remove", id }])) {
      this.end.tell("say", `Shaft ${id} removed. Undo brings it back.`);
      const next = ids[ids.indexOf(id) + 1] ?? ids[ids.indexOf(id) - 1];
      const button = next === undefined ? null : this.marks.buttons.get(next);
      (button ?? this.add).focus({ preventScroll: true });
    }
  }

  draw() {
    const view = this.end.view;
    const entries = this.end.entries;
    byId("actions", HTMLDivElement).hidden = !view || view.state === "no-face";
    const look = view?.look.length ?? 0;
    this.look.textContent = look > 0 ? `Next unsure (${look})` : "None unsure";
    this.look.disabled = look === 0;
    this.look.classList.toggle("due", look > 0);
    this.undo.disabled = !view?.undo;
    this.redo.disabled = !view?.redo;
    const open = entries.filter((e) => e.state === "proposed").length;
    this.accept.disabled = entries.length === 0 || open === 0;
    this.accept.classList.toggle("done", entries.length > 0 && open === 0);
    this.accept.textContent = entries.length > 0 && open === 0 ? "✓ Confirmed" : "All right";
    this.add.setAttribute("aria-expanded", String(this.asking === "adding"));
    if (this.asking === "adding") {
      this.drawn = "";
      fill(this.holder, this.adding());
      return;
    }
    const { entry } = this.end;
    if (!entry) {
      this.drawn = "";
      fill(this.holder);
      return;
    }
    // the panel stays while its shaft stays, so that the focus does
    if (this.drawn === `${view?.id} ${entry.id}`) this.refresh(entry);
    else this.chosen(entry);
  }

  /** Which kind is to be added. */
  adding() {
    const choose = (/** @type {Kind} */ kind, /** @type {boolean} */ keys) => {
      this.asking = "";
      this.draw();
      this.marks.start({
        words: `Tap where the ${KIND[kind]} shaft enters. Hold to see it in the loupe.`,
        step: 2,
        then: (px, py) => this.end.edit([{ do: "add", kind, px: [px, py] }], { select: "new" }),
      });
      if (keys) this.marks.startByKeys();
    };
    if (!this.end.view?.photo || !this.end.view.record.camera) {
      return make("p", {}, "There is no photo to tap on: add the shaft in the table, by its millimetres.");
    }
    const buttons = KINDS.map((kind) =>
      make("button", { type: "button", click: (/** @type {MouseEvent} */ e) => choose(kind, e.detail === 0) }, badge(kind), KIND[kind]));
    return make("div", { class: "chosen", role: "group", "aria-label": "Kind of the shaft to add" },
      make("p", {}, "Which kind is it?"), make("div", { class: "row" }, ...buttons));
  }

  /** @param {Entry} entry */
  chosen(entry) {
    this.drawn = `${this.end.view?.id} ${entry.id}`;
    const { end } = this;
    const id = entry.id;
    const kinds = KINDS.map((kind) => {
      const input = make("input", { type: "radio", name: "kind", value: kind, change: () => end.edit([{ do: "tag", id, kind }]) });
      return make("label", {}, input, make("span", { class: "choice" }, badge(kind), KIND[kind]));
    });
    const arrow = make("input", {
      id: "arrow-number", autocomplete: "off", maxlength: 20, size: 6,
      change: () => end.edit([{ do: "arrow", id, arrow: arrow.value.trim() || null }]),
    });
    const seen = make("button", { type: "button", id: "arrow-seen", hidden: true, click: () => end.edit([{ do: "arrow", id, arrow: seen.value }]) });
    const nudge = (/** @type {string} */ sign, /** @type {string} */ words, /** @type {number} */ right, /** @type {number} */ up) =>
      make("button", { type: "button", title: words, "aria-label": words, click: () => this.marks.nudge(id, right, up, NUDGE) }, sign);
    const move = make("button", { type: "button", click: (/** @type {MouseEvent} */ e) => this.startMove(id, e.detail === 0) }, "Move");
    const right = make("button", { type: "button", id: "right", class: "strong", click: () => this.right(id) }, "Right as it is");
    const away = make("button", { type: "button", click: () => this.remove(id) }, "Remove");
    fill(this.holder, make("div", { class: "chosen", role: "group", "aria-label": `Shaft ${id}` },
      make("div", { class: "chosen-head" }, make("h3", { id: "chosen-name" }), make("span", { id: "chosen-sure", class: "soft" })),
      make("fieldset", { class: "kinds" }, make("legend", { class: "hidden" }, "Kind"), ...kinds),
      make("div", { class: "row" }, right, ...(this.movable() ? [move] : []), away),
      make("div", { class: "row" },
        make("div", { class: "nudge", role: "group", "aria-label": "Move by half a millimetre" },
          nudge("←", "half a millimetre left", -1, 0), nudge("↑", "half a millimetre up", 0, 1),
          nudge("↓", "half a millimetre down", 0, -1), nudge("→", "half a millimetre right", 1, 0)),
        make("div", { class: "number" }, make("label", { for: "arrow-number" }, "Arrow’s number"), arrow), seen)));
    this.refresh(entry);
  }

  movable() {
    return Boolean(this.end.view?.photo && this.end.view.record.camera);
  }

  /** @param {Entry} entry */
  refresh(entry) {
    const look = this.end.view?.look.includes(entry.id) ?? false;
    const set = (/** @type {string} */ id, /** @type {string} */ text) => {
      const found = this.holder.querySelector(`#${id}`);
      if (found && found.textContent !== text) found.textContent = text;
    };
    set("chosen-name", `${name(entry)}: ${place(entry.x_mm, entry.y_mm)}`);
    set("chosen-sure", certainty(entry, look));
    for (const input of this.holder.querySelectorAll("input[name=kind]")) {
      if (input instanceof HTMLInputElement) input.checked = input.value === entry.kind;
    }
    const right = this.holder.querySelector("#right");
    if (right instanceof HTMLButtonElement) right.disabled = entry.state === "confirmed";
    const seen = this.holder.querySelector("#arrow-seen");
    if (seen instanceof HTMLButtonElement) suggest(seen, entry, this.end.entries);
    const arrow = this.holder.querySelector("#arrow-number");
    if (arrow instanceof HTMLInputElement && document.activeElement !== arrow) arrow.value = entry.arrow ?? "";
  }

  /** @param {number} id @param {boolean} keys */
  startMove(id, keys) {
    this.marks.start({
      words: "Tap the place where the shaft enters. Hold to see it in the loupe.",
      step: 2,
      then: (px, py) => this.marks.move(id, { x: px, y: py }).then(() => this.marks.buttons.get(id)?.focus({ preventScroll: true })),
    });
    if (keys) this.marks.startByKeys();
  }

  /** The shaft is right; on to the next one that wants a look. @param {number} id */
  async right(id) {
    const look = this.end.view?.look ?? [];
    const at = look.indexOf(id);
    const next = at < 0 ? undefined : look[(at + 1) % look.length];
    if (!(await this.end.edit([{ do: "confirm", id }]))) return;
    if (next !== undefined && next !== id) {
      this.end.select(at > 0 ? (look[at - 1] ?? null) : null);
      this.nextUnsure();
    }
    this.holder.querySelector("button")?.focus({ preventScroll: true });
  }
}
