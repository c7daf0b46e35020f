// The page's handlers, and what they keep. One request after the other; its answer goes out once its changes are kept.

import init, { fingerprint, Page, putAway, putFile, takeChanges } from "./bossmark.js";
import { reduced } from "./reduce.js";
import { Storage } from "./storage.js";
import { unzipped, zipped } from "./zip.js";

/** @typedef {import("./storage.js").KeptFile} KeptFile */

const FOLDER = "bossmark";
const PHOTO = /\.(jpe?g|png)$/i;

/** The program, which the page has compiled meanwhile. @type {(module: WebAssembly.Module) => void} */
let programIsThere;
/** @type {Promise<WebAssembly.Module>} */
const program = new Promise((done) => { programIsThere = done; });
/** @type {Storage} */
let storage;
/** @type {Page} */
let page;
/** Whether another window has taken over. */
let taken = false;
/** What is being measured. @type {number | null} */
let measuring = null;

/** From here on this window alone answers; the one before ends. */
function alone() {
  return new Promise((/** @type {(value: void) => void} */ done) => {
    const hold = () => new Promise(() => done());
    navigator.locks.request("bossmark", { steal: true }, hold).catch(() => {
      taken = true;
      self.postMessage({ taken: true });
    });
  });
}

async function begin() {
  await alone();
  storage = await Storage.open(() => { taken = true; self.postMessage({ taken: true }); });
  await init({ module_or_path: await program });
  await openPage();
}

async function openPage() {
  /** @type {string[]} */
  const photos = [];
  /** @type {string[]} */
  const prints = [];
  for (const { path, bytes, sha256 } of await storage.all()) {
    if (bytes instanceof Blob) {
      putFile(path, undefined);
      photos.push(path);
      prints.push(sha256 ?? "");
    } else {
      putFile(path, bytes);
    }
  }
  const order = photos.map((_, i) => i).sort((a, b) => byNumber(photos[a], photos[b]));
  page?.free();
  page = new Page(FOLDER, order.map((i) => photos[i]), order.map((i) => prints[i]));
  await keep();
}

/** Photo 2 before photo 10. @param {string} a @param {string} b */
function byNumber(a, b) {
  return a.localeCompare(b, "en", { numeric: true });
}

/** Keeps what the last call has changed. */
async function keep() {
  /** @type {KeptFile[]} */
  const kept = [];
  /** @type {string[]} */
  const removed = [];
  for (const file of takeChanges()) {
    const { path, bytes } = file;
    file.free();
    if (!bytes) removed.push(path);
    else if (PHOTO.test(path)) kept.push({ path, bytes: new Blob([/** @type {BlobPart} */ (bytes)], { type: typeOf(path) }), sha256: fingerprint(bytes) });
    else kept.push({ path, bytes });
  }
  if (kept.length + removed.length > 0) await storage.change(kept, removed);
  for (const { path, bytes } of kept) if (bytes instanceof Blob) putAway(path);
}

/** @param {string} path */
const typeOf = (path) => (path.toLowerCase().endsWith(".png") ? "image/png" : "image/jpeg");

/** @param {Blob | string} body */
async function bytesOf(body) {
  return typeof body === "string" ? new TextEncoder().encode(body) : new Uint8Array(await body.arrayBuffer());
}

/** @param {{method: string, path: string, locale: string, body: Blob | string}} asked */
async function answered({ method, path, locale, body }) {
  const photos = page.photosFor(path);
  for (const photo of photos) {
    const file = await storage.file(photo);
    if (file?.bytes instanceof Blob) putFile(photo, await bytesOf(file.bytes));
  }
  const given = body instanceof Blob ? await reduced(body) : body;
  const answer = page.answer(method, path, locale, await bytesOf(given));
  for (const photo of photos) putAway(photo);
  const { status, kind, body: content } = answer;
  answer.free();
  await keep();
  return { status, kind, body: content };
}

/** Has the next photo measured. */
async function measureNext() {
  if (measuring !== null) return;
  const task = page.nextTask();
  if (!task) return;
  const { id, photo } = JSON.parse(task);
  measuring = id;
  const file = await storage.file(photo);
  if (file?.bytes instanceof Blob) self.postMessage({ measure: { id, task, photo: file.bytes } });
  else {
    measuring = null;
    page.giveUp(id, "The photo is gone from this device.");
  }
}

/** All files as one archive. */
async function exported() {
  const files = await storage.all();
  return zipped(files.map(({ path, bytes }) => ({ name: path, bytes: bytes instanceof Blob ? bytes : new Blob([/** @type {BlobPart} */ (bytes)]) })));
}

/** Takes over the files of an archive, all or none; nothing that is here is replaced by anything else. @param {Blob} archive */
async function imported(archive) {
  const here = new Map((await storage.all()).map((f) => [f.path, f.bytes]));
  /** @type {KeptFile[]} */
  const kept = [];
  const empty = [...here.keys()].every((path) => path === `${FOLDER}/session.json`);
  for (const { name, bytes } of await unzipped(archive)) {
    const path = `${FOLDER}/${name.split("/").pop()}`;
    if (!/(\.end\.json|\.end\.json\.steps|\.lens\.json|\.setup\.json|session\.json)$/.test(path) && !PHOTO.test(path)) continue;
    const there = here.get(path);
    if (there && !(empty && path.endsWith("/session.json"))) {
      const own = there instanceof Blob ? await bytesOf(there) : there;
      if (!same(own, bytes)) throw new Error(`${name} is here already, with another content: take what is here away first, then import. Nothing was changed.`);
      continue;
    }
    if (PHOTO.test(path)) kept.push({ path, bytes: new Blob([/** @type {BlobPart} */ (bytes)], { type: typeOf(path) }), sha256: fingerprint(bytes) });
    else kept.push({ path, bytes });
  }
  if (kept.length === 0) throw new Error("There is nothing new in this file.");
  await storage.change(kept);
  await openPage();
  return kept.length;
}

/** @param {Uint8Array} a @param {Uint8Array} b */
function same(a, b) {
  return a.length === b.length && a.every((byte, i) => byte === b[i]);
}

/** @param {any} message @returns {Promise<any>} */
async function done(message) {
  if (message.request) return answered(message.request);
  if (message.export) return exported();
  if (message.import) return imported(message.import);
  if (message.wipe) return storage.change([], [], true);
  throw new Error("not known");
}

/** @param {any} message */
async function serve(message) {
  if (taken) {
    self.postMessage({ taken: true });
    return;
  }
  try {
    if (message.stage) page.stageEnded(message.stage.id, message.stage.stage);
    else if (message.measured) {
      measuring = null;
      const { id, measured, failed } = message.measured;
      if (measured) page.keep(id, measured);
      else page.giveUp(id, failed);
      await keep();
    } else {
      const answer = await done(message);
      self.postMessage({ number: message.number, answer }, { transfer: answer?.body ? [answer.body.buffer] : [] });
    }
    await measureNext();
  } catch (error) {
    if (error instanceof WebAssembly.RuntimeError) self.postMessage({ ended: "The page’s program has stopped: reload to go on. Everything was kept." });
    else self.postMessage({ number: message.number, failed: error instanceof Error ? error.message : String(error) });
  }
}

/** One after the other. @type {Promise<void>} */
let before = begin().catch((error) => self.postMessage({ ended: error instanceof Error ? error.message : String(error) }));
self.addEventListener("message", ({ data }) => {
  if (data.program) programIsThere(data.program);
  else before = before.then(() => serve(data));
});
