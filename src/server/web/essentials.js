// What the photo can't show and the reading needs: asked once, with pictures, and kept for the folder.

import { byId, draw, fill, make } from "./dom.js";
import { decimal } from "./table.js";

/** @typedef {import("./core.js").Face} Face */
/** @typedef {import("./core.js").Session} Session */
/** @typedef {{value: string, label: string, code?: string, picture?: SVGSVGElement}} Choice */

/** Faces that most archers shoot at; the others are behind a summary. */
const COMMON = ["wa-122", "wa-80", "wa-60", "wa-40", "wa-80-6zone", "wa-40-3spot"];
/** Distances that are mostly shot, m. */
const DISTANCES = [18, 20, 25, 30, 40, 50, 60, 70];
/** Numbers of shafts of a kind, mostly. */
const NUMBERS = [1, 2, 3, 4, 5, 6];
/** @type {{[colour: string]: string}} */
const PRINTED = { yellow: "#f6d33c", red: "#e0483e", blue: "#53b3e0", black: "#2a2c2e", white: "#fbfaf6" };

export class Essentials {
  /** @param {(face: string | null, session: Session) => Promise<void>} given */
  constructor(given) {
    this.given = given;
    this.holder = byId("essentials", HTMLElement);
    this.shown = "";
  }

  hide() {
    this.shown = "";
    this.holder.hidden = true;
    fill(this.holder);
  }

  /** Asks for what is missing. @param {{key: string, needs: string[], faces: Face[], known: Session,
   * picture?: import("./core.js").Address}} what */
  ask({ key, needs, faces, known, picture }) {
    const shown = `${key} ${needs.join(" ")}`;
    if (shown === this.shown) return;
    this.shown = shown;
    this.holder.hidden = false;
    const said = make("p", { role: "status", class: "error" });
    const groups = [];
    if (needs.includes("face")) groups.push(this.faces(faces));
    if (needs.includes("hand")) groups.push(group("hand", "Which hand draws the string?", hands(), known.hand));
    if (needs.includes("distance_m")) groups.push(group("distance_m", "How far is it?", DISTANCES.map((m) => ({ value: String(m), label: `${m} m` })), known.distance_m, "another, m"));
    if (needs.includes("fletched")) groups.push(group("fletched", "How many fletched shafts were shot?", numbers("fletched"), known.fletched, "more"));
    if (needs.includes("bare")) groups.push(group("bare", "How many bare ones?", numbers("bare"), known.bare, "more"));
    const form = make("form", { novalidate: true },
      ...(picture ? [unmeasured(picture)] : []),
      make("h2", { id: "essentials-heading" }, needs.includes("face") ? "Before it is measured" : "What the photo can’t show"),
      make("p", { class: "soft" }, "Asked once, and kept for the photos of this folder."),
      ...groups, said,
      make("div", { class: "form-end" }, make("button", { class: "main-action", id: "essentials-go" }, needs.includes("face") ? "Measure" : "Save")));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.send(form, needs, said).catch((error) => { said.textContent = error instanceof Error ? error.message : String(error); });
    });
    fill(this.holder, form);
  }

  /** @param {Face[]} faces */
  faces(faces) {
    const [common, others] = sorted(faces);
    const all = group("face", "Which face is it?", common, undefined);
    all.classList.add("faces");
    const folded = make("details", {}, make("summary", {}, `Other faces (${others.length})`),
      make("div", { class: "choices" }, ...others.map((c) => option("face", c, false))));
    all.append(folded, make("p", { class: "soft" }, "Faces are scaled copies of each other: every millimetre hangs on the size."));
    return all;
  }

  /** @param {HTMLFormElement} form @param {string[]} needs @param {HTMLElement} said */
  async send(form, needs, said) {
    const data = new FormData(form);
    /** @type {Session} */
    const session = {};
    let face = null;
    for (const name of needs) {
      const other = String(data.get(`${name}-other`) ?? "").trim();
      const chosen = String(data.get(name) ?? "");
      const text = other || chosen;
      if (name === "face") face = text || null;
      else if (name === "hand" && text) session.hand = text;
      else if (text && decimal(text) !== null) session[name] = decimal(text);
    }
    const lacks = needs.includes("face") && !face;
    said.textContent = lacks ? "Choose the face: without it nothing can be measured." : "";
    if (!lacks) await this.given(face, session);
  }
}

/** A question with its answers. @param {string} name @param {string} words @param {Choice[]} choices @param {unknown} known
 * @param {string} [other] words of a field for any other answer */
function group(name, words, choices, known, other) {
  const field = other ? [make("input", { name: `${name}-other`, inputmode: "decimal", autocomplete: "off", placeholder: other, "aria-label": `${words} ${other}` })] : [];
  return make("fieldset", { class: `ask ask-${name}` }, make("legend", {}, words),
    make("div", { class: "choices" }, ...choices.map((c) => option(name, c, String(known ?? "") === c.value)), ...field));
}

