// Places: photo pixels, screen pixels, and the one half pixel between them.
//
// Photo pixels count from the centre of the top-left pixel; on a screen that centre lies half a photo pixel from the corner.

/** @typedef {{x: number, y: number}} Point */

/** How the photo lies in its frame: the place of its top-left corner, and screen pixels per photo pixel. */
export class Frame {
  constructor() {
    this.x = 0;
    this.y = 0;
    this.scale = 1;
    this.width = 1;
    this.height = 1;
    /** Size of the photo, photo pixels. */
    this.photo = { width: 1, height: 1 };
  }

  /** Screen place of a photo place. @param {number} px @param {number} py @returns {Point} */
  toScreen(px, py) {
    return { x: this.x + (px + 0.5) * this.scale, y: this.y + (py + 0.5) * this.scale };
  }

  /** Photo place of a screen place. @param {number} x @param {number} y @returns {Point} */
  toPhoto(x, y) {
    return { x: (x - this.x) / this.scale - 0.5, y: (y - this.y) / this.scale - 0.5 };
  }

  /** The scale at which the whole photo is seen. */
  get fitting() {
    return Math.min(this.width / this.photo.width, this.height / this.photo.height);
  }

  /** The whole photo, in the middle. */
  fit() {
    this.scale = this.fitting;
    this.x = (this.width - this.photo.width * this.scale) / 2;
    this.y = (this.height - this.photo.height * this.scale) / 2;
  }

  /** A rectangle of the photo, as large as it goes. @param {number} x0 @param {number} y0 @param {number} x1 @param {number} y1 */
  show(x0, y0, x1, y1) {
    const scale = Math.min(this.width / Math.max(x1 - x0, 1), this.height / Math.max(y1 - y0, 1));
    this.scale = Math.min(Math.max(scale, this.fitting), 8);
    this.centre((x0 + x1) / 2, (y0 + y1) / 2);
  }

  /** @param {number} px @param {number} py */
  centre(px, py) {
    this.x = this.width / 2 - (px + 0.5) * this.scale;
    this.y = this.height / 2 - (py + 0.5) * this.scale;
    this.hold();
  }

  /** Zooms about a screen place, which stays where it is. @param {number} factor @param {number} x @param {number} y */
  zoom(factor, x, y) {
    const scale = Math.min(Math.max(this.scale * factor, this.fitting), 12);
    const by = scale / this.scale;
    this.x = x - (x - this.x) * by;
    this.y = y - (y - this.y) * by;
    this.scale = scale;
    this.hold();
  }

  /** @param {number} dx @param {number} dy */
  pan(dx, dy) {
    this.x += dx;
    this.y += dy;
    this.hold();
  }

  /** Keeps the photo in its frame: no further than that its edge reaches the middle. */
  hold() {
    const w = this.photo.width * this.scale;
    const h = this.photo.height * this.scale;
    this.x = w <= this.width ? (this.width - w) / 2 : Math.min(this.width / 2, Math.max(this.width / 2 - w, this.x));
    this.y = h <= this.height ? (this.height - h) / 2 : Math.min(this.height / 2, Math.max(this.height / 2 - h, this.y));
  }
}
