// The program, compiled for this browser: with vector instructions where it has them.

/** A module that adds two vectors: valid where there are vector instructions (WebAssembly SIMD, opcode 0xfd). */
const VECTORS = new Uint8Array([0, 97, 115, 109, 1, 0, 0, 0, 1, 5, 1, 96, 0, 1, 123, 3, 2, 1, 0, 10, 10, 1, 8, 0, 65, 0, 253, 15, 253, 98, 11]);

/** `?plain` in the page's address, from there a worker's name: the program without vector instructions, for comparison. */
export const plain = self.name === "plain" || new URL(self.location.href).searchParams.has("plain");

/** Whether this browser has vector instructions, and may use them. */
export const vectors = () => WebAssembly.validate(VECTORS) && !plain;

/** Where the program for this browser lies. */
export const address = () => new URL(vectors() ? "bossmark-simd.wasm" : "bossmark.wasm", import.meta.url);

/** Fetched and compiled. @returns {Promise<WebAssembly.Module>} */
export async function compiled() {
  const file = address();
  try {
    return await WebAssembly.compileStreaming(fetch(file));
  } catch {
    // a host that names the file's type wrongly
    return WebAssembly.compile(await (await fetch(file)).arrayBuffer());
  }
}
