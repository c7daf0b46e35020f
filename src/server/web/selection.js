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

/** A likely place this close to an entry is that entry’s, photo pixels. */
const TAKEN = 14;

export class Selection {
  /** @param {OpenEnd} end @param {Marks} marks @param {import("./photo.js").PhotoView} photo */
  constructor(end, marks, photo) {
    this.end = end;
    this.marks = marks;
    this.photo = photo;
    this.holder = byId("selection", HTMLDivElement);
    this.undo = byId("undo", HTMLButtonElement);
    this.redo = byId("redo", HTMLButtonElement);
    this.add = byId("add", HTMLButtonElement);
    /** What is asked in the panel, and the question. @type {"" | "adding" | "count"} */
    this.asking = "";
    /** @type {HTMLElement | null} */
    this.question = null;
    this.drawn = "";
    /** Likely places of shafts in the photo, by the end's id. @type {Map<number, {x: number, y: number}[]>} */
    this.likely = new Map();
    this.undo.addEventListener("click", () => end.undo());
    this.redo.addEventListener("click", () => end.redo());
    this.add.addEventListener("click", () => this.startAdd());
    end.addEventListener("opened", () => {
      marks.stop();
      this.ask("", null);
    });
    end.addEventListener("changed", () => {
      // a question about the shafts as they were is out of date
      if (this.asking === "count") this.ask("", null);
      else this.draw();
    });
    let chosen = end.selected;
    end.addEventListener("selected", () => {
      if (end.selected !== chosen) this.ask("", null);
      else this.draw();
      chosen = end.selected;
    });
    end.addEventListener("remove", (event) => this.remove(/** @type {CustomEvent} */ (event).detail));
  }

  /** Asks something in the panel; with no question it shows the chosen shaft. @param {"" | "adding" | "count"} what
   * @param {HTMLElement | null} question */
  ask(what, question) {
    this.asking = what;
    this.question = question;
    this.draw();
    if (question) this.focus();
  }

  /** The focus goes to the first answer. */
  focus() {
    this.holder.querySelector("button")?.focus({ preventScroll: true });
  }

  /** Asks which kind is to be added. What was armed before is given up. */
  startAdd() {
    const again = this.asking === "adding";
    this.marks.stop();
    this.ask(again ? "" : "adding", again ? null : this.adding());
  }

  /** Gives up whatever is armed or asked; true where there was something. */
  cancel() {
    const something = this.marks.aim !== null || this.asking !== "";
    this.marks.stop();
    if (this.asking !== "") this.ask("", null);
    return something;
  }

  /** Takes an entry out; the way back is one step. @param {number} id */
  async remove(id) {
    const ids = this.end.entries.map((e) => e.id);
    if (await this.end.edit([{ do: "remove", id }])) {
      this.end.tell("say", `Removed. Undo brings it back.`);
      // a doubt that was removed has led to the next one
      if (this.end.selected !== null) return;
      const next = ids[ids.indexOf(id) + 1] ?? ids[ids.indexOf(id) - 1];
      const button = next === undefined ? null : this.marks.buttons.get(next);
      (button ?? this.add).focus({ preventScroll: true });
    }
  }

  draw() {
    const view = this.end.view;
    byId("actions", HTMLDivElement).hidden = !view || view.state === "no-face";
    this.undo.disabled = !view?.undo;
    this.redo.disabled = !view?.redo;
    this.add.setAttribute("aria-expanded", String(this.asking === "adding"));
    if (this.question) {
      this.drawn = "";
      if (this.question.parentElement !== this.holder) fill(this.holder, this.question);
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
    if (!this.movable()) {
      return make("p", {}, "There is no photo to tap on: add the shaft in the table, by its millimetres.");
    }
    const buttons = KINDS.map((kind) =>
      make("button", { type: "button", click: (/** @type {MouseEvent} */ e) => this.place(kind, e.detail === 0) }, badge(kind), KIND[kind]));
    return make("div", { class: "chosen", role: "group", "aria-label": "Kind of the shaft to add" },
      make("p", {}, "Which kind is it?"), make("div", { class: "row" }, ...buttons));
  }

  /** The next tap on the photo adds a shaft of this kind, helped to the nearest likely place. @param {Kind} kind
   * @param {boolean} keys */
  place(kind, keys) {
    this.ask("", null);
    const id = this.end.view?.id;
    this.marks.start({
      words: `Tap where the ${KIND[kind]} shaft enters. Hold to see it in the loupe.`,
      step: 2,
      near: () => this.likelyPlaces(id),
      then: async (px, py, helped) => {
        if (!(await this.end.edit([{ do: "add", kind, px: [px, py] }], { select: "new" }))) return;
        if (helped) this.end.tell("say", "Set on the likely place there; move it if it is another one.");
      },
    });
    if (keys) this.marks.startByKeys();
    if (id !== undefined && !this.likely.has(id)) {
      this.end.core.likely(id).then(({ places }) => this.likely.set(id, places.map(({ px: [x, y] }) => ({ x, y })))).catch(() => {});
    }
  }

  /** Likely places that no entry stands for, where they are known yet. @param {number | undefined} id */
  likelyPlaces(id) {
    const taken = this.end.entries.map((e) => this.marks.at(e));
    const clear = (/** @type {{x: number, y: number}} */ p) => taken.every((q) => !q || Math.hypot(p.x - q.x, p.y - q.y) > TAKEN);
    return (id === undefined ? [] : this.likely.get(id) ?? []).filter(clear);
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
    const move = make("button", { type: "button", id: "move", click: (/** @type {MouseEvent} */ e) => this.startMove(id, e.detail === 0) }, "Move");
    const keep = make("button", { type: "button", id: "keep", class: "strong", click: () => this.end.edit([{ do: "confirm", id }]) }, "Correct");
    // on a phone half millimetres and numbers are folded: the photo needs the room
    const finer = make("button", { type: "button", id: "finer", "aria-expanded": "false", "aria-label": "Finer: move by half a millimetre, the arrow’s number", click: () => {
      const open = this.holder.classList.toggle("finer");
      finer.setAttribute("aria-expanded", String(open));
    } }, "…");
    const away = make("button", { type: "button", id: "remove", click: () => this.remove(id) }, "Remove");
    fill(this.holder, make("div", { class: "chosen", role: "group", "aria-labelledby": "chosen-name" },
      make("div", { class: "chosen-head" }, make("h3", { id: "chosen-name" }), make("span", { id: "chosen-sure", class: "soft" })),
      make("fieldset", { class: "kinds" }, make("legend", { class: "hidden" }, "Kind"), ...kinds),
      make("div", { class: "row" }, keep, ...(this.movable() ? [move] : []), away, finer),
      make("div", { class: "row fine" },
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
    const keep = this.holder.querySelector("#keep");
    if (keep instanceof HTMLButtonElement) keep.disabled = entry.state === "confirmed";
    const seen = this.holder.querySelector("#arrow-seen");
    if (seen instanceof HTMLButtonElement) suggest(seen, entry, this.end.entries);
    const arrow = this.holder.querySelector("#arrow-number");
    if (arrow instanceof HTMLInputElement && document.activeElement !== arrow) arrow.value = entry.arrow ?? "";
  }

  /** @param {number} id @param {boolean} keys */
  startMove(id, keys) {
    this.ask("", null);
    this.marks.start({
      words: "Tap the place where the shaft enters. Hold to see it in the loupe.",
      step: 2,
      then: (px, py) => this.marks.move(id, { x: px, y: py }).then(() => this.marks.buttons.get(id)?.focus({ preventScroll: true })),
    });
    if (keys) this.marks.startByKeys();
  }
}
