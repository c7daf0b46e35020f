// What the page offers on a phone by itself: kept here, taken away as one file, brought back, practice photos, and that nothing is sent.

import { byId, fill, make } from "./dom.js";
import { core, engine } from "./local.js";
import { address, program, vectors } from "./module.js";

const PRACTICE = /** @type {string[]} */ (JSON.parse(`@PRACTICE@`));
const said = make("p", { role: "status", class: "soft" });

/** Does something and says how it ended. @param {() => Promise<string>} work */
async function attempt(work) {
  said.textContent = "One moment …";
  try {
    said.textContent = await work();
  } catch (error) {
    said.textContent = error instanceof Error ? error.message : String(error);
  }
}

/** All ends and photos as one file. */
async function exported() {
  const archive = await engine.ask({ export: true });
  const file = new File([archive], "bossmark.zip", { type: "application/zip" });
  const address = URL.createObjectURL(file);
  make("a", { href: address, download: file.name }).click();
  setTimeout(() => URL.revokeObjectURL(address), 60_000);
  return "Saved as a file.";
}

/** @param {HTMLInputElement} input */
async function imported(input) {
  const [file] = input.files ?? [];
  input.value = "";
  if (!file) return "";
  await engine.ask({ import: file });
  location.reload();
  return "";
}

async function wiped() {
  await engine.ask({ wipe: true });
  location.hash = "";
  location.reload();
  return "";
}

async function practised() {
  for (const name of PRACTICE) {
    const answer = await fetch(new URL(name, import.meta.url));
    if (!answer.ok) throw new Error("The practice photos are not at hand.");
    await core.add(await answer.blob());
  }
  await core.remember("wa-80", { hand: "right", distance_m: 30 });
  location.reload();
  return "";
}

/** Asks for storage that the browser doesn't clear by itself. */
export async function askForRoom() {
  try {
    if (!(await navigator.storage.persisted())) await navigator.storage.persist();
  } catch {
    // a browser without it
  }
}

function draw() {
  const choose = make("input", { type: "file", id: "import", accept: ".zip,application/zip", change: () => attempt(() => imported(choose)) });
  const sure = make("dialog", { "aria-label": "Remove everything" },
    make("p", {}, "All ends and photos go from this page. What was exported stays where it is."),
    make("div", { class: "form-end" },
      make("button", { type: "button", click: () => sure.close() }, "Keep them"),
      make("button", { type: "button", id: "wipe-now", class: "strong", click: () => { sure.close(); attempt(wiped); } }, "Remove")));
  const place = make("section", { id: "device", "aria-labelledby": "device-heading" },
    make("h2", { id: "device-heading" }, "On this device"),
    make("p", {}, "Photos and ends stay on this device. Nothing is ever sent; the page can’t send anything."),
    make("div", { class: "uploads" },
      make("button", { type: "button", id: "export", click: () => attempt(exported) }, "Export all as one file"),
      make("span", {}, choose, make("label", { class: "button", for: "import" }, "Import")),
      make("button", { type: "button", id: "practice", click: () => attempt(practised) }, "Practice photos"),
      make("button", { type: "button", id: "wipe", click: () => sure.showModal() }, "Remove all")),
    said, sure);
  byId("queue", HTMLElement).after(place);
}

/** Says why the program has stopped, and stops measuring where it takes too long. */
function watch() {
  const stop = make("button", { type: "button", id: "stop-measuring", hidden: true, click: () => engine.giveUp("Measuring was stopped. Reload the page to measure it again, or take another photo.") }, "Stop measuring");
  byId("instead", HTMLElement).after(stop);
  const banner = byId("banner", HTMLDivElement);
  setInterval(() => {
    stop.hidden = engine.id === null;
    if (!engine.ended) return;
    banner.hidden = false;
    if (banner.textContent !== engine.ended) banner.textContent = engine.ended;
  }, 500);
}

/** Keeps the page itself on this device. */
async function keepPage() {
  if (!("serviceWorker" in navigator)) return;
  await navigator.serviceWorker.register(new URL("service-worker.js", import.meta.url));
  await navigator.serviceWorker.ready;
  // what is kept at once holds the program for browsers with vector instructions
  if (vectors()) return;
  for (const name of (await caches.keys()).filter((n) => n.startsWith("bossmark-"))) {
    const kept = await caches.open(name);
    if (!(await kept.match(address()))) await kept.add(address());
  }
}

draw();
watch();
// only then: until the program has come the page needs the network itself
program.then(keepPage).catch(() => {});
byId("new-photos", HTMLElement).addEventListener("change", () => { askForRoom(); });
