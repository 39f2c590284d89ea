/* Small helpers. Texts go in as text and nothing else: the page's policy refuses markup made of strings. */

export const byId = (id) => document.getElementById(id);

/** Make an element; texts among the children become text nodes. */
export function made(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

/** Make an element of SVG. */
export function drawn(tag, attributes = {}, ...children) {
  return filled(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes, children);
}

/** Write a text only where it differs, so that what is read aloud is not read again. */
export function write(element, text) {
  const wanted = text ?? "";
  if (element.textContent !== wanted) element.textContent = wanted;
}

/** Show or hide. */
export function show(element, shown) {
  element.hidden = !shown;
}

function filled(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== null && value !== undefined && value !== false) element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}
