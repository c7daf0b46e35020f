// Giving report and log card away: the system's own sheet where there is one, else a file to keep.

import { byId, fill, make } from "./dom.js";

/** @typedef {import("./core.js").Core} Core */
/** What can be shared. @typedef {{id: string, words: string, title: string, file: string, type: string,
 *   content: () => Promise<string>}} Shared */

export class Share {
  /** @param {Core} core */
  constructor(core) {
    /** @type {Shared[]} */
    const all = [
      { id: "share-report", words: "Share the report", title: "Bare-shaft report", file: "bare-shaft-report.html", type: "text/html", content: () => core.report() },
      { id: "share-card", words: "Share the log card", title: "Log card", file: "log-card.txt", type: "text/plain", content: () => core.card() },
    ];
    this.said = make("span", { class: "soft", role: "status" });
    fill(byId("share", HTMLDivElement),
      ...all.map((one) => make("button", { type: "button", id: one.id, click: () => this.share(one) }, one.words)), this.said);
  }

  /** @param {Shared} one */
  async share(one) {
    this.said.textContent = "One moment …";
    try {
      const file = new File([await one.content()], one.file, { type: one.type });
      if (navigator.canShare?.({ files: [file] }) && (await this.sheet(file, one.title))) {
        this.said.textContent = "";
        return;
      }
      const address = URL.createObjectURL(file);
      make("a", { href: address, download: file.name }).click();
      setTimeout(() => URL.revokeObjectURL(address), 10_000);
      this.said.textContent = "Saved as a file: send it on as it is.";
    } catch (error) {
      this.said.textContent = error instanceof Error ? error.message : String(error);
    }
  }

  /** The system's own sheet; false where it doesn't open. @param {File} file @param {string} title */
  async sheet(file, title) {
    try {
      await navigator.share({ files: [file], title });
    } catch (error) {
      // closed by the person; otherwise the tap was too long ago, or the kind of file isn't taken
      return error instanceof DOMException && error.name === "AbortError";
    }
    return true;
  }
}
