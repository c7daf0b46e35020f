// A change whose values the program doesn't know: the archer gives them, and it holds for the photos that follow.

import { fill, make } from "./dom.js";
import { SETUP } from "./session.js";
import { decimal } from "./table.js";

/** @typedef {import("./end.js").OpenEnd} OpenEnd */

/** Settings that an archer changes between two ends. */
const CHANGED = ["rest_height_mm", "nocking_point_mm", "plunger_clicks", "bolt_turns_out", "draw_weight_lb", "point_gr", "shaft_length_mm", "shaft_spine"];
/** Those that are counted from any mark of one's own: the first value is 0. */
const FROM_A_MARK = ["rest_height_mm", "nocking_point_mm", "plunger_clicks"];

/** @param {string} setting */
const label = (setting) => SETUP.find((f) => f.name === setting)?.label ?? setting;

/** Asks what was changed, and from what to what. @param {OpenEnd} end @param {string | null} advised the setting that the
 * advice changes @param {() => void} noted what follows */
export function changeForm(end, advised, noted) {
  const number = (/** @type {string} */ id) => make("input", { id, inputmode: "decimal", autocomplete: "off" });
  const [before, after] = [number("change-before"), number("change-after")];
  const what = make("select", { id: "change-what", change: () => known() }, ...CHANGED.map((s) => make("option", { value: s }, label(s))));
  if (advised && CHANGED.includes(advised)) what.value = advised;
  const said = make("p", { role: "status", class: "error" });
  const now = () => end.view?.record.session.setup?.[what.value];
  const known = () => {
    before.value = String(now() ?? (FROM_A_MARK.includes(what.value) ? 0 : ""));
    after.value = "";
  };
  known();
  const form = make("form", { class: "part", id: "change", novalidate: true },
    make("div", { class: "fields" },
      make("div", { class: "wide" }, make("label", { for: "change-what" }, "What was changed"), what),
      make("div", {}, make("label", { for: "change-before" }, "It was"), before),
      make("div", {}, make("label", { for: "change-after" }, "It is now"), after)),
    make("div", { class: "form-end" }, make("button", { class: "strong", id: "change-made" }, "I made this change")), said);
  const send = async () => {
    const [was, is] = [decimal(before.value), decimal(after.value)];
    if (was === null || is === null || was === is) {
      fill(said, was === is && was !== null ? "Both values are the same." : "Give both values as numbers.");
      return;
    }
    const { view } = end;
    if (!view) return;
    const words = `${label(what.value)}: ${before.value.trim()} to ${after.value.trim()}`;
    await end.core.made(view.id, { [what.value]: is }, words);
    // the ends before it have the value before it
    if (now() !== was) await end.edit([{ do: "session", set: { setup: { [what.value]: was } } }]);
    noted();
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    send().catch((error) => fill(said, error instanceof Error ? error.message : String(error)));
  });
  return form;
}
