// The table of shafts: the whole job can be done here, by keyboard and by screen reader.

import { byId, fill, make, say } from "./dom.js";
import { inTable, toMm, unit } from "./units.js";
import { KIND, certainty, markName, name, suggestion } from "./words.js";

/** @typedef {import("./core.js").Entry} Entry */
/** @typedef {import("./core.js").Kind} Kind */
/** @typedef {import("./end.js").OpenEnd} OpenEnd */

export class Table {
  /** @param {OpenEnd} end @param {(id: number) => void} remove */
  constructor(end, remove) {
    this.end = end;
    this.remove = remove;
    /** @type {Map<number, {row: HTMLTableRowElement, refresh: (entry: Entry) => void}>} */
    this.rows = new Map();
    this.body = make("tbody", { role: "rowgroup" });
    this.missed = make("div", {});
    /** What names the unit: its words follow the choice. @type {{element: HTMLElement, words: (sign: string) => string}[]} */
    this.inUnit = [];
    this.draw();
    end.addEventListener("opened", () => {
      this.rows.clear();
      fill(this.body);
    });
    end.addEventListener("changed", () => this.update());
    end.addEventListener("selected", () => this.marked());
  }

  draw() {
    const heads = ["Shaft", "Kind", "right", "up", "How sure", "Arrow’s number", "Correct or not"];
    const cells = heads.map((h, i) => make("th", { scope: "col", role: "columnheader", class: i > 3 ? "hidden" : null }, h));
    for (const [i, side] of [[2, "right"], [3, "up"]]) this.named(cells[Number(i)], String(side));
    const head = make("tr", { role: "row" }, ...cells);
    // laid out as a grid, which takes the meaning of rows and cells away: the roles give it back
    const table = make("table", { role: "table" }, make("caption", {}, "From the middle of the face: right and up are positive."), make("thead", { role: "rowgroup" }, head), this.body);
    fill(byId("table", HTMLDivElement), table, this.addForm(),
      make("div", { class: "part" }, make("h3", {}, "Shots that left no mark"), this.missed, this.missedForm()));
  }

  /** An element that says the unit and a side. @param {HTMLElement} element @param {string} side */
  named(element, side) {
    this.inUnit.push({ element, words: (sign) => `${side}, ${sign}` });
    return element;
  }

  update() {
    for (const { element, words } of this.inUnit) say(element, words(unit().sign));
    const ids = new Set(this.end.entries.map((e) => e.id));
    for (const [id, { row }] of this.rows) {
      if (ids.has(id)) continue;
      row.remove();
      this.rows.delete(id);
    }
    for (const entry of this.end.entries) {
      let line = this.rows.get(entry.id);
      if (!line) {
        line = this.line(entry);
        this.rows.set(entry.id, line);
        this.body.append(line.row);
      }
      line.refresh(entry);
    }
    this.marked();
    const missed = this.end.view?.record.missed ?? [];
    fill(this.missed, ...missed.map((m, i) => make("div", { class: "missed" },
      make("span", {}, `${KIND[m.kind]} shot${m.note ? `: ${m.note}` : ""}`),
      make("button", { type: "button", "aria-label": `Take missed shot ${i + 1} back`, click: () => this.end.edit([{ do: "not-missed", index: i + 1 }]) }, "Take back"))));
  }

  marked() {
    for (const [id, { row }] of this.rows) {
      if (id === this.end.selected) row.setAttribute("aria-current", "true");
      else row.removeAttribute("aria-current");
    }
  }

