// Numbers and states in words.

/** @typedef {import("./core.js").Entry} Entry */

/** @type {{[kind: string]: string}} */
export const KIND = { fletched: "fletched", bare: "bare", unknown: "not known" };

/** Millimetres without a sign; tenths only where they tell something. @param {number} v */
const mm = (v) => (Math.abs(v) < 10 ? Math.abs(v).toFixed(1) : Math.abs(v).toFixed(0));

/** Where an entry lies, seen from the middle of the face. @param {number} x @param {number} y */
export function place(x, y) {
  const across = Math.abs(x) < 0.05 ? "in the middle" : `${mm(x)} mm ${x < 0 ? "left" : "right"}`;
  const along = Math.abs(y) < 0.05 ? "level" : `${mm(y)} mm ${y < 0 ? "low" : "high"}`;
  return `${across}, ${along}`;
}

/** How sure an entry is. @param {Entry} entry @param {boolean} look */
export function certainty(entry, look) {
  if (entry.state === "confirmed") {
    if (entry.source === "added") return "added by you";
    if (entry.source === "moved") return "moved by you";
    return "checked";
  }
  const sure = entry.confidence === null ? "" : ` ${Math.round(100 * entry.confidence)} % sure`;
  return look ? `look again,${sure || " unsure"}` : `proposed,${sure || " unsure"}`;
}

/** A name for an entry. @param {Entry} entry */
export function name(entry) {
  return entry.arrow ? `Shaft ${entry.id}, arrow ${entry.arrow}` : `Shaft ${entry.id}`;
}

/** The arrow that the colours speak for, while nobody has said which it is and no other shaft has its mark.
 * @param {Entry} entry @param {Entry[]} entries */
export function suggestion(entry, entries) {
  const seen = entry.arrow_proposed;
  if (!seen || entry.arrow !== null || entries.some((e) => e.arrow === seen.arrow)) return null;
  const sure = `${Math.floor(100 * seen.p)} %`;
  return { arrow: seen.arrow, text: `arrow ${seen.arrow}? ${sure}`, words: `arrow ${seen.arrow}? ${sure} sure by its colours: take it for shaft ${entry.id}` };
}

/** What a list of edits wanted, in words. @param {import("./core.js").Edit[]} edits */
export function wanted(edits) {
  return edits.map((e) => {
    switch (e.do) {
      case "move": return `move shaft ${e.id}`;
      case "add": return `add a ${KIND[e.kind]} shaft`;
      case "remove": return `remove shaft ${e.id}`;
      case "tag": return `tag shaft ${e.id} as ${KIND[e.kind]}`;
      case "arrow": return e.arrow ? `call shaft ${e.id} arrow ${e.arrow}` : `take the number off shaft ${e.id}`;
      case "missed": return `note a missed ${KIND[e.kind]} shot`;
      case "not-missed": return "take a missed shot back";
      case "confirm": return `say that shaft ${e.id} is right`;
      case "accept": return "say that all is right";
      case "session": return "change what was told about this end";
      default: return e.do;
    }
  });
}

/** A percentage. @param {number | null} p */
export const percent = (p) => (p === null ? "–" : `${Math.round(100 * p)} %`);
