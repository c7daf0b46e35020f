// What the end says, and what comes next: asked anew after every edit.

import { byId, fill, make } from "./dom.js";
import { Answer } from "./answer.js";
import { changeForm } from "./change.js";
import { percent } from "./words.js";

/** @typedef {import("./core.js").Note} Note */
/** @typedef {import("./core.js").StepWords} StepWords */
/** @typedef {import("./end.js").OpenEnd} OpenEnd */

/** Notes on how many shafts were found. */
const OF_COUNT = ["count-differs", "no-shafts"];
/** A reading that takes longer is shown as that of before, ms. */
const PATIENT = 200;

export class Meaning {
  /** @param {OpenEnd} end @param {() => import("./core.js").Line[]} ends all of them, in order */
  constructor(end, ends) {
    this.end = end;
    this.ends = ends;
    this.answer = new Answer();
    /** The newest end's advice, while an older end is looked at. @type {import("./core.js").AdviceView | null} */
    this.current = null;
    this.sentence = byId("sentence", HTMLParagraphElement);
    this.pooled = byId("pooled", HTMLParagraphElement);
    this.calls = byId("calls", HTMLDivElement);
    this.plot = byId("plot", HTMLDivElement);
    this.cautions = byId("reading-cautions", HTMLDivElement);
    this.advice = byId("advice", HTMLDivElement);
    this.asked = 0;
    this.revision = -1;
    /** @type {number | undefined} */
    this.waits = undefined;
    end.addEventListener("opened", () => {
      this.revision = -1;
      this.clear();
    });
    end.addEventListener("changed", () => this.ask());
    end.addEventListener("others", () => {
      this.revision = -1;
      this.ask();
    });
  }

  clear() {
    // answers on their way are no longer wanted
    this.asked += 1;
    clearTimeout(this.waits);
    fill(this.sentence, "");
    if (!this.end.view) this.answer.clear("");
    for (const part of [this.pooled, this.calls, this.plot, this.cautions, this.advice]) fill(part);
  }

  /** Whether answers are on their way, for those who can't see it and for tests. @param {boolean} is */
  busy(is) {
    for (const id of ["meaning", "step"]) byId(id, HTMLElement).setAttribute("aria-busy", String(is));
  }

  stale(/** @type {boolean} */ is) {
    for (const part of [this.sentence, this.calls, this.plot]) part.classList.toggle("stale", is);
  }

  async ask() {
    const view = this.end.view;
    if (!view || view.record.revision === this.revision) return;
    this.revision = view.record.revision;
    const turn = (this.asked += 1);
    // mostly the answer is there before anybody could read that it is on its way
    clearTimeout(this.waits);
    this.waits = window.setTimeout(() => this.stale(true), PATIENT);
    this.busy(true);
    /** @param {unknown} error */
    const failed = (error) => {
      if (turn !== this.asked) return;
      this.revision = -1;
      fill(this.pooled, error instanceof Error ? error.message : String(error));
    };
    const { id } = view;
    /** @type {import("./core.js").ReadingView | null} */
    let read = null;
    // each as soon as it comes; an answer that comes late is no longer wanted
    const reading = this.end.core.read(id).then((answer) => {
      if (turn !== this.asked) return;
      clearTimeout(this.waits);
      read = answer;
      this.show(answer);
      this.stale(false);
      performance.mark("reading");
    });
    const advice = this.end.core.advise(id).then((answer) => {
      if (turn === this.asked) this.showAdvice(answer);
      return answer;
    });
    const both = Promise.all([reading, advice]);
    await both.then(() => performance.mark("meaning"), failed);
    await both.then(([, step]) => read && this.conclude(turn, read, step)).catch(failed);
    if (turn === this.asked) this.busy(false);
  }

