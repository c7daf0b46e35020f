// Unit of lengths and order of dates, as the reader has chosen them on this device.

import { byId, fill, make } from "./dom.js";

/** @typedef {{lengths: "mm" | "in", dates: "ymd" | "dmy" | "mdy"}} Units */

/** Where the choice is kept. */
const KEPT = "bossmark-units";
const MM_PER_INCH = 25.4;

/** @returns {Units} */
function stored() {
  try {
    const { lengths, dates } = JSON.parse(localStorage.getItem(KEPT) ?? "{}");
    return { lengths: lengths === "in" ? "in" : "mm", dates: ["dmy", "mdy"].includes(dates) ? dates : "ymd" };
  } catch {
    return { lengths: "mm", dates: "ymd" };
  }
}

/** @type {Units} */
export const units = stored();

/** @param {Partial<Units>} change */
export function choose(change) {
  Object.assign(units, change);
  try {
    localStorage.setItem(KEPT, JSON.stringify(units));
  } catch {
    // a browser that keeps nothing: the choice holds until the page is closed
  }
}

/** A length without its sign, with its unit; decimals only where they say something. @param {number} mm */
export function length(mm) {
  const size = Math.abs(mm);
  if (units.lengths === "in") return `${(size / MM_PER_INCH).toFixed(size < MM_PER_INCH ? 2 : 1)} in`;
  return `${size.toFixed(size < 10 ? 1 : 0)} mm`;
}

/** A length of a table, in the chosen unit. @param {number} mm */
export function inTable(mm) {
  return units.lengths === "in" ? (mm / MM_PER_INCH).toFixed(2) : mm.toFixed(1);
}

/** Millimetres of a length in the chosen unit. @param {number} value */
export function toMm(value) {
  return units.lengths === "in" ? value * MM_PER_INCH : value;
}

/** The chosen unit, as a sign and in a sentence. */
export const unit = () => (units.lengths === "in" ? { sign: "in", words: "inches" } : { sign: "mm", words: "millimetres" });

/** Asks for both. @param {() => void} changed */
export function unitsForm(changed) {
  const choice = (/** @type {"lengths" | "dates"} */ name, /** @type {string} */ words, /** @type {[string, string][]} */ all) => {
    const id = `units-${name}`;
    const select = make("select", { id, change: () => {
      choose({ [name]: select.value });
      changed();
    } }, ...all.map(([value, text]) => make("option", { value }, text)));
    select.value = units[name];
    return make("div", {}, make("label", { for: id }, words), select);
  };
  fill(byId("units", HTMLFormElement), choice("lengths", "Lengths", [["mm", "millimetres"], ["in", "inches"]]),
    choice("dates", "Dates", [["ymd", "2026-05-03"], ["dmy", "3 May 2026"], ["mdy", "May 3, 2026"]]));
}
