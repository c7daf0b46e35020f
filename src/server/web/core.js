// What the page asks of the program: measure a photo, apply edits, read, advise; and keep what came of it. `server` asks the
// server that this page came from. Where there is none, `local.js` asks the same of a worker of the browser. `engine.js` says which.

import { units } from "./units.js";

/**
 * @typedef {"fletched" | "bare" | "unknown"} Kind
 * @typedef {{id: number, x_mm: number, y_mm: number, px: [number, number] | null, kind: Kind, kind_probability: number | null,
 *   confidence: number | null, arrow: string | null, arrow_proposed?: {arrow: string, p: number}, state: "proposed" | "confirmed",
 *   source: "found" | "moved" | "added" | "tape", spot: number | null,
 *   segment_px: [[number, number], [number, number]] | null}} Entry
 * @typedef {{[name: string]: any}} Session
 * @typedef {{code: string, text: string}} Note
 * @typedef {{revision: number, entries: Entry[], missed: {kind: Kind, note: string | null}[], session: Session, notes: Note[],
 *   face: {name: string, diameter_mm: number, spot_centres_mm?: [number, number][]} | null, camera: any | null,
 *   photo: {file: string, sha256: string, width_px: number, height_px: number} | null,
 *   failure?: Note}} EndRecord
 * @typedef {{width: number, height: number, reduced: number, part: number}} PhotoShape
 * @typedef {{radius_mm: number, spot: number, px: [number, number][]}} Ring
 * @typedef {{words: string, difference: string | null, fletched_short: number, bare_short: number}} Count
 * @typedef {{id: number, name: string, state: string, record: EndRecord, look: number[], rings: Ring[],
 *   photo: PhotoShape | null, undo: number, redo: number, trouble: string | null, standing: string,
 *   count: Count | null, needs: string[], fingerprint: string | null}} EndView
 * @typedef {{id: number, name: string, state: string, text: string, end: number | null, entries: number, look: number,
 *   proposed: number, revision: number, count: Count | null, standing: string}} Line
 * @typedef {{name: string, title: string, diameter_mm: number, zones: {diameter_mm: number, colour: string}[],
 *   spots: [number, number][]}} Face
 * @typedef {{folder: string, session_file: string, ends: Line[], faces: Face[],
 *   next: {face: string | null, session: Session}}} Queue
 * @typedef {{id: number, sentence: string, answer: string, reading: any | null, cautions: Note[], files: string[],
 *   plot: string}} ReadingView
 * @typedef {{headline: string, short: string, facts: [string, string][], cautions: Note[]}} StepWords
 * @typedef {{id: number, advice: any | null, next: StepWords | null, also: StepWords[], others: StepWords[],
 *   cautions: Note[], failure: string | null, newest: boolean, made: Session | null, noted: string | null}} AdviceView
 * @typedef {{do: string, [name: string]: any}} Edit
 * @typedef {{at: string, mm: [number, number]}} KnownPlace
 * @typedef {{at: string, px: [number, number], sd_px?: number}} MarkedPoint
 * @typedef {{rings: Ring[], camera: any, notes: Note[]}} HandRings
 * @typedef {{face?: string, near?: [number, number], vertical?: [[number, number], [number, number]],
 *   points?: MarkedPoint[]}} How
 */

/** An address, at once or once there is something at it. @typedef {string | Promise<string>} Address */
/** Asks for a document. @typedef {(method: string, path: string, body?: BodyInit, kind?: string) => Promise<any>} Ask */

/** Why something could not be done; `end` is the record as it is now where somebody else has changed it. */
export class Refused extends Error {
  /** @param {number} status @param {string} code @param {string} text @param {EndView | null} end */
  constructor(status, code, text, end) {
    super(text);
    this.status = status;
    this.code = code;
    this.end = end;
  }
}

/** The program doesn't answer. */
export class Unreachable extends Error {}