/** @param {string} name @param {Choice} choice @param {boolean} checked */
function option(name, choice, checked) {
  return make("label", { class: "pick" }, make("input", { type: "radio", name, value: choice.value, checked }),
    make("span", { class: "choice" }, ...shown(choice)));
}

/** @param {Choice} choice @returns {(Node | string)[]} */
function shown({ label, code, picture }) {
  return [...(picture ? [picture] : []), label, ...(code ? [make("small", {}, code)] : [])];
}

/** The common faces, and the others. @param {Face[]} faces @returns {[Choice[], Choice[]]} */
function sorted(faces) {
  const choice = (/** @type {Face} */ f) => ({ value: f.name, label: `${Math.round(f.diameter_mm / 10)} cm`, code: f.name, picture: faceOf(f) });
  return [faces.filter((f) => COMMON.includes(f.name)).map(choice), faces.filter((f) => !COMMON.includes(f.name)).map(choice)];
}

/** A button for each face, the less common ones folded. @param {Face[]} faces @param {(name: string) => void} chosen */
export function faceButtons(faces, chosen) {
  const row = (/** @type {Choice[]} */ all) => make("div", { class: "choices" }, ...all.map((c) =>
    make("button", { type: "button", class: "face-button", click: () => chosen(c.value) }, ...shown(c))));
  const [common, others] = sorted(faces);
  return [row(common), make("details", {}, make("summary", {}, `Other faces (${others.length})`), row(others))];
}

/** @param {"fletched" | "bare"} kind @returns {Choice[]} */
function numbers(kind) {
  return NUMBERS.map((n) => ({ value: String(n), label: String(n), picture: shaft(kind) }));
}

/** A face, drawn. @param {Face} face */
function faceOf(face) {
  const spots = face.spots.length > 0 ? face.spots : [[0, 0]];
  const radius = Math.max(...face.zones.map((z) => z.diameter_mm)) / 2;
  const reach = Math.max(...spots.map(([x, y]) => Math.max(Math.abs(x), Math.abs(y)))) + radius;
  const rings = spots.flatMap(([x, y]) => [...face.zones].sort((a, b) => b.diameter_mm - a.diameter_mm)
    .map((z) => draw("circle", { cx: x, cy: -y, r: z.diameter_mm / 2, fill: PRINTED[z.colour] ?? "#fff", stroke: z.colour === "black" ? "#9a9a9a" : "#3a3a3a", "stroke-width": reach / 90 })));
  return draw("svg", { viewBox: `${-reach} ${-reach} ${2 * reach} ${2 * reach}`, class: "drawn", "aria-hidden": "true" }, ...rings);
}

/** An archer from behind the string: the hand that draws is the filled one. @returns {Choice[]} */
function hands() {
  const archer = (/** @type {1 | -1} */ side) => draw("svg", { viewBox: "-30 -26 60 52", class: "drawn", "aria-hidden": "true" },
    draw("path", { d: `M${-16 * side} -22 C${-28 * side} -10 ${-28 * side} 10 ${-16 * side} 22`, fill: "none", stroke: "currentColor", "stroke-width": 2.6 }),
    draw("path", { d: `M${-16 * side} -22 L${12 * side} 0 L${-16 * side} 22`, fill: "none", stroke: "currentColor", "stroke-width": 1 }),
    draw("path", { d: `M${-24 * side} 0 H${12 * side}`, fill: "none", stroke: "currentColor", "stroke-width": 1.4 }),
    draw("circle", { cx: 14 * side, cy: 0, r: 6.5, fill: "currentColor" }));
  return [{ value: "right", label: "right hand", picture: archer(1) }, { value: "left", label: "left hand", picture: archer(-1) }];
}

/** A shaft with or without vanes. @param {"fletched" | "bare"} kind */
function shaft(kind) {
  const parts = [draw("path", { d: "M-20 0H18", stroke: "currentColor", "stroke-width": 2, fill: "none" }), draw("path", { d: "M18 -3 24 0 18 3Z", fill: "currentColor" })];
  if (kind === "fletched") parts.push(draw("path", { d: "M-18 0 L-20 -6 H-10 L-6 0 L-10 6 H-20Z", fill: "currentColor" }));
  return draw("svg", { viewBox: "-24 -8 50 16", class: "drawn shaft", "aria-hidden": "true" }, ...parts);
}

/** @param {import("./core.js").Address} address */
function unmeasured(address) {
  const image = make("img", { class: "coming" });
  const there = (/** @type {string} */ at) => {
    image.classList.remove("coming");
    Object.assign(image, { src: at, alt: "The photo, not measured yet" });
  };
  Promise.resolve(address).then(there).catch(() => {});
  return image;
}
