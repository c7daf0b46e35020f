// Single keys for the whole page, shown by "?", and Escape, which gives up whatever is armed.

import { byId, fill, make } from "./dom.js";

/** Where it is kept that somebody wants no single keys (WCAG 2.2, 2.1.4). */
const OFF = "bossmark-no-keys";

/** @typedef {{keys: string[], shown: string, words: string, run: (event: KeyboardEvent) => void}} Command */

export class Keys {
  /** @param {Command[]} commands @param {() => boolean} cancel gives up what is armed; false where nothing is
   * @param {() => boolean} away whether the page is used for something else */
  constructor(commands, cancel, away) {
    this.commands = commands;
    this.dialog = byId("keys", HTMLDialogElement);
    byId("help", HTMLButtonElement).addEventListener("click", () => this.show());
    document.addEventListener("keydown", (event) => {
      if (event.defaultPrevented || document.querySelector("dialog[open]") || away()) return;
      if (event.key === "Escape" && cancel()) {
        event.preventDefault();
        return;
      }
      this.press(event);
    });
  }

  get off() {
    return localStorage.getItem(OFF) === "1";
  }

  /** @param {KeyboardEvent} event */
  press(event) {
    const control = event.ctrlKey || event.metaKey;
    // letters in a list choose from it; Ctrl+Z means the same there as elsewhere, but not where text is written
    const own = `input:not([type=radio], [type=checkbox]), textarea${control ? "" : ", select"}`;
    const typing = event.target instanceof HTMLElement && event.target.matches(own);
    if (event.altKey || typing || (control && event.key.toLowerCase() !== "z") || (this.off && !control && event.key.length === 1)) return;
    if (event.key === "?") {
      event.preventDefault();
      this.show();
      return;
    }
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const command = this.commands.find((c) => c.keys.includes(key));
    if (!command) return;
    event.preventDefault();
    command.run(event);
  }

  show() {
    const off = make("input", { type: "checkbox", id: "keys-off", checked: !this.off, change: () => localStorage.setItem(OFF, off.checked ? "0" : "1") });
    fill(this.dialog, make("h2", { id: "keys-heading" }, "Keys"),
      make("dl", { class: "keys" }, ...this.commands.flatMap((c) => [make("dt", {}, make("kbd", {}, c.shown)), make("dd", {}, c.words)]),
        make("dt", {}, make("kbd", {}, "Esc")), make("dd", {}, "give up what was begun"),
        make("dt", {}, make("kbd", {}, "← ↑ ↓ →")), make("dd", {}, "move the chosen mark by half a millimetre; with Shift by five"),
        make("dt", {}, make("kbd", {}, "+ − 0")), make("dd", {}, "photo larger, smaller, whole face"),
        make("dt", {}, make("kbd", {}, "?")), make("dd", {}, "this list")),
      make("label", { class: "check", for: "keys-off" }, off, "Single letters work"),
      make("div", { class: "form-end" }, make("button", { type: "button", class: "main-action", click: () => this.dialog.close() }, "Close")));
    this.dialog.showModal();
  }
}
