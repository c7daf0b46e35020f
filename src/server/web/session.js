// What the photo can't show: who, from where, with which set-up.

import { byId, fill, make } from "./dom.js";
import { decimal } from "./table.js";

/** @typedef {import("./core.js").Session} Session */
/** @typedef {import("./end.js").OpenEnd} OpenEnd */
/** @typedef {{name: string, label: string, kind: "text" | "number" | "hand" | "order", hint?: string}} Field */

/** @type {Field[]} */
const FIELDS = [
  { name: "archer", label: "Archer", kind: "text" },
  { name: "hand", label: "Hand that draws", kind: "hand" },
  { name: "distance_m", label: "Distance, m", kind: "number" },
  { name: "end", label: "Number of the end", kind: "number" },
  { name: "date", label: "Date", kind: "text", hint: "2026-05-03" },
  { name: "fletched", label: "Fletched shot", kind: "number" },
  { name: "bare", label: "Bare shot", kind: "number" },
  { name: "shot_order", label: "Order shot (shafts)", kind: "order", hint: "1 4 2 5 3 6" },
];

/** @type {Field[]} */
export const SETUP = [
  { name: "bow", label: "Bow", kind: "text" },
  { name: "draw_weight_lb", label: "Draw weight on the fingers, lb", kind: "number" },
  { name: "bolt_turns_out", label: "Limb bolts, turns out", kind: "number" },
  { name: "bolt_lb_per_turn", label: "lb per turn of both bolts", kind: "number" },
  { name: "shafts", label: "Shafts", kind: "text" },
  { name: "shaft_spine", label: "Spine", kind: "number" },
  { name: "shaft_length_mm", label: "Shaft length without point, mm", kind: "number" },
  { name: "shaft_gr_per_in", label: "Bare tube, gr per inch", kind: "number" },
  { name: "shaft_diameter_mm", label: "Shaft diameter, mm", kind: "number" },
  { name: "point_gr", label: "Point with insert, gr", kind: "number" },
  { name: "rear_gr", label: "Nock and vanes, gr", kind: "number" },
  { name: "bare_rear_gr", label: "Nock of a bare shaft, gr", kind: "number" },
  { name: "plunger_clicks", label: "Plunger, clicks (+ stiffer)", kind: "number" },
  { name: "plunger_clicks_per_turn", label: "Plunger clicks in a turn", kind: "number" },
  { name: "nocking_point_mm", label: "Nocking point above square, mm", kind: "number" },
  { name: "rest_height_mm", label: "Rest height from mark, mm", kind: "number" },
  { name: "brace_height_mm", label: "Brace height, mm", kind: "number" },
  { name: "draw_length_mm", label: "Draw length, mm", kind: "number" },
  { name: "tolerance_30m_mm", label: "Own tolerance at 30 m, mm", kind: "number" },
];

