// The page: which end is shown, and who does what.

import * as camera from "./camera.js";
import { core } from "./engine.js";
import { byId, fill, make, say } from "./dom.js";
import { OpenEnd, waiting } from "./end.js";
import { Essentials, faceButtons } from "./essentials.js";
import { drawFit } from "./fit.js";
import { Guide } from "./guide.js";
import { Keys } from "./keys.js";
import { Marks } from "./marks.js";
import { PhotoView } from "./photo.js";
import { Queue, needs, standing, title, unmeasured } from "./queue.js";
import { Meaning } from "./reading.js";
import { RingsByHand } from "./rings.js";
import { Selection } from "./selection.js";
import { SessionForm } from "./session.js";
import { Share } from "./share.js";
import { Table } from "./table.js";
import { unitsForm } from "./units.js";
import { KIND, markName, wanted } from "./words.js";

/** @typedef {import("./core.js").EndView} EndView */
/** @typedef {import("./core.js").Line} Line */

const end = new OpenEnd(core);
const photo = new PhotoView(core, byId("frame", HTMLDivElement), byId("picture", HTMLCanvasElement));
const marks = new Marks(end, photo);
const selection = new Selection(end, marks, photo);
const guide = new Guide(end, selection);
new Table(end, (id) => selection.remove(id));
new SessionForm(end);
const queue = new Queue(core);
const meaning = new Meaning(end, () => queue.ends);
new Share(core);
unitsForm(() => {
  if (!end.view) return;
  end.tell("changed");
  end.tell("others");
});
const essentials = new Essentials(async (face, session) => {
  await core.essentials(face, session);
  const { view } = end;
  const gaps = Object.fromEntries(Object.entries(session).filter(([name]) => view?.needs.includes(name)));
  essentials.hide();
  if (view && Object.keys(gaps).length > 0) await end.edit([{ do: "session", set: gaps }]);
  await queue.refresh();
});
new Keys([
  { keys: ["a"], shown: "A", words: "go on: next doubt, then accept this end", run: () => guide.forward() },
  { keys: ["n"], shown: "N", words: "next end", run: () => turn(1) },
  { keys: ["p"], shown: "P", words: "previous end", run: () => turn(-1) },
  { keys: ["f"], shown: "F", words: "the chosen shaft is fletched", run: () => tag("fletched") },
  { keys: ["b"], shown: "B", words: "it is bare", run: () => tag("bare") },
  { keys: ["u"], shown: "U", words: "its kind is not known", run: () => tag("unknown") },
  { keys: ["Delete", "Backspace"], shown: "Del", words: "remove it", run: () => end.entry && selection.remove(end.entry.id) },
  { keys: ["z"], shown: "Z", words: "undo; with Shift redo (also with Ctrl)", run: (event) => (event.shiftKey ? end.redo() : end.undo()) },
], () => selection.cancel() || unselect(), () => byHand.active);
const byHand = new RingsByHand(end, marks, photo, {
  use: (id, points) => measure(id, { points }),
  cancelled: (view) => {
    photo.rings = view.rings;
    showPhoto(view);
    byId("by-hand", HTMLButtonElement).focus({ preventScroll: true });
  },
});

/** @param {import("./core.js").Kind} kind */
function tag(kind) {
  if (end.entry) end.edit([{ do: "tag", id: end.entry.id, kind }]);
}

/** No shaft is chosen any more; false where none was. */
function unselect() {
  const was = end.selected !== null;
  end.select(null);
  return was;
}

/** After an edit the other ends are looked at once this time has gone, ms. */
const SETTLED = 400;
/** @type {number | undefined} */
let refreshing;
/** Saving that takes longer is told, ms. */
const SLOW = 200;
/** @type {number | undefined} */
let saving;

const saved = byId("saved", HTMLParagraphElement);
const banner = byId("banner", HTMLDivElement);
const instead = byId("instead", HTMLDivElement);

