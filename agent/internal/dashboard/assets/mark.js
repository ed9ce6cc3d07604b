// The marks beside words: a shape for each priority, filled while nobody has
// seen the alarm. Shape, word and colour say the same thing.

import { h, s } from "./dom.js";

export const outlines = {
  high: "M8 1.500 15 14H1z",
  medium: "M8 1 15 8l-7 7-7-7z",
  low: "M2 4h12v8H2z",
};

export function mark(priority, open) {
  return s("svg.mark." + priority, { viewBox: "0 0 16 16", "aria-hidden": "true" },
    s("path", { d: outlines[priority] || outlines.low, class: open ? "full" : "hollow" }));
}

// trust is a quality as a word with its reason; good is said quietly.
export function trust(quality, reason) {
  if (quality === "good") return h("span.good", {}, "good");
  return h("span." + quality, {}, quality === "bad" ? "bad" : "uncertain", reason ? ": " + reason : "");
}

// unknown is what stands where a number cannot.
export function unknown(reason) {
  return h("span.unknown", {}, "unknown", reason ? h("span.why", {}, " " + reason) : null);
}
