// The page without a server: a worker of this browser answers, and keeps what came of it on this device.

import { documents, Refused, Unreachable } from "./core.js";
import { program } from "./module.js";
import { units } from "./units.js";

/** @typedef {{status: number, kind: string, body: Uint8Array}} Answer */

/** Pictures that were made last: their addresses hold until others come. */
const PICTURES = 40;
const OTHER_WINDOW = "This page was opened in another window since. Go on there, or reload to go on here.";

/** The worker must not be able to send anything either: made from a blob, it is held to this page's policy.
 * @param {string} file */
function started(file) {
  const address = new URL(file, import.meta.url).href;
  const code = new Blob([`import ${JSON.stringify(address)};`], { type: "text/javascript" });
  return new Worker(URL.createObjectURL(code), { type: "module" });
}

/** Asks the worker, and hands what is measured to a worker of its own. */
class Engine {
  constructor() {
    this.count = 0;
    /** @type {Map<number, {done: (answer: any) => void, failed: (error: Error) => void}>} */
    this.open = new Map();
    /** @type {string | null} */
    this.ended = null;
    /** @type {WebAssembly.Module | null} */
    this.program = null;
    this.worker = started("page-worker.js");
    program.then((module) => {
      this.program = module;
      this.worker.postMessage({ program: module });
    }).catch((error) => this.stopped(error.message));
    this.worker.addEventListener("message", ({ data }) => this.heard(data));
    this.worker.addEventListener("error", (event) => this.stopped(event.message || "The page’s worker could not be started."));
    /** @type {Worker | null} */
    this.measuring = null;
    /** What is being measured. @type {number | null} */
    this.id = null;
  }

  /** @param {any} data */
  heard(data) {
    if (data.measure) this.measure(data.measure);
    else if (data.ended) this.stopped(data.ended);
    else if (data.taken) this.stopped(OTHER_WINDOW);
    else {
      const asked = this.open.get(data.number);
      this.open.delete(data.number);
      if (data.failed) asked?.failed(new Error(data.failed));
      else asked?.done(data.answer);
    }
  }

  /** @param {string} why */
  stopped(why) {
    this.ended = why;
    for (const { failed } of this.open.values()) failed(new Unreachable(why));
    this.open.clear();
  }

  /** @param {object} message @returns {Promise<any>} */
  ask(message) {
    if (this.ended) return Promise.reject(new Unreachable(this.ended));
    this.count += 1;
    const number = this.count;
    return new Promise((done, failed) => {
      this.open.set(number, { done, failed });
      this.worker.postMessage({ ...message, number });
    });
  }

  /** @param {string} method @param {string} path @param {Blob | string} [body] @returns {Promise<Answer>} */
  request(method, path, body) {
    return this.ask({ request: { method, path, locale: `${units.lengths} ${units.dates}`, body: body ?? "" } });
  }

  /** @param {{id: number, task: string, photo: Blob}} what */
  measure(what) {
    this.measuring ??= this.startMeasuring();
    this.id = what.id;
    this.measuring.postMessage({ ...what, module: this.program });
  }

  startMeasuring() {
    const worker = started("measure-worker.js");
    worker.addEventListener("message", ({ data }) => {
      if (data.stage) {
        this.worker.postMessage({ stage: data });
        return;
      }
      this.id = null;
      this.worker.postMessage({ measured: data }, data.measured ? [data.measured.buffer] : []);
      // its memory doesn't shrink, and a phone needs it to show the photo
      this.drop();
    });
    worker.addEventListener("error", () => this.giveUp("This photo could not be measured: the browser gave up, perhaps for want of memory."));
    return worker;
  }

  drop() {
    this.measuring?.terminate();
    this.measuring = null;
  }

  /** @param {string} why */
  giveUp(why) {
    this.drop();
    if (this.id === null) return;
    this.worker.postMessage({ measured: { id: this.id, failed: why } });
    this.id = null;
  }
}

export const engine = new Engine();

/** @param {Answer} answer */
function documentOf(answer) {
  const document = JSON.parse(new TextDecoder().decode(answer.body));
  if (answer.status >= 400) {
    throw new Refused(answer.status, document.error?.code ?? "unknown", document.error?.text ?? "This could not be done.", document.end ?? null);
  }
  return document;
}

/** A document that isn't JSON. @param {string} path */
async function text(path) {
  const answer = await engine.request("GET", path);
  return answer.status >= 400 ? documentOf(answer) : new TextDecoder().decode(answer.body);
}

/** @type {Map<string, Promise<string>>} */
const pictures = new Map();

/** @param {string} path */
function picture(path) {
  const known = pictures.get(path);
  if (known) {
    pictures.delete(path);
    pictures.set(path, known);
    return known;
  }
  const address = engine.request("GET", path).then((answer) => {
    if (answer.status >= 400) throw new Error("There is no picture.");
    return URL.createObjectURL(new Blob([/** @type {BlobPart} */ (answer.body)], { type: answer.kind }));
  });
  address.catch(() => pictures.delete(path));
  pictures.set(path, address);
  for (const [oldest, made] of pictures) {
    if (pictures.size <= PICTURES) break;
    pictures.delete(oldest);
    made.then((a) => URL.revokeObjectURL(a)).catch(() => {});
  }
  return address;
}

/** @type {import("./core.js").Core} */
export const core = {
  ...documents(async (method, path, body) => documentOf(await engine.request(method, path, /** @type {Blob | string} */ (body)))),
  report: () => text("/api/report"),
  card: () => text("/api/card"),
  whole: (id) => picture(`/photo/${id}/whole`),
  part: (id, column, row) => picture(`/photo/${id}/${column}-${row}`),
};
