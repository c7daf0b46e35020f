// Rings that lie beside the printed ones: set by hand, another of several faces, another upright, another size.

import { byId, fill, make } from "./dom.js";

/** @typedef {import("./core.js").How} How */
/** @typedef {{end: import("./end.js").OpenEnd, photo: import("./photo.js").PhotoView, marks: import("./marks.js").Marks,
 *   faces: import("./core.js").Face[], measure: (id: number, how: How) => void,
 *   setRings: (event: MouseEvent) => void}} FitOf */

/** @param {FitOf} of */
export function drawFit({ end, photo, marks, faces, measure, setRings }) {
  const { view } = end;
  const possible = Boolean(view?.photo);
  byId("photo-fit", HTMLElement).hidden = !possible;
  if (!view || !possible) return;
  // the photo is open on its group: what is meant may lie beyond it
  const near = () => {
    photo.showWhole();
    marks.start({
      words: "Tap the middle of the face that you mean.", step: 10,
      then: (px, py) => measure(view.id, { near: [px, py] }),
    });
  };
  const upright = () => {
    photo.showWhole();
    lowerEnd();
  };
  const lowerEnd = () => marks.start({
    words: "Tap the lower end of something that hangs straight down on the boss: the paper’s edge, a stand.", step: 10,
    then: (x0, y0) => marks.start({
      words: "Now tap its upper end.", step: 10,
      then: (x1, y1) => measure(view.id, { vertical: [[x0, y0], [x1, y1]] }),
    }),
  });
  const keys = (/** @type {() => void} */ how) => (/** @type {MouseEvent} */ event) => {
    how();
    if (event.detail === 0) marks.startByKeys();
    else photo.element.scrollIntoView({ block: "nearest" });
  };
  const other = make("select", { id: "other-face" }, ...faces.map((f) => make("option", { value: f.name }, f.name)));
  other.value = view.record.face?.name ?? "";
  const { camera: c } = view.record;
  const facts = c ? `${c.fitted_to === "points" ? "Rings set by hand. " : ""}Seen from ${(c.distance_mm / 1000).toFixed(1)} m, ${c.tilt_deg.toFixed(0)}° from the side; upright known to ${c.upright.sd_deg.toFixed(1)}°.` : "";
  fill(byId("fit", HTMLDivElement), make("p", { class: "soft" }, `${facts} The thin green lines must lie on the printed rings.`),
    make("div", { class: "row part" },
      make("button", { type: "button", id: "by-hand", click: setRings }, "Set the rings by hand"),
      make("button", { type: "button", id: "another-face", click: keys(near) }, "It is another face"),
      // points by hand bring their own upright
      ...(c?.fitted_to === "points" ? [] : [make("button", { type: "button", id: "turn-upright", click: keys(upright) }, "Turn the upright")])),
    make("div", { class: "row part" }, make("div", {}, make("label", { for: "other-face" }, "The face is a"), other),
      make("button", { type: "button", click: () => measure(view.id, { face: other.value }) }, "Measure anew")));
}