  /** @param {Entry} first */
  line(first) {
    const { end } = this;
    const id = first.id;
    const label = (/** @type {string} */ what) => `${what} of shaft ${id}`;
    const number = make("button", { type: "button", class: "quiet", "aria-label": `Show shaft ${id} on the photo`, click: () => end.select(id) }, markName(first));
    const kind = make("select", { "aria-label": label("Kind"), change: () => end.edit([{ do: "tag", id, kind: kind.value }]) }, ...Object.entries(KIND).map(([k, words]) => make("option", { value: k }, words)));
    const x = make("input", { inputmode: "decimal", size: 6, change: () => move() });
    const y = make("input", { inputmode: "decimal", size: 6, change: () => move() });
    const move = () => {
      const entry = end.entries.find((e) => e.id === id);
      if (!entry) return;
      // what wasn't touched keeps the digits that the table doesn't show
      const x_mm = x.value === x.dataset.was ? entry.x_mm : given(x);
      const y_mm = y.value === y.dataset.was ? entry.y_mm : given(y);
      if (x_mm === null || y_mm === null) this.refuse();
      else end.edit([{ do: "move", id, x_mm, y_mm }]);
    };
    const arrow = make("input", { size: 4, maxlength: 20, autocomplete: "off", "aria-label": label("Arrow’s number"), change: () => end.edit([{ do: "arrow", id, arrow: arrow.value.trim() || null }]) });
    const sure = make("span", { class: "sure" });
    const seen = make("button", { type: "button", class: "quiet", hidden: true, click: () => end.edit([{ do: "arrow", id, arrow: seen.value }]) });
    const right = make("button", { type: "button", class: "icon-button", title: "Correct", "aria-label": `Shaft ${id} is correct`, click: () => end.edit([{ do: "confirm", id }]) }, "✓");
    const away = make("button", { type: "button", class: "icon-button", title: "Remove", "aria-label": `Remove shaft ${id}`, click: () => this.remove(id) }, "✕");
    const cell = (/** @type {string} */ name, /** @type {(Node | string)[]} */ ...held) => make("td", { role: "cell", class: `cell-${name}` }, ...held);
    const row = make("tr", { role: "row", "data-id": id }, make("th", { scope: "row", role: "rowheader", class: "cell-number" }, number),
      cell("kind", kind), cell("x", x), cell("y", y), cell("sure", sure, " ", seen),
      cell("arrow", make("span", { class: "soft", "aria-hidden": "true" }, "no."), arrow), cell("do", right, away));
    const write = (/** @type {HTMLInputElement} */ input, /** @type {string} */ text) => {
      if (document.activeElement !== input || input.dataset.was === input.value) input.value = text;
      input.dataset.was = text;
    };
    const refresh = (/** @type {Entry} */ entry) => {
      const look = end.view?.look.includes(id) ?? false;
      kind.value = entry.kind;
      say(number, markName(entry));
      number.setAttribute("aria-label", `${markName(entry)}: show on the photo`);
      write(x, inTable(entry.x_mm));
      write(y, inTable(entry.y_mm));
      x.setAttribute("aria-label", label(`${unit().words} right`));
      y.setAttribute("aria-label", label(`${unit().words} up`));
      write(arrow, entry.arrow ?? "");
      suggest(seen, entry, end.entries);
      sure.textContent = certainty(entry, look);
      sure.classList.toggle("look", look);
      right.disabled = entry.state === "confirmed";
      row.setAttribute("aria-label", name(entry));
    };
    return { row, refresh };
  }

  /** A place that is no number. */
  refuse() {
    this.end.tell("refused", `Give ${unit().words} as a number, like 12.5 or -4.`);
  }

  addForm() {
    const { end } = this;
    const kind = kindChoice("add-kind");
    const x = make("input", { id: "add-x", inputmode: "decimal", required: true, autocomplete: "off" });
    const y = make("input", { id: "add-y", inputmode: "decimal", required: true, autocomplete: "off" });
    const form = make("form", {}, make("div", { class: "fields" },
      make("div", {}, make("label", { for: "add-kind" }, "Kind"), kind),
      make("div", {}, this.named(make("label", { for: "add-x" }), "right"), x),
      make("div", {}, this.named(make("label", { for: "add-y" }), "up"), y),
      make("button", {}, "Add this shaft")));
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const [x_mm, y_mm] = [given(x), given(y)];
      if (x_mm === null || y_mm === null) {
        this.refuse();
        return;
      }
      if (await end.edit([{ do: "add", kind: kind.value, x_mm, y_mm }], { select: "new" })) {
        form.reset();
        kind.focus();
      }
    });
    return make("div", { class: "part" }, make("h3", {}, "Add a shaft by its place"), form);
  }

  missedForm() {
    const { end } = this;
    const kind = kindChoice("missed-kind");
    const note = make("input", { id: "missed-note", maxlength: 200, autocomplete: "off", placeholder: "low left, off the boss" });
    const form = make("form", {}, make("div", { class: "fields" },
      make("div", {}, make("label", { for: "missed-kind" }, "Kind"), kind),
      make("div", {}, make("label", { for: "missed-note" }, "Where it went"), note),
      make("button", {}, "Note this shot")));
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (await end.edit([{ do: "missed", kind: kind.value, note: note.value.trim() || undefined }])) form.reset();
    });
    return form;
  }
}

/** Lets a button offer the arrow that the colours speak for; hidden where they leave it open. @param {HTMLButtonElement} button
 * @param {Entry} entry @param {Entry[]} entries */
export function suggest(button, entry, entries) {
  const seen = suggestion(entry, entries);
  button.hidden = seen === null;
  button.value = seen?.arrow ?? "";
  say(button, seen?.text ?? "");
  if (seen) button.setAttribute("aria-label", seen.words);
}

/** @param {string} id */
function kindChoice(id) {
  return make("select", { id }, ...Object.entries(KIND).map(([k, words]) => make("option", { value: k }, words)));
}

/** Millimetres that a field holds in the chosen unit; `null` if it holds no number. @param {HTMLInputElement} input */
function given(input) {
  const value = decimal(input.value);
  return value === null ? null : toMm(value);
}

/** A number as people write it; `null` if it is none. @param {string} text */
export function decimal(text) {
  const plain = text.trim().replace("−", "-").replace(",", ".");
  const value = Number(plain);
  return plain !== "" && Number.isFinite(value) ? value : null;
}