  /** The answer that is always in sight: this end's, or that of the newest set-up. @param {number} turn
   * @param {import("./core.js").ReadingView} reading @param {import("./core.js").AdviceView} advice */
  async conclude(turn, reading, advice) {
    if (this.end.view?.state === "no-face") {
      this.answer.clear("No face found in this photo", "→ Choose another face, or set the rings by hand");
      return;
    }
    const needs = this.end.view?.needs ?? [];
    const newest = advice.newest || !advice.advice ? null : this.ends().filter((e) => e.state === "open" || e.state === "confirmed").at(-1);
    if (!newest || newest.id === reading.id) {
      if (turn !== this.asked) return;
      this.answer.show(reading, advice, needs);
      return;
    }
    const { core } = this.end;
    const [now, step] = await Promise.all([core.read(newest.id), core.advise(newest.id)]);
    if (turn !== this.asked) return;
    this.answer.show(now, step, needs, true);
    this.current = step;
    this.showAdvice(advice);
  }

  /** Another end has changed. */
  elsewhere() {
    this.current = null;
  }

  /** @param {import("./core.js").ReadingView} view */
  show(view) {
    if (this.sentence.textContent !== view.sentence) this.sentence.textContent = view.sentence;
    const { reading } = view;
    const shots = reading ? `${reading.fletched} fletched and ${reading.bare} bare shots count` : "";
    const together = view.files.length > 1 ? `, read together with ${view.files.length - 1} more ${view.files.length === 2 ? "end" : "ends"} of this set-up` : "";
    this.pooled.textContent = shots + (shots ? `${together}.` : "");
    fill(this.calls, ...(reading?.offset ? callsOf(reading) : []));
    // a drawing that the program made of numbers, its texts escaped
    this.plot.innerHTML = view.plot;
    fill(this.cautions, ...notes("About this photo", this.seen(), true), ...notes("To keep in mind", view.cautions, true));
  }

  /** What was noted when the photo was measured; how many shafts were found means nothing once a person has gone over them. */
  seen() {
    const record = this.end.view?.record;
    const all = record?.notes ?? [];
    return record?.revision === 0 ? all : all.filter((n) => !OF_COUNT.includes(n.code));
  }

  /** @param {import("./core.js").AdviceView} view */
  showAdvice(view) {
    const { advice, next } = view;
    if (!advice || !next) {
      const text = view.failure ?? "There is nothing to advise yet.";
      fill(this.advice, make("p", {}, text));
      return;
    }
    const parts = steps(view);
    if (!view.newest && this.current?.next) {
      // what holds now comes first, older advice under it
      fill(this.advice, ...steps(this.current),
        make("details", {}, make("summary", {}, "What was advised after this end"), ...parts, ...notes("Mind this", cautionsOf(view), true)));
      return;
    }
    if (view.newest) parts.push(...this.change(view));
    else parts.push(make("p", { class: "soft" }, "More was shot with this bow since: this is the advice as it stood after this end."));
    parts.push(...notes("Mind this", cautionsOf(view), true));
    if (view.others.length > 0) {
      const list = view.others.map((o) => make("li", {}, make("p", { class: "strong" }, o.headline), ...o.facts.filter(([n]) => n === "Expect" || n === "Why").map(([n, t]) => make("p", { class: "soft" }, `${n}: ${t}`))));
      parts.push(make("details", {}, make("summary", {}, `Other ways, instead of it (${list.length})`), make("ol", { class: "notes" }, ...list)));
    }
    fill(this.advice, ...parts);
  }

