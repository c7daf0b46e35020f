// The program, compiled for this browser: with vector instructions where it has them.

/** A module that adds two vectors: valid where there are vector instructions (WebAssembly SIMD, opcode 0xfd). */
const VECTORS = new Uint8Array([0, 97, 115, 109, 1, 0, 0, 0, 1, 5, 1, 96, 0, 1, 123, 3, 2, 1, 0, 10, 10, 1, 8, 0, 65, 0, 253, 15, 253, 98, 11]);
/** How a compressed file begins (RFC 1952, 2.3.1). */
const GZIP = [0x1f, 0x8b];

/** `?plain` in the page's address: the program without vector instructions, for comparison. */
const plain = new URL(location.href).searchParams.has("plain");

/** Whether this browser has vector instructions, and may use them. */
export const vectors = () => WebAssembly.validate(VECTORS) && !plain;

/** Where the program for this browser lies. What has vector instructions can unpack, too: that one is compressed, whatever the host does. */
export const address = () => new URL(vectors() ? "bossmark-simd.wasm.gz" : "bossmark.wasm", import.meta.url);

/** A program as its host sent it, fetched and compiled. @param {URL | string} [file] @returns {Promise<WebAssembly.Module>} */
export async function compiled(file = address()) {
  const answer = await fetch(file);
  if (!answer.ok) throw new Error("The page’s program is not at hand: reload with a network.");
  const reader = /** @type {ReadableStream<Uint8Array>} */ (answer.body).getReader();
  const first = await reader.read();
  // some hosts name the file's type wrongly, some unpack it themselves: its first bytes say what it is
  const packed = GZIP.every((byte, i) => first.value?.[i] === byte);
  /** @type {ReadableStreamReadResult<Uint8Array> | null} */
  let next = first;
  const sent = new ReadableStream({
    async pull(stream) {
      const { done, value } = next ?? (await reader.read());
      next = null;
      if (done) stream.close();
      else stream.enqueue(value);
    },
  });
  const program = packed ? sent.pipeThrough(new DecompressionStream("gzip")) : sent;
  return WebAssembly.compileStreaming(new Response(program, { headers: { "Content-Type": "application/wasm" } }));
}

/** The program for this browser: asked for at once, so that it comes while the page is built. */
export const program = compiled();
