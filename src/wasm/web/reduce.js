// Photos larger than a phone can work on beside everything else are reduced when they are taken over: shafts are still some pixels
// wide. What the photo says of its lens stays with it.

/** Most pixels of a photo that is kept as it is: 12 megapixels, as most phones take them. */
const MAX_PIXELS = 13e6;
/** Pixels of one that is reduced. */
const REDUCED_PIXELS = 12e6;
const QUALITY = 0.95;
/** Markers of JPEG (ITU-T T.81, annex B) and the EXIF tag of the orientation (CIPA DC-008, 4.6.4). */
const APP1 = 0xe1;
const SCAN = 0xda;
const NO_FRAME = [0xc4, 0xc8, 0xcc];
const ORIENTATION = 0x0112;

/** The size of a JPEG as stored, and its EXIF segment. @param {DataView} view */
function facts(view) {
  let [width, height] = [0, 0];
  /** @type {[number, number] | null} */
  let exif = null;
  let at = 2;
  while (at + 9 < view.byteLength && view.getUint8(at) === 0xff) {
    const marker = view.getUint8(at + 1);
    if (marker === SCAN) break;
    const length = view.getUint16(at + 2);
    if (marker >= 0xc0 && marker <= 0xcf && !NO_FRAME.includes(marker)) [height, width] = [view.getUint16(at + 5), view.getUint16(at + 7)];
    if (marker === APP1 && !exif && view.getUint32(at + 4) === 0x45786966) exif = [at, at + 2 + length];
    at += 2 + length;
  }
  return { width, height, exif };
}

/** Makes an EXIF segment say that the pixels are upright. @param {Uint8Array} segment */
function upright(segment) {
  const view = new DataView(segment.buffer, segment.byteOffset, segment.byteLength);
  const tiff = 10;
  if (segment.length < tiff + 8) return;
  const little = view.getUint16(tiff) === 0x4949;
  const directory = tiff + view.getUint32(tiff + 4, little);
  if (directory + 2 > segment.length) return;
  const count = view.getUint16(directory, little);
  for (let n = 0; n < count; n += 1) {
    const entry = directory + 2 + 12 * n;
    if (entry + 12 > segment.length) return;
    if (view.getUint16(entry, little) === ORIENTATION) view.setUint16(entry + 8, 1, little);
  }
}

/** The photo, or one of fewer pixels. @param {Blob} photo @returns {Promise<Blob>} */
export async function reduced(photo) {
  const bytes = new Uint8Array(await photo.arrayBuffer());
  if (bytes[0] !== 0xff || bytes[1] !== 0xd8) return photo;
  const { width, height, exif } = facts(new DataView(bytes.buffer));
  if (width * height <= MAX_PIXELS) return photo;
  const scale = Math.sqrt(REDUCED_PIXELS / (width * height));
  const segment = exif ? bytes.slice(...exif) : new Uint8Array();
  const image = await createImageBitmap(photo, { imageOrientation: "from-image" });
  const [w, h] = [Math.round(image.width * scale), Math.round(image.height * scale)];
  const canvas = new OffscreenCanvas(w, h);
  const context = canvas.getContext("2d", { alpha: false });
  if (!context) return photo;
  context.imageSmoothingQuality = "high";
  context.drawImage(image, 0, 0, w, h);
  image.close();
  const small = new Uint8Array(await (await canvas.convertToBlob({ type: "image/jpeg", quality: QUALITY })).arrayBuffer());
  upright(segment);
  // the start, the EXIF segment, and the rest as it was written
  return new Blob([small.slice(0, 2), segment, small.slice(2)], { type: "image/jpeg" });
}
