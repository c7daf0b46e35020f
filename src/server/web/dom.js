// Making and finding elements.

/**
 * The element of this id.
 * @template {HTMLElement} T
 * @param {string} id
 * @param {new (...args: any[]) => T} type
 * @returns {T}
 */
export function byId(id, type) {
  const found = document.getElementById(id);
  if (!(found instanceof type)) throw new Error(`no ${id}`);
  return found;
}

/**
 * A new element. Text goes in as text, never as HTML.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} name
 * @param {{[name: string]: string | number | boolean | null | undefined | ((event: any) => void)}} attributes
 * @param {...(Node | string)} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function make(name, attributes, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === "function") element.addEventListener(key, value);
    else element.setAttribute(key, value === true ? "" : String(value));
  }
  element.append(...children);
  return element;
}

const SVG = "http://www.w3.org/2000/svg";

/**
 * A small drawing of a kind: shape and letter tell it, colour only repeats it. With a name it is a mark's.
 * @param {import("./core.js").Kind} kind
 * @param {string} [name]
 * @returns {SVGSVGElement}
 */
export function badge(kind, name) {
  const svg = document.createElementNS(SVG, "svg");
  const half = name ? 15 : 12;
  svg.setAttribute("viewBox", `${-half} ${-half} ${2 * half} ${2 * half}`);
  svg.setAttribute("class", `badge badge-${kind}`);
  svg.setAttribute("aria-hidden", "true");
  const shape = document.createElementNS(SVG, kind === "fletched" ? "circle" : kind === "bare" ? "rect" : "path");
  const size = name ? 1.35 : 1;
  if (kind === "fletched") shape.setAttribute("r", String(9 * size));
  else if (kind === "bare") for (const [n, v] of [["x", -8], ["y", -8], ["width", 16], ["height", 16]]) shape.setAttribute(String(n), String(Number(v) * size));
  else shape.setAttribute("d", name ? "M0-15 15 0 0 15-15 0Z" : "M0-10.5 10.5 0 0 10.5-10.5 0Z");
  const letter = document.createElementNS(SVG, "text");
  letter.setAttribute("y", "4.4");
  letter.textContent = name ?? (kind === "fletched" ? "F" : kind === "bare" ? "B" : "?");
  if (name && name.length > 2) letter.setAttribute("class", "small");
  svg.append(shape, letter);
  return svg;
}

/**
 * Lets an element say this; one that says it already is left alone, so that nothing is laid out and read out again.
 * @param {Element} element
 * @param {string} text
 */
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/**
 * Replaces what an element holds.
 * @param {Element} element
 * @param {...(Node | string)} children
 */
export function fill(element, ...children) {
  element.replaceChildren(...children);
}

/**
 * An element of a drawing.
 * @template {keyof SVGElementTagNameMap} K
 * @param {K} name
 * @param {{[name: string]: string | number}} attributes
 * @param {...Node} children
 * @returns {SVGElementTagNameMap[K]}
 */
export function draw(name, attributes, ...children) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, String(value));
  element.append(...children);
  return element;
}