/** Words in the photo's place; none: the photo itself. @param {...(Node | string)} words */
function inPlace(...words) {
  instead.hidden = words.length === 0;
  photo.element.classList.toggle("without", words.length > 0);
  fill(instead, ...words);
}

/** Shows an end, or why it can't be shown yet. @param {number} id */
async function show(id) {
  queue.show(id);
  history.replaceState(null, "", `#end-${id}`);
  const view = await core.view(id);
  if (queue.shown !== id) return;
  if ("record" in view) {
    end.open(view);
  } else {
    end.close();
    photo.clear();
    sayWhy(view);
  }
  heading();
}

/** The page without a photo to look at. @param {Line} line */
function sayWhy(line) {
  const { faces = [], next } = queue.state ?? {};
  document.body.classList.toggle("asking", line.state === "which-face");
  if (line.state === "which-face") {
    const known = next?.session ?? {};
    const needs = ["hand", "distance_m", "fletched", "bare"].filter((n) => known[n] === undefined || known[n] === null);
    essentials.ask({ key: `face ${line.id}`, needs: ["face", ...needs], faces, known, picture: core.whole(line.id) });
    inPlace(make("p", {}, "A few questions first."));
    meaning.answer.clear("A few questions first", "→ Answer them, then the photo is measured");
    return;
  }
  essentials.hide();
  meaning.answer.clear(line.state === "trouble" ? "This end can’t be used" : "Measuring …", line.state === "trouble" ? line.text : "");
  if (line.state === "trouble") {
    inPlace(make("p", { class: "headline" }, "This end can’t be used"), make("p", {}, line.text));
  } else {
    inPlace(make("p", { class: "headline" }, line.state === "waiting" ? "Waiting for its turn" : "Measuring"),
      make("progress", { "aria-label": "Measuring" }), make("p", { role: "status" }, `${line.text} …`), make("p", { class: "soft" }, next?.face ? `Face: ${next.face}` : ""));
  }
}

/** What the photo can’t show and nobody has given. @param {EndView} view */
function askFacts(view) {
  document.body.classList.remove("asking");
  if (view.needs.length === 0 || view.state === "no-face") {
    essentials.hide();
    return;
  }
  essentials.ask({ key: `end ${view.id}`, needs: view.needs, faces: [], known: view.record.session });
}

/** @param {number} id @param {import("./core.js").How} how */
async function measure(id, how) {
  try {
    const line = await core.measure(id, how);
    end.close();
    photo.clear();
    sayWhy(line);
    await queue.refresh();
  } catch (error) {
    warn(error instanceof Error ? error.message : String(error));
  }
}

/** What the photo's place shows for an end with a record. @param {EndView} view */
function showPhoto(view) {
  if (view.state === "no-face") {
    photo.clear();
    const faces = queue.state?.faces ?? [];
    inPlace(make("p", { class: "headline" }, "No face found"), // nobody types flags here
      make("p", {}, (view.record.failure?.text ?? "").replaceAll("--face ", "")),
      make("p", {}, `Looked for ${view.record.face?.name ?? "a face"}. Another one?`),
      ...faceButtons(faces, (face) => measure(view.id, { face })),
      ...(view.photo ? [make("p", {}, "Or is it this one, hard to read?"), make("button", { type: "button", click: setRings }, "Set the rings by hand")] : []));
    return;
  }
  if (!view.photo) {
    photo.clear();
    inPlace(make("p", { class: "headline" }, "No photo"), make("p", {}, view.record.photo ? `${view.record.photo.file} is not beside this record. The table does the whole job.` : "This end was measured with a tape. The table does the whole job."));
    return;
  }
  inPlace();
  const group = view.record.entries.flatMap((e) => (e.px ? [e.px] : []));
  photo.show(view.id, view.photo, view.rings, group);
}

/** The rings by hand, over the photo. @param {MouseEvent} event */
async function setRings(event) {
  const { view } = end;
  if (!view?.photo) return;
  try {
    inPlace();
    photo.show(view.id, view.photo, view.rings);
    await byHand.start(view, event.detail === 0);
  } catch (error) {
    failed(error);
    showPhoto(view);
  }
}

