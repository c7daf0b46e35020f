// Millimetres on the face and pixels of the photo, as the record's camera has them: undistorted pixels through the
// homography, then the radial terms (Brown and Conrady).

/** @typedef {{x: number, y: number}} Point */

/** @param {number[][]} m */
function inverse(m) {
  const [[a, b, c], [d, e, f], [g, h, i]] = m;
  const A = e * i - f * h, B = f * g - d * i, C = d * h - e * g;
  const det = a * A + b * B + c * C;
  return [
    [A / det, (c * h - b * i) / det, (b * f - c * e) / det],
    [B / det, (a * i - c * g) / det, (c * d - a * f) / det],
    [C / det, (b * g - a * h) / det, (a * e - b * d) / det],
  ];
}

/** @param {number[][]} m @param {number} x @param {number} y @returns {Point} */
function through(m, x, y) {
  const w = m[2][0] * x + m[2][1] * y + m[2][2];
  return { x: (m[0][0] * x + m[0][1] * y + m[0][2]) / w, y: (m[1][0] * x + m[1][1] * y + m[1][2]) / w };
}

/** Photo place of a place on the face. @param {any} camera @param {number} x @param {number} y @returns {Point} */
export function toPhoto(camera, x, y) {
  const straight = through(inverse(camera.image_to_face), x, y);
  const u = (straight.x - camera.cx_px) / camera.fx_px;
  const v = (straight.y - camera.cy_px) / camera.fy_px;
  const r2 = u * u + v * v;
  const by = 1 + camera.k1 * r2 + camera.k2 * r2 * r2;
  return { x: camera.cx_px + camera.fx_px * u * by, y: camera.cy_px + camera.fy_px * v * by };
}

/** Place on the face of a photo place. @param {any} camera @param {number} px @param {number} py @returns {Point} */
export function toFace(camera, px, py) {
  const ud = (px - camera.cx_px) / camera.fx_px;
  const vd = (py - camera.cy_px) / camera.fy_px;
  let u = ud, v = vd;
  // a contraction for every lens a phone has
  for (let i = 0; i < 30; i += 1) {
    const r2 = u * u + v * v;
    const by = 1 + camera.k1 * r2 + camera.k2 * r2 * r2;
    u = ud / by;
    v = vd / by;
  }
  return through(camera.image_to_face, camera.cx_px + camera.fx_px * u, camera.cy_px + camera.fy_px * v);
}
