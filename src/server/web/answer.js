// The answer in two lines, always in sight: what the shots say, and what to do next. It is that of the newest set-up, whichever
// end is looked at.

import { byId, say } from "./dom.js";

/** @typedef {import("./core.js").AdviceView} AdviceView */
/** @typedef {import("./core.js").ReadingView} ReadingView */

export class Answer {
  constructor() {
    this.box = byId("answer", HTMLElement);
    this.verdict = byId("answer-verdict", HTMLElement);
    this.step = byId("answer-step", HTMLElement);
  }

  /** Nothing to read yet. @param {string} words @param {string} [step] */
  clear(words, step = "") {
    this.box.hidden = false;
    say(this.verdict, words);
    say(this.step, step);
  }

  /** @param {ReadingView} reading @param {AdviceView} advice @param {string[]} needs facts that nobody has given
   * @param {boolean} [older] whether an older end is looked at than those that it is about */
  show(reading, advice, needs, older = false) {
    this.box.hidden = false;
    if (needs.includes("hand") || needs.includes("distance_m")) {
      say(this.verdict, `${[needs.includes("hand") ? "Hand" : "", needs.includes("distance_m") ? "distance" : ""].filter(Boolean).join(" and ")} not known yet`.replace(/^d/, "D"));
      say(this.step, "→ Answer the questions below the photo");
      return;
    }
    say(this.verdict, older ? `Now: ${reading.answer.charAt(0).toLowerCase()}${reading.answer.slice(1)}` : reading.answer);
    const steps = [advice.next, ...advice.also].filter((s) => s !== null).map((s) => s.short);
    say(this.step, steps.length > 0 ? `→ ${steps.join(", and ")}` : advice.failure ?? "");
  }
}