photo.addEventListener("failed", () => {
  if (!end.view) return;
  byHand.stop();
  // nothing can be placed on it
  end.view.photo = null;
  end.tell("changed");
  inPlace(make("p", { class: "headline" }, "The photo can’t be shown"),
    make("p", {}, "The file of this name is gone, or is another photo than the record was made from. The table does the whole job."));
});

function heading() {
  const line = queue.ends.find((e) => e.id === queue.shown);
  const due = queue.ends.filter(needs).length;
  const measuring = queue.ends.filter(unmeasured).length;
  const all = queue.ends.length;
  const at = queue.ends.findIndex((e) => e.id === queue.shown);
  say(byId("title", HTMLHeadingElement), line ? title(line) : "bossmark");
  const face = end.view?.record.face;
  say(byId("subtitle", HTMLParagraphElement), line ? [line.end === null ? "" : line.name, face ? `face ${face.name}` : ""].filter(Boolean).join(" · ") : "");
  document.title = line ? `${title(line)}: ${standing(line).words}` : "bossmark";
  say(byId("progress", HTMLAnchorElement), all === 0 ? "No ends" : `${at + 1} of ${all}${due > 0 ? ` · ${due} to check` : measuring > 0 ? " · measuring" : " · all done"}`);
  guide.finished(all > 1 && due + measuring === 0 ? all === 2 ? "Both ends are confirmed." : `All ${all} ends are confirmed.` : "");
  // with one end there is nowhere to turn to
  for (const name of ["previous", "next"]) byId(name, HTMLButtonElement).hidden = all < 2;
  byId("previous", HTMLButtonElement).disabled = at <= 0;
  byId("next", HTMLButtonElement).disabled = at < 0 || at + 1 >= all;
}

/** @param {number} by */
function turn(by) {
  const at = queue.ends.findIndex((e) => e.id === queue.shown);
  const next = queue.ends[at + by];
  if (next) show(next.id).catch(failed);
}

/** Something that went wrong, until the next thing is done. @param {string} text */
function warn(text) {
  banner.hidden = false;
  fill(banner, make("p", {}, text), make("button", { type: "button", click: () => { banner.hidden = true; } }, "Close"));
}

/** @param {unknown} error */
function failed(error) {
  warn(error instanceof Error ? error.message : String(error));
}

byId("previous", HTMLButtonElement).addEventListener("click", () => turn(-1));
byId("next", HTMLButtonElement).addEventListener("click", () => turn(1));
byId("zoom-in", HTMLButtonElement).addEventListener("click", () => photo.larger());
byId("zoom-out", HTMLButtonElement).addEventListener("click", () => photo.smaller());
byId("zoom-face", HTMLButtonElement).addEventListener("click", () => photo.showFace());

end.addEventListener("opened", () => {
  document.body.classList.toggle("no-end", !end.view);
  if (end.view) showPhoto(end.view);
});
end.addEventListener("changed", () => {
  if (!end.view) return;
  if (end.view.photo && end.view.state !== "no-face" && !byHand.active) photo.rings = end.view.rings;
  if (end.view.trouble) warn(end.view.trouble);
  drawFit({ end, photo, marks, faces: queue.state?.faces ?? [], measure, setRings });
  askFacts(end.view);
  heading();
  // what the edit means comes first
  clearTimeout(refreshing);
  refreshing = window.setTimeout(() => queue.refresh().catch(() => {}), SETTLED);
});
end.addEventListener("saving", () => {
  const left = waiting();
  saved.classList.toggle("trouble", end.unreachable);
  clearTimeout(saving);
  if (end.working > 0 && !end.unreachable) saving = window.setTimeout(() => say(saved, "Saving …"), SLOW);
  else say(saved, end.unreachable ? `Not saved: the program doesn’t answer. ${left > 0 ? `${left} ${left === 1 ? "edit waits" : "edits wait"} here.` : ""}` : "Saved");
});
// an end that is confirmed leads to the next one that needs somebody
end.addEventListener("accepted", () => {
  const confirmed = byId("title", HTMLHeadingElement).textContent;
  queue.refresh().then(() => {
    const at = queue.ends.findIndex((e) => e.id === queue.shown);
    const order = [...queue.ends.slice(at + 1), ...queue.ends.slice(0, Math.max(at, 0))];
    const next = order.find(needs);
    if (next) return show(next.id).then(() => say(saved, `${confirmed} confirmed`));
    say(saved, "Confirmed");
    byId("answer", HTMLElement).scrollIntoView({ block: "nearest" });
    return undefined;
  }).catch(failed);
});
end.addEventListener("refused", (event) => warn(/** @type {CustomEvent} */ (event).detail));
end.addEventListener("say", (event) => {
  saved.textContent = /** @type {CustomEvent} */ (event).detail;
});
end.addEventListener("queue", () => queue.refresh().catch(() => {}));
end.addEventListener("conflict", (event) => conflict(/** @type {CustomEvent} */ (event).detail));

