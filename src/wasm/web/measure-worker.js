// Measures a photo, beside everything else.

import init, { measure } from "./bossmark.js";

self.addEventListener("message", async ({ data: { id, task, photo, module } }) => {
  try {
    const program = await init({ module_or_path: module });
    const bytes = new Uint8Array(await photo.arrayBuffer());
    const progress = { ended: (/** @type {string} */ stage) => self.postMessage({ id, stage }) };
    const started = performance.now();
    const measured = measure(task, bytes, progress);
    self.postMessage({ id, measured, ms: performance.now() - started, memory: program.memory.buffer.byteLength }, { transfer: [measured.buffer] });
  } catch (error) {
    // a sentence is the program's own
    self.postMessage({ id, failed: error instanceof WebAssembly.RuntimeError ? "This photo could not be measured." : String(error) });
  }
});
