// The end that is looked at: its record as last seen, edits on their way, and who wants to know.

import { Refused, Unreachable } from "./core.js";

/** @typedef {import("./core.js").EndView} EndView */
/** @typedef {import("./core.js").Edit} Edit */
/** @typedef {import("./core.js").Core} Core */
/** @typedef {{at: number, id: number, sha256: string, revision: number, record?: string | null, edits: Edit[]}} Kept */

/** Where edits wait that could not be delivered: a reload, a crash or a way back must not lose them. */
const KEPT = "bossmark-undelivered";
/** Codes of answers that hold the record as it is now: somebody changed it, or its photo was measured again. */
const CHANGED = ["changed", "measured-again"];
/** Time between tries to deliver, ms. */
const RETRY = 2000;

export class OpenEnd extends EventTarget {
  /** @param {Core} core */
  constructor(core) {
    super();
    this.core = core;
    /** @type {EndView | null} */
    this.view = null;
    /** @type {number | null} */
    this.selected = null;
    /** @type {Promise<unknown>} */
    this.turn = Promise.resolve();
    this.working = 0;
    this.unreachable = false;
    /** @type {number | undefined} */
    this.timer = undefined;
  }

  /** Shows an end. @param {EndView} view */
  open(view) {
    this.view = view;
    this.selected = null;
    this.tell("opened");
    this.tell("changed");
    this.deliver();
  }

  /** No end is shown. */
  close() {
    this.view = null;
    this.selected = null;
    this.tell("opened");
  }

  /** @param {string} what @param {any} [detail] */
  tell(what, detail) {
    this.dispatchEvent(new CustomEvent(what, { detail }));
  }

  get entries() {
    return this.view?.record.entries ?? [];
  }

  /** The selected entry. */
  get entry() {
    return this.entries.find((e) => e.id === this.selected) ?? null;
  }

  /** @param {number | null} id */
  select(id) {
    if (this.selected === id) return;
    this.selected = id;
    this.tell("selected");
  }

  /** Makes edits: one step of the way back. They are made one after the other, each on the record that the one before left.
   * @param {Edit[]} edits @param {{select?: "new" | null}} [after]
   * @returns {Promise<boolean>} */
  edit(edits, after = {}) {
    const id = this.view?.id;
    const done = this.turn.then(async () => {
      const view = this.view;
      if (!view || view.id !== id) return false;
      if (kept().some((k) => isOf(k, view))) {
        // those that wait come first
        this.keep(view, edits);
        return false;
      }
      return this.send(edits, () => this.core.apply(view.id, view.record.revision, edits, view.fingerprint), after);
    });
    this.turn = done;
    return done;
  }

  undo() {
    return this.stepTo("undo");
  }

  redo() {
    return this.stepTo("redo");
  }

  /** @param {"undo" | "redo"} which @returns {Promise<boolean>} */
  stepTo(which) {
    const done = this.turn.then(async () => {
      const view = this.view;
      if (!view || !view[which]) return false;
      return this.send([], () => this.core[which](view.id, view.record.revision), {});
    });
    this.turn = done;
    return done;
  }

  /** @param {Edit[]} edits @param {() => Promise<EndView>} how @param {{select?: "new" | null}} after */
  async send(edits, how, after) {
    const before = this.view;
    this.working += 1;
    this.tell("saving");
    try {
      const view = await how();
      this.unreachable = false;
      this.take(view, before, after);
      if (before && edits.length > 0) this.tell("edited", { edits, before });
      return true;
    } catch (error) {
      if (error instanceof Refused && CHANGED.includes(error.code) && error.end) {
        this.tell("conflict", { edits, now: error.end, seen: before, again: error.code === "measured-again" });
      } else if (error instanceof Unreachable && before && edits.length > 0) {
        this.keep(before, edits);
      } else {
        this.tell("refused", error instanceof Error ? error.message : String(error));
      }
      return false;
    } finally {
      this.working -= 1;
      this.tell("saving");
    }
  }

  /** The record as it is now. @param {EndView} view @param {EndView | null} before @param {{select?: "new" | null}} after */
  take(view, before, after) {
    if (this.view?.id !== view.id) return;
    this.view = view;
    const ids = new Set(before?.record.entries.map((e) => e.id));
    const fresh = view.record.entries.find((e) => !ids.has(e.id));
    if (after.select === "new" && fresh) this.selected = fresh.id;
    if (!view.record.entries.some((e) => e.id === this.selected)) this.selected = null;
    this.tell("changed");
    this.tell("selected");
  }

  /** Keeps edits that could not be delivered, and tries again. @param {EndView} view @param {Edit[]} edits */
  keep(view, edits) {
    const sha256 = view.record.photo?.sha256 ?? "";
    const all = kept();
    all.push({ at: Date.now() + Math.random(), id: view.id, sha256, revision: view.record.revision, record: view.fingerprint, edits });
    write(all);
    this.unreachable = true;
    this.tell("saving");
    this.again();
  }

  again() {
    clearTimeout(this.timer);
    this.timer = window.setTimeout(() => this.deliver(), RETRY);
  }

  /** Delivers what was kept for this end, one after the other. */
  deliver() {
    this.turn = this.turn.then(async () => {
      const { view } = this;
      const mine = view ? kept().find((k) => isOf(k, view)) : undefined;
      if (!view || !mine) {
        if (this.unreachable) await this.listen();
        return;
      }
      try {
        const now = await this.core.apply(view.id, mine.revision, mine.edits, mine.record);
        // those kept after it were made on what it leaves
        const rest = kept().filter((k) => k.at !== mine.at);
        write(rest.map((k) => (isOf(k, view) ? { ...k, revision: now.record.revision, record: now.fingerprint } : k)));
        this.reached();
        this.take(now, view, {});
        this.again();
      } catch (error) {
        if (error instanceof Unreachable) {
          this.unreachable = true;
          this.again();
        } else {
          write(kept().filter((k) => k.at !== mine.at));
          this.reached();
          if (error instanceof Refused && error.end) {
            this.tell("conflict", { edits: mine.edits, now: error.end, seen: view, again: error.code === "measured-again" });
          } else this.tell("refused", error instanceof Error ? error.message : String(error));
        }
      }
      this.tell("saving");
    });
  }

  /** Whether the program answers again. */
  async listen() {
    try {
      await this.core.queue();
      this.reached();
    } catch {
      this.again();
    }
  }

  reached() {
    this.unreachable = false;
    this.tell("saving");
  }
}

/** Whether a kept edit was made on this end. @param {Kept} k @param {EndView} view */
function isOf(k, view) {
  return k.id === view.id && k.sha256 === (view.record.photo?.sha256 ?? "");
}

/** @returns {Kept[]} */
function kept() {
  try {
    return JSON.parse(localStorage.getItem(KEPT) ?? "[]");
  } catch {
    return [];
  }
}

/** How many edits wait. */
export const waiting = () => kept().length;

/** @param {Kept[]} all */
function write(all) {
  try {
    if (all.length === 0) localStorage.removeItem(KEPT);
    else localStorage.setItem(KEPT, JSON.stringify(all));
  } catch {
    // a browser that keeps nothing: the edit stays on the page until it is closed
  }
}