export class SessionForm {
  /** @param {OpenEnd} end */
  constructor(end) {
    this.end = end;
    this.form = byId("session", HTMLFormElement);
    /** @type {Map<string, HTMLInputElement | HTMLSelectElement>} */
    this.inputs = new Map();
    /** Of a set-up file: what has no field here. @type {Session} */
    this.fromFile = {};
    this.said = make("p", { role: "status", class: "soft" });
    this.follow = make("input", { type: "checkbox", id: "follow", checked: true });
    this.draw();
    end.addEventListener("opened", () => {
      this.fromFile = {};
      this.said.textContent = "";
      this.show(true);
    });
    end.addEventListener("changed", () => this.show(false));
    this.form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.save();
    });
  }

  draw() {
    const field = (/** @type {Field} */ f, /** @type {string} */ path) => {
      const id = `told-${path.replace(".", "-")}`;
      const input = f.kind === "hand"
        ? make("select", { id }, make("option", { value: "" }, "not told"), make("option", { value: "right" }, "right"), make("option", { value: "left" }, "left"))
        : make("input", { id, autocomplete: "off", inputmode: f.kind === "number" ? "decimal" : null, placeholder: f.hint });
      this.inputs.set(path, input);
      return make("div", {}, make("label", { for: id }, f.label), input);
    };
    const file = make("input", { type: "file", id: "setup-file", accept: ".json,application/json", change: () => this.readFile(file) });
    fill(this.form,
      make("div", { class: "fields" }, ...FIELDS.map((f) => field(f, f.name))),
      make("details", {}, make("summary", {}, "Bow and arrows"),
        make("p", { class: "soft" }, "Leave empty what you don’t know: nothing is assumed."),
        make("div", { class: "fields" }, ...SETUP.map((f) => field(f, `setup.${f.name}`))),
        make("div", { class: "form-end uploads" }, file, make("label", { class: "button", for: "setup-file" }, "Take from a set-up file"))),
      make("div", { class: "form-end" },
        make("label", { class: "check", for: "follow" }, this.follow, "also for the photos that follow"),
        make("button", {}, "Save")),
      this.said);
  }

  /** Shows what the record says. @param {boolean} anew whether what is being typed gives way */
  show(anew) {
    const session = this.end.view?.record.session ?? {};
    for (const [path, input] of this.inputs) {
      const value = valueAt(session, path);
      const text = Array.isArray(value) ? value.join(" ") : value === undefined || value === null ? "" : String(value);
      const touched = input.value !== (input.dataset.was ?? "");
      if (anew || !touched) input.value = text;
      input.dataset.was = text;
    }
  }

  async save() {
    const view = this.end.view;
    /** @type {Session} */
    const set = {};
    for (const f of FIELDS) if (!this.collect(f, f.name, set)) return;
    /** @type {Session} */
    const setup = { ...this.fromFile };
    for (const f of SETUP) if (!this.collect(f, `setup.${f.name}`, setup)) return;
    if (Object.keys(setup).length > 0) set.setup = setup;
    if (!view || Object.keys(set).length === 0) {
      this.said.textContent = "Nothing has changed.";
      return;
    }
    if (!(await this.end.edit([{ do: "session", set }]))) return;
    this.fromFile = {};
    this.said.textContent = "Saved.";
    if (!this.follow.checked) return;
    try {
      await this.end.core.remember(null, without(set));
      this.end.tell("queue");
    } catch (error) {
      this.said.textContent = `Saved for this end, but not for the photos that follow: ${error instanceof Error ? error.message : error}`;
    }
  }

  /** Takes a changed field over; false where it can't be understood. @param {Field} field @param {string} path
   * @param {Session} into */
  collect(field, path, into) {
    const input = this.inputs.get(path);
    if (!input || input.value === (input.dataset.was ?? "")) return true;
    const text = input.value.trim();
    /** @type {any} */
    let value = text === "" ? null : text;
    if (text !== "" && field.kind === "number") value = decimal(text);
    if (text !== "" && field.kind === "order") value = text.split(/[\s,]+/).map((t) => Number(t));
    const wrong = text !== "" && (value === null || (Array.isArray(value) && value.some((n) => !Number.isInteger(n))));
    input.setAttribute("aria-invalid", String(wrong));
    if (wrong) {
      this.said.textContent = `${field.label}: ${field.kind === "order" ? "give the shafts’ numbers with spaces, like 1 4 2" : "give a number"}.`;
      input.focus();
      return false;
    }
    into[field.name] = value;
    return true;
  }

  /** @param {HTMLInputElement} input */
  async readFile(input) {
    const [file] = input.files ?? [];
    if (!file) return;
    try {
      const document = JSON.parse(await file.text());
      const setup = document.session?.setup ?? document.setup ?? document;
      if (typeof setup !== "object" || setup === null || Array.isArray(setup)) throw new Error("no set-up");
      let found = 0;
      this.fromFile = {};
      for (const [name, value] of Object.entries(setup)) {
        const field = this.inputs.get(`setup.${name}`);
        if (field) {
          field.value = String(value);
          found += 1;
        } else if (["limits", "keep", "arrows"].includes(name)) {
          this.fromFile[name] = value;
          found += 1;
        }
      }
      this.said.textContent = found > 0 ? `${found} settings taken from ${file.name}: look them over, then save.` : `${file.name} holds no set-up.`;
    } catch {
      this.said.textContent = `${file.name} can’t be read as a set-up file.`;
    }
    input.value = "";
  }
}

/** @param {Session} session @param {string} path */
function valueAt(session, path) {
  const [first, second] = path.split(".");
  return second ? session[first]?.[second] : session[first];
}

/** Without fields that were taken away: those are this end's alone. @param {Session} set @returns {Session} */
function without(set) {
  const kept = Object.entries(set).filter(([, v]) => v !== null)
    .map(([k, v]) => [k, v && typeof v === "object" && !Array.isArray(v) ? without(v) : v]);
  return Object.fromEntries(kept);
}
