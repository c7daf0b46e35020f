// Numbers and states in words.

import { length } from "./units.js";

/** @typedef {import("./core.js").Entry} Entry */

/** @type {{[kind: string]: string}} */
export const KIND = { fletched: "fletched", bare: "bare", unknown: "not known" };

/** Where an entry lies, seen from the middle of the face. @param {number} x @param {number} y */
export function place(x, y) {
  const across = Math.abs(x) < 0.05 ? "in the middle" : `${length(x)} ${x < 0 ? "left" : "right"}`;
  const along = Math.abs(y) < 0.05 ? "level" : `${length(y)} ${y < 0 ? "low" : "high"}`;
  return `${across}, ${along}`;
}

/** How sure an entry is. @param {Entry} entry @param {boolean} look */
export function certainty(entry, look) {
  if (entry.state === "confirmed") {
    if (entry.source === "added") return "added by you";
    if (entry.source === "moved") return "moved by you";
    return "checked";
  }
  const sure = entry.confidence === null ? "not sure" : `${percent(entry.confidence)} sure`;
  return look ? `look again, ${sure}` : `proposed, ${sure}`;
}

/** The name of an entry’s mark, the same in picture, table, report and terminal. @param {{id: number, kind: string}} entry */
export function markName(entry) {
  return `${{ fletched: "F", bare: "B" }[entry.kind] ?? "?"}${entry.id}`;
}

/** A name for an entry. @param {Entry} entry */
export function name(entry) {
  return entry.arrow ? `${markName(entry)}, arrow ${entry.arrow}` : markName(entry);
}

/** The arrow that the colours speak for, while nobody has said which it is and no other shaft has its mark.
 * @param {Entry} entry @param {Entry[]} entries */
export function suggestion(entry, entries) {
  const seen = entry.arrow_proposed;
  if (!seen || entry.arrow !== null || entries.some((e) => e.arrow === seen.arrow)) return null;
  const sure = `${Math.floor(100 * seen.p)} %`;
  return { arrow: seen.arrow, text: `arrow ${seen.arrow}? ${sure}`, words: `arrow ${seen.arrow}? ${sure} sure by its colours: take it for ${markName(entry)}` };
}

/** What a list of edits wanted, in words. @param {import("./core.js").Edit[]} edits @param {Entry[]} entries as they were seen */
export function wanted(edits, entries) {
  const of = (/** @type {number} */ id) => {
    const entry = entries.find((e) => e.id === id);
    return entry ? markName(entry) : `shaft ${id}`;
  };
  return edits.map((e) => {
    switch (e.do) {
      case "move": return `move ${of(e.id)}`;
      case "add": return `add a ${KIND[e.kind]} shaft`;
      case "remove": return `remove ${of(e.id)}`;
      case "tag": return `tag ${of(e.id)} as ${KIND[e.kind]}`;
      case "arrow": return e.arrow ? `call ${of(e.id)} arrow ${e.arrow}` : `take the number off ${of(e.id)}`;
      case "missed": return `note a missed ${KIND[e.kind]} shot`;
      case "not-missed": return "take a missed shot back";
      case "confirm": return `confirm ${of(e.id)}`;
      case "accept": return "confirm all shafts";
      case "session": return "change the facts of this end";
      default: return e.do;
    }
  });
}

/** A percentage; nothing is wholly certain. @param {number | null} p */
export function percent(p) {
  if (p === null) return "–";
  if (p > 0.99) return "over 99 %";
  return p < 0.01 ? "under 1 %" : `${Math.round(100 * p)} %`;
}
