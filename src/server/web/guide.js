// Checking an end step by step: what is unsure first, then whether all shots are there, then "all correct", and on to the
// next end. Nothing is accepted silently.

import { byId, fill, make, say } from "./dom.js";
import { KIND, markName } from "./words.js";

/** @typedef {import("./core.js").Kind} Kind */
/** @typedef {import("./end.js").OpenEnd} OpenEnd */
/** @typedef {import("./selection.js").Selection} Selection */

/** Edits that settle a doubt; a mark that is being moved may still be on its way. */
const SETTLING = ["confirm", "tag", "remove"];
/** Marks this far apart are told from each other at once, screen pixels. */
const CLEAR = 60;

export class Guide {
  /** @param {OpenEnd} end @param {Selection} selection */
  constructor(end, selection) {
    this.end = end;
    this.selection = selection;
    this.look = byId("look", HTMLButtonElement);
    this.accept = byId("accept", HTMLButtonElement);
    this.state = byId("state", HTMLParagraphElement);
    /** What is said once no end needs anybody. */
    this.allDone = "";
    this.look.addEventListener("click", () => this.nextUnsure());
    this.accept.addEventListener("click", () => this.forward());
    end.addEventListener("opened", () => this.draw());
    end.addEventListener("changed", () => this.draw());
    end.addEventListener("selected", () => this.draw());
    end.addEventListener("edited", (event) => this.settled(/** @type {CustomEvent} */ (event).detail));
  }

  /** A doubt that was settled leads to the next one. @param {{edits: import("./core.js").Edit[],
   * before: import("./core.js").EndView}} done */
  settled({ edits, before }) {
    const { end } = this;
    const [edit] = edits;
    const wasDoubt = edits.length === 1 && SETTLING.includes(edit.do) && before.look.includes(edit.id);
    if (wasDoubt && (end.selected === edit.id || end.selected === null)) this.nextUnsure();
  }

  /** Entries that nobody has confirmed. */
  get open() {
    return this.end.entries.filter((e) => e.state === "proposed");
  }

  /** The doubt that is looked at. */
  get doubt() {
    const { entry, view } = this.end;
    return entry && view?.look.includes(entry.id) ? entry : null;
  }

  draw() {
    const { view, entries } = this.end;
    const look = view?.look.length ?? 0;
    say(this.look, look > 0 ? `Unsure: ${look}` : "None unsure");
    this.look.disabled = look === 0;
    this.look.classList.toggle("due", look > 0);
    const done = entries.length > 0 && this.open.length === 0;
    this.accept.disabled = entries.length === 0 || done;
    this.accept.classList.toggle("done", done);
    say(this.accept, done ? "✓ Confirmed" : this.words(look));
    this.drawState();
  }

  /** @param {number} look */
  words(look) {
    if (this.end.entries.length === 0) return "No shafts yet";
    if (this.doubt) return `${markName(this.doubt)} is correct`;
    if (look > 0) return `Check ${look} unsure`;
    return this.end.view?.count?.difference ? "Count differs" : "All correct";
  }

  /** How the end stands, beside the button. */
  drawState() {
    const { view } = this.end;
    const done = this.open.length === 0;
    // where no face was found that is said in the photo's place
    const words = view && view.state !== "no-face" ? view.standing : "";
    say(this.state, done && words && this.allDone ? `${words}. ${this.allDone}` : words);
    this.state.classList.toggle("due", Boolean(words && view?.count?.difference) && !(done && this.end.entries.length > 0));
  }

  /** @param {string} words said once no end needs anybody */
  finished(words) {
    this.allDone = words;
    this.drawState();
  }

  /** The main button: the next step of checking this end. */
  async forward() {
    const { end } = this;
    const { view } = end;
    if (!view || end.entries.length === 0 || this.open.length === 0) return;
    if (this.doubt) {
      const { id } = this.doubt;
      await end.edit([{ do: "confirm", id }]);
    } else if (view.look.length > 0) {
      this.nextUnsure();
    } else if (view.count?.difference && this.selection.asking !== "count") {
      this.selection.ask("count", this.choices(view.count));
    } else if (view.count?.difference) {
      this.selection.focus();
    } else {
      await this.acceptAll([]);
    }
  }

  /** Confirms the end, and goes on. @param {import("./core.js").Edit[]} first edits made with it */
  async acceptAll(first) {
    if (!(await this.end.edit([...first, { do: "accept" }]))) return;
    this.selection.ask("", null);
    this.end.select(null);
    this.end.tell("accepted");
  }

  /** What can be done about a number that differs. @param {import("./core.js").Count} count */
  choices(count) {
    const missing = /** @type {[Kind, number][]} */ ([["fletched", count.fletched_short], ["bare", count.bare_short]]).filter(([, n]) => n > 0);
    const button = (/** @type {string} */ id, /** @type {string} */ words, /** @type {(event: MouseEvent) => void} */ click) => make("button", { type: "button", id, click }, words);
    const buttons = [];
    const [first] = missing;
    if (first && this.selection.movable()) {
      buttons.push(button("add-missing", `Add the ${KIND[first[0]]} one`, (e) => this.selection.place(first[0], e.detail === 0)));
    }
    if (first) {
      const total = missing.reduce((sum, [, n]) => sum + n, 0);
      const edits = missing.flatMap(([kind, n]) => Array.from({ length: n }, () => ({ do: "missed", kind })));
      buttons.push(button("it-missed", total === 1 ? "It missed the boss" : `${total} missed the boss`, () => this.acceptAll(edits)));
    }
    buttons.push(button("accept-anyway", first ? `Accept without ${missing.length === 1 && first[1] === 1 ? "it" : "them"}` : "Accept as it is", () => this.acceptAll([])));
    return make("div", { class: "chosen", role: "group", "aria-label": "The number of shots differs" },
      make("p", {}, `${count.words}: ${count.difference}.`), make("div", { class: "row" }, ...buttons));
  }

  /** The next of those that want a look, after the chosen one. */
  nextUnsure() {
    const { end } = this;
    const look = end.view?.look ?? [];
    if (look.length === 0) return;
    const at = end.selected === null ? -1 : look.indexOf(end.selected);
    const onMark = document.activeElement?.classList.contains("mark") ?? false;
    end.select(look[(at + 1) % look.length]);
    this.bring();
    if (onMark && end.selected !== null) this.selection.marks.buttons.get(end.selected)?.focus({ preventScroll: true });
  }

  /** Brings the chosen entry into view, clear of its neighbours. */
  bring() {
    const { marks, photo } = this.selection;
    const { entry } = this.end;
    const p = entry && marks.at(entry);
    if (entry && p) photo.bring(p.x, p.y, this.apart(entry, p));
    // on a phone the photo may have been scrolled away
    byId("stage", HTMLElement).scrollIntoView({ block: "nearest" });
  }

  /** The scale at which an entry stands clear of its neighbours. @param {import("./core.js").Entry} entry
   * @param {{x: number, y: number}} p */
  apart(entry, p) {
    let nearest = Infinity;
    for (const other of this.end.entries) {
      const q = other === entry ? null : this.selection.marks.at(other);
      if (q) nearest = Math.min(nearest, Math.hypot(p.x - q.x, p.y - q.y));
    }
    const { fitting } = this.selection.photo.frame;
    return Math.min(Math.max(CLEAR / nearest, 4 * fitting), 10 * fitting, 2);
  }
}