  /** How the change is noted that was made: the advised one by a button where its values are known.
   * @param {import("./core.js").AdviceView} view @returns {HTMLElement[]} */
  change(view) {
    const said = make("span", { class: "soft", id: "made-said", role: "status", tabindex: "-1" });
    const noted = async () => {
      this.revision = -1;
      await this.ask();
      document.getElementById("made-said")?.focus({ preventScroll: true });
      this.end.tell("queue");
    };
    const failed = (/** @type {unknown} */ error) => {
      said.textContent = error instanceof Error ? error.message : String(error);
    };
    const { setting } = view.advice.next;
    const form = changeForm(this.end, setting, noted);
    if (view.noted !== null) {
      said.textContent = `Noted for the photos that follow: ${view.noted}`;
      const back = () => this.end.core.takeBack(view.id).then(noted, failed);
      return [said, make("div", { class: "form-end" }, make("button", { id: "take-back", type: "button", click: back }, "I didn’t make this change")),
        make("details", {}, make("summary", {}, "I changed something else"), form)];
    }
    if (view.made) {
      const made = () => this.end.core.made(view.id).then(noted, failed);
      return [make("div", { class: "form-end" }, make("button", { id: "made", type: "button", class: "strong", click: made }, "I made this change"), said),
        make("details", {}, make("summary", {}, "I changed something else"), form)];
    }
    return setting ? [form] : [make("details", {}, make("summary", {}, "I changed something"), form)];
  }
}

/** The next step, and what is to be done together with it. @param {import("./core.js").AdviceView} view @returns {HTMLElement[]} */
function steps(view) {
  const also = view.also.map((one) => make("div", { class: "also" }, make("p", { class: "soft" }, "together with"), ...step(one)));
  return [...(view.next ? step(view.next) : []), ...also];
}

/** @param {import("./core.js").AdviceView} view */
function cautionsOf(view) {
  return [...(view.next?.cautions ?? []), ...view.also.flatMap((a) => a.cautions), ...view.cautions];
}

/** @param {StepWords} words */
function step(words) {
  const facts = words.facts.flatMap(([n, t]) => [make("dt", {}, n), make("dd", {}, t)]);
  return [make("p", { class: "headline" }, words.headline), ...(facts.length > 0 ? [make("dl", { class: "facts" }, ...facts)] : [])];
}

/** Cautions: the first ones in sight, the rest behind a summary. @param {string} title @param {Note[]} all @param {boolean} fold */
function notes(title, all, fold) {
  const seen = new Set();
  const list = all.filter((n) => !seen.has(n.text) && seen.add(n.text)).map((n) => make("li", {}, n.text));
  if (list.length === 0) return [];
  const items = make("ul", { class: "notes" }, ...list);
  if (!fold || list.length < 3) return [make("h3", { class: "part" }, title), items];
  return [make("details", {}, make("summary", {}, `${title} (${list.length})`), items)];
}

/** @type {{[call: string]: string}} */
const CALLS = {
  weak: "weak: the arrow bends too much", stiff: "stiff: the arrow bends too little", neutral: "in tune", undecided: "not decided",
  "nock-high": "nocking point too high", "nock-low": "nocking point too low",
};

/** Each axis: its call, and how the probability is shared. @param {any} reading */
function callsOf(reading) {
  const rows = [];
  const { horizontal: h, vertical: v } = reading;
  // from left to right as the face is seen
  const left = reading.hand === "left" ? ["weak", h.p_weak] : ["stiff", h.p_stiff];
  const right = reading.hand === "left" ? ["stiff", h.p_stiff] : ["weak", h.p_weak];
  rows.push(call("Left and right", h.call, left, h.p_neutral, right));
  rows.push(call("Low and high", v.call, ["nock high", v.p_high], v.p_neutral, ["nock low", v.p_low]));
  return rows;
}

/** @param {string} title @param {string} result @param {(string | number | null)[]} low @param {number | null} inside
 * @param {(string | number | null)[]} high */
function call(title, result, low, inside, high) {
  const row = make("div", { class: "call" }, make("span", { class: "soft" }, title), make("b", {}, CALLS[result] ?? result));
  if (inside === null) return row;
  const p = [Number(low[1]), inside, Number(high[1])];
  const bar = make("div", { class: "bar", "aria-hidden": "true" }, ...p.map((v, i) => {
    const part = make("i", { class: ["low", "in", "high"][i] });
    part.style.width = `${(100 * v).toFixed(1)}%`;
    return part;
  }));
  row.append(bar, make("small", {}, ...[low[0], "within tolerance", high[0]].map((words, i) => make("span", {}, `${words} `, make("span", { class: "whole" }, percent(p[i]))))));
  return row;
}
