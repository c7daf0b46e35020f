// Archives: ZIP files (PKWARE's APPNOTE 6.3, sections 4.3.7, 4.3.12 and 4.3.16), written without compression, since photos are
// compressed already, and read with and without.

/** @typedef {{name: string, bytes: Blob}} Part */

const LOCAL = 0x04034b50;
const CENTRAL = 0x02014b50;
const END = 0x06054b50;
/** The name is UTF-8. */
const UTF8 = 0x0800;
const VERSION = 20;
/** 1 January 1980: an archive of the same files has the same bytes. */
const NO_DATE = 0x21;
const END_BYTES = 22;
const MAX_COMMENT = 0xffff;
/** Most bytes of one file after unpacking: a photo of 48 megapixels has some 25 MB. */
const MOST = 100 << 20;

const TABLE = Uint32Array.from({ length: 256 }, (_, n) => {
  let c = n;
  for (let bit = 0; bit < 8; bit += 1) c = c & 1 ? 0xedb88320 ^ (c >>> 1) : c >>> 1;
  return c >>> 0;
});

/** CRC-32 of ISO 3309. @param {Uint8Array} bytes */
export function crc32(bytes) {
  let c = 0xffffffff;
  for (const byte of bytes) c = TABLE[(c ^ byte) & 0xff] ^ (c >>> 8);
  return (c ^ 0xffffffff) >>> 0;
}

/** Numbers of two or four bytes, one after the other, little endian. @param {[number, 2 | 4][]} fields */
function packed(fields) {
  const bytes = new Uint8Array(fields.reduce((sum, [, size]) => sum + size, 0));
  const view = new DataView(bytes.buffer);
  let at = 0;
  for (const [value, size] of fields) {
    if (size === 2) view.setUint16(at, value, true);
    else view.setUint32(at, value, true);
    at += size;
  }
  return bytes;
}

/** An archive of these files. @param {Part[]} parts @returns {Promise<Blob>} */
export async function zipped(parts) {
  /** @type {BlobPart[]} */
  const out = [];
  /** @type {BlobPart[]} */
  const directory = [];
  let [offset, size] = [0, 0];
  for (const { name, bytes } of parts) {
    const text = new TextEncoder().encode(name);
    const crc = crc32(new Uint8Array(await bytes.arrayBuffer()));
    /** @type {[number, 2 | 4][]} */
    const common = [[VERSION, 2], [UTF8, 2], [0, 2], [0, 2], [NO_DATE, 2], [crc, 4], [bytes.size, 4], [bytes.size, 4], [text.length, 2], [0, 2]];
    const local = packed([[LOCAL, 4], ...common]);
    const central = packed([[CENTRAL, 4], [VERSION, 2], ...common, [0, 2], [0, 2], [0, 2], [0, 4], [offset, 4]]);
    out.push(local, text, bytes);
    directory.push(central, text);
    offset += local.length + text.length + bytes.size;
    size += central.length + text.length;
  }
  const end = packed([[END, 4], [0, 2], [0, 2], [parts.length, 2], [parts.length, 2], [size, 4], [offset, 4], [0, 2]]);
  return new Blob([...out, ...directory, end], { type: "application/zip" });
}

/** The files of an archive. @param {Blob} archive @returns {Promise<{name: string, bytes: Uint8Array}[]>} */
export async function unzipped(archive) {
  const broken = () => new Error("This is no ZIP file, or it is cut short.");
  const tailAt = Math.max(0, archive.size - END_BYTES - MAX_COMMENT);
  const tail = new DataView(await archive.slice(tailAt).arrayBuffer());
  let end = tail.byteLength - END_BYTES;
  while (end >= 0 && tail.getUint32(end, true) !== END) end -= 1;
  if (end < 0) throw broken();
  const count = tail.getUint16(end + 10, true);
  const [size, offset] = [tail.getUint32(end + 12, true), tail.getUint32(end + 16, true)];
  if (offset + size > archive.size) throw broken();
  const view = new DataView(await archive.slice(offset, offset + size).arrayBuffer());
  const files = [];
  let at = 0;
  for (let n = 0; n < count; n += 1) {
    if (at + 46 > view.byteLength || view.getUint32(at, true) !== CENTRAL) throw broken();
    const method = view.getUint16(at + 10, true);
    const crc = view.getUint32(at + 16, true);
    const [stored, whole] = [view.getUint32(at + 20, true), view.getUint32(at + 24, true)];
    const [nameLength, extra, comment] = [28, 30, 32].map((o) => view.getUint16(at + o, true));
    const local = view.getUint32(at + 42, true);
    const name = new TextDecoder().decode(new Uint8Array(view.buffer, at + 46, nameLength));
    at += 46 + nameLength + extra + comment;
    if (name.endsWith("/")) continue;
    if (whole > MOST || ![0, 8].includes(method)) throw new Error(`${name} can’t be taken out of this file.`);
    const head = new DataView(await archive.slice(local, local + 30).arrayBuffer());
    if (head.byteLength < 30 || head.getUint32(0, true) !== LOCAL) throw broken();
    const from = local + 30 + head.getUint16(26, true) + head.getUint16(28, true);
    const raw = archive.slice(from, from + stored);
    const content = method === 0 ? raw : new Response(raw.stream().pipeThrough(new DecompressionStream("deflate-raw")));
    const bytes = new Uint8Array(await content.arrayBuffer());
    if (bytes.length !== whole || crc32(bytes) !== crc) throw broken();
    files.push({ name, bytes });
  }
  return files;
}
