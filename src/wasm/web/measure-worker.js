// Measures photos, one at a time, beside everything else.

import init, { measure } from "./bossmark.js";

/** What the program may be asked about itself, once it is there. @type {import("./bossmark.js").InitOutput | null} */
let program = null;

self.addEventListener("message", async ({ data: { id, task, photo, module } }) => {
  try {
    program ??= await init({ module_or_path: module });
    const bytes = new Uint8Array(await photo.arrayBuffer());
    const progress = { ended: (/** @type {string} */ stage) => self.postMessage({ id, stage }) };
    const started = performance.now();
    const measured = measure(task, bytes, progress);
    self.postMessage({ id, measured, ms: performance.now() - started, memory: program.memory.buffer.byteLength }, { transfer: [measured.buffer] });
  } catch (error) {
    // a trap leaves the program unusable; a sentence is the program's own
    const broken = error instanceof WebAssembly.RuntimeError;
    self.postMessage({ id, broken, failed: broken ? "This photo could not be measured." : String(error) });
  }
});
