// Builds elements and brings a live tree up to date with a new one, touching
// only what differs: focus, selection, open details and what a screen reader
// is saying survive each scan.

const SVG = "http://www.w3.org/2000/svg";

// h("p.note", {title: "…"}, child, …) is an element; children are nodes,
// strings, numbers, arrays of them, or nothing.
export function h(what, attrs, ...children) {
  return build(document.createElement(what.split(".")[0]), what, attrs, children);
}

// s is h for SVG.
export function s(what, attrs, ...children) {
  return build(document.createElementNS(SVG, what.split(".")[0]), what, attrs, children);
}

function build(el, what, attrs, children) {
  const classes = what.split(".").slice(1).join(" ");
  if (classes) el.setAttribute("class", classes);
  for (const [k, v] of Object.entries(attrs || {})) {
    if (v === false || v === null || v === undefined) continue;
    el.setAttribute(k, v === true ? "" : String(v));
  }
  for (const c of children.flat(Infinity)) {
    if (c === null || c === undefined || c === false) continue;
    el.append(c instanceof Node ? c : String(c));
  }
  return el;
}

// show makes the children of el equal to the given ones.
export function show(el, ...children) {
  const wanted = document.createElement("div");
  for (const c of children.flat(Infinity)) {
    if (c !== null && c !== undefined && c !== false) wanted.append(c);
  }
  match(el, wanted);
}

// within bounds a request: a browser lets one wait for ever that finds no
// connection free.
export const within = (ms) => ({ signal: AbortSignal.timeout(ms) });

// text changes a plain text only where it differs.
export function text(el, words) {
  if (el.textContent !== words) el.textContent = words;
}

function match(old, wanted) {
  const a = [...old.childNodes], b = [...wanted.childNodes];
  b.forEach((node, i) => {
    if (i >= a.length) old.append(node);
    else if (!alike(a[i], node)) a[i].replaceWith(node);
    else if (node.nodeType === Node.TEXT_NODE) {
      if (a[i].data !== node.data) a[i].data = node.data;
    } else {
      attributes(a[i], node);
      match(a[i], node);
    }
  });
  for (const extra of a.slice(b.length)) extra.remove();
}

function alike(a, b) {
  return a.nodeName === b.nodeName && (a.nodeType !== Node.ELEMENT_NODE ||
    a.getAttribute("data-key") === b.getAttribute("data-key"));
}

function attributes(old, wanted) {
  for (const { name } of [...old.attributes]) {
    // Whether details are open is the reader's choice.
    if (!wanted.hasAttribute(name) && name !== "open") old.removeAttribute(name);
  }
  for (const { name, value } of wanted.attributes) {
    if (name !== "open" && old.getAttribute(name) !== value) old.setAttribute(name, value);
  }
}
