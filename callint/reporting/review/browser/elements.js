// Elements of the page. Every text is inserted as text, never as HTML.

/** Sets attributes, listeners ("onclick") and children of an element; undefined ones are left out. */
function fillElement(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === false) continue;
    if (typeof value === "function") element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== undefined && child !== ""));
  return element;
}

function make(name, attributes = {}, ...children) {
  return fillElement(document.createElement(name), attributes, children);
}

function draw(name, attributes = {}, ...children) {
  return fillElement(document.createElementNS("http://www.w3.org/2000/svg", name), attributes, children);
}

/** Text for screen readers only. */
function spokenText(text) {
  return make("span", { class: "aside" }, text);
}

/** An amount and its noun: "1 cell", "2 cells". */
function count(amount, noun) {
  return `${amount.toLocaleString("en")} ${noun}${amount === 1 ? "" : "s"}`;
}

/** The severity as a letter in a shape; screen readers read its name. */
function badge(severity, waived = false) {
  const letter = make("span", { "aria-hidden": "true" }, severity[0].toUpperCase());
  return make("span", { class: `badge ${waived ? "accepted" : severity}` }, letter, spokenText(severity));
}

const numbers = new Intl.NumberFormat("en", { maximumSignificantDigits: 6, useGrouping: false });
const signedNumbers = new Intl.NumberFormat("en", { maximumSignificantDigits: 6, useGrouping: false, signDisplay: "exceptZero" });

let serial = 0;
/** An id that no table can have: a table's name begins with a letter, a digit or "_". */
function uniqueId(word) {
  serial += 1;
  return `~${word}-${serial}`;
}