/** Somebody else was faster: both are shown, and the person chooses. After measuring again a number may name another shaft, so that
 * the step must be made anew.
 * @param {{edits: import("./core.js").Edit[], now: EndView, seen: EndView, again: boolean}} both */
function conflict({ edits, now, seen, again }) {
  const dialog = byId("conflict", HTMLDialogElement);
  const theirs = differences(seen, now);
  const keep = () => {
    dialog.close();
    end.open(now);
  };
  const mine = () => {
    dialog.close();
    end.open(now);
    end.edit(edits);
  };
  fill(dialog, make("h2", { id: "conflict-heading" }, "Changed elsewhere in the meantime"),
    make("p", {}, again
      ? "The photo has been measured again since you saw this end. Your last step has not been made: look at the shafts, and make it anew."
      : "Another window or person has changed this end since you saw it. Your last step has not been made."),
    make("div", { class: "two" },
      make("div", {}, make("h3", {}, again ? "What is new" : "What they did"), make("ul", {}, ...theirs.map((t) => make("li", {}, t)))),
      make("div", {}, make("h3", {}, "What you wanted"), make("ul", {}, ...(edits.length > 0 ? wanted(edits, seen.record.entries) : ["take a step back or forth"]).map((t) => make("li", {}, t))))),
    make("div", { class: "form-end" },
      make("button", { type: "button", class: "strong", click: keep }, again ? "Look at it" : "Keep theirs"),
      ...(edits.length > 0 && !again ? [make("button", { type: "button", click: mine }, "Make my step on top")] : [])));
  dialog.addEventListener("cancel", keep, { once: true });
  if (!dialog.open) dialog.showModal();
}

/** What differs between two views of an end, in words. @param {EndView} before @param {EndView} after */
function differences(before, after) {
  const said = [];
  const was = new Map(before.record.entries.map((e) => [e.id, e]));
  for (const e of after.record.entries) {
    const old = was.get(e.id);
    was.delete(e.id);
    if (!old) said.push(`added ${markName(e)}`);
    else if (old.kind !== e.kind) said.push(`tagged ${markName(old)} as ${KIND[e.kind]}`);
    else if (Math.hypot(old.x_mm - e.x_mm, old.y_mm - e.y_mm) > 0.01) said.push(`moved ${markName(e)}`);
    else if (old.arrow !== e.arrow) said.push(`numbered ${markName(e)}`);
    else if (old.state !== e.state) said.push(`confirmed ${markName(e)}`);
  }
  for (const gone of was.values()) said.push(`removed ${markName(gone)}`);
  if (before.record.missed.length !== after.record.missed.length) said.push("changed the missed shots");
  if (!same(before.record.session, after.record.session)) said.push("changed the facts of the end");
  return said.length > 0 ? said : ["saved it anew without a change that shows here"];
}