/**
 * @typedef {object} Core
 * @property {() => Promise<Queue>} queue The ends, and what new photos are told.
 * @property {(id: number) => Promise<EndView | Line>} view An end as it is now; a line of the queue while it has no record.
 * @property {(id: number, how: How) => Promise<Line>} measure Measures a photo, for the first time or anew.
 * @property {(id: number) => Promise<{places: KnownPlace[], reach_mm: number}>} places Places on the face that are easy to mark.
 * @property {(id: number, points: MarkedPoint[]) => Promise<HandRings>} rings The rings through points marked by hand.
 * @property {(id: number, revision: number, edits: Edit[], record?: string | null) => Promise<EndView>} apply Applies edits made on that
 *   revision, and on the record of that fingerprint: one that was measured again since has the same revision.
 * @property {(id: number, revision: number) => Promise<EndView>} undo Takes the last edit back.
 * @property {(id: number, revision: number) => Promise<EndView>} redo Makes it again.
 * @property {(id: number) => Promise<ReadingView>} read What the end's run says.
 * @property {(id: number) => Promise<AdviceView>} advise What to do next.
 * @property {(id: number, setup?: Session, words?: string) => Promise<{setup: Session, words: string}>} made The advised step was made,
 *   or a change to these settings.
 * @property {(id: number) => Promise<void>} takeBack Takes back the change that is noted after the last photo.
 * @property {(face: string | null, session: Session) => Promise<void>} remember What photos that follow are told.
 * @property {(face: string | null, session: Session) => Promise<void>} essentials The same, also for ends that lack it.
 * @property {() => Promise<string>} report The report on the ends, one HTML file.
 * @property {() => Promise<string>} card The bow's log card, as text.
 * @property {(id: number) => Promise<{places: {px: [number, number], p: number}[]}>} likely Where shafts may enter.
 * @property {(photo: Blob) => Promise<{id: number, known?: boolean}>} add A new photo.
 * @property {(id: number) => Address} whole Address of the reduced picture.
 * @property {(id: number, column: number, row: number) => Address} part Address of a part at full resolution.
 */

/**
 * @param {string} method
 * @param {string} path
 * @param {BodyInit} [body]
 * @param {string} [kind]
 * @returns {Promise<any>}
 */
async function ask(method, path, body, kind) {
  let response;
  try {
    response = await fetch(path, {
      method, body,
      headers: { "Bossmark-Locale": `${units.lengths} ${units.dates}`, ...(kind ? { "Content-Type": kind } : {}) },
    });
  } catch {
    throw new Unreachable("The program doesn’t answer. Is it still running?");
  }
  if (response.status === 401) {
    // the session cookie is no longer valid, since the program was started anew: back to the sign-in page
    location.reload();
  }
  let document = null;
  try {
    document = await response.json();
  } catch {
    throw new Unreachable("The program’s answer broke off.");
  }
  if (!response.ok) {
    const error = document.error ?? { code: "unknown", text: "This could not be done." };
    throw new Refused(response.status, error.code, error.text, document.end ?? null);
  }
  return document;
}

/** What is asked for as documents, of the server or of a worker. @param {Ask} ask */
export function documents(ask) {
  const post = (/** @type {string} */ path, /** @type {unknown} */ document) => ask("POST", path, JSON.stringify(document), "application/json");
  const get = (/** @type {string} */ path) => ask("GET", path);
  /** @type {Omit<Core, "report" | "card" | "whole" | "part">} */
  const asked = {
    queue: () => get("/api/queue"),
    view: (id) => get(`/api/ends/${id}/view`),
    measure: (id, how) => post(`/api/ends/${id}/measure`, how),
    places: (id) => get(`/api/ends/${id}/places`),
    rings: (id, points) => post(`/api/ends/${id}/rings`, { points }),
    apply: (id, revision, edits, record) => post(`/api/ends/${id}/edits`, { schema: "bossmark/edits/1", revision, record, edits }),
    undo: (id, revision) => post(`/api/ends/${id}/undo`, { revision }),
    redo: (id, revision) => post(`/api/ends/${id}/redo`, { revision }),
    read: (id) => get(`/api/ends/${id}/reading`),
    advise: (id) => get(`/api/ends/${id}/advice`),
    made: (id, setup, words) => post(`/api/ends/${id}/made`, { setup, words }),
    takeBack: (id) => post(`/api/ends/${id}/made`, { take_back: true }),
    remember: (face, session) => post("/api/remember", { face, session }),
    essentials: (face, session) => post("/api/essentials", { face, session }),
    likely: (id) => get(`/api/ends/${id}/likely`),
    add: (photo) => ask("POST", "/api/photos", photo, photo.type === "image/png" ? "image/png" : "image/jpeg"),
  };
  return asked;
}

/** A document that isn't JSON. @param {string} path @param {string} failed what to say where there is none */
async function text(path, failed) {
  const answer = await fetch(path, { headers: { "Bossmark-Locale": `${units.lengths} ${units.dates}` } });
  if (!answer.ok) throw new Refused(answer.status, "document", failed, null);
  return answer.text();
}

/** @type {Core} */
export const server = {
  ...documents(ask),
  report: () => text("/api/report", "The report could not be made."),
  card: () => text("/api/card", "There is no log card yet: no end is measured."),
  whole: (id) => `/photo/${id}/whole`,
  part: (id, column, row) => `/photo/${id}/${column}-${row}`,
};
