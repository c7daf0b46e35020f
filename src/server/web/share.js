// Giving the report away: the system's own sheet where there is one, else a file to keep.

import { byId, fill, make } from "./dom.js";

/** @typedef {import("./core.js").Core} Core */

export class Share {
  /** @param {Core} core */
  constructor(core) {
    this.core = core;
    this.said = make("span", { class: "soft", role: "status" });
    fill(byId("share", HTMLDivElement),
      make("button", { type: "button", id: "share-report", click: () => this.report() }, "Share the report"), this.said);
  }

  async report() {
    this.said.textContent = "Making the report …";
    try {
      const html = await this.core.report();
      const file = new File([html], "bare-shaft-report.html", { type: "text/html" });
      if (navigator.canShare?.({ files: [file] })) {
        await navigator.share({ files: [file], title: "Bare-shaft report" });
        this.said.textContent = "";
        return;
      }
      const address = URL.createObjectURL(file);
      make("a", { href: address, download: file.name }).click();
      setTimeout(() => URL.revokeObjectURL(address), 10_000);
      this.said.textContent = "Saved as a file: send it on as it is.";
    } catch (error) {
      // the person closed the sheet
      const closed = error instanceof DOMException && error.name === "AbortError";
      this.said.textContent = closed ? "" : error instanceof Error ? error.message : String(error);
    }
  }
}