/** Whether two values are the same, whatever the order of their fields. @param {any} a @param {any} b @returns {boolean} */
function same(a, b) {
  if (typeof a !== "object" || typeof b !== "object" || a === null || b === null) return a === b;
  const names = new Set([...Object.keys(a), ...Object.keys(b)]);
  return [...names].every((n) => same(a[n], b[n]));
}

queue.addEventListener("wanted", (event) => {
  show(/** @type {CustomEvent} */ (event).detail).catch(failed);
  byId("stage", HTMLElement).scrollIntoView({ block: "nearest" });
});

/** States of the ends at the last look: a finished one is shown, and changes what the others say. */
let before = new Map();
queue.addEventListener("refreshed", () => {
  const now = new Map(queue.ends.map((e) => [e.id, `${e.state} ${e.revision}`]));
  const line = queue.ends.find((e) => e.id === queue.shown);
  if (line && !end.view) {
    if (["open", "confirmed", "no-face"].includes(line.state)) show(line.id).catch(failed);
    else if (before.get(line.id) !== now.get(line.id) || line.state === "measuring") sayWhy(line);
  } else if (line && end.view && end.working === 0 && line.revision > end.view.record.revision) {
    // changed in another window: show what is there now
    core.view(line.id).then((view) => {
      if ("record" in view && end.view && end.working === 0 && end.view.id === view.id && view.record.revision > end.view.record.revision) {
        end.take(view, end.view, {});
      }
    }).catch(() => {});
  }
  const others = [...now].some(([id, state]) => id !== queue.shown && before.size > 0 && before.get(id) !== state);
  if (others) meaning.elsewhere();
  if (others && end.view) end.tell("others");
  before = now;
  heading();
});

window.addEventListener("hashchange", () => {
  const id = Number(location.hash.match(/^#end-(\d+)$/)?.[1]);
  if (id && id !== queue.shown) show(id).catch(failed);
});

/** What sticks to the edges must not cover what has the focus: scrolling stops before it. */
function keepClear() {
  const top = /** @type {HTMLElement} */ (document.querySelector(".top"));
  const work = byId("work", HTMLElement);
  const wide = matchMedia("(min-width: 62rem)");
  const low = matchMedia("(max-height: 30rem)");
  const set = () => {
    const { style } = document.documentElement;
    const bar = low.matches ? 0 : top.offsetHeight;
    style.setProperty("--bar", `${bar}px`);
    const sticky = low.matches ? 0 : work.offsetHeight;
    style.setProperty("--work", `${sticky}px`);
    style.scrollPaddingTop = `${bar + (wide.matches ? sticky : 0) + 8}px`;
    style.scrollPaddingBottom = `${wide.matches ? 8 : sticky + 8}px`;
  };
  const watch = new ResizeObserver(set);
  watch.observe(top);
  watch.observe(work);
  wide.addEventListener("change", set);
  low.addEventListener("change", set);
}

/** On a phone the panel of a chosen shaft lies over the photo. */
photo.covered = () => {
  const work = byId("work", HTMLElement);
  if (getComputedStyle(work).position !== "fixed") return 0;
  return Math.max(0, photo.element.getBoundingClientRect().bottom - work.getBoundingClientRect().top);
};

async function begin() {
  keepClear();
  await queue.refresh();
  const asked = Number(location.hash.match(/^#end-(\d+)$/)?.[1]);
  const first = queue.ends.find((e) => e.id === asked) ?? queue.ends.find(needs) ?? queue.ends[0];
  if (first) {
    await show(first.id);
  } else {
    inPlace(make("p", { class: "headline" }, "No photos here yet"),
      make("p", {}, "Shoot bare and fletched shafts in turn at one point, step to the side, and take the whole face with the phone upright."),
      make("a", { class: "button main-action", href: "#queue" }, "Take or choose photos"));
    heading();
  }
}

begin().catch(failed);
// for those who look at how the marks and the photo lie over each other
Object.assign(window, { bossmark: { end, photo, marks, selection, byHand, queue, camera } });
