// Millimetres of the print and pixels of the photo, as the record's camera has them: off the face plane with the sheet, where
// that isn't flat, through the homography to undistorted pixels, then the radial terms (Brown and Conrady).

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

/** The camera's centre in the face frame, mm: −Rᵀ t. @param {any} camera */
function centre(camera) {
  const { rotation: r, translation_mm: t } = camera.face_to_camera;
  return [0, 1, 2].map((k) => -(r[0][k] * t[0] + r[1][k] * t[1] + r[2][k] * t[2]));
}

/** Height of the sheet over the face plane, mm. @param {any} sheet @param {number} px @param {number} py */
function height(sheet, px, py) {
  const inside = Math.min(1, sheet.reach_mm / Math.hypot(px, py));
  const x = (inside * px) / sheet.reach_mm, y = (inside * py) / sheet.reach_mm;
  const terms = [1, x, y, x * x, x * y, y * y, x ** 3, x * x * y, x * y * y, y ** 3,
    x ** 4, x ** 3 * y, x * x * y * y, x * y ** 3, y ** 4];
  return terms.reduce((sum, term, k) => sum + term * (sheet.z_mm[k] ?? 0), 0);
}

/** Where a point of the print appears on the face plane. @param {any} camera @param {number} x @param {number} y @returns {Point} */
function apparent(camera, x, y) {
  if (!camera.sheet) return { x, y };
  const c = centre(camera), z = height(camera.sheet, x, y), k = z / (c[2] - z);
  return { x: x + k * (x - c[0]), y: y + k * (y - c[1]) };
}

/** The point of the print seen at a point of the face plane. @param {any} camera @param {Point} seen @returns {Point} */
function onPrint(camera, seen) {
  if (!camera.sheet) return seen;
  const c = centre(camera);
  let at = seen;
  for (let i = 0; i < 20; i += 1) {
    const k = height(camera.sheet, at.x, at.y) / c[2];
    at = { x: seen.x - k * (seen.x - c[0]), y: seen.y - k * (seen.y - c[1]) };
  }
  return at;
}

/** Photo place of a place on the face. @param {any} camera @param {number} x @param {number} y @returns {Point} */
export function toPhoto(camera, x, y) {
  const plane = apparent(camera, x, y);
  const straight = through(inverse(camera.image_to_face), plane.x, plane.y);
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
  return onPrint(camera, through(camera.image_to_face, camera.cx_px + camera.fx_px * u, camera.cy_px + camera.fy_px * v));
}
