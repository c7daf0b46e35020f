// A loupe away from the finger: what lies under the fingertip, enlarged, with a cross where the mark will be.

import { Frame } from "./frame.js";

/** @typedef {import("./photo.js").PhotoView} PhotoView */

/** Side, screen pixels. */
const SIDE = 148;
/** Enlargement over what the photo shows, and at least so many screen pixels per photo pixel. */
const TIMES = 2.5;
const LEAST = 1.6;

export class Loupe {
  /** @param {HTMLCanvasElement} canvas @param {PhotoView} photo */
  constructor(canvas, photo) {
    this.canvas = canvas;
    this.photo = photo;
  }

  /** Shows what lies at a photo place, for a finger at a screen place. @param {number} px @param {number} py
   * @param {{x: number, y: number}} finger */
  show(px, py, finger) {
    const { canvas, photo } = this;
    const ratio = photo.ratio;
    canvas.width = SIDE * ratio;
    canvas.height = SIDE * ratio;
    const frame = new Frame();
    frame.photo = photo.frame.photo;
    frame.width = SIDE;
    frame.height = SIDE;
    frame.scale = Math.max(photo.frame.scale * TIMES, LEAST);
    frame.x = SIDE / 2 - (px + 0.5) * frame.scale;
    frame.y = SIDE / 2 - (py + 0.5) * frame.scale;
    const context = canvas.getContext("2d");
    if (!context) return;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = "#20282b";
    context.fillRect(0, 0, canvas.width, canvas.height);
    photo.paint(context, frame, ratio, 0.5);
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    for (const [width, colour] of [[4, "rgba(10,16,18,.75)"], [1.6, "#fff"]]) {
      context.lineWidth = Number(width);
      context.strokeStyle = String(colour);
      context.beginPath();
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        context.moveTo(SIDE / 2 + 6 * dx, SIDE / 2 + 6 * dy);
        context.lineTo(SIDE / 2 + 24 * dx, SIDE / 2 + 24 * dy);
      }
      context.stroke();
    }
    // opposite the finger, at the top; at the bottom where the finger is at the top
    const { width, height } = photo.frame;
    canvas.style.left = `${finger.x > width / 2 ? 10 : width - SIDE - 10}px`;
    canvas.style.top = `${finger.y < SIDE + 40 && height > 2 * SIDE ? height - SIDE - 10 : 10}px`;
    canvas.hidden = false;
  }

  hide() {
    this.canvas.hidden = true;
  }
}
